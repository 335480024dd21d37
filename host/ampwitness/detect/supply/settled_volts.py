"""The supply as it would stand with the amplifier quiet: by the minute, and within it where it moves and stays.

Other consumers lower what is seen and nothing raises it. What is lower for less than `LASTS_S` is theirs; what lasts
longer, or follows a change of the engine's state, is the supply itself: an alternator that was set lower, a second
battery that joined.

Gaps: a block with less than half a second of known volts says nothing; volts are carried over from its neighbours.
Limits: a consumer that stays on for longer is the supply's. Steps of less than `LEAST_MOVED_V` stay the minute's.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

SETTLED_BLOCK_S = 60.0
WITHOUT_OTHERS = 0.9  # of the quiet steps, at which the volts stand as if no other consumer were on
QUIET_SHARE = 0.2
LEAST_KNOWN_S = 0.5
SHORT_BLOCK_S = 1.0
LASTS_S = 10.0
LEAST_MOVED_V, MOVED_SPREADS = 0.1, 2.0  # volts, and spreads of the fit, that a minute's volts must be off


def settle_by_minute(
    steps: SupplySteps, open_v: FloatArray, demand: FloatArray, rows: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Open voltage by the minute, from the quietest fifth of each: there the fit has least to add.

    Parameters
    ----------
    steps : of the whole recording
    open_v, demand : (n,) volts as fitted without the amplifier, and what it takes
    rows : (n,) of the state that is asked for

    Returns
    -------
    (minutes,) middle of what was quiet, seconds, and volts.
    """
    return settle_by_block(steps.time_s, open_v, demand, rows, SETTLED_BLOCK_S)


def follow_settled(
    steps: SupplySteps,
    open_v: FloatArray,
    demand: FloatArray,
    rows: npt.NDArray[np.bool_],
    by_minute: tuple[FloatArray, FloatArray],
    spread_v: float,
) -> tuple[FloatArray, FloatArray]:
    """The same with what moved within the minutes and stayed; unchanged where nothing did.

    `by_minute`: what `settle_by_minute` gave; `spread_v`: of one step of the fit.
    """
    if not len(by_minute[0]):
        return by_minute
    changes = np.flatnonzero(np.diff(rows.astype(np.int8)))
    times, highest, lowest = [], [], []
    for first, last in zip([0, *(changes + 1)], [*(changes + 1), len(rows)], strict=True):
        if not rows[first]:
            continue
        time_s, short_v = settle_by_block(
            steps.time_s[first:last], open_v[first:last], demand[first:last], rows[first:last], SHORT_BLOCK_S
        )
        if len(time_s):
            times.append(time_s)
            is_cut = (first == 0, last == len(rows))
            highest.append(_fill_short_lows(short_v, is_cut))
            lowest.append(_fill_short_lows(_level_out(short_v), is_cut))
    if not times:
        return by_minute
    time_s = np.concatenate(times)
    minute_v = np.interp(time_s, *by_minute)
    # A high of a second or two may be the only time without other consumers, or what the fit misses: between what
    # stands with such highs and without them the minute's volts are as good as any.
    lasting_v = np.clip(minute_v, np.concatenate(lowest), np.concatenate(highest))
    has_moved = np.abs(lasting_v - minute_v) > max(LEAST_MOVED_V, MOVED_SPREADS * spread_v)
    if not has_moved.any():
        return by_minute
    return time_s, np.where(has_moved, lasting_v, minute_v)


def settle_by_block(
    time_s: FloatArray, open_v: FloatArray, demand: FloatArray, rows: npt.NDArray[np.bool_], block_s: float
) -> tuple[FloatArray, FloatArray]:
    """Middle of what was quiet and volts there, a block each that knows enough."""
    known = np.flatnonzero(rows & np.isfinite(open_v))
    if not len(known):
        return np.zeros(0), np.zeros(0)
    block = (time_s[known] // block_s).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    lengths = np.diff(np.append(starts, len(block)))
    asked = np.where(np.isfinite(demand), demand, 0.0)
    times, volts = [], []
    for n in np.unique(lengths[lengths >= LEAST_KNOWN_S / STEP_S]):  # nearly all hold as many steps
        mine = known[starts[lengths == n][:, None] + np.arange(n)]
        least = np.quantile(asked[mine], QUIET_SHARE, axis=1, keepdims=True)
        is_quiet = asked[mine] <= least + 1e-12
        times.append(np.mean(time_s[mine], axis=1, where=is_quiet))
        volts.append(_highest_of_quiet(open_v[mine], is_quiet))
    if not times:
        return np.zeros(0), np.zeros(0)
    order = np.argsort(np.concatenate(times))
    return np.concatenate(times)[order], np.concatenate(volts)[order]


def _highest_of_quiet(open_v: FloatArray, is_quiet: npt.NDArray[np.bool_]) -> FloatArray:
    """(blocks,) a high quantile of what is quiet in each block, (blocks, steps): those with as many quiet steps at
    once, as nearly all are. One by one they took a fifth of a second for an hour."""
    out, n_quiet = np.empty(len(open_v)), np.count_nonzero(is_quiet, axis=1)
    for n in np.unique(n_quiet).tolist():
        rows = n_quiet == n
        out[rows] = np.quantile(open_v[rows][is_quiet[rows]].reshape(-1, n), WITHOUT_OTHERS, axis=1)
    return out


def _level_out(volts: FloatArray) -> FloatArray:
    """(n,) medians of five neighbours, at the ends of those there are: what the fit misses moves a block or two."""
    padded = np.concatenate((np.full(2, np.nan), volts, np.full(2, np.nan)))
    return np.asarray(np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1))


def _fill_short_lows(volts: FloatArray, is_cut: tuple[bool, bool]) -> FloatArray:
    """(n,) without lows that last less than LASTS_S: raised to the lower of what stands on both sides of them.

    `is_cut`: whether the recording begins or ends there: what lies beyond is then taken for as high as any of these. A
    change of state is no such edge: what the supply does behind it is its own."""
    reach = round(LASTS_S / SHORT_BLOCK_S / 2)
    ends = [np.full(reach, volts.max() if cut else -np.inf) for cut in is_cut]
    raised = _running(np.concatenate((ends[0], volts, ends[1])), reach, highest=True)
    raised[~np.isfinite(raised)] = np.inf
    inner = _running(raised, reach, highest=False)
    return inner[reach : reach + len(volts)]


def _running(volts: FloatArray, reach: int, *, highest: bool) -> FloatArray:
    """(n,) highest or lowest within `reach` values to either side, of those there are."""
    beyond = np.full(reach, -np.inf if highest else np.inf)
    around = np.lib.stride_tricks.sliding_window_view(np.concatenate((beyond, volts, beyond)), 2 * reach + 1)
    return np.asarray(around.max(axis=1) if highest else around.min(axis=1))
