"""From one stretch of output to a compact table of what might be a clipped half-cycle, and of what surely is none.

A candidate is a suspect of the screen on which flanks-and-line fits better than one smooth curve. It is fitted in a
wide window, which is strongest on a tone, and where that does not fit in a narrow one, which serves lively music.

Gaps: half-cycles cut off by a gap are counted, not tested.
Limits: see `clip_screen`, `plateau_windows` and `lobe_fit`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_coarse import measure_coarsely
from ampwitness.detect.clip_screen import (
    BELOW_TOP_SHARE,
    NEAR_TOP_S,
    Crests,
    Suspects,
    find_crests,
    find_suspects,
    top_near,
)
from ampwitness.detect.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S, LaggedMeans, Stretch
from ampwitness.detect.lobe_fit import LobeFit, fit_windows
from ampwitness.detect.overdrive import Corners, extrapolate_crests, measure_liveliness
from ampwitness.detect.plateau_windows import SHORTEST_FLANK_S, WIDTHS, FlatTest, Windows, cut_windows, test_flatness
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

SCREEN_GAIN = 5.0  # residual squares, in noise variances, that a candidate must save
PLAIN_GAIN = 40.0
FITTED_GAIN = 6.0
# Far below the highest that is near in time no ceiling vouches for a plateau: it must be seen in the narrow window too.
LOW_NARROW_GAIN = 20.0
# The same where some plain plateaus near in time show one ceiling: below this share of the lowest of them.
NEAR_PLAIN_SHARE, FEWEST_NEAR_PLAIN, ONE_CEILING = 0.95, 4, 1.06
TOP_GAIN, AT_TOP_SHARE, AT_TOP_SD = 12.0, 0.003, 3.0  # of plateaus that no sample near in time stands above
FAINT_SHARE = 0.85  # of the lowest plain plateau: lower down there is no ceiling for a faint one
LOWEST_CREST_IN_NOISE = 15.0
NOISY_SHARE = 0.5  # of the highest value: crests that stand no higher in noise tell nothing by their shape
FAINT_TOP_SHARE, FAINT_TOP_SD = 0.004, 2.0  # how far under its top a faint plateau's samples may lie
SHORTEST_FAINT, LONGEST_FAINT_S = 3.6, 0.015  # samples, seconds
PILE_SHARE, LOWEST_PILE_V = 0.8, 0.5
LEAST_SLOPE_RATIO = 0.15  # of the flatter flank to the mean of both
FAILED_MISFIT = 25.0
PART_SHARE = 0.6  # of a plateau: a fit that covers less is replaced
PART_MISFIT = 3.0  # only fits this bad may cover but a part
COARSE_CORNER_SD_S = 1e-4
MOST_BOW = 0.15  # of the crest that the flanks promise: more is no plateau
BOW_COST = 1.25  # by so much a bow must lower the misfit
SHORTEST_BOWED = 5.0  # samples, half a plateau
WIDE_MISSES = 3.0  # times as much as the narrow window on the first search's grid: then the wide one is not fitted
FITS_WELL = 4.0  # reduced chi-square up to which the wide window is kept
CREST_STEP_S = 0.25  # one highest unclipped crest is kept for each of these
CUT_REACH_S = 0.05
CUT_SHARE = 0.85  # a segment's end above this share of the highest value beside it cuts a half-cycle off

FIELDS: tuple[str, ...] = (
    "sign", "start_s", "stop_s", "level_v", "tilt_v_per_s", "crest_v", "crest_sd_v", "flank_v_per_s",
    "flatter_flank_ratio", "gain", "narrow_gain", "misfit", "top_misfit", "n_top", "n_points", "noise_v",
    "start_sd_s", "stop_sd_s", "peak_v", "supply_v", "window_s", "is_coarse",
    "lively", "sharpness", "held_v", "held_v_per_s", "sunk", "limited", "stay_v", "lean",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidates:
    """Columns of numbers, one row a candidate, and the lagged quantities beside them."""

    columns: dict[str, FloatArray]
    supply: FloatArray  # (n, supply lags), NaN where there is none
    output: FloatArray  # (n, output lags)

    def __len__(self) -> int:
        return len(self.columns["sign"])

    def __getitem__(self, name: str) -> FloatArray:
        return self.columns[name]

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray) -> Candidates:
        return Candidates(
            {name: column[chosen] for name, column in self.columns.items()}, self.supply[chosen], self.output[chosen]
        )


def lean_of(slope_left: FloatArray, slope_right: FloatArray) -> FloatArray:
    """(n,) by how much the flank behind a plateau is steeper than the one before it, -1 to 1 where both fall away."""
    return np.asarray((slope_right - slope_left) / np.maximum(np.abs(slope_left) + np.abs(slope_right), 1e-12))


def join(parts: list[Candidates]) -> Candidates:
    """One table from many."""
    if not parts:
        return Candidates(
            {name: np.zeros(0) for name in FIELDS}, np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        )
    return Candidates(
        {name: np.concatenate([part[name] for part in parts]) for name in FIELDS},
        np.concatenate([part.supply for part in parts]),
        np.concatenate([part.output for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class HighCrests:
    """The highest crest of each quarter second and polarity that was no candidate: what refutes a rail below it."""

    sign: FloatArray
    time_s: FloatArray
    level_v: FloatArray
    peak_v: FloatArray  # between the samples
    supply: FloatArray
    output: FloatArray


@dataclass(frozen=True, slots=True)
class OneSide:
    """What a stretch shows of one polarity, for those who look a second time at what the first look let go."""

    stretch: Stretch
    lagged: LaggedMeans
    sign: float
    candidates: Candidates
    crests: Crests  # every high crest, candidate or not
    noise_v: float
    blocked: (
        npt.NDArray[np.bool_] | None
    )  # (n_samples,) where the logger's own converter was at its rail; None: nowhere


@dataclass(frozen=True, slots=True)
class Look:
    """What a stretch shows."""

    candidates: list[Candidates]
    others: list[HighCrests]  # the highest crests that are none
    cut: list[tuple[float, float]]  # spans (s) of half-cycles that a gap cut off
    sides: list[OneSide]


def look_at(stretch: Stretch, noise_v: float, blocked: npt.NDArray[np.bool_] | None) -> Look:
    """Find candidates in a stretch.

    Parameters
    ----------
    stretch : samples with margins
    noise_v : noise of one sample
    blocked : (n_samples,) True where the logger's own converter was at its rail; None: nowhere

    Returns
    -------
    What was seen, for both polarities.
    """
    volts = stretch.output_v
    cut = _cut_off(stretch)
    lowest_v = LOWEST_CREST_IN_NOISE * noise_v
    highest_v = float(np.max(np.abs(volts), initial=0.0))
    # In full-range music most of what looks like noise is music: no fit says anything, but crests may pile up.
    is_noisy = lowest_v > NOISY_SHARE * highest_v
    if is_noisy:
        lowest_v = max(PILE_SHARE * highest_v, LOWEST_PILE_V)
    crests = find_crests(volts, stretch.rate_hz, lowest_v, blocked)
    crests = crests.take((crests.sample >= stretch.own_first) & (crests.sample < stretch.own_last))
    if not len(crests):
        return Look([], [], cut, [])
    lagged = LaggedMeans(stretch)
    parts = []
    free = np.ones(len(crests), dtype=bool)
    fitted, looks_full = None, free
    if not is_noisy:
        suspects, looks_full = find_suspects(volts, stretch.rate_hz, crests, noise_v)
        fitted = _measure(stretch, lagged, suspects, noise_v, blocked)
    if fitted is not None:
        parts.append(fitted)
        free &= ~lies_on_plateau(stretch, crests, fitted)
    full = _measure_full(stretch, lagged, crests.take(looks_full & free), noise_v, blocked)
    if full is not None:
        parts.append(full)
        free &= ~lies_on_plateau(stretch, crests, full)
    others = crests.take(free)
    table = join(parts)
    sides = [
        OneSide(
            stretch, lagged, sign, table.take(table["sign"] == sign), crests.take(crests.sign == sign), noise_v, blocked
        )
        for sign in (1.0, -1.0)
    ]
    return Look(parts, [_highest(stretch, lagged, others)] if len(others) else [], cut, sides)


def _cut_off(stretch: Stretch) -> list[tuple[float, float]]:
    """Spans of half-cycles that the segment's first or last sample cuts off near its crest."""
    reach = round(CUT_REACH_S * stretch.rate_hz)
    volts, n = stretch.output_v, len(stretch.output_v)
    spans = []
    for is_end, piece, at_start in (
        (stretch.is_first, volts[:reach], True),
        (stretch.is_last, volts[::-1][:reach], False),
    ):
        if not is_end or not len(piece):
            continue
        up = piece * np.sign(piece[0])
        if up[0] < CUT_SHARE * np.max(np.abs(piece)) or up[0] <= 0:
            continue
        falls = np.flatnonzero(up < up[0] / 2)
        length = int(falls[0]) if len(falls) else len(up)
        first, last = (0, length) if at_start else (n - length, n)
        spans.append((float(stretch.time_s(float(first))), float(stretch.time_s(float(last)))))
    return spans


