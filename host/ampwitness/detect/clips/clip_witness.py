"""Whether the amplifier or what feeds it cut a crest off, where the signal at its input was logged beside it.

The search for clips runs on the source as well, on its own. A crest of the output that is flat while the source is flat
came so to the amplifier; one that is flat while the source rounds over was cut off in the amplifier. What only one of
the two shows plainly decides; light ones, whose like the search may miss in either, follow the plain ones where those
agree.

Gaps: where the source was not judged (a gap, the logger's range) the clip keeps the name that the output alone gave it.
Limits: both may cut at once: where a ceiling moved with the supply the amplifier keeps its name and the source's flat
is told beside it, a steady one is put down to the source. Between source and output at most LAG_S may pass; behind a
crossover a source's flat is no flat any more, and no clip of the output either.
Source: our choice, measured by `python -m ampwitness.bench.witness_scores`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.clip_candidates import PLACES
from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.result import DetectorResult
from ampwitness.finding_list import FindingList
from ampwitness.types import FloatArray

LAG_S = 0.0003  # between a source's flat and the output's
LEAST_SHARED = 0.6  # of the output's flat: what an amplifier cuts off broader than its source is its own doing
PLAIN_DB = 0.25  # past the ceiling: from here on the search hardly misses one in either
PLAIN_NOISES = 8.0  # ... and so many times the source's noise
MOSTLY = 0.8  # of the plain ones flat in the source: the others stay undecided
AGREE = 0.95  # of the plain ones, for light ones to follow
LEAST_PLAIN = 5
_AMPLIFIER, _SOURCE, _UNDECIDED = (float(PLACES.index(name)) for name in ("amplifier", "source", "not decided"))

BoolArray = npt.NDArray[np.bool_]


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
    flat = _is_flat(table, theirs) if theirs is not None else np.zeros(len(table), dtype=bool)
    asked = _is_judged(table, source)
    is_high = table.numbers("overdrive_db") >= _plain_db(table, source)
    named, shown = name_places(table.column("where"), is_high, flat, asked)
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
    where: FloatArray, is_high: BoolArray, flat: BoolArray, asked: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """(n,) places in PLACES, and what the source showed: 1 flat, 0 round, NaN where it decides nothing.

    Parameters
    ----------
    where : (n,) places as the output alone told them
    is_high : (n,) so far past the ceiling that a source as flat would have shown it
    flat : (n,) the source is flat there
    asked : (n,) the source was judged there
    """
    shown = np.where(flat, 1.0, 0.0)
    is_plain = asked & (flat | is_high)
    share_round = float(np.mean(~flat[is_plain])) if is_plain.any() else 0.0
    light_too = np.count_nonzero(is_plain) >= LEAST_PLAIN and share_round >= AGREE
    told = is_plain | (asked & light_too)
    if is_plain.any() and share_round <= 1 - MOSTLY:
        told &= flat  # the few that look round among so many flat ones may have been missed in the source
    elif share_round >= AGREE and np.count_nonzero(is_plain & flat) < LEAST_PLAIN:
        told &= ~flat  # and so may one or two in a clean source be none
    shown[~told] = np.nan
    named = where.copy()
    named[told & ~flat] = _AMPLIFIER
    named[told & flat & (where == _UNDECIDED)] = _SOURCE
    return named, shown


def _table_of(result: DetectorResult) -> ClipTable | None:
    tables = result.findings.tables if isinstance(result.findings, FindingList) else ()
    return tables[0] if len(tables) == 1 and isinstance(tables[0], ClipTable) else None


def _plain_db(table: ClipTable, source: DetectorResult) -> FloatArray:
    """(n,) decibels past the ceiling from which on a source that was cut off as far would have been told flat."""
    begins_s, ratios = np.array(source.summary["noise_ratios"]).reshape(-1, 2).T
    if not len(ratios):
        return np.full(len(table), np.inf)
    ratio = ratios[np.clip(np.searchsorted(begins_s, table.start_s, "right") - 1, 0, None)]
    return np.asarray(np.maximum(PLAIN_DB, 20 * np.log10(1 + PLAIN_NOISES * ratio)))


def _is_flat(table: ClipTable, theirs: ClipTable) -> BoolArray:
    """(n,) during which clips of the output the source is flat as well, for most of them."""
    start_s, stop_s = table.start_s, table.stop_s
    found = np.zeros(len(table), dtype=bool)
    if not len(theirs):
        return found
    first = np.searchsorted(theirs.stop_s, start_s - LAG_S)
    for step in range(2):  # one before may just touch
        at = np.minimum(first + step, len(theirs) - 1)
        shared_s = np.minimum(stop_s, theirs.stop_s[at] + LAG_S) - np.maximum(start_s, theirs.start_s[at] - LAG_S)
        found |= shared_s >= np.maximum(LEAST_SHARED * (stop_s - start_s), 1e-9)
    return found


def _is_judged(table: ClipTable, source: DetectorResult) -> BoolArray:
    """(n,) which clips touch no span in which the source was not judged."""
    judged = np.ones(len(table), dtype=bool)
    for span in source.coverage.not_judged:
        first = int(np.searchsorted(table.stop_s, span.start_s))
        last = int(np.searchsorted(table.start_s, span.stop_s, "right"))
        judged[first:last] = False
    return judged
