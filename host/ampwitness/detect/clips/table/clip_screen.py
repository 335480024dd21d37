"""Which crests might be cut off: a cheap look at every high crest of a stretch, all of them at once.

A crest is the highest of a few blocks of four samples. Around each, templates are laid that answer to a flat top with
falling flanks and not to any cubic; a natural crest answers with the opposite sign, for it bends most at its top. The
strongest answer tells where the plateau is and how long, well enough for the search that follows.

Gaps: works inside one stretch; a template that would reach over its end is not laid.
Limits: crests lower than half the highest one within some seconds are looked at only where they stand broad, those
lower than a quarter not at all. Plateaus shorter than about three
samples or longer than some 25 ms (8 kS/s) are not found.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_stream import block_means
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

BLOCK = 4  # samples
AT_ONCE = 4096  # crests: fewer, and calls cost more than what they do; more is only memory
MANY_ROWS = 100  # times as many as points in each: then they are gone through place by place
APART = 1  # blocks to either side that a crest stands above
CELL_S = 2.0  # the highest value of this and the neighbouring cells is the local top
NEAR_TOP_SHARE = 0.5
LOWEST_SHARE = 0.25  # a rail may collapse within a note: crests this low that stand broad are looked at too
HEAD_SHARE, WAIST_SHARE, BROAD = 0.85, 0.5, 0.75  # a sine is 0.53 as long above its head as above its waist
BRINK_SHARE, LEVEL = 0.97, 0.7  # and 0.44 as long this near its crest as above its head; cut off by 1 dB 0.74
BROAD_NEAR_S, BROAD_REACH_S = 0.004, 0.012
# Far below the highest that is near in time no ceiling vouches for a plateau: it must answer plainly.
BELOW_TOP_SHARE, NEAR_TOP_S = 0.85, 1.0
ANSWER, LOW_ANSWER = 3.3, 8.0  # in standard deviations of the noise
SAG_SHARE = 0.1  # of the flanks' fall that a plateau may sag,
SAG_SD = 3.0  # and so many standard deviations
CLOSE_SHARE = 0.025  # how far the wave stays this close under its crest bounds the plateau
CLOSE_SD = 3.0
ABOVE_SHARE = 0.3  # of its crest that a template may reach above: tops rise so far by a fifth behind a resistance
FEWEST_CLOSE = 12  # samples so close: fewer, and no template of the coarse view could answer
LONGEST_IN_RUN, SHORTEST_IN_RUN = 1.2, 0.3
FLANK = 1.2  # of a template, in half plateaus
# half lengths of plateaus looked for, in samples of the fine and blocks of the coarse view
FINE_HALVES = (1.8, 2.5, 3.4, 4.6, 6.2, 8.4, 11.5)
COARSE_HALVES = (3.4, 4.6, 6.2, 8.4, 11.5, 16.0, 22.0)
FULL_STAY = 0.6  # of the time above 85 % that is spent above 96 %; a sine 0.51
UPPER_SHARE, LOWER_SHARE = 0.96, 0.85
TOP_SHARE, TOP_SD = 0.994, 3.0
FLAT_STAY = 0.4  # of the time above 85 % that is spent within noise of the top; a sine 0.2
SHORTEST_FLAT = 3.0  # samples
RESIDUE_SHARE = 0.0006  # of the crest: what the converter leaves of its own shape counts as noise


@dataclass(frozen=True, slots=True)
class Crests:
    """Every high crest of a stretch, both polarities, (n,) each, by polarity and time."""

    sign: FloatArray
    sample: IntArray
    level_v: FloatArray  # mean of the three highest samples in a row, sign-turned

    def __len__(self) -> int:
        return len(self.sample)

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray | slice) -> Crests:
        return Crests(self.sign[chosen], self.sample[chosen], self.level_v[chosen])


@dataclass(frozen=True, slots=True)
class Suspects:
    """Where plateaus seem to be, (n,) each."""

    sign: FloatArray
    centre: FloatArray  # samples of the stretch
    half: FloatArray  # half the plateau, samples
    level_v: FloatArray
    answer: FloatArray
    crest: IntArray  # sample of the crest it was found at

    def __len__(self) -> int:
        return len(self.sign)

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray) -> Suspects:
        return Suspects(*(getattr(self, name)[chosen] for name in self.__slots__))


def no_suspects() -> Suspects:
    """A table without rows."""
    nothing = np.zeros(0)
    return Suspects(nothing, nothing, nothing, nothing, nothing, np.zeros(0, dtype=np.intp))


@dataclass(frozen=True, slots=True)
class _Bank:
    reach: int
    templates: npt.NDArray[np.float32]  # (2 * reach + 1, n), unit
    sags: npt.NDArray[np.float32]  # (2 * reach + 1, n): by how much the plateau's ends lie below its middle
    sag_sd: npt.NDArray[np.float32]  # (n,) for noise of 1 V
    fall: npt.NDArray[np.float32]  # (n,) how far straight flanks fall by the template's ends, for an answer of 1
    half: FloatArray  # (n,)
    shift: FloatArray
    # (reach + 1, reach + 1, n): those that suit a crest which stays close under its top so many points to either side
    suits: npt.NDArray[np.bool_]
    suits_any: npt.NDArray[np.bool_]  # (reach + 1, reach + 1): whether there are such templates


@lru_cache(maxsize=4)
def _bank(halves: tuple[float, ...]) -> _Bank:
    """Unit templates: a flat top with straight flanks, less the cubic that fits it best, at shifted places."""
    largest = halves[-1]
    reach = int(np.ceil(largest * (1 + FLANK) + largest))
    t = np.arange(-reach, reach + 1, dtype=float)
    columns, sags, falls, used, shifts = [], [], [], [], []
    for half in halves:
        flank = max(FLANK * half, 3.0)
        step = max(0.7, half / 2)
        n_steps = int(np.floor(half / step)) + 1
        for shift in step * np.arange(-n_steps, n_steps + 1):
            x = t - shift
            inside = np.abs(x) <= half + flank
            if x[0] > -(half + flank) or x[-1] < half + flank:
                continue
            shape = -np.maximum(np.abs(x[inside]) - half, 0)
            basis = np.linalg.qr(np.vander(x[inside] / (half + flank), 4))[0]
            shape = shape - basis @ (basis.T @ shape)
            column, sag = np.zeros(len(t)), np.zeros(len(t))
            column[inside] = shape / np.linalg.norm(shape)
            columns.append(column)
            level = np.abs(x) <= max(half - 0.5, 1.5)
            sag[level] = -np.linalg.pinv(np.vander(x[level], 3))[0] * half**2
            sags.append(sag)
            falls.append(flank / np.linalg.norm(shape))
            used.append(half)
            shifts.append(shift)
    sag_bank = np.stack(sags, axis=1)
    suits = _suits(reach, np.array(used), np.array(shifts))
    return _Bank(
        reach,
        np.stack(columns, axis=1).astype(np.float32),
        sag_bank.astype(np.float32),
        np.sqrt(np.sum(sag_bank**2, axis=0)).astype(np.float32),
        np.array(falls, dtype=np.float32),
        np.array(used),
        np.array(shifts),
        suits,
        np.asarray(suits.any(axis=2)),
    )


def _suits(reach: int, half: FloatArray, shift: FloatArray) -> npt.NDArray[np.bool_]:
    before, after = (x[..., None] - 0.5 for x in np.meshgrid(*[np.arange(reach + 1)] * 2, indexing="ij"))
    run = before + after + 1e-6  # a template that just fits fits
    off = np.abs(shift - (after - before) / 2)
    return np.asarray((2 * half <= LONGEST_IN_RUN * run) & (2 * half >= SHORTEST_IN_RUN * run) & (off <= run / 3))


def find_crests(
    volts: npt.NDArray[np.float32], rate_hz: float, lowest_v: float, blocked: npt.NDArray[np.bool_] | None
) -> Crests:
    """Find the high crests of both polarities.

    Parameters
    ----------
    volts : (n,) volts
    rate_hz : samples a second
    lowest_v : crests below are left out
    blocked : (n,) samples that count for nothing, or None
    """
    blocks = volts[: len(volts) // BLOCK * BLOCK].reshape(-1, BLOCK)
    signs, samples, levels = [], [], []
    for sign, top in zip((1.0, -1.0), _tops_of_blocks(blocks), strict=True):
        if blocked is not None:
            top = np.where(blocked[: len(blocks) * BLOCK].reshape(-1, BLOCK).any(axis=1), np.float32(0), top)
        at = _local_tops(top, rate_hz, lowest_v)
        inside = blocks[at] * np.float32(sign)
        sample = at * BLOCK + np.argmax(inside, axis=1)
        sample = np.clip(sample, 2, len(volts) - 3)
        around = np.multiply(samples_around(volts, sample, 2).T, np.float32(sign), order="C")
        # The highest sample may be a plateau's last before a steep flank. Place by place: rows so short are slow.
        threes = [around[k] + around[k + 1] + around[k + 2] for k in range(3)]
        level = np.maximum(np.maximum(threes[0], threes[1]), threes[2]).astype(float) / 3
        signs.append(np.full(len(at), sign))
        samples.append(sample.astype(np.intp))
        levels.append(level)
    return Crests(np.concatenate(signs), np.concatenate(samples), np.concatenate(levels))


def _tops_of_blocks(blocks: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """(2, n) the highest sample of each block, and of the volts turned over; (n, BLOCK). So many at a time that they
    stay in the processor's cache, each place of a block side by side: a quarter of the time."""
    out = np.empty((2, len(blocks)), dtype=np.float32)
    for first in range(0, len(blocks), AT_ONCE):
        places = blocks[first : first + AT_ONCE].T.copy()
        part = out[:, first : first + AT_ONCE]
        np.maximum.reduce(places, axis=0, out=part[0])
        np.minimum.reduce(places, axis=0, out=part[1])
    np.negative(out[1], out=out[1])
    return out