def lies_on_plateau(stretch: Stretch, crests: Crests, table: Candidates) -> npt.NDArray[np.bool_]:
    """Which crests lie on a plateau of the table."""
    covered = np.zeros(len(crests), dtype=bool)
    time_s = np.asarray(stretch.time_s(crests.sample.astype(float)))
    slack_s = 2 / stretch.rate_hz
    for sign in (1.0, -1.0):
        rows = np.flatnonzero(table["sign"] == sign)
        if not len(rows):
            continue
        order = rows[np.argsort(table["start_s"][rows], kind="stable")]
        mine = crests.sign == sign
        before = np.searchsorted(table["start_s"][order] - slack_s, time_s[mine], side="right") - 1
        stops = np.maximum.accumulate(table["stop_s"][order]) + slack_s
        covered[mine] = (before >= 0) & (time_s[mine] <= stops[np.maximum(before, 0)])
    return covered


def _is_blocked(blocked: npt.NDArray[np.bool_] | None, first: FloatArray, last: FloatArray) -> npt.NDArray[np.bool_]:
    """Which of the sample ranges touch a blocked sample."""
    if blocked is None:
        return np.zeros(len(first), dtype=bool)
    total = np.concatenate(([0], np.cumsum(blocked)))
    low = np.clip(first.astype(np.intp), 0, len(blocked))
    return np.asarray(total[np.clip(last.astype(np.intp) + 1, low, len(blocked))] > total[low])


