"""Each plateau fitted in the window that suits it: wide, narrow, with a bow; where all went astray, from elsewhere.

Gaps: windows never reach over a segment's end.
Limits: see `corner_search`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.clip_coarse import measure_coarsely
from ampwitness.detect.clips.measure.corner_search import Placed, place_corners
from ampwitness.detect.clips.measure.plateau_windows import SHORTEST_FLANK_S, WIDTHS, Windows, cut_windows, join_windows
from ampwitness.detect.clips.table.clip_candidates import View, rows_by_view
from ampwitness.detect.clips.table.clip_screen import Suspects
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
        rows = np.flatnonzero((placed.cost(noise_v) > FITS_WELL) & is_plain & (with_bow | ~is_done))
        if with_bow:
            rows = rows[(windows.half * windows.averaged)[rows] > SHORTEST_BOWED]
        if not len(rows):
            continue
        other = place_corners(narrow.take(rows), left[rows], right[rows], with_bow)
        _put_better(placed, rows, other, noise_v[rows], BOW_COST if with_bow else 1.0)
    return placed


def try_again(
    views: list[View], of: IntArray, windows: Windows, placed: Placed, gain: FloatArray, noise_v: FloatArray
) -> None:
    """Where the fit went astray, fit once more: from the screen's corners and from those that the crossings show, all
    together, as a few fits cost as much as many.

    `of` : (n,) in which view each window lies, ascending"""
    rows = np.flatnonzero((placed.cost(noise_v) > FAILED_MISFIT) & (gain >= PLAIN_GAIN))
    if not len(rows):
        return
    shortest = SHORTEST_FLANK_S * np.array([view.stretch.rate_hz for view in views])
    part = windows.take(rows)
    found = [_from_crossings(view, part.take(mine)) for view, mine in rows_by_view(views, of[rows])]
    crossed = rows[np.concatenate([is_flat for is_flat, *_ in found])]
    again = join_windows([cut for _, cut, *_ in found])
    start, stop = (np.concatenate([corners[k] for *_, corners in found]) for k in range(2))
    start, stop = again.to_point(start), again.to_point(stop)
    again_shortest = shortest[of[crossed]] / again.averaged
    tried = [part.narrowed(WIDTHS[1], shortest[of[rows]] / part.averaged)]
    tried += [again.narrowed(width, again_shortest) for width in WIDTHS]
    every, of_row = join_windows(tried), np.concatenate((rows, crossed, crossed))
    left = np.concatenate((part.centre - part.half, start, start))
    right = np.concatenate((part.centre + part.half, stop, stop))
    flat = place_corners(every, left, right)
    cost = flat.cost(noise_v[of_row])
    screens, wides, narrows = np.split(np.arange(len(every)), np.cumsum([len(rows), len(crossed)]))
    bowed = np.concatenate((screens, narrows))
    bowed = bowed[(cost[bowed] > FITS_WELL) & ((every.half * every.averaged)[bowed] > SHORTEST_BOWED)]
    arched = place_corners(every.take(bowed), left[bowed], right[bowed], with_bow=True) if len(bowed) else None

    def keep_better(tries: IntArray) -> None:
        for one, of_tries in ((flat, tries), (arched, np.flatnonzero(np.isin(bowed, tries)))):
            if one is not None and len(of_tries):
                at = of_row[tries] if one is flat else of_row[bowed[of_tries]]
                _put_better(placed, at, one.take(of_tries), noise_v[at], 1.0 if one is flat else BOW_COST)

    keep_better(screens)
    is_astray = placed.cost(noise_v)[crossed] > FAILED_MISFIT
    keep_better(wides[is_astray])
    keep_better(narrows[is_astray & (cost[wides] > FITS_WELL)])


def _put_better(placed: Placed, rows: IntArray, other: Placed, noise_v: FloatArray, gain: float) -> None:
    """Put in what lowers the cost of these rows, by `gain` where it has a bow."""
    better = (other.cost(noise_v) * gain < placed.take(rows).cost(noise_v)) & (other.bow_share < MOST_BOW)
    placed.put(rows[better], other.take(better))


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
