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

from ampwitness.detect.clip_candidates import FIELDS, Candidates, join
from ampwitness.detect.clip_pile import Pile, find_pile, might_be_plateaus
from ampwitness.detect.clip_stream import MEAN_S, LaggedMeans, Stretch
from ampwitness.detect.overdrive import measure_liveliness, sine_crest
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

WITHIN_SHARES = (
    0.015,
    0.06,
)  # of the ceiling: how far samples may lie from it, beside flanks of any kind or steep ones
RINGING = 0.15  # of the step beside a run, in which a corner's ringing moves its samples
MEAN_WITHIN_SHARE = 0.012  # of the ceiling: the mean of a run, in which ringing cancels
LEAST_LIVELY = 0.25  # in bass the fits find what there is
LOWEST_SHARE = 0.92  # of the lowest ceiling expected: lower samples are not looked at
SHORTEST_S, FEWEST_SAMPLES = 2.0e-4, 3
LEAST_BEND = 1.5  # of the samples' share: by how much a natural crest with these flanks would bend over the run
CORNER_SD_S = 5e-5
CREST_SD_SHARE = 0.4
AT_ONCE = 4096


def find_shelves(
    stretch: Stretch, found: list[Candidates], noise_v: float, blocked: npt.NDArray[np.bool_] | None
) -> list[Candidates]:
    """Shelves at the ceiling that the candidates of this stretch show, beside those already among them.

    Parameters
    ----------
    stretch : samples with margins
    found : candidates of the stretch
    noise_v : noise of one sample
    blocked : (n_samples,) True where the logger's own converter was at its rail; None: nowhere
    """
    lively = measure_liveliness(stretch.output_v, stretch.rate_hz)
    out: list[Candidates] = []
    if lively < LEAST_LIVELY:
        return out
    table = join(found)
    lagged: LaggedMeans | None = None
    for sign in (1.0, -1.0):
        mine = table.take(table["sign"] == sign)
        pile = find_pile(mine, might_be_plateaus(mine))
        if pile is None:
            continue
        lagged = lagged or LaggedMeans(stretch)
        volts = stretch.output_v * np.float32(sign)
        runs = _find_runs(volts, stretch, lagged, pile)
        first, last, ceiling_v = _away_from(*runs, stretch, mine, blocked)
        if len(first):
            out.append(_describe(volts, stretch, lagged, sign, first, last, ceiling_v, noise_v, lively))
    return out


def _find_runs(
    volts: npt.NDArray[np.float32], stretch: Stretch, lagged: LaggedMeans, pile: Pile
) -> tuple[IntArray, IntArray, FloatArray]:
    """First and last sample of each run at the ceiling, and the ceiling there."""
    piled_v = pile.level_v[pile.members]
    high = np.flatnonzero(volts >= LOWEST_SHARE * float(np.min(piled_v)))
    high = high[(high >= max(stretch.own_first, 2)) & (high < min(stretch.own_last, len(volts) - 2))]
    nothing = np.zeros(0, dtype=np.intp)
    if len(high) < FEWEST_SAMPLES:
        return nothing, nothing, np.zeros(0)
    block = max(1, round(MEAN_S * stretch.rate_hz))
    blocks, which = np.unique(high // block, return_inverse=True)
    middle = (blocks + 0.5) * block
    ceiling = np.concatenate(
        [pile.rail.predict(*lagged.at(middle[k : k + AT_ONCE])) for k in range(0, len(middle), AT_ONCE)]
    )[which]
    off = volts[high] - ceiling
    parts = [_level_runs(volts, stretch.rate_hz, high, ceiling, off, share) for share in WITHIN_SHARES]
    taken = np.zeros(len(volts) + 1, dtype=np.int32)
    first, last, level = parts[0]
    np.add.at(taken, first, 1)
    np.add.at(taken, last + 1, -1)
    total = np.concatenate(([0], np.cumsum(np.cumsum(taken)[:-1])))
    new = total[parts[1][1] + 1] == total[parts[1][0]]
    return (
        np.concatenate((first, parts[1][0][new])),
        np.concatenate((last, parts[1][1][new])),
        np.concatenate((level, parts[1][2][new])),
    )


def _level_runs(
    volts: npt.NDArray[np.float32], rate_hz: float, high: IntArray, ceiling_v: FloatArray, off_v: FloatArray,
    share: float,
) -> tuple[IntArray, IntArray, FloatArray]:  # fmt: skip
    """Runs of samples within a share of the ceiling whose flanks a natural crest would not leave so level."""
    is_at = np.abs(off_v) <= share * ceiling_v
    at, ceiling, off = high[is_at], ceiling_v[is_at], off_v[is_at].astype(float)
    if not len(at):
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0)
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
    return first[chosen], last[chosen], level[chosen]


def _away_from(
    first: IntArray, last: IntArray, ceiling_v: FloatArray, stretch: Stretch, table: Candidates,
    blocked: npt.NDArray[np.bool_] | None,
) -> tuple[IntArray, IntArray, FloatArray]:  # fmt: skip
    """Those that touch neither a candidate of the table nor a blocked sample."""
    taken = np.zeros(len(stretch.output_v) + 1, dtype=np.int32)
    place = table["start_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    stop = table["stop_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    np.add.at(taken, np.clip(np.floor(place), 0, len(taken) - 1).astype(np.intp), 1)
    np.add.at(taken, np.clip(np.ceil(stop) + 1, 0, len(taken) - 1).astype(np.intp), -1)
    busy = np.cumsum(taken)[:-1] > 0
    if blocked is not None:
        busy = busy | blocked
    total = np.concatenate(([0], np.cumsum(busy)))
    free = total[last + 1] == total[first]
    return first[free], last[free], ceiling_v[free]


def _describe(
    volts: npt.NDArray[np.float32], stretch: Stretch, lagged: LaggedMeans, sign: float, first: IntArray,
    last: IntArray, ceiling_v: FloatArray, noise_v: float, lively: float,
) -> Candidates:  # fmt: skip
    """Rows of the table, measured plainly."""
    rate, n = stretch.rate_hz, len(first)
    total = np.concatenate(([0.0], np.cumsum(volts, dtype=np.float64)))
    level = (total[last + 1] - total[first]) / (last - first + 1)
    left_v, right_v = volts[first - 1].astype(float), volts[last + 1].astype(float)
    slope_left = np.maximum(left_v - volts[first - 2], (level - left_v))
    slope_right = np.maximum(right_v - volts[last + 2], (level - right_v))
    start = first - 1 + np.clip((level - left_v) / slope_left, 0, 1)
    stop = last + 1 - np.clip((level - right_v) / slope_right, 0, 1)
    slope = (slope_left + slope_right) / 2
    crest = np.maximum(sine_crest(slope, stop - start, level), level + 1e-6)
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {
        "sign": np.full(n, sign),
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "level_v": level,
        "tilt_v_per_s": (volts[last] - volts[first]).astype(float) / np.maximum(last - first, 1) * rate,
        "crest_v": crest,
        "crest_sd_v": CREST_SD_SHARE * (crest - level),
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": np.minimum(slope_left, slope_right) / slope,
        "n_top": stop - start,
        "noise_v": np.full(n, noise_v),
        "start_sd_s": np.full(n, CORNER_SD_S),
        "stop_sd_s": np.full(n, CORNER_SD_S),
        "peak_v": ceiling_v,
        "supply_v": lagged.mean_supply(start, stop),
        "is_coarse": np.ones(n),
        "lively": np.full(n, lively),
    }
    supply, output = lagged.at((start + stop) / 2)
    return Candidates(columns, supply, output)