def _highest(stretch: Stretch, lagged: LaggedMeans, crests: Crests) -> HighCrests:
    """The highest of the crests in each step of time, by polarity."""
    time_s = np.asarray(stretch.time_s(crests.sample.astype(float)))
    step = np.floor(time_s / CREST_STEP_S) * 2 + (crests.sign > 0)
    order = np.lexsort((-crests.level_v, step))
    first = order[np.concatenate(([True], np.diff(step[order]) > 0))]
    supply, output = lagged.at(crests.sample[first].astype(float))
    peak_v = _between_samples(stretch.output_v, crests.sample[first], crests.sign[first])
    return HighCrests(crests.sign[first], time_s[first], crests.level_v[first], peak_v, supply, output)


def _between_samples(volts: npt.NDArray[np.float32], sample: IntArray, sign: FloatArray) -> FloatArray:
    """Heights of crests by a parabola through the highest of five samples and its neighbours."""
    around = volts[sample[:, None] + np.arange(-2, 3)[None, :]] * sign[:, None]
    at = 1 + np.argmax(around[:, 1:4], axis=1)
    rows = np.arange(len(sample))
    before, top, after = (around[rows, at + k].astype(float) for k in (-1, 0, 1))
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(top + np.minimum((after - before) ** 2 / (8 * bend), bend / 4))


