"""Many small systems solved together, and the corners that are found with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.detect.clips.measure.corner_ramp import ramp
from ampwitness.detect.clips.measure.corner_search import place_corners
from ampwitness.detect.clips.measure.lobe_fit import describe_placed
from ampwitness.detect.clips.measure.many_small import back_substitute, eliminate, invert
from ampwitness.detect.clips.measure.plateau_windows import SIDE, Windows, corners_between
from ampwitness.detect.clips.measure.plateau_windows import test_flatness as search_corners


def test_solutions_and_inverses_are_those_of_each_system_alone() -> None:
    columns = np.random.default_rng(1).normal(size=(5, 7, 12))
    each = columns @ columns.transpose(0, 2, 1)
    a = np.ascontiguousarray(each.transpose(1, 2, 0))
    np.testing.assert_allclose(invert(a).transpose(2, 0, 1), np.linalg.inv(each), atol=1e-9)
    eliminate(a, 0, 6)
    np.testing.assert_allclose(back_substitute(a, 6, 6).T, np.linalg.solve(each[:, :6, :6], each[:, :6, 6:])[..., 0])
    alone = each[:, 6, 6] - (each[:, 6:, :6] @ np.linalg.solve(each[:, :6, :6], each[:, :6, 6:]))[:, 0, 0]
    np.testing.assert_allclose(a[6, 6], alone)


def _windows(left: np.ndarray, right: np.ndarray, noise_v: float, rng: np.random.Generator) -> Windows:
    """Plateaus at 30 V with steep, bent flanks, their corners anywhere between the points."""
    n = len(left)
    t = np.broadcast_to(np.arange(-SIDE, SIDE + 1.0), (n, 2 * SIDE + 1))
    once = np.ones(n, dtype=np.intp)
    before, behind = left[:, None] - t, t - right[:, None]
    volts = 30.0 - 0.8 * ramp(before[:, ::-1], once)[:, ::-1] - 0.5 * ramp(behind, once)
    volts -= 0.03 * np.maximum(before, 0) ** 2 + 0.02 * np.maximum(behind, 0) ** 2
    volts += rng.normal(0.0, noise_v, volts.shape)
    n_side = np.where(np.arange(n) % 2, 13, 20).astype(np.intp)
    zero = np.zeros(n)
    return Windows(
        zero + 1, 1000 + 100 * np.arange(n), volts, 1000 + 100 * np.arange(n), once, n_side, n_side, zero,
        (right - left) / 2, zero + 30.0, zero > 1,
    )  # fmt: skip


@pytest.mark.parametrize("with_bow", [False, True])
def test_corners_between_the_points_are_found_as_well_as_the_fit_says(with_bow: bool) -> None:
    rng = np.random.default_rng(3)
    left, right = rng.uniform(-6, -3, 200), rng.uniform(3, 6, 200)
    noise_v = 0.01
    windows = _windows(left, right, noise_v, rng)
    fit = describe_placed(place_corners(windows, np.round(left), np.round(right), with_bow))
    for found, true, sd in ((fit.start, left, fit.start_sd), (fit.stop, right, fit.stop_sd)):
        off = (found - windows.middle - true) / (sd * noise_v)
        assert np.median(np.abs(off)) < 1.5
        assert np.percentile(np.abs(off), 95) < 4
        assert np.max(sd * noise_v) < 0.2
    assert np.median(np.abs(fit.slope_left_v - 0.8)) < 0.02
    assert np.median(np.abs(fit.slope_right_v - 0.5)) < 0.02


def test_the_first_search_ends_between_the_points_of_its_grid() -> None:
    rng = np.random.default_rng(4)
    left, right = rng.uniform(-6, -3, 200), rng.uniform(3, 6, 200)
    windows = _windows(left, right, 0.01, rng)
    found = search_corners(windows)
    for corner, true in zip(corners_between(windows, found.hypothesis), (left, right), strict=True):
        assert np.median(np.abs(corner - true)) < 0.12  # the grid alone: 0.25


def test_corners_just_beside_where_they_belong_are_put_right_by_the_last_look() -> None:
    rng = np.random.default_rng(5)
    left, right = rng.uniform(-6, -3, 200), rng.uniform(3, 6, 200)
    placed = place_corners(_windows(left, right, 0.002, rng), left, right)
    best = describe_placed(placed)
    beside = describe_placed(replace(placed, left=placed.left + 0.2, right=placed.right + 0.15))
    assert np.median(np.abs(beside.start - best.start)) < 0.02
    assert np.median(np.abs(beside.stop - best.stop)) < 0.02
    assert np.median(np.abs(beside.slope_left_v - best.slope_left_v)) < 0.01
    assert np.median(np.abs(beside.curvature_v - best.curvature_v)) < 0.1 * np.median(best.curvature_v)
    assert np.median(np.abs(beside.level_v - best.level_v)) < 0.002


def test_a_flank_that_rises_from_the_line_is_none() -> None:
    windows = _windows(np.full(20, -4.0), np.full(20, 4.0), 0.01, np.random.default_rng(6))
    t = np.arange(-SIDE, SIDE + 1.0)
    step = windows.volts - 2 * np.minimum(windows.volts - 30.0, 0) * (t > 4)  # goes on upward behind the line
    stairs, plateau = search_corners(replace(windows, volts=step)), search_corners(windows)
    assert np.all(plateau.smooth_rss_v2 > 10 * plateau.flat_rss_v2)
    assert np.all(stairs.flat_rss_v2 > 3 * plateau.flat_rss_v2)  # which the same corners would leave
