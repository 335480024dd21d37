"""Which suspects of the screen are worth a fit, and their rows in the table of candidates.

A candidate is a suspect on which flanks-and-line fits better than one smooth curve. It is fitted in a wide window,
which is strongest on a tone, and where that does not fit in a narrow one, which serves lively music.

Gaps: a window never reaches over a segment's end; what it cuts too short is left out.
Limits: see `plateau_windows` and `lobe_fit`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.clip_describe import describe_fits
from ampwitness.detect.clips.measure.clip_fits import FITS_WELL, PLAIN_GAIN, place_best_width, try_again
from ampwitness.detect.clips.measure.lobe_fit import describe_placed
from ampwitness.detect.clips.measure.plateau_windows import (
    SHORTEST_FLANK_S,
    WIDTHS,
    FlatTest,
    Windows,
    corners_between,
    cut_windows,
    join_windows,
    test_flatness,
)
from ampwitness.detect.clips.table.clip_candidates import Candidates, View, rows_by_view, touches_blocked
from ampwitness.detect.clips.table.clip_screen import (
    BELOW_TOP_SHARE,
    NEAR_TOP_S,
    Crests,
    Suspects,
    run_lengths,
    samples_around,
    top_near,
)
from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

SCREEN_GAIN = 5.0  # residual squares, in noise variances, that a candidate must save
FITTED_GAIN = 6.0
# Far below the highest that is near in time no ceiling vouches for a plateau: it must be seen in the narrow window too.
LOW_NARROW_GAIN = 20.0
# The same where some plain plateaus near in time show one ceiling: below this share of the lowest of them.
NEAR_PLAIN_SHARE, FEWEST_NEAR_PLAIN, ONE_CEILING = 0.95, 4, 1.06
TOP_GAIN, AT_TOP_SHARE, AT_TOP_SD = 12.0, 0.003, 3.0  # of plateaus that no sample near in time stands above
FAINT_SHARE = 0.85  # of the lowest plain plateau: lower down there is no ceiling for a faint one
FAINT_TOP_SHARE, FAINT_TOP_SD = 0.004, 2.0  # how far under its top a faint plateau's samples may lie
SHORTEST_FAINT, LONGEST_FAINT_S = 3.6, 0.015  # samples, seconds
WIDE_MISSES = 3.0  # times as much as the narrow window on the first search's grid: then the wide one is not fitted


def measure_suspects(
    views: list[View], suspects: list[Suspects], least_gain: float | None = None, tries_again: bool = True
) -> list[Candidates | None]:
    """Search the corners of all suspects, drop those that look smooth after all, fit and describe the rest.

    Those of several stretches at once: what has to be done in many small steps takes much the same time for a few
    windows as for hundreds.

    least_gain : what candidates must gain; None: as they stand to what lies around
    tries_again : whether fits that went astray are made once more from elsewhere
    """
    cut = [_open_windows(view, some) for view, some in zip(views, suspects, strict=True)]
    of = np.repeat(np.arange(len(views)), [len(windows) for windows in cut])
    if not len(of):
        return [None] * len(views)
    windows = join_windows(cut)
    noise_v, rate_hz = np.array([(view.noise_v, view.stretch.rate_hz) for view in views])[of].T
    shortest = SHORTEST_FLANK_S * rate_hz / windows.averaged
    windows, narrow = windows.narrowed(WIDTHS[0], shortest), windows.narrowed(WIDTHS[1], shortest)
    narrow_test = test_flatness(narrow)
    is_low = is_top = np.zeros(len(windows), dtype=bool)
    if least_gain is None:
        gain = _gain(narrow_test, narrow, noise_v)
        is_low, is_top = np.concatenate(
            [_stands(view, windows.take(rows), gain[rows]) for view, rows in rows_by_view(views, of)], axis=1
        )
        is_open = ~is_low | (gain >= LOW_NARROW_GAIN)
        windows, narrow, narrow_test = *_take_both(windows, narrow, is_open), narrow_test.take(is_open)
        of, noise_v, is_low, is_top = of[is_open], noise_v[is_open], is_low[is_open], is_top[is_open]
    wide_test = test_flatness(windows)
    wide_gain, narrow_gain = _gain(wide_test, windows, noise_v), _gain(narrow_test, narrow, noise_v)
    gain = np.maximum(wide_gain, narrow_gain)
    worth = np.flatnonzero(gain >= least_gain) if least_gain is not None else np.concatenate([
        rows.start + np.flatnonzero(_worth_a_fit(windows.take(rows), gain[rows], is_low[rows], is_top[rows]))
        for _, rows in rows_by_view(views, of)
    ])  # fmt: skip
    if not len(worth):
        return [None] * len(views)
    is_wide = (wide_gain >= narrow_gain)[worth]
    wide_test, narrow_test = wide_test.take(worth), narrow_test.take(worth)
    windows, narrow = _take_both(windows, narrow, worth)
    of, noise_v, gain, gained = of[worth], noise_v[worth], gain[worth], narrow_gain[worth]
    chosen = [np.where(is_wide, getattr(windows, name), getattr(narrow, name)) for name in ("n_left", "n_right")]
    left, right = corners_between(
        replace(windows, n_left=chosen[0], n_right=chosen[1]),
        np.where(is_wide, wide_test.hypothesis, narrow_test.hypothesis),
    )
    is_plain = gain >= PLAIN_GAIN
    wide_chi, narrow_chi = _chi(wide_test) * windows.averaged, _chi(narrow_test) * windows.averaged
    start_narrow = is_plain & (wide_chi > WIDE_MISSES * np.maximum(narrow_chi, FITS_WELL * noise_v**2))
    placed = place_best_width(windows, narrow, left, right, noise_v, is_plain, start_narrow)
    if least_gain is None and tries_again:
        try_again(views, of, windows, placed, gain, noise_v)
    fit = describe_placed(placed)
    fit_gain = FITTED_GAIN if least_gain is None else 0.0
    return [
        describe_fits(view, windows.take(rows), fit.take(rows), gained[rows], fit_gain)
        if rows.stop > rows.start
        else None
        for view, rows in rows_by_view(views, of)
    ]


def _take_both(wide: Windows, narrow: Windows, chosen: npt.NDArray[np.bool_] | IntArray) -> tuple[Windows, Windows]:
    """Some of the same windows with wide and with narrow flanks; their volts are kept but once."""
    some = wide.take(chosen)
    return some, replace(some, n_left=narrow.n_left[chosen], n_right=narrow.n_right[chosen])


def _open_windows(view: View, suspects: Suspects) -> Windows:
    """The windows of suspects that neither a segment's end nor the converter's rail touches."""
    windows = cut_windows(view.stretch.output_v, view.stretch.rate_hz, suspects, view.noise_v)
    first = windows.middle - windows.n_left * windows.averaged
    last = windows.middle + windows.n_right * windows.averaged
    return windows.take(~windows.is_cut & ~touches_blocked(view.blocked, first, last))


def _stands(view: View, windows: Windows, gain: FloatArray) -> npt.NDArray[np.bool_]:
    """(2, n) which plateaus lie far below what is near in time, and which stand at the top of it."""
    stretch = view.stretch
    top_v = top_near(stretch.output_v, stretch.rate_hz, windows.sign, windows.crest)
    is_low = windows.level_v < BELOW_TOP_SHARE * top_v
    is_low |= windows.level_v < NEAR_PLAIN_SHARE * _lowest_near(stretch, windows, ~is_low & (gain >= PLAIN_GAIN))
    return np.stack((is_low, windows.level_v >= top_v * (1 - AT_TOP_SHARE) - AT_TOP_SD * view.noise_v))


def crests_to_rows(views: list[View], crests: list[Crests], least_gain: float) -> list[Candidates | None]:
    """Fit crests that no template answered to, taking as the plateau what stays within noise of the top.

    `crests` : of both polarities, for each view"""
    suspects = [_tops(view, some) for view, some in zip(views, crests, strict=True)]
    return measure_suspects(views, suspects, least_gain)


def _tops(view: View, crests: Crests) -> Suspects:
    """What stays within noise of the top of each crest."""
    volts = view.stretch.output_v
    reach = round(LONGEST_FAINT_S / 2 * view.stretch.rate_hz)
    floor_v = crests.level_v * (1 - FAINT_TOP_SHARE) - FAINT_TOP_SD * view.noise_v
    before, after = run_lengths(samples_around(volts, crests.sample, reach) * crests.sign[:, None], reach, floor_v)
    return Suspects(
        crests.sign, crests.sample + (after - before) / 2, np.maximum((before + after) / 2, SHORTEST_FAINT / 2),
        crests.level_v, np.ones(len(crests)), crests.sample,
    )  # fmt: skip


def _worth_a_fit(
    windows: Windows, gain: FloatArray, is_low: npt.NDArray[np.bool_], is_top: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which plateaus to fit: plain ones, less plain ones that nothing near stands above, and faint ones where a plain
    one shows that there may be a ceiling."""
    plain = gain >= PLAIN_GAIN
    worth = plain | (is_top & (gain >= TOP_GAIN))
    for sign in (1.0, -1.0):
        mine = windows.sign == sign
        if (plain & mine).any():
            lowest_v = FAINT_SHARE * float(np.min(windows.level_v[plain & mine]))
            worth |= mine & ~is_low & (gain > SCREEN_GAIN) & (windows.level_v >= lowest_v)
    return worth