def _gain(test: FlatTest, windows: Windows, noise_v: float) -> FloatArray:
    variance = np.maximum(noise_v**2 / windows.averaged, test.flat_rss_v2 / np.maximum(test.n_points - 10, 2))
    return np.asarray(np.nan_to_num((test.smooth_rss_v2 - test.flat_rss_v2) / variance))


def _chi(test: FlatTest) -> FloatArray:
    return test.flat_rss_v2 / np.maximum(test.n_points - 10, 2)


def _fit_best_width(
    windows: Windows, narrow: Windows, left: FloatArray, right: FloatArray, noise_v: float,
    is_plain: npt.NDArray[np.bool_], start_narrow: npt.NDArray[np.bool_] | None = None,
) -> tuple[LobeFit, FloatArray]:  # fmt: skip
    """Fit the wide windows, and where they do not fit well the narrow ones; keeps the better. Returns misfits too.

    Faint flats that fit badly are natural crests: those are not fitted again. `start_narrow` : (n,) where the wide
    window need not be tried."""
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
    misfit, cost = _misfit(fit, noise_v)
    for with_bow in (False, True):
        rows = np.flatnonzero((cost > FITS_WELL) & is_plain & (with_bow | ~is_done))
        if with_bow:
            rows = rows[(windows.half * windows.averaged)[rows] > SHORTEST_BOWED]
        if not len(rows):
            continue
        other = fit_windows(narrow.take(rows), left[rows], right[rows], with_bow)
        other_misfit, other_cost = _misfit(other, noise_v)
        gain = BOW_COST if with_bow else 1.0
        better = (other_cost * gain < cost[rows]) & (other.bow_share < MOST_BOW)
        misfit[rows[better]], cost[rows[better]] = other_misfit[better], other_cost[better]
        for name in LobeFit.__slots__:
            getattr(fit, name)[rows[better]] = getattr(other, name)[better]
    return fit, misfit


def _misfit(fit: LobeFit, noise_v: float) -> tuple[FloatArray, FloatArray]:
    """Reduced chi-square, and the same with windows made costly that hold one corner only, however well they fit."""
    chi = fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2) * fit.averaged / noise_v**2
    one_sided = fit.lower_slope_v() < LEAST_SLOPE_RATIO * fit.mean_slope_v()
    return chi, np.where(one_sided, chi * 1e3, chi)


def _measure(
    stretch: Stretch, lagged: LaggedMeans, suspects: Suspects, noise_v: float, blocked: npt.NDArray[np.bool_] | None,
    least_gain: float | None = None,
) -> Candidates | None:  # fmt: skip
    """Search the corners of all suspects, drop those that look smooth after all, fit and describe the rest."""
    if not len(suspects.sign):
        return None
    windows = cut_windows(stretch.output_v, stretch.rate_hz, suspects, noise_v)
    reach = (windows.n_left * windows.averaged, windows.n_right * windows.averaged)
    is_blocked = _is_blocked(blocked, windows.middle - reach[0], windows.middle + reach[1])
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
    fit, misfit = _fit_best_width(windows, narrow.take(worth), left, right, noise_v, is_plain, start_narrow)
    _try_again(stretch, windows, fit, misfit, np.maximum(wide_gain, narrow_gain)[worth], noise_v)
    fit_gain = FITTED_GAIN if least_gain is None else 0.0
    return _describe(stretch, lagged, windows, fit, misfit, gained, noise_v, fit_gain)


def join_crests(parts: list[Crests]) -> Crests:
    """One table from some."""
    return Crests(*(np.concatenate([getattr(part, name) for part in parts]) for name in Crests.__slots__))


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
    return _measure(stretch, side.lagged, suspects, side.noise_v, side.blocked, least_gain)


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


