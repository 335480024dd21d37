"""Each plateau fitted in the window that suits it: wide, narrow, with a bow; where all went astray, from elsewhere.

Gaps: windows never reach over a segment's end.
Limits: see `corner_search`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import View, rows_by_view
from ampwitness.detect.clip_coarse import measure_coarsely
from ampwitness.detect.clip_screen import Suspects
from ampwitness.detect.corner_search import Placed, place_corners
from ampwitness.detect.plateau_windows import SHORTEST_FLANK_S, WIDTHS, Windows, cut_windows, join_windows
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

PLAIN_GAIN = 40.0
FAILED_MISFIT = 25.0
MOST_BOW = 0.15  # of the crest that the flanks promise: more is no plateau
BOW_COST = 1.25  # by so much a bow must lower the misfit
SHORTEST_BOWED = 5.0  # samples, half a plateau
FITS_WELL = 4.0  # reduced chi-square up to which the wide window is kept


def place_best_width(
    windows: Windows, narrow: Windows, left: FloatArray, right: FloatArray, noise_v: FloatArray,
    is_plain: npt.NDArray[np.bool_], start_narrow: npt.NDArray[np.bool_] | None = None,
) -> Placed:  # fmt: skip
    """Fit the wide windows, and where they do not fit well the narrow ones; keeps the better.

    Faint flats that fit badly are natural crests: those are not fitted again. `noise_v` : (n,) of one sample;
    `start_narrow` : (n,) where the wide window need not be tried."""
    is_done = np.zeros(len(windows), dtype=bool) if start_narrow is None else start_narrow
    n_left = np.where(is_done, narrow.n_left, windows.n_left)
    n_right = np.where(is_done, narrow.n_right, windows.n_right)
    placed = place_corners(replace(windows, n_left=n_left, n_right=n_right), left, right)
    for with_bow in (False, True):
        cost = placed.cost(noise_v)
        rows = np.flatnonzero((cost > FITS_WELL) & is_plain & (with_bow | ~is_done))
        if with_bow:
            rows = rows[(windows.half * windows.averaged)[rows] > SHORTEST_BOWED]
        if not len(rows):
            continue
        other = place_corners(narrow.take(rows), left[rows], right[rows], with_bow)
        gain = BOW_COST if with_bow else 1.0
        better = (other.cost(noise_v[rows]) * gain < cost[rows]) & (other.bow_share < MOST_BOW)
        placed.put(rows[better], other.take(better))
    return placed


def try_again(
    views: list[View], of: IntArray, windows: Windows, placed: Placed, gain: FloatArray, noise_v: FloatArray
) -> None:
    """Where the fit went astray, fit once more: from the screen's corners, then from those that the crossings show.

    `of` : (n,) in which view each window lies, ascending"""
    rows = np.flatnonzero((placed.cost(noise_v) > FAILED_MISFIT) & (gain >= PLAIN_GAIN))
    if not len(rows):
        return
    rates_hz = np.array([view.stretch.rate_hz for view in views])
    shortest = SHORTEST_FLANK_S * rates_hz[of[rows]] / windows.averaged[rows]
    part = windows.take(rows)
    _replace_better(placed, rows, part, part.narrowed(WIDTHS[1], shortest),
                    part.centre - part.half, part.centre + part.half, noise_v, only_narrow=True)  # fmt: skip
    rows = rows[placed.cost(noise_v)[rows] > FAILED_MISFIT]
    found = [_from_crossings(view, windows.take(rows[mine])) for view, mine in rows_by_view(views, of[rows])]
    rows = rows[np.concatenate([is_flat for is_flat, *_ in found])]
    if not len(rows):
        return
    part = join_windows([cut for _, cut, *_ in found])
    start, stop = (np.concatenate([corners[k] for *_, corners in found]) for k in range(2))
    shortest = SHORTEST_FLANK_S * rates_hz[of[rows]] / part.averaged
    part, narrow = part.narrowed(WIDTHS[0], shortest), part.narrowed(WIDTHS[1], shortest)
    _replace_better(placed, rows, part, narrow, part.to_point(start), part.to_point(stop), noise_v)


def _from_crossings(
    view: View, windows: Windows
) -> tuple[npt.NDArray[np.bool_], Windows, tuple[FloatArray, FloatArray]]:
    """Which of these crests look flat by their crossings, the windows cut anew for those, and their corners."""
    volts, rate_hz = view.stretch.output_v, view.stretch.rate_hz
    coarse = measure_coarsely(volts, rate_hz, windows.crest, windows.sign, windows.level_v)
    part = windows.take(coarse.is_flat)
    start, stop = coarse.start[coarse.is_flat], coarse.stop[coarse.is_flat]
    suspects = Suspects(part.sign, (start + stop) / 2, (stop - start) / 2, part.level_v, np.ones(len(part)), part.crest)
    return coarse.is_flat, cut_windows(volts, rate_hz, suspects, view.noise_v), (start, stop)


def _replace_better(
    placed: Placed, rows: IntArray, windows: Windows, narrow: Windows, left: FloatArray, right: FloatArray,
    noise_v: FloatArray, only_narrow: bool = False,
) -> None:  # fmt: skip
    """Fit these rows again and keep what is better."""
    every = np.ones(len(windows), dtype=bool)
    other = place_best_width(windows, narrow, left, right, noise_v[rows], every, every & only_narrow)
    better = other.cost(noise_v[rows]) < placed.cost(noise_v)[rows]
    placed.put(rows[better], other.take(better))
