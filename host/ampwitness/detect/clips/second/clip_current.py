"""Half-cycles in which an output stage limits its current into a loudspeaker: bites out of rising flanks.

A loudspeaker's current is not in step with its volts. Where the current is held, the volts break off a rising flank
with a knee, go on less steeply, bent or even falling, and come back to what was wanted when the current falls: there is
no flat top, and the crest may be whole. Knees say that it happens; the load that makes the current the same at all of
them (`load_current`) says where: wherever it draws the limit. A load that would draw more anywhere is refuted.

Gaps: works inside one stretch.
Limits: into a resistor a held current is a flat top like any other. Weak bites whose knees are lost in noise are found
only where stronger ones showed the load. Full-range music is not looked at. The wanted crest is bridged from flank to
flank.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import might_be_plateaus
from ampwitness.detect.clips.second.load_current import HISTORY_S, Load, Volts, learn_load
from ampwitness.detect.clips.second.plainer_fits import fitted_where_plain
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join_crests
from ampwitness.detect.clips.table.clip_rows import CREST_SD_SHARE, liveliness_of, rows_of
from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

MOST_LIVELY = 0.25
LOOKED_AT = 384  # crests of a stretch: half of them the highest, half of any that are high
HIGH_SHARE = 0.3
BEFORE_S, AFTER_S = 0.015, 0.002
N_LINE, DEGREE = 8, 3  # samples and degree of the curve that a flank goes on with
QUIET_FROM, QUIET_TO = 12, 5  # samples before a knee in which the curve must have held
SHARPER = 2.0  # by so much a knee must stand above that,
LEAST_SD = 15.0  # and above the noise
LEAST_RISE, MOST_RISE = 0.1, 0.95  # of the slope before the knee that is left behind it
MOST_BEYOND, FAR_BEYOND = 1.18, 1.22  # of the limit: what a thousandth of the samples, and what none may exceed
LOUDEST_S = 1.0  # about the highest sample: what is looked at first
LEAST_WITH_KNEE = 0.4  # of the half-cycles that reach the limit
WITH_KNEE_SD = 2.5  # spreads under the limit that the current of a half-cycle with a knee may stay,
WITHOUT_KNEE_SD, WITHOUT_KNEE_SHARE = 0.5, 0.004  # and above it that one without must reach
FAINT_SD = 6.0  # noise: a knee that is looked for at a known place
KNEE_FROM, KNEE_TO = -4, 3  # samples from where the current seems to come up to the limit
KNEE_QUIET = 6  # samples before that, in which the curve must have held
HELD_SHARE, HELD_S = 0.9, 0.002  # of the limit: no end of a hold, where the current comes back to it so soon
AT_RAIL_GAIN, AT_RAIL_SLACK = 60.0, 4.0  # of a plateau that goes on where the current lets go, samples between
SHORTEST = 2.0  # samples
FLANK = 6  # samples on either side that the bridge is laid on
CORNER_SD_S = 1.5e-4
BRIDGE_SD_SHARE = 0.05  # of the level: a bridge does not know what the drive did meanwhile
BOTH = 0.5  # in the column `limited`: the current, then a rail
GOES_ON_S, BEYOND_S, BEYOND_SHARE = 0.0005, 0.00025, 0.3  # behind a hold, and of the plateau that goes on there


@dataclass(frozen=True, slots=True)
class _Knees:
    """(n,) where flanks break off: sample, how sharply, and by how many volts."""

    sample: IntArray
    sharpness: FloatArray


@lru_cache(maxsize=1)
def _line_taps() -> npt.NDArray[np.float32]:
    """What a curve through N_LINE samples says of the next but one."""
    place = np.vander(np.arange(-N_LINE, 0.0), DEGREE + 1)
    return np.asarray((np.vander([1.0], DEGREE + 1) @ np.linalg.pinv(place))[0], dtype=np.float32)


def find_current_limited(sides: list[OneSide]) -> list[Candidates]:
    """Rows for the half-cycles of a stretch, of both polarities, in which the current was held."""
    if not sides or liveliness_of(sides[0]) > MOST_LIVELY:
        return []
    stretch = sides[0].stretch
    knees = _sniff(sides)
    for folds in (False, True):
        load = learn_load(stretch.output_v, stretch.rate_hz, knees.sample, knees.sharpness, folds=folds)
        if load is not None and not _draws_more_at_its_loudest(stretch, load) and (found := _holds(sides, load)):
            return found
    return []


def _holds(sides: list[OneSide], load: Load) -> list[Candidates]:
    """Rows for where a load's current was held; none where the volts refute the load."""
    stretch = sides[0].stretch
    current = load.current(stretch.output_v)
    size = np.abs(current[stretch.own_first : stretch.own_last])
    if np.quantile(size, 0.999) > MOST_BEYOND or size.max(initial=0.0) > FAR_BEYOND:
        return []
    spans = [_spans(side, current, load) for side in sides]
    n_reach, n_with_knee = (sum(numbers) for numbers in zip(*(count for _, _, count in spans), strict=True))
    if n_with_knee < max(1, LEAST_WITH_KNEE * n_reach):
        return []
    return [
        fitted_where_plain(side, _describe(side, start, *_to_rail(side, start, stop)), "limited", 1.0)
        for side, (start, stop, _) in zip(sides, spans, strict=True)
        if len(start)
    ]


