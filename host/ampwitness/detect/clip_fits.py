"""Each plateau fitted in the window that suits it: wide, narrow, with a bow; where all went astray, from elsewhere.

Gaps: windows never reach over a segment's end.
Limits: see `lobe_fit`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import View, rows_by_view
from ampwitness.detect.clip_coarse import measure_coarsely
from ampwitness.detect.clip_screen import Suspects
from ampwitness.detect.lobe_fit import LobeFit, fit_windows
from ampwitness.detect.plateau_windows import SHORTEST_FLANK_S, WIDTHS, Windows, cut_windows, join_windows
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

PLAIN_GAIN = 40.0
LEAST_SLOPE_RATIO = 0.15  # of the flatter flank to the mean of both
FAILED_MISFIT = 25.0
MOST_BOW = 0.15  # of the crest that the flanks promise: more is no plateau
BOW_COST = 1.25  # by so much a bow must lower the misfit
SHORTEST_BOWED = 5.0  # samples, half a plateau
FITS_WELL = 4.0  # reduced chi-square up to which the wide window is kept


def fit_best_width(
    windows: Windows, narrow: Windows, left: FloatArray, right: FloatArray, noise_v: FloatArray,
    is_plain: npt.NDArray[np.bool_], start_narrow: npt.NDArray[np.bool_] | None = None,
) -> tuple[LobeFit, FloatArray]:  # fmt: skip
    """Fit the wide windows, and where they do not fit well the narrow ones; keeps the better. Returns misfits too.

    Faint flats that fit badly are natural crests: those are not fitted again. `noise_v` : (n,) of one sample;
    `start_narrow` : (n,) where the wide window need not be tried."""
    is_done = np.zeros(len(windows), dtype=bool) if start_narrow is None else start_narrow
    fit = fit_windows(
        replace(
            windows,
            n_left=np.where(is_done, narrow.n_left, windows.n_left),
            n_right=np.where(is_done, narrow.n_right, windows.n_right),
        ),
        left,
        right,
    )
    misfit, cost = misfit_of(fit, noise_v)
    for with_bow in (False, True):
        rows = np.flatnonzero((cost > FITS_WELL) & is_plain & (with_bow | ~is_done))
        if with_bow:
            rows = rows[(windows.half * windows.averaged)[rows] > SHORTEST_BOWED]
        if not len(rows):
            continue
        other = fit_windows(narrow.take(rows), left[rows], right[rows], with_bow)
        other_misfit, other_cost = misfit_of(other, noise_v[rows])
        gain = BOW_COST if with_bow else 1.0
        better = (other_cost * gain < cost[rows]) & (other.bow_share < MOST_BOW)
        misfit[rows[better]], cost[rows[better]] = other_misfit[better], other_cost[better]
        for name in LobeFit.__slots__:
            getattr(fit, name)[rows[better]] = getattr(other, name)[better]
    return fit, misfit


def misfit_of(fit: LobeFit, noise_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Reduced chi-square, and the same with windows made costly that hold one corner only, however well they fit."""
    chi = fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2) * fit.averaged / noise_v**2
    one_sided = fit.lower_slope_v() < LEAST_SLOPE_RATIO * fit.mean_slope_v()
    return chi, np.where(one_sided, chi * 1e3, chi)


def try_again(
    views: list[View], of: IntArray, windows: Windows, fit: LobeFit, misfit: FloatArray, gain: FloatArray,
    noise_v: FloatArray,
) -> None:  # fmt: skip
    """Where the fit went astray, fit once more: from the screen's corners, then from those that the crossings show.

    `of` : (n,) in which view each window lies, ascending"""
    _, cost = misfit_of(fit, noise_v)
    rows = np.flatnonzero((cost > FAILED_MISFIT) & (gain >= PLAIN_GAIN))
    if not len(rows):
        return
    rates_hz = np.array([view.stretch.rate_hz for view in views])
    shortest = SHORTEST_FLANK_S * rates_hz[of[rows]] / windows.averaged[rows]
    part = windows.take(rows)
    _replace_better(fit, misfit, cost, rows, part, part.narrowed(WIDTHS[1], shortest),
                    part.centre - part.half, part.centre + part.half, noise_v, only_narrow=True)  # fmt: skip
    rows = rows[cost[rows] > FAILED_MISFIT]
    found = [_from_crossings(view, windows.take(rows[mine])) for view, mine in rows_by_view(views, of[rows])]
    rows = rows[np.concatenate([is_flat for is_flat, *_ in found])]
    if not len(rows):
        return
    part = join_windows([cut for _, cut, *_ in found])
    start, stop = (np.concatenate([corners[k] for *_, corners in found]) for k in range(2))
    shortest = SHORTEST_FLANK_S * rates_hz[of[rows]] / part.averaged
    part, narrow = part.narrowed(WIDTHS[0], shortest), part.narrowed(WIDTHS[1], shortest)
    _replace_better(fit, misfit, cost, rows, part, narrow, part.to_point(start), part.to_point(stop), noise_v)


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
    fit: LobeFit, misfit: FloatArray, cost: FloatArray, rows: IntArray, windows: Windows, narrow: Windows,
    left: FloatArray, right: FloatArray, noise_v: FloatArray, only_narrow: bool = False,
) -> None:  # fmt: skip
    """Fit these rows again and keep what is better."""
    every = np.ones(len(windows), dtype=bool)
    noise_v = noise_v[rows]
    other, other_misfit = fit_best_width(windows, narrow, left, right, noise_v, every, every & only_narrow)
    _, other_cost = misfit_of(other, noise_v)
    better = other_cost < cost[rows]
    misfit[rows[better]], cost[rows[better]] = other_misfit[better], other_cost[better]
    for name in LobeFit.__slots__:
        getattr(fit, name)[rows[better]] = getattr(other, name)[better]
