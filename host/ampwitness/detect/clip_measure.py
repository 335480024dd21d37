"""Which suspects of the screen are worth a fit, and their rows in the table of candidates.

A candidate is a suspect on which flanks-and-line fits better than one smooth curve. It is fitted in a wide window,
which is strongest on a tone, and where that does not fit in a narrow one, which serves lively music.

Gaps: a window never reaches over a segment's end; what it cuts too short is left out.
Limits: see `plateau_windows` and `lobe_fit`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import Candidates, OneSide, touches_blocked
from ampwitness.detect.clip_describe import describe_fits
from ampwitness.detect.clip_fits import FITS_WELL, PLAIN_GAIN, fit_best_width, try_again
from ampwitness.detect.clip_screen import BELOW_TOP_SHARE, NEAR_TOP_S, Crests, Suspects, top_near
from ampwitness.detect.clip_stream import LaggedMeans, Stretch
from ampwitness.detect.plateau_windows import SHORTEST_FLANK_S, WIDTHS, FlatTest, Windows, cut_windows, test_flatness
from ampwitness.types import FloatArray

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
    stretch: Stretch, lagged: LaggedMeans, suspects: Suspects, noise_v: float, blocked: npt.NDArray[np.bool_] | None,
    least_gain: float | None = None,
) -> Candidates | None:  # fmt: skip
    """Search the corners of all suspects, drop those that look smooth after all, fit and describe the rest."""
    if not len(suspects.sign):
        return None
    windows = cut_windows(stretch.output_v, stretch.rate_hz, suspects, noise_v)
    reach = (windows.n_left * windows.averaged, windows.n_right * windows.averaged)
    is_blocked = touches_blocked(blocked, windows.middle - reach[0], windows.middle + reach[1])
    windows = windows.take(~windows.is_cut & ~is_blocked)
    if not len(windows):
        return None
    shortest = SHORTEST_FLANK_S * stretch.rate_hz / windows.averaged
    windows, narrow = windows.narrowed(WIDTHS[0], shortest), windows.narrowed(WIDTHS[1], shortest)
    narrow_test = test_flatness(narrow)
    if least_gain is None:
        gain = _gain(narrow_test, narrow, noise_v)
        top_v = top_near(stretch.output_v, stretch.rate_hz, windows.sign, windows.crest)
        is_low = windows.level_v < BELOW_TOP_SHARE * top_v
        is_low |= windows.level_v < NEAR_PLAIN_SHARE * _lowest_near(stretch, windows, ~is_low & (gain >= PLAIN_GAIN))
        is_open = ~is_low | (gain >= LOW_NARROW_GAIN)
        windows, narrow, narrow_test = windows.take(is_open), narrow.take(is_open), narrow_test.take(is_open)
        is_low, is_top = is_low[is_open], (windows.level_v >= top_v[is_open] * (1 - AT_TOP_SHARE) - AT_TOP_SD * noise_v)
    wide_test = test_flatness(windows)
    wide_gain, narrow_gain = _gain(wide_test, windows, noise_v), _gain(narrow_test, narrow, noise_v)
    most_gain = np.maximum(wide_gain, narrow_gain)
    is_worth = most_gain >= least_gain if least_gain is not None else _worth_a_fit(windows, most_gain, is_low, is_top)
    worth = np.flatnonzero(is_worth)
    if not len(worth):
        return None
    is_wide = wide_gain >= narrow_gain
    left = np.where(is_wide, wide_test.corner_left, narrow_test.corner_left)[worth]
    right = np.where(is_wide, wide_test.corner_right, narrow_test.corner_right)[worth]
    windows, gained = windows.take(worth), narrow_gain[worth]
    is_plain = np.maximum(wide_gain, narrow_gain)[worth] >= PLAIN_GAIN
    wide_chi, narrow_chi = _chi(wide_test)[worth], _chi(narrow_test)[worth]
    start_narrow = is_plain & (
        wide_chi * windows.averaged > WIDE_MISSES * np.maximum(narrow_chi * windows.averaged, FITS_WELL * noise_v**2)
    )
    fit, misfit = fit_best_width(windows, narrow.take(worth), left, right, noise_v, is_plain, start_narrow)
    try_again(stretch, windows, fit, misfit, np.maximum(wide_gain, narrow_gain)[worth], noise_v)
    fit_gain = FITTED_GAIN if least_gain is None else 0.0
    return describe_fits(stretch, lagged, windows, fit, misfit, gained, noise_v, fit_gain)


def crests_to_rows(side: OneSide, crests: Crests, least_gain: float) -> Candidates | None:
    """Fit crests that no template answered to, taking as the plateau what stays within noise of the top.

    `side` : either one of the stretch; the crests may be of both"""
    if not len(crests):
        return None
    stretch = side.stretch
    reach = round(LONGEST_FAINT_S / 2 * stretch.rate_hz)
    at = np.clip(crests.sample[:, None] + np.arange(-reach, reach + 1)[None, :], 0, len(stretch.output_v) - 1)
    below = (
        stretch.output_v[at] * crests.sign[:, None]
        < (crests.level_v * (1 - FAINT_TOP_SHARE) - FAINT_TOP_SD * side.noise_v)[:, None]
    )
    below[:, 0] = below[:, -1] = True
    before, after = np.argmax(below[:, reach::-1], axis=1) - 0.5, np.argmax(below[:, reach:], axis=1) - 0.5
    suspects = Suspects(
        crests.sign, crests.sample + (after - before) / 2, np.maximum((before + after) / 2, SHORTEST_FAINT / 2),
        crests.level_v, np.ones(len(crests)), crests.sample,
    )  # fmt: skip
    return measure_suspects(stretch, side.lagged, suspects, side.noise_v, side.blocked, least_gain)


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


def _gain(test: FlatTest, windows: Windows, noise_v: float) -> FloatArray:
    variance = np.maximum(noise_v**2 / windows.averaged, test.flat_rss_v2 / np.maximum(test.n_points - 10, 2))
    return np.asarray(np.nan_to_num((test.smooth_rss_v2 - test.flat_rss_v2) / variance))


def _chi(test: FlatTest) -> FloatArray:
    return test.flat_rss_v2 / np.maximum(test.n_points - 10, 2)
