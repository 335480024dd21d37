"""A second look at a stretch in which a ceiling piled up: short shelves at that level, which no fit could have found.

Three or four samples level with a known ceiling, with flanks that fall away on both sides, are a clipped crest: a
natural crest with such flanks would bend over those samples more than they do.

Gaps: works inside one stretch; a run at its end is not taken.
Limits: bass is left to the fits. A run must last SHORTEST_S and three samples. Corners to some tenths of a sample; the
overdrive as if the crest were a sine about zero.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets full-8k full-25k`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import Pile, find_pile, might_be_plateaus
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide
from ampwitness.detect.clips.table.clip_rows import rows_of
from ampwitness.detect.clips.table.clip_stream import MEAN_S
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

# Of the ceiling: how far samples may lie from it, beside flanks of any kind and beside steep ones.
WITHIN_SHARES = (0.015, 0.06)
RINGING = 0.15  # of the step beside a run, in which a corner's ringing moves its samples
MEAN_WITHIN_SHARE = 0.012  # of the ceiling: the mean of a run, in which ringing cancels
LEAST_LIVELY = 0.25  # in bass the fits find what there is
LOWEST_SHARE = 0.92  # of the lowest ceiling expected: lower samples are not looked at
SHORTEST_S, FEWEST_SAMPLES = 2.0e-4, 3
LEAST_BEND = 1.5  # of the samples' share: by how much a natural crest with these flanks would bend over the run
CORNER_SD_S = 5e-5
AT_ONCE = 4096


def find_shelves(side: OneSide) -> Candidates | None:
    """Shelves at the ceiling that the candidates of this stretch show, beside those already among them."""
    table = side.candidates
    if not len(table) or table["lively"][0] < LEAST_LIVELY:  # the same for every row of a stretch
        return None
    pile = find_pile(table, might_be_plateaus(table))
    if pile is None:
        return None
    volts = side.stretch.output_v * np.float32(side.sign)
    first, last = _away_from(*_find_runs(volts, side, pile), side)
    return describe_runs(volts, side, first, last) if len(first) else None


def _find_runs(volts: npt.NDArray[np.float32], side: OneSide, pile: Pile) -> tuple[IntArray, IntArray]:
    """First and last sample of each run at the ceiling."""
    stretch = side.stretch
    piled_v = side.candidates["level_v"][pile.members]
    high = np.flatnonzero(volts >= LOWEST_SHARE * float(np.min(piled_v)))
    high = high[(high >= max(stretch.own_first, 2)) & (high < min(stretch.own_last, len(volts) - 2))]
    nothing = np.zeros(0, dtype=np.intp)
    if len(high) < FEWEST_SAMPLES:
        return nothing, nothing
    block = max(1, round(MEAN_S * stretch.rate_hz))
    blocks, which = np.unique(high // block, return_inverse=True)
    middle = (blocks + 0.5) * block
    ceiling = np.concatenate(
        [pile.rail.predict(*side.lagged.at(middle[k : k + AT_ONCE])) for k in range(0, len(middle), AT_ONCE)]
    )[which]
    off = volts[high] - ceiling
    near, far = (_level_runs(volts, stretch.rate_hz, high, ceiling, off, share) for share in WITHIN_SHARES)
    new = _are_free(_busy(len(volts), *near), *far)
    return np.concatenate((near[0], far[0][new])), np.concatenate((near[1], far[1][new]))


def _busy(n_samples: int, first: IntArray, last: IntArray) -> BoolArray:
    """(n_samples,) True from each first to each last sample; places beyond the ends count to the end."""
    change = np.zeros(n_samples + 1, dtype=np.int32)
    np.add.at(change, np.clip(first, 0, n_samples), 1)
    np.add.at(change, np.clip(last + 1, 0, n_samples), -1)
    return np.cumsum(change)[:-1] > 0


def _are_free(busy: BoolArray, first: IntArray, last: IntArray) -> BoolArray:
    """Which of the sample ranges touch no busy sample."""
    total = np.concatenate(([0], np.cumsum(busy)))
    return np.asarray(total[last + 1] == total[first])


def _level_runs(
    volts: npt.NDArray[np.float32], rate_hz: float, high: IntArray, ceiling_v: FloatArray, off_v: FloatArray,
    share: float,
) -> tuple[IntArray, IntArray]:  # fmt: skip
    """Runs of samples within a share of the ceiling whose flanks a natural crest would not leave so level."""
    is_at = np.abs(off_v) <= share * ceiling_v
    at, ceiling, off = high[is_at], ceiling_v[is_at], off_v[is_at].astype(float)
    if not len(at):
        return at, at
    breaks = np.flatnonzero(np.diff(at) > 1)
    begin, end = np.append(0, breaks + 1), np.append(breaks, len(at) - 1)
    first, last = at[begin], at[end]
    n = last - first + 1
    level = ceiling[(begin + end) // 2]
    left_v, right_v = volts[first - 1].astype(float), volts[last + 1].astype(float)
    widest = np.maximum.reduceat(np.abs(off), begin)
    mean = np.add.reduceat(off, begin) / n
    step = level - np.minimum(left_v, right_v)
    bend = (1 - (left_v + right_v) / (2 * level)) * ((n - 1) / (n + 1)) ** 2
    chosen = (
        (n >= max(FEWEST_SAMPLES, round(SHORTEST_S * rate_hz)))
        & (left_v < level)
        & (right_v < level)
        & (bend >= LEAST_BEND * np.maximum(WITHIN_SHARES[0], widest / level))
        & (widest <= WITHIN_SHARES[0] * level + RINGING * step)
        & (np.abs(mean) <= MEAN_WITHIN_SHARE * level)
    )
    return first[chosen], last[chosen]


def _away_from(first: IntArray, last: IntArray, side: OneSide) -> tuple[IntArray, IntArray]:
    """Those that touch neither a candidate of the table nor a blocked sample."""
    stretch, table = side.stretch, side.candidates
    start = table["start_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    stop = table["stop_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    busy = _busy(len(stretch.output_v), np.floor(start).astype(np.intp), np.ceil(stop).astype(np.intp))
    free = _are_free(busy if side.blocked is None else busy | side.blocked, first, last)
    return first[free], last[free]


def describe_runs(volts: npt.NDArray[np.float32], side: OneSide, first: IntArray, last: IntArray) -> Candidates:
    """Rows of the table, measured plainly."""
    total = np.concatenate(([0.0], np.cumsum(volts, dtype=np.float64)))
    level = (total[last + 1] - total[first]) / (last - first + 1)
    left_v, right_v = volts[first - 1].astype(float), volts[last + 1].astype(float)
    slope_left = np.maximum(left_v - volts[first - 2], (level - left_v))
    slope_right = np.maximum(right_v - volts[last + 2], (level - right_v))
    start = first - 1 + np.clip((level - left_v) / slope_left, 0, 1)
    stop = last + 1 - np.clip((level - right_v) / slope_right, 0, 1)
    slope = (slope_left + slope_right) / 2
    crest = np.maximum(sine_crest(slope, stop - start, level), level + 1e-6)
    tilt = (volts[last] - volts[first]).astype(float) / np.maximum(last - first, 1) * side.stretch.rate_hz
    peak = _highest(volts, first, last)
    return rows_of(
        side, start, stop, level, crest, slope_left, slope_right, peak, CORNER_SD_S, tilt_v_per_s=np.asarray(tilt)
    )


def _highest(volts: npt.NDArray[np.float32], first: IntArray, last: IntArray) -> FloatArray:
    """(n,) highest sample of each range."""
    order = np.argsort(first, kind="stable")
    edges = np.stack((first[order], last[order] + 1), axis=1).ravel()
    out = np.empty(len(first))
    out[order] = np.maximum.reduceat(volts, edges)[::2]
    return out