def _try_again(
    stretch: Stretch, windows: Windows, fit: LobeFit, misfit: FloatArray, gain: FloatArray, noise_v: float
) -> None:
    """Where the fit went astray, fit once more: from the screen's corners, then from those that the crossings show."""
    _, cost = _misfit(fit, noise_v)
    rows = np.flatnonzero((cost > FAILED_MISFIT) & (gain >= PLAIN_GAIN))
    if not len(rows):
        return
    shortest = SHORTEST_FLANK_S * stretch.rate_hz / windows.averaged[rows]
    part = windows.take(rows)
    _replace_better(fit, misfit, cost, rows, part, part.narrowed(WIDTHS[1], shortest),
                    part.centre - part.half, part.centre + part.half, noise_v, only_narrow=True)  # fmt: skip
    rows = rows[cost[rows] > FAILED_MISFIT]
    if not len(rows):
        return
    coarse = measure_coarsely(
        stretch.output_v, stretch.rate_hz, windows.crest[rows], windows.sign[rows], windows.level_v[rows]
    )
    rows, start, stop = rows[coarse.is_flat], coarse.start[coarse.is_flat], coarse.stop[coarse.is_flat]
    if not len(rows):
        return
    part = windows.take(rows)
    suspects = Suspects(part.sign, (start + stop) / 2, (stop - start) / 2, part.level_v, np.ones(len(rows)), part.crest)
    part = cut_windows(stretch.output_v, stretch.rate_hz, suspects, noise_v)
    shortest = SHORTEST_FLANK_S * stretch.rate_hz / part.averaged
    part, narrow = part.narrowed(WIDTHS[0], shortest), part.narrowed(WIDTHS[1], shortest)
    _replace_better(fit, misfit, cost, rows, part, narrow, part.to_point(start), part.to_point(stop), noise_v)


def _replace_better(
    fit: LobeFit, misfit: FloatArray, cost: FloatArray, rows: IntArray, windows: Windows, narrow: Windows,
    left: FloatArray, right: FloatArray, noise_v: float, only_narrow: bool = False,
) -> None:  # fmt: skip
    """Fit these rows again and keep what is better."""
    every = np.ones(len(windows), dtype=bool)
    other, other_misfit = _fit_best_width(windows, narrow, left, right, noise_v, every, every & only_narrow)
    _, other_cost = _misfit(other, noise_v)
    better = other_cost < cost[rows]
    misfit[rows[better]], cost[rows[better]] = other_misfit[better], other_cost[better]
    for name in LobeFit.__slots__:
        getattr(fit, name)[rows[better]] = getattr(other, name)[better]


def _describe(
    stretch: Stretch, lagged: LaggedMeans, windows: Windows, fit: LobeFit, misfit: FloatArray, narrow_gain: FloatArray,
    noise_v: float, fit_gain: float,
) -> Candidates:  # fmt: skip
    """Everything that is kept of a candidate; where the fit gains less than `fit_gain`, a plainer one serves."""
    rate, n = stretch.rate_hz, len(windows)
    variance = np.maximum(noise_v**2 / fit.averaged, fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2))
    point_sd = np.sqrt(variance)
    lively = measure_liveliness(stretch.output_v, rate)
    crest = extrapolate_crests(
        Corners(
            fit.stop - fit.start, fit.level_v, fit.slope_left_v, fit.slope_right_v, fit.curvature_v,
            fit.slope_sd * point_sd, fit.curvature_sd * point_sd, fit.correlation,
        ),
        lively,
    )  # fmt: skip
    supply, output = lagged.at((fit.start + fit.stop) / 2)
    slope = fit.mean_slope_v()
    columns: dict[str, FloatArray] = {
        "sign": windows.sign,
        "start_s": np.asarray(stretch.time_s(fit.start)),
        "stop_s": np.asarray(stretch.time_s(fit.stop)),
        "level_v": fit.level_v,
        "tilt_v_per_s": fit.tilt_v * rate,
        "crest_v": crest.crest_v,
        "crest_sd_v": crest.sd_v,
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": fit.lower_slope_v() / np.maximum(np.abs(slope), 1e-12),
        "lean": lean_of(fit.slope_left_v, fit.slope_right_v),
        "gain": (fit.smooth_rss_v2 - fit.flat_rss_v2) / variance,
        "narrow_gain": narrow_gain,
        "misfit": misfit,
        "top_misfit": fit.top_rss_v2 / np.maximum(fit.n_top - 1, 1) * fit.averaged / noise_v**2,
        "n_top": (fit.stop - fit.start),
        "n_points": fit.n_points.astype(float),
        "noise_v": np.full(n, noise_v),
        "start_sd_s": fit.start_sd * point_sd / rate,
        "stop_sd_s": fit.stop_sd * point_sd / rate,
        "peak_v": windows.level_v,
        "supply_v": lagged.mean_supply(fit.start, fit.stop),
        "window_s": (windows.n_left + windows.n_right + 1) * windows.averaged / rate,
        "is_coarse": np.zeros(n),
        "lively": np.full(n, lively),
        **{name: np.zeros(n) for name in ("sharpness", "held_v", "held_v_per_s", "sunk", "limited", "stay_v")},
    }
    failed = (fit.lower_slope_v() < LEAST_SLOPE_RATIO * slope) | (misfit > FAILED_MISFIT) | (columns["gain"] < fit_gain)
    return _with_coarse(stretch, lagged, windows.crest, Candidates(columns, supply, output), failed)