def _lowest_near(stretch: Stretch, windows: Windows, is_plain: npt.NDArray[np.bool_]) -> FloatArray:
    """(n,) the lowest plain plateau of each one's polarity within NEAR_TOP_S and more; 0 where there are but few, or at
    levels that no one ceiling has."""
    cell = max(1, round(NEAR_TOP_S * stretch.rate_hz))
    out = np.zeros(len(windows))
    place = windows.crest // cell + 1
    for sign in (1.0, -1.0):
        mine = windows.sign == sign
        plain = mine & is_plain
        n = np.bincount(place[plain], minlength=len(stretch.output_v) // cell + 3)
        lowest, highest = np.full(len(n), np.inf), np.zeros(len(n))
        np.minimum.at(lowest, place[plain], windows.level_v[plain])
        np.maximum.at(highest, place[plain], windows.level_v[plain])
        n_near = n[:-2] + n[1:-1] + n[2:]
        low = np.minimum(np.minimum(lowest[:-2], lowest[2:]), lowest[1:-1])
        high = np.maximum(np.maximum(highest[:-2], highest[2:]), highest[1:-1])
        is_one = (n_near >= FEWEST_NEAR_PLAIN) & (high <= ONE_CEILING * low)
        out[mine] = np.where(is_one, low, 0.0)[place[mine] - 1]
    return out


def _gain(test: FlatTest, windows: Windows, noise_v: FloatArray) -> FloatArray:
    variance = np.maximum(noise_v**2 / windows.averaged, test.flat_rss_v2 / np.maximum(test.n_points - 10, 2))
    return np.asarray(np.nan_to_num((test.smooth_rss_v2 - test.flat_rss_v2) / variance))


def _chi(test: FlatTest) -> FloatArray:
    return test.flat_rss_v2 / np.maximum(test.n_points - 10, 2)
