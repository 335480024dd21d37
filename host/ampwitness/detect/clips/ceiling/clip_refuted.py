"""Plateaus that no ceiling of an amplifier explains, for the output passed higher under no better conditions.

Whatever an amplifier's ceiling is, it does not rise when its supply sinks, nor when its load grows. So a plateau is
refuted as the amplifier's where the output stood higher, by more than rails wobble, at a supply no higher and after an
output no smaller, whichever lag is asked. A level at which several plateaus stood is asked with the highest of their
supplies and the least of their outputs, for it stood under each of them.

A ceiling may remember more than the lags do: a store that runs empty, a booster's limit. But then it comes down while
it is reached. So only those plateaus speak that begin after a pause and do not lie below an earlier one since, and that
have another at their level: a flat wave of the music's own, below a ceiling, stands alone. Where enough of all plateaus
are refuted so, and most stand at levels in common, the signal was cut off before the amplifier and turned down since.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: needs somewhere a louder passage; without the supply one that no supply explains. A limit with a memory that
lasts over pauses (heat) may look the same.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`: of 230 recordings of
amplifiers at most 6 % of the plateaus were refuted, of sources with two and more such plateaus 12 % and more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_candidates import HELD_BY, Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

HIGHER = 1.08  # times the plateau: by less a rail may wobble
HIGHER_STILL = 1.04  # where plateaus stood still while their supply moved: neither wobbles nor follows
STILL_SHARE, LEAST_MOVED = 0.003, 0.012  # of the level, and of the supply, from the least to the most
HIGHER_RECKONED = 1.2  # ahead of a guessed capacitor, whose charge moves levels by what is not known of it
HIGHER_UNKNOWN = 1.3  # where the supply is not known: from 11.1 to 14.4 V
LOAD_MOVED, NEXT_HIGHER = 0.2, 1.02  # of the output behind a level that stands still; times that level, the next crest
HANDED_THROUGH = 2.0  # logarithm of a level over that of its supply, at most, where it stood still at lower supplies
SAME_SUPPLY, SAME_OUTPUT = 1.002, 0.97  # up to, and down to, this share counts as no better and no smaller
FEWEST, LEAST_SHARE, FEWEST_OVER = 2, 0.1, 2  # plateaus refuted, all in all and of all; crests that pass one
LEAST_TOGETHER = 0.5  # of all plateaus have one of their level beside them: the music's own flat waves 0 to 0.1
# Of plateaus in a row without a pause, of one polarity, so many stand level with the one before: of sources three
# quarters and more, of boosted supplies in their current limit half at most, for what they keep in store moves within
# a note. Few steps do not tell: a source's level moves where it is faded.
LEAST_STEADY, STEADY_SHARE = 0.65, 0.004
LEAST_OF_FEW, MANY_STEPS = 0.2, 40
TOGETHER_SHARE, TOGETHER_S = 0.006, 3.0  # of the level, from the first to each, and from one to the next: one level
PAUSE_S, PARTNER_S = 0.3, 0.04  # nothing cut off for so long, but for the first half-cycle of the other polarity
SLID = 1.01  # times a plateau's level: an earlier one since the pause that lay higher
ABOVE_SAMPLES = 1.025  # times the highest sample; 33,000 true plateaus of the hostile set at most 1.022, an organ 1.03
MOST, AT_ONCE = 600, 64


def is_refuted(tables: list[tuple[Candidates, BoolArray]], crests: HighCrests) -> bool:
    """Whether plateaus are surely no amplifier's.

    Parameters
    ----------
    tables : candidates of one polarity each, and which of them need no rail to be believed, (n,)
    crests : the highest crests that are no candidates
    """
    # A fit in a steep flank of the music may place a level above all samples: it shows no plateau.
    tables = [(table, plain & (table["level_v"] <= ABOVE_SAMPLES * table["peak_v"])) for table, plain in tables]
    every_s = np.sort(np.concatenate([table["start_s"][plain] for table, plain in tables]))
    n_refuted = n_together = n_all = 0
    steps: list[FloatArray] = []
    for table, plain in tables:
        plateaus = by_time(table, plain)
        steps.append(_steps_within_notes(plateaus))
        plateaus = plateaus.take(np.arange(0, len(plateaus), -(-len(plateaus) // MOST) or 1))
        n_all += len(plateaus)
        n_together += sum(len(group) for group in split_by_level(plateaus) if len(group) > 1)
        n_refuted += _count_refuted(plateaus, crests, every_s) if len(plateaus) else 0
    if n_refuted < max(FEWEST, LEAST_SHARE * n_all) or n_together < LEAST_TOGETHER * n_all:
        return False
    step = np.concatenate(steps)
    return len(step) >= MANY_STEPS or bool(np.count_nonzero(step <= STEADY_SHARE) >= LEAST_OF_FEW * len(step))


def move_within_notes(tables: list[tuple[Candidates, BoolArray]]) -> bool:
    """Whether many plateaus in a row differ: an amplifier whose supply is in its limit makes such, too; `tables` as of
    `is_refuted`."""
    step = np.concatenate([_steps_within_notes(by_time(table, plain)) for table, plain in tables])
    return len(step) >= MANY_STEPS and bool(np.mean(step <= STEADY_SHARE) < LEAST_STEADY)


def _steps_within_notes(plateaus: Candidates) -> FloatArray:
    """By what share of itself the level changed from one plateau of one polarity to the next, pauses left out."""
    change = np.abs(np.diff(plateaus["level_v"])) / plateaus["level_v"][1:]
    return np.asarray(change[np.diff(plateaus["start_s"]) <= PAUSE_S])


def by_time(table: Candidates, chosen: BoolArray) -> Candidates:
    """The chosen rows in the order of time."""
    rows = np.flatnonzero(chosen)
    return table.take(rows[np.argsort(table["start_s"][rows], kind="stable")])


def _count_refuted(plateaus: Candidates, crests: HighCrests, every_s: FloatArray) -> int:
    """How many of some plateaus of one polarity, in the order of time, are refuted; `every_s` those of both."""
    mine = crests.take(crests.sign == plateaus["sign"][0])
    level_v = np.concatenate((plateaus["level_v"], mine.level_v))
    supply_v = np.concatenate((plateaus.supply, mine.supply))
    output_v = np.concatenate((plateaus.output, mine.output))
    speaks = _begin_after_pauses(plateaus["start_s"], every_s) & have_not_sunk(plateaus)
    highest_v = float(level_v.max())
    rows, alone = np.flatnonzero(speaks), [group for group in split_by_level(plateaus) if len(group) == 1]
    has_company = ~np.isin(np.arange(len(plateaus)), alone)
    n_refuted = 0
    for group in split_by_level(plateaus.take(rows)):
        stood_v = float(np.median(plateaus["level_v"][rows[group]]))
        if highest_v <= HIGHER_STILL * stood_v:  # nothing stands so far above it, as nearly always
            continue
        stood = plateaus.take(rows[group])
        is_over = level_v > _least_higher(stood) * stood_v
        if is_over.any() and _is_passed(level_v / stood_v, is_over, stood, supply_v, output_v):
            n_refuted += int(has_company[rows[group]].sum())
    return n_refuted


def _is_passed(
    height: FloatArray, is_over: BoolArray, stood: Candidates, supply_v: FloatArray, output_v: FloatArray
) -> bool:
    """Whether others, at `height` times the level at which some plateaus stood, `is_over` far above, pass it at no
    better conditions. A level that minded neither its supply nor its load is no higher under a somewhat smaller load,
    and under a higher supply by so much at most as a booster hands through; there one crest far above is enough,
    beside another that stands above at all."""
    most_v, least_v = SAME_SUPPLY * stood.supply.max(axis=0), SAME_OUTPUT * stood.output.min(axis=0)
    is_worth = is_over
    if stands_still(stood) and (np.ptp(stood.output, axis=0) >= LOAD_MOVED * least_v).all():
        least_v = least_v - np.ptp(stood.output, axis=0)
        height = height / np.maximum(supply_v / most_v, 1.0).max(axis=1) ** HANDED_THROUGH
        is_over, is_worth, most_v = height > HIGHER_STILL, height > NEXT_HIGHER, np.full_like(most_v, np.inf)
    over = np.flatnonzero(is_worth)
    no_better = ~(supply_v[over] > most_v).any(axis=1)  # NaN: nothing is known
    no_better &= (output_v[over] >= least_v).all(axis=1)
    return bool(np.count_nonzero(no_better) >= FEWEST_OVER and is_over[over[no_better]].any())


def _least_higher(stood: Candidates) -> float:
    """Times the level at which some plateaus stood that what refutes them must reach."""
    if not np.isfinite(stood.supply).all():
        return HIGHER_UNKNOWN
    if (stood["held_v"] != 0).any() and np.median(stood["held_by"]) == HELD_BY.index("capacitor"):
        return HIGHER_RECKONED
    return HIGHER_STILL if stands_still(stood) else HIGHER


def _begin_after_pauses(start_s: FloatArray, every_s: FloatArray) -> BoolArray:
    """(n,) of which plateaus of one polarity the run without a pause begins after one of the other polarity, too."""
    found = np.zeros(len(start_s), dtype=bool)
    for run in _split_at_pauses(start_s):
        before = int(np.searchsorted(every_s, start_s[run[0]] - PARTNER_S)) - 1
        found[run] = before < 0 or start_s[run[0]] - every_s[before] >= PAUSE_S
    return found


def _split_at_pauses(start_s: FloatArray) -> list[IntArray]:
    """Rows in the order of time, in runs without a pause; no row, no run."""
    return np.split(np.arange(len(start_s)), np.flatnonzero(np.diff(start_s) > PAUSE_S) + 1) if len(start_s) else []


def have_not_sunk(plateaus: Candidates) -> BoolArray:
    """(n,) which plateaus of one polarity, in the order of time, have none above them since the last pause."""
    level_v = plateaus["level_v"]
    highest_v = [np.maximum.accumulate(level_v[run]) for run in _split_at_pauses(plateaus["start_s"])]
    return np.asarray(np.concatenate([*highest_v, np.zeros(0)]) <= SLID * level_v)


def split_by_level(plateaus: Candidates) -> list[IntArray]:
    """Plateaus of one polarity, in the order of time, in groups that stand at one level."""
    level_v, start_s = plateaus["level_v"].tolist(), plateaus["start_s"].tolist()
    groups: list[list[int]] = []
    for k, (volts, at_s) in enumerate(zip(level_v, start_s, strict=True)):
        first, last = (groups[-1][0], groups[-1][-1]) if groups else (k, k)
        is_new = abs(volts - level_v[first]) > TOGETHER_SHARE * volts or at_s - start_s[last] > TOGETHER_S
        if is_new or not groups:
            groups.append([])
        groups[-1].append(k)
    return [np.array(group, dtype=np.intp) for group in groups]


def have_stood_still(plateaus: Candidates) -> BoolArray:
    """(n,) which plateaus of one polarity, in the order of time, kept their level while their supply moved."""
    found = np.zeros(len(plateaus), dtype=bool)
    for group in split_by_level(plateaus):
        found[group] = stands_still(plateaus.take(group))
    return found


def stands_still(stood: Candidates) -> bool:
    """Whether plateaus that stand at one level did so while their supply moved at every lag."""
    level_v, supply_v = stood["level_v"], stood.supply
    spread_v = np.subtract(*np.percentile(level_v, (90, 10)))
    moved = np.ptp(supply_v, axis=0) >= LEAST_MOVED * supply_v.mean(axis=0)
    return bool(spread_v <= STILL_SHARE * level_v.mean() and moved.all())


def are_passed(
    level_v: FloatArray, supply_v: FloatArray, output_v: FloatArray,
    other_level_v: FloatArray, other_supply_v: FloatArray, other_output_v: FloatArray, higher: float = HIGHER,
) -> BoolArray:  # fmt: skip
    """Which plateaus another passes under conditions that are no better at any lag.

    Parameters
    ----------
    level_v, supply_v, output_v : (n,) V, (n, supply lags) V, (n, output lags) V; supplies of NaN say nothing
    other_level_v, ... : the same of m others, the plateaus among them if so wanted
    higher : times a plateau's level that another must reach

    Returns
    -------
    (n,)
    """
    found = np.zeros(len(level_v), dtype=bool)
    # In most recordings hardly anything stands above plateaus: lags are asked of those pairs only.
    is_high = other_level_v >= higher * np.min(level_v, initial=np.inf)
    other_level_v, other_supply_v, other_output_v = (
        other_level_v[is_high],
        other_supply_v[is_high],
        other_output_v[is_high],
    )
    for first in range(0, len(level_v), AT_ONCE):
        row, other = np.nonzero(other_level_v >= higher * level_v[first : first + AT_ONCE, None])
        row += first
        for lag in (0, -1):  # most pairs end here
            is_loaded = other_output_v[other, lag] >= SAME_OUTPUT * output_v[row, lag]
            row, other = row[is_loaded], other[is_loaded]
        no_better = ~(other_supply_v[other] > SAME_SUPPLY * supply_v[row]).any(axis=1)
        no_better &= (other_output_v[other] >= SAME_OUTPUT * output_v[row]).all(axis=1)
        found[row[no_better]] = True
    return found