def _measure_full(
    stretch: Stretch, lagged: LaggedMeans, crests: Crests, noise_v: float, blocked: npt.NDArray[np.bool_] | None
) -> Candidates | None:
    """Rows for crests that the screen let go but that stay long near their height all the same."""
    n = len(crests)
    if not n:
        return None
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    lively = measure_liveliness(stretch.output_v, stretch.rate_hz)
    columns |= {"sign": crests.sign, "noise_v": np.full(n, noise_v), "peak_v": crests.level_v}
    columns["lively"] = np.full(n, lively)
    supply, output = lagged.at(crests.sample.astype(float))
    table = Candidates(columns, supply, output)
    table = _with_coarse(stretch, lagged, crests.sample, table, np.ones(n, dtype=bool))
    place = table["start_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    length = (table["stop_s"] - table["start_s"]) * stretch.rate_hz
    table = table.take((table["is_coarse"] > 0) & ~_is_blocked(blocked, place - length, place + 2 * length))
    return table if len(table) else None


def _with_coarse(
    stretch: Stretch, lagged: LaggedMeans, crest: IntArray, table: Candidates, failed: npt.NDArray[np.bool_]
) -> Candidates:
    """Replace rows whose fit failed, or that cover but a part of the plateau, by the coarse measurement."""
    rows = np.flatnonzero(failed | (table["misfit"] > PART_MISFIT))
    if not len(rows):
        return table
    coarse = measure_coarsely(
        stretch.output_v, stretch.rate_hz, crest[rows], table["sign"][rows], table["peak_v"][rows]
    )
    rate = stretch.rate_hz
    part = table["n_top"][rows] < PART_SHARE * (coarse.stop - coarse.start)
    chosen = coarse.is_flat & (failed[rows] | part)
    rows, coarse = rows[chosen], coarse.take(chosen)
    if not len(rows):
        return table
    start, stop = coarse.start, coarse.stop
    slope = (coarse.slope_left_v + coarse.slope_right_v) / 2
    zero = np.zeros(len(start))
    values = {
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "level_v": coarse.level_v,
        "tilt_v_per_s": coarse.tilt_v * rate,
        "crest_v": coarse.crest_v,
        "crest_sd_v": 0.4 * (coarse.crest_v - coarse.level_v),
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": np.minimum(coarse.slope_left_v, coarse.slope_right_v) / slope,
        "lean": lean_of(coarse.slope_left_v, coarse.slope_right_v),
        "gain": zero,
        "narrow_gain": zero,
        "misfit": zero,
        "top_misfit": zero,
        "n_top": stop - start,
        "start_sd_s": zero + COARSE_CORNER_SD_S,
        "stop_sd_s": zero + COARSE_CORNER_SD_S,
        "supply_v": lagged.mean_supply(start, stop),
        "is_coarse": zero + 1.0,
    }
    for name, column in values.items():
        table.columns[name][rows] = column
    table.supply[rows], table.output[rows] = lagged.at((start + stop) / 2)
    return table