def mark_rails_behind(table: Candidates) -> Candidates:
    """The table with those holds marked BOTH that show a rail, too: nobody may call them a current limit.

    Into a loudspeaker a held current leaves no straight top between two corners. Where a fit shows one, or another look
    a plateau that goes on where the current let go, the volts were held as well. On tuning seeds none of the fits lay
    on a current limit."""
    limited = table["limited"].copy()
    is_plateau = (table["is_coarse"] > 0) | (table["gain"] >= AT_RAIL_GAIN)  # not the round crest behind a hold
    limited[(limited > 0) & (table["is_coarse"] == 0)] = BOTH  # the others are bridges
    for k in np.flatnonzero(limited == 1):
        stop_s = table["stop_s"][k]
        goes_on = (table["sign"] == table["sign"][k]) & (limited == 0) & is_plateau
        goes_on &= (table["start_s"] < stop_s + GOES_ON_S) & (table["stop_s"] > stop_s + BEYOND_S)
        goes_on &= table["stop_s"] - stop_s > BEYOND_SHARE * (table["stop_s"] - table["start_s"])
        limited[k] = BOTH if goes_on.any() else 1.0
    return Candidates(table.columns | {"limited": limited}, table.supply, table.output)


def _draws_more_at_its_loudest(stretch: Stretch, load: Load) -> bool:
    """Whether the current about the highest sample refutes a load: all of a stretch takes sixty times as long."""
    own = stretch.output_v[stretch.own_first : stretch.own_last]
    top = stretch.own_first + max((int(np.argmax(own)), int(np.argmin(own))), key=lambda at: abs(own[at]))
    reach = round(LOUDEST_S * stretch.rate_hz)
    first = max(0, top - reach)
    # What was before the part is not known: the current has settled where all that the load remembers lies in it.
    settled = max(stretch.own_first, first + round(HISTORY_S * stretch.rate_hz) if first else 0)
    current = load.current(stretch.output_v[first : top + reach])[settled - first : stretch.own_last - first]
    return float(np.max(np.abs(current), initial=0.0)) > FAR_BEYOND


