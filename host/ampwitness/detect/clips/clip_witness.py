"""Whether the amplifier or what feeds it cut a crest off, where the signal at its input was logged beside it.

The search for clips runs on the source as well, on its own. A crest of the output that is flat while the source is flat
came so to the amplifier; one that is flat while the source rounds over was cut off in the amplifier. What only one of
the two shows plainly decides; light ones, whose like the search may miss in either, follow the plain ones where those
agree.

Gaps: where the source was not judged (a gap, the logger's range) the clip keeps the name that the output alone gave it.
Limits: what looks round in a noisy source may have been missed there: such clips stay undecided, and so do those of a
polarity that looks round while the other one is flat. Where both cut at once the amplifier keeps its name if its
ceiling moved with the supply and it cut off more than the source had; a steady one is put down to the source. Between
source and output at most LAG_S may pass, else short clips stay undecided; behind a crossover a source's flat is no flat
any more, and no clip of the output either.
Source: our choice, measured by `python -m ampwitness.bench.witness_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.clips.table.clip_candidates import PLACES
from ampwitness.detect.result import DetectorResult
from ampwitness.finding_list import FindingList
from ampwitness.types import FloatArray

LAG_S = 0.0003  # between a source's flat and the output's
NEAR_S = 0.002  # a source's flat that lies so near and is as long may be the same one, later: neither flat nor round
LEAST_SHARED = 0.6  # of the output's flat: what an amplifier cuts off broader than its source is its own doing
PLAIN_DB = 0.25  # past the ceiling, and ...
PLAIN_NOISES = 32.0  # so many times the source's noise: of flats past 8 of them the search missed 24 %, past 32 5 %
MOSTLY = 0.5  # of the plain ones flat in the source: the others stay undecided, the search may have missed them
AGREE = 0.95  # of the plain ones, for light ones to follow
LEAST_FLAT_S = 0.0005  # shorter ones lean and drown too easily in a source with hum on its lead
LEAST_PLAIN = 8  # one that looks round may be one that the search missed in the source
SAME_DB = 0.25  # an output cut off no further than its source: nothing was left for the amplifier to cut
_AMPLIFIER, _SOURCE, _UNDECIDED = (float(PLACES.index(name)) for name in ("amplifier", "source", "not decided"))

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Beside:
    """What was found in the source at each clip of the output, all (n,)."""

    flat: BoolArray  # during most of it
    near: BoolArray  # one as long within NEAR_S of it, or during it
    further_db: FloatArray  # by which the output is past its ceiling further than the source; infinite where not flat


def name_by_source(clipping: DetectorResult, source: DetectorResult) -> DetectorResult:
    """The clips of the output, each that the source decides named by it.

    Parameters
    ----------
    clipping : of the output: one ClipTable
    source : of the same search on the source's volts; its clips are told of in the summary alone

    Returns
    -------
    The same clips; in `summary` besides `n_in_source` anew: `source_n_clips`, `source_judged_s`, `n_source_asked`
    (clips of the output during which the source was judged).
    """
    table, theirs = _table_of(clipping), _table_of(source)
    if table is None or source.coverage.judged_s <= 0:
        return clipping
    beside = beside_clips(table, theirs)
    asked = _is_judged(table, source)
    is_high = table.numbers("overdrive_db") >= plain_db(table, source)
    named, shown = name_places(table.column("where"), table.column("sign"), is_high, beside, asked)
    renamed = table.with_places(named, shown)
    summary = {
        **clipping.summary,
        "n_in_source": int(np.count_nonzero(named == _SOURCE)),
        "source_n_clips": 0 if theirs is None else len(theirs),
        "source_judged_s": source.coverage.judged_s,
        "n_source_asked": int(np.count_nonzero(asked)),
    }
    return DetectorResult(FindingList([renamed]), clipping.coverage, summary)


def name_places(
    where: FloatArray, sign: FloatArray, is_high: BoolArray, beside: Beside, asked: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """(n,) places in PLACES, and what the source showed: 1 flat, 0 round, NaN where it decides nothing.

    Parameters
    ----------
    where : (n,) places as the output alone told them
    sign : (n,) 1 positive, -1 negative
    is_high : (n,) so far past the ceiling that a source as flat would have shown it
    beside : what was found in the source at each
    asked : (n,) the source was judged there
    """
    named, shown = where.copy(), np.full(len(where), np.nan)
    is_plain = asked & (beside.flat | is_high)
    n_plain = np.count_nonzero(is_plain)
    is_clean = bool(n_plain >= LEAST_PLAIN and np.count_nonzero(is_plain & beside.flat) <= (1 - AGREE) * n_plain)
    for side in (1.0, -1.0):
        mine = sign == side
        tells_flat, tells_round = _told(mine & is_plain, mine & asked, beside, is_clean)
        shown[tells_flat], shown[tells_round] = 1.0, 0.0
        named[tells_round] = _AMPLIFIER
        named[tells_flat & (where == _UNDECIDED)] = _SOURCE
        disputed = tells_flat & (where == _AMPLIFIER)
        if disputed.any() and float(np.median(beside.further_db[disputed])) < SAME_DB:
            # Its ceiling seemed to move with the supply by chance; so it did where the source was missed.
            named[disputed] = _SOURCE
            named[mine & asked & np.isnan(shown) & (where == _AMPLIFIER)] = _UNDECIDED
    # Levels alone had put these down to a source that shows no flat there.
    named[asked & ~beside.flat & np.isnan(shown) & (where == _SOURCE)] = _UNDECIDED
    return named, shown


def _told(plain: BoolArray, asked: BoolArray, beside: Beside, is_clean: bool) -> tuple[BoolArray, BoolArray]:
    """(n,) twice, of one polarity: which clips the source tells to be flat, and which to be round in it."""
    is_flat, is_round = asked & beside.flat, plain & ~beside.flat & ~beside.near
    n_plain, n_round = np.count_nonzero(plain), np.count_nonzero(is_round)
    nothing = np.zeros(len(asked), dtype=bool)
    if n_plain and n_round >= AGREE * n_plain:
        # A few flat ones in a clean source may be none; and where its other polarity is flat this one may be missed.
        return (nothing, asked & ~beside.flat & ~beside.near) if is_clean else (is_flat, nothing)
    if n_round < LEAST_PLAIN or n_round <= (1 - MOSTLY) * n_plain or np.count_nonzero(is_flat) < LEAST_PLAIN:
        return is_flat, nothing
    return is_flat, is_round


def _table_of(result: DetectorResult) -> ClipTable | None:
    tables = result.findings.tables if isinstance(result.findings, FindingList) else ()
    return tables[0] if len(tables) == 1 and isinstance(tables[0], ClipTable) else None


def plain_db(table: ClipTable, source: DetectorResult) -> FloatArray:
    """(n,) decibels past the ceiling from which on a source that was cut off as far would have been told flat."""
    begins_s, ratios = np.array(source.summary["noise_ratios"]).reshape(-1, 2).T
    if not len(ratios):
        return np.full(len(table), np.inf)
    ratio = ratios[np.clip(np.searchsorted(begins_s, table.start_s, "right") - 1, 0, None)]
    least_db = np.maximum(PLAIN_DB, 20 * np.log10(1 + PLAIN_NOISES * ratio))
    return np.where(table.numbers("flat_s") >= LEAST_FLAT_S, least_db, np.inf)


def beside_clips(table: ClipTable, theirs: ClipTable | None) -> Beside:
    """What was found in the source at each clip of the output."""
    start_s, stop_s = table.start_s, table.stop_s
    flat, near = np.zeros(len(table), dtype=bool), np.zeros(len(table), dtype=bool)
    further_db = np.full(len(table), np.inf)
    if theirs is None or not len(theirs):
        return Beside(flat, near, further_db)
    over_db, their_db = table.numbers("overdrive_db"), theirs.numbers("overdrive_db")
    first = np.searchsorted(theirs.stop_s, start_s - NEAR_S)
    for step in range(4):  # so near there may be some of both polarities
        at = np.minimum(first + step, len(theirs) - 1)
        shared_s = np.minimum(stop_s, theirs.stop_s[at] + LAG_S) - np.maximum(start_s, theirs.start_s[at] - LAG_S)
        same = shared_s >= np.maximum(LEAST_SHARED * (stop_s - start_s), 1e-9)
        flat |= same
        as_long = theirs.stop_s[at] - theirs.start_s[at] >= LEAST_SHARED * (stop_s - start_s)
        near |= as_long & (theirs.start_s[at] <= stop_s + NEAR_S) & (theirs.stop_s[at] >= start_s - NEAR_S)
        further_db = np.where(same, np.minimum(further_db, over_db - their_db[at]), further_db)
    return Beside(flat, near, further_db)


def _is_judged(table: ClipTable, source: DetectorResult) -> BoolArray:
    """(n,) which clips touch no span in which the source was not judged."""
    judged = np.ones(len(table), dtype=bool)
    for span in source.coverage.not_judged:
        first = int(np.searchsorted(table.stop_s, span.start_s))
        last = int(np.searchsorted(table.start_s, span.stop_s, "right"))
        judged[first:last] = False
    return judged