def _local_tops(top: npt.NDArray[np.float32], rate_hz: float, lowest_v: float) -> IntArray:
    """Blocks that stand above their neighbours and near the local top."""
    if len(top) < 2 * APART + 1:
        return np.zeros(0, dtype=np.intp)
    cell = max(1, round(CELL_S * rate_hz / BLOCK))
    highest = _over_cells(np.maximum, top, cell)
    around = np.maximum(highest, np.maximum(np.append(highest[1:], 0), np.insert(highest[:-1], 0, 0)))
    gate = np.maximum(LOWEST_SHARE * around, lowest_v)
    n_whole = len(top) // cell * cell
    is_top = np.empty(len(top), dtype=bool)
    np.greater_equal(
        top[:n_whole].reshape(-1, cell), gate[: n_whole // cell, None], out=is_top[:n_whole].reshape(-1, cell)
    )
    np.greater_equal(top[n_whole:], gate[-1], out=is_top[n_whole:])
    is_top[1:-1] &= top[1:-1] >= top[2:]
    is_top[1:] &= top[1:] > top[:-1]
    at = np.flatnonzero(is_top[1:-1]) + 1
    at = at[(at >= APART) & (at < len(top) - APART)]
    is_low = top[at] < NEAR_TOP_SHARE * around[at // cell]
    low = np.flatnonzero(is_low)
    for first in range(0, len(low), AT_ONCE):
        some = low[first : first + AT_ONCE]
        is_low[some] = ~_stands_broad(top, at[some], rate_hz)
    return np.asarray(at[~is_low], dtype=np.intp)


def _stands_broad(top: npt.NDArray[np.float32], at: IntArray, rate_hz: float) -> npt.NDArray[np.bool_]:
    """Which of these blocks crown a half-cycle that stays near its height for much of its length."""
    level = top[at]
    broad = np.zeros(len(at), dtype=bool)
    rows = np.arange(len(at))
    for reach_s in (BROAD_NEAR_S, BROAD_REACH_S):  # most half-cycles end within the first,
        reach = round(reach_s * rate_hz / BLOCK)
        window = samples_around(top, at[rows], reach)
        before, after = run_lengths(window, reach, WAIST_SHARE * level[rows])
        head_before, head_after = run_lengths(window, reach, HEAD_SHARE * level[rows])
        ends = (before < reach - 1) & (after < reach - 1)
        head_ends = (head_before < reach - 1) & (head_after < reach - 1)
        brink_before, brink_after = run_lengths(window, reach, BRINK_SHARE * level[rows])
        is_broad = head_before + head_after >= BROAD * (before + after)
        is_broad |= brink_before + brink_after >= LEVEL * (head_before + head_after)
        broad[rows] = is_broad
        rows = rows[~ends & (is_broad | ~head_ends)]  # or are too long by then for a head that does
    return broad


def top_near(volts: npt.NDArray[np.float32], rate_hz: float, sign: FloatArray, sample: IntArray) -> FloatArray:
    """(n,) the highest sample of each one's polarity within NEAR_TOP_S and more of a sample, sign-turned."""
    cell = max(1, round(NEAR_TOP_S * rate_hz))
    out = np.zeros(len(sample))
    for extreme, polarity in ((np.maximum, 1.0), (np.minimum, -1.0)):
        top = np.maximum(_over_cells(extreme, volts, cell) * np.float32(polarity), 0)
        padded = np.concatenate(([0], top, [0]))
        near = np.maximum(np.maximum(padded[:-2], padded[2:]), top)
        mine = sign == polarity
        out[mine] = near[np.clip(sample[mine] // cell, 0, len(near) - 1)]
    return out


def _over_cells(extreme: np.ufunc, volts: npt.NDArray[np.float32], cell: int) -> npt.NDArray[np.float32]:
    """The extreme of each cell of so many samples, and of the rest: by rows ten times as fast as by `reduceat`."""
    n_whole = len(volts) // cell * cell
    whole = extreme.reduce(volts[:n_whole].reshape(-1, cell), axis=1)
    rest = volts[n_whole:]
    return np.append(whole, extreme.reduce(rest)) if len(rest) else np.asarray(whole)


def find_suspects(
    volts: npt.NDArray[np.float32], rate_hz: float, crests: Crests, noise_v: float
) -> tuple[Suspects, npt.NDArray[np.bool_]]:
    """Lay the templates around every crest, and keep the strongest answer of each plateau.

    Parameters
    ----------
    volts : (n,) volts
    rate_hz : samples a second
    crests : where to look
    noise_v : standard deviation of the noise of one sample

    Returns
    -------
    Suspects, and which crests stay so long near their height that they might be cut off softly; far below the top
    that is near in time none is asked for that.
    """
    coarse = block_means(volts, BLOCK)
    tables: list[FloatArray] = [np.zeros((7, 0))]
    is_low = crests.level_v < BELOW_TOP_SHARE * top_near(volts, rate_hz, crests.sign, crests.sample)
    is_full = np.zeros(len(crests), dtype=bool)
    for rows, least in ((np.flatnonzero(is_low), LOW_ANSWER), (np.flatnonzero(~is_low), ANSWER)):
        n_close = np.zeros(len(rows), dtype=np.intp)
        for first in range(0, len(rows), AT_ONCE):
            part = slice(first, first + AT_ONCE)
            some = rows[part]
            table, is_full[some], n_close[part] = _answers(volts, 1, FINE_HALVES, crests.take(some), noise_v, least)
            tables.append(table)
        # Templates of the coarse view are too long for what falls away so soon.
        rows = rows[n_close >= FEWEST_CLOSE]
        for first in range(0, len(rows), AT_ONCE):
            some = rows[first : first + AT_ONCE]
            table, stays, _ = _answers(coarse, BLOCK, COARSE_HALVES, crests.take(some), noise_v, least)
            tables.append(table)
            is_full[some] |= stays
    table = np.concatenate(tables, axis=1)
    table = table[:, _strongest(table)]
    suspects = Suspects(table[0], table[1], table[2], table[3], table[4], table[6].astype(np.intp))
    return suspects, is_full & ~is_low


def _answers(
    source: npt.NDArray[np.float32],
    factor: int,
    halves: tuple[float, ...],
    crests: Crests,
    noise_v: float,
    least: float,
) -> tuple[FloatArray, npt.NDArray[np.bool_], IntArray]:
    """Rows of answers of `least` deviations and more, (7, n), in a view of `factor` samples a point; which crests stay
    long, where so little is asked for; and how many points around each lie close under it."""
    bank = _bank(halves)
    middle = np.minimum(crests.sample // factor, len(source) - 1)
    window = samples_around(source, middle, bank.reach)
    middle_v = window[:, bank.reach].copy()
    window -= middle_v[:, None]
    window *= crests.sign.astype(np.float32)[:, None]
    sigma = np.hypot(noise_v / np.sqrt(factor), RESIDUE_SHARE * crests.level_v).astype(np.float32)
    close = -(CLOSE_SHARE * crests.level_v + CLOSE_SD * sigma)
    below = window < close[:, None]
    n_close = below.shape[1] - np.count_nonzero(below, axis=1)
    before, after = _until(below, bank.reach)
    # Of the coarse view half of the crests suit no template at all.
    rows = np.flatnonzero(bank.suits_any[before, after])
    answer = window[rows] @ bank.templates
    answer *= bank.suits[before[rows], after[rows]]
    is_kept = answer.max(axis=1, initial=0) > least * sigma[rows]
    kept, answer = rows[is_kept], answer[is_kept]
    sag = np.abs(window[kept] @ bank.sags)
    sag -= SAG_SD * sigma[kept, None] * bank.sag_sd
    answer *= sag <= SAG_SHARE * bank.fall * answer
    # What lies far above its crest is another's: a shoulder and the plateau behind it answered as one and hid that.
    above = ((1 + ABOVE_SHARE) * crests.level_v - crests.sign * middle_v)[kept]  # a block's mean lies lower
    below_left, below_right = _until(window[kept] > above[:, None], bank.reach)
    answer *= bank.half - bank.shift <= below_left[:, None]
    answer *= bank.half + bank.shift <= below_right[:, None]
    best = np.argmax(answer, axis=1)
    strength = answer[np.arange(len(best)), best]
    strong = strength > least * sigma[kept]
    kept, best, strength = kept[strong], best[strong], strength[strong]
    table = np.stack(
        [
            crests.sign[kept],
            (middle[kept] + bank.shift[best] + 0.5) * factor - 0.5,
            bank.half[best] * factor,
            crests.level_v[kept],
            strength / sigma[kept],
            np.full(len(kept), float(factor)),
            crests.sample[kept],
        ]
    )
    if least > ANSWER:
        return table, np.zeros(len(crests), dtype=bool), n_close
    return table, _stays_long(window, bank.reach, crests.level_v, sigma), n_close


def _stays_long(window: FloatArray, middle: int, level_v: FloatArray, sigma_v: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each crest spends more of the time above its lower share near its height than a sine does."""
    level = level_v.astype(np.float32)
    lower = run_lengths(window, middle, -(1 - LOWER_SHARE) * level)
    length = lower[0] + lower[1]
    stays = np.zeros(len(level), dtype=bool)
    rows = np.flatnonzero((lower[0] < middle - 1) & (lower[1] < middle - 1))
    upper = sum(run_lengths(window[rows], middle, -(1 - UPPER_SHARE) * level[rows]))
    stays[rows] = upper >= FULL_STAY * length[rows]
    rows = rows[~stays[rows]]  # the others need not be asked for a flat top
    top = sum(run_lengths(window[rows], middle, -((1 - TOP_SHARE) * level[rows] + TOP_SD * sigma_v[rows])))
    stays[rows] = (top >= SHORTEST_FLAT) & (top >= FLAT_STAY * length[rows])
    return stays


def samples_around(
    volts: npt.NDArray[np.float32], middle: IntArray, reach: int, n_behind: int | None = None
) -> npt.NDArray[np.float32]:
    """(n, reach + 1 + n_behind) samples around each place, `reach` before it and as many behind if nothing else is
    said; beyond an end the last one again.

    Copied row by row from the volts as they lie: a fifth of the time of looking each sample up."""
    n_points = reach + 1 + (reach if n_behind is None else n_behind)
    first = middle - reach
    if not len(middle):
        return np.zeros((0, n_points), dtype=np.float32)
    if first.min() < 0 or first.max() + n_points > len(volts):
        return np.asarray(volts[np.clip(first[:, None] + np.arange(n_points), 0, len(volts) - 1)])
    rows = np.lib.stride_tricks.as_strided(volts, (len(volts) - n_points + 1, n_points), 2 * volts.strides)
    return np.asarray(rows[first])


def run_lengths(window: FloatArray, middle: int, floor_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far each row stays above its floor to either side of its middle, in points."""
    if len(window) > MANY_ROWS * window.shape[1]:  # short and many: half of the time
        return _lengths_by_place(window.T.copy(), middle, floor_v)
    before, after = _until(window < floor_v[:, None], middle)
    return before - 0.5, after - 0.5


def _lengths_by_place(places: FloatArray, middle: int, floor_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`run_lengths` of windows that stand place by place, (points, n)."""
    lengths = []
    for outward in (places[middle::-1], places[middle:]):
        stays = outward[0] >= floor_v
        n_points = stays.astype(np.intp)
        for place in outward[1:-1]:
            stays &= place >= floor_v
            n_points += stays
        lengths.append(n_points - 0.5)
    return lengths[0], lengths[1]


def _until(below: npt.NDArray[np.bool_], middle: int) -> tuple[IntArray, IntArray]:
    """How many points each row goes outward from its middle to the first one below, the last one at most."""
    below[:, 0] = below[:, -1] = True
    return np.argmax(below[:, middle::-1], axis=1), np.argmax(below[:, middle:], axis=1)


def _strongest(table: FloatArray) -> IntArray:
    """Of plateaus of one polarity that overlap, keep the strongest answer; (n,) row numbers, sorted."""
    sign, centre, half, _, answer = table[:5]
    keep: list[int] = []
    for polarity in (1.0, -1.0):
        left = np.flatnonzero(sign == polarity)
        left = left[np.argsort(centre[left] - half[left], kind="stable")]
        while len(left):
            start, stop = centre[left] - half[left], centre[left] + half[left]
            reach = np.maximum.accumulate(stop)
            group = np.concatenate(([0], np.cumsum(start[1:] > reach[:-1])))
            order = np.lexsort((-answer[left], group))
            best = order[np.concatenate(([True], np.diff(group[order]) > 0))]
            keep += left[best].tolist()
            # In a chain of overlaps the far ones may stay: look again at what does not touch the strongest.
            touches = (start < stop[best][group]) & (stop > start[best][group])
            left = left[~touches]
    return np.array(sorted(keep), dtype=np.intp)