def _sniff(sides: list[OneSide]) -> _Knees:
    """Knees ahead of some of the crests."""
    side = sides[0]
    volts, rate = side.stretch.output_v, side.stretch.rate_hz
    crests = join_crests([one.crests for one in sides])
    if not len(crests):
        return _Knees(np.zeros(0, dtype=np.intp), np.zeros(0))
    order = np.argsort(-crests.level_v, kind="stable")
    n_high = int(np.count_nonzero(crests.level_v >= HIGH_SHARE * float(np.percentile(crests.level_v, 99))))
    half = LOOKED_AT // 2
    rest = np.sort(order[half:n_high])
    rows = np.concatenate((order[:half], rest[:: len(rest) // half + 1]))
    reach = np.arange(-round(BEFORE_S * rate), round(AFTER_S * rate) + 1)
    place = crests.sample[rows]
    place = place[(place + reach[0] >= 0) & (place + reach[-1] < len(volts))]
    window = volts[place[:, None] + reach]
    window *= np.sign(volts[place])[:, None]
    at, sharpness = _knees_in(window, side.noise_v)
    sample = place[at[0]] + reach[0] + at[1]
    if side.blocked is not None:
        free = ~side.blocked[sample]
        sample, sharpness = sample[free], sharpness[free]
    sample, first = np.unique(sample, return_index=True)
    return _Knees(sample, sharpness[first])


def _knees_in(up: Volts, noise_v: float) -> tuple[tuple[IntArray, IntArray], FloatArray]:
    """Where rows of sign-turned volts break off, as row and place, and how sharply."""
    off = _off_line(up)
    n = up.shape[1]
    size = np.abs(off)
    quiet = np.zeros_like(off)
    for back in range(QUIET_TO, QUIET_FROM + 1):
        np.maximum(quiet[:, back:], size[:, : n - back], out=quiet[:, back:])
    is_knee = off < np.maximum(-SHARPER * np.maximum(quiet, 4 * noise_v), -1e9)
    is_knee &= off < -LEAST_SD * noise_v
    is_knee[:, : N_LINE + QUIET_FROM] = is_knee[:, n - 9 :] = False
    is_knee[:, 1:-1] &= (off[:, 1:-1] <= off[:, :-2]) & (off[:, 1:-1] < off[:, 2:])
    row, at = np.nonzero(is_knee)
    before = (up[row, at - 1] - up[row, at - 6]) / 5
    after = (up[row, at + 8] - up[row, at + 2]) / 6
    fits = (up[row, at] > 0) & (before > 0) & (after > LEAST_RISE * before) & (after < MOST_RISE * before)
    row, at = row[fits], at[fits]
    return (row, at), np.asarray(-off[row, at] / np.maximum(quiet[row, at], 4 * noise_v), dtype=float)


def _off_line(up: Volts) -> Volts:
    """(rows, n) by how much the next sample leaves the curve through those before; 0 where there are too few."""
    off = np.zeros_like(up)
    n = up.shape[1]
    line = sum(tap * up[:, k : n - N_LINE - 1 + k] for k, tap in enumerate(_line_taps()))
    off[:, N_LINE:-1] = up[:, N_LINE + 1 :] - line
    return off


def _spans(side: OneSide, current: FloatArray, load: Load) -> tuple[FloatArray, FloatArray, tuple[int, int]]:
    """Starts and stops, in samples, of the limit's hold on one polarity; how many currents reach the limit, and how
    many of these have a knee."""
    stretch, volts = side.stretch, side.stretch.output_v
    turned = current * side.sign
    above = turned >= 1 - WITH_KNEE_SD * load.spread
    if side.blocked is not None:
        above &= ~side.blocked
    edges = np.flatnonzero(np.diff(above.astype(np.int8), prepend=0, append=0))
    # One hold, though the current as it is known dips in it.
    # The last edge is that of the data where they end within a hold: one sample more lets it be asked.
    lows = np.minimum.reduceat(np.append(turned, np.inf), edges)[1:-1:2] if len(edges) > 2 else np.zeros(0)
    is_gap = np.flatnonzero((lows > HELD_SHARE) & (edges[2::2] - edges[1:-1:2] < HELD_S * stretch.rate_hz))
    edges = np.delete(edges, np.concatenate((2 * is_gap + 1, 2 * is_gap + 2)))
    first, last = edges[::2], edges[1::2] - 1
    middle = (first + last) // 2
    inside = (middle >= stretch.own_first) & (middle < stretch.own_last) & (first > 40) & (last < len(volts) - 20)
    inside &= volts[middle] * side.sign > 0
    first, last = first[inside], last[inside]
    if not len(first):
        return np.zeros(0), np.zeros(0), (0, 0)
    highest = np.maximum.reduceat(turned, np.stack((first, last + 1), axis=1).ravel())[::2]
    knee = _knee_near(volts, side, first)
    reaches = highest >= 1 - WITHOUT_KNEE_SD * load.spread
    is_sure = highest >= 1 + WITHOUT_KNEE_SHARE + WITHOUT_KNEE_SD * load.spread
    start = np.where(knee >= 0, knee, first - 0.5)
    chosen = (is_sure | (knee >= 0)) & (last + 0.5 - start >= SHORTEST)
    reaches &= turned[first - 1] != 0  # no knee is seen of a limit that the volts come round to while it holds
    counts = int(np.count_nonzero(reaches)), int(np.count_nonzero(reaches & (knee >= 0)))
    return start[chosen], np.maximum(last + 0.5, start + 1)[chosen], counts


def _to_rail(side: OneSide, start: FloatArray, stop: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Stops, later where a plateau goes on from there, and which these are: first the current was held, then the
    volts."""
    stretch, table = side.stretch, side.candidates
    table = table.take((table["gain"] >= AT_RAIL_GAIN) & might_be_plateaus(table))
    if not len(table):
        return stop, np.zeros(len(stop), dtype=bool)
    order = np.argsort(table["start_s"], kind="stable")
    begins, ends = (table[name][order] * stretch.rate_hz - stretch.first_index - stretch.phase
                    for name in ("start_s", "stop_s"))  # fmt: skip
    at = np.searchsorted(begins, stop + AT_RAIL_SLACK) - 1
    goes_on = (at >= 0) & (ends[at] > stop + 1) & (begins[at] > start - AT_RAIL_SLACK)
    return np.where(goes_on, ends[at], stop), goes_on


def _knee_near(volts: Volts, side: OneSide, first: IntArray) -> IntArray:
    """(n,) the sample near each place at which the flank breaks off most; -1 where none does."""
    reach = np.arange(KNEE_FROM - N_LINE - KNEE_QUIET, KNEE_TO + 1)
    up = volts[first[:, None] + reach]
    up *= np.float32(side.sign)
    off = _off_line(up)[:, N_LINE:-1]
    quiet = np.abs(off[:, :KNEE_QUIET]).max(axis=1)
    off = off[:, KNEE_QUIET:]
    at = np.argmin(off, axis=1)
    is_knee = off[np.arange(len(first)), at] < -np.maximum(FAINT_SD * side.noise_v, SHARPER * quiet)
    return np.where(is_knee, first + KNEE_FROM + at, -1)


def _describe(side: OneSide, start: FloatArray, stop: FloatArray, to_rail: BoolArray) -> Candidates:
    """Rows, with the crest that a bridge from flank to flank would have had."""
    volts = side.stretch.output_v
    n = len(start)
    steps = np.arange(FLANK)
    left = np.floor(start).astype(np.intp)[:, None] - FLANK + steps
    right = np.ceil(stop).astype(np.intp)[:, None] + 1 + steps
    ends = []
    for at in (left, right):
        up = volts[np.clip(at, 0, len(volts) - 1)].astype(float) * side.sign
        line = np.linalg.lstsq(np.vander(steps - steps.mean(), 3), up.T, rcond=None)[0]
        x = (steps[-1] if at is left else steps[0]) - steps.mean()
        ends.append((line[0] * x**2 + line[1] * x + line[2], 2 * line[0] * x + line[1]))
    (left_v, left_slope), (right_v, right_slope) = ends
    span = (right[:, 0] - left[:, -1]).astype(float)
    share = np.linspace(0, 1, 65)[None, :]
    bridge = (
        left_v[:, None] * (2 * share**3 - 3 * share**2 + 1)
        + (left_slope * span)[:, None] * (share**3 - 2 * share**2 + share)
        + right_v[:, None] * (3 * share**2 - 2 * share**3)
        + (right_slope * span)[:, None] * (share**3 - share**2)
    )
    rows = np.arange(n)
    top = np.argmax(bridge, axis=1)
    place = left[:, -1] + share[0, top] * span
    low = place.astype(np.intp)
    here = volts[low].astype(float) + (place - low) * (volts[low + 1].astype(float) - volts[low])
    level = np.maximum(here * side.sign, 1e-3)
    crest = np.maximum(bridge[rows, top], level + 1e-6)
    reach = np.minimum(np.round(start[:, None] + (stop - start)[:, None] * np.linspace(0, 1, 17)), len(volts) - 1)
    peak = (volts[reach.astype(np.intp)] * side.sign).max(axis=1).astype(float)
    tilt = (peak - left_v) / np.maximum(stop - start, 1.0) * side.stretch.rate_hz
    flank = np.maximum(left_slope, 1e-6), np.maximum(np.abs(right_slope), 1e-6)
    limited = np.where(to_rail, BOTH, 1.0)
    doubt = CREST_SD_SHARE * (crest - level) + BRIDGE_SD_SHARE * level
    return rows_of(
        side, start, stop, level, crest, *flank, peak, CORNER_SD_S, tilt_v_per_s=tilt, limited=limited, crest_sd_v=doubt
    )
