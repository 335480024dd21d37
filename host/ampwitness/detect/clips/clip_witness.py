"""Whether the amplifier or what feeds it cut a crest off, where the signal at its input was logged beside it.

While the output's plateaus are found, `source_beside` measures how far the source goes on to rise within each of them.
What is plain of one clip names it; what is not follows its neighbours in time, of its polarity, where those agree; and
one that stands against them stays undecided.

Gaps: where the source was not judged (a gap, the logger's range) the clip keeps the name that the output alone gave it.
Limits: behind a crossover a source's flat is no flat any more, and no clip of the output either. Where both cut one
crest off, it is the amplifier's if the source still rises above what the amplifier lets through.
Source: our choice, measured by `python -m ampwitness.bench.witness_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.headroom import NO_CEILING, no_passages
from ampwitness.detect.clips.ceiling.rail_model import summarise_rail
from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.clips.table.clip_candidates import NOT_ASKED, PLACES, says
from ampwitness.detect.result import DetectorResult
from ampwitness.finding_list import FindingList
from ampwitness.types import FloatArray

SIGNS = {"positive": 1.0, "negative": -1.0}
NEIGHBOURS = 8  # plain ones to either side in time
AGREE = 0.85  # of them, for a clip that is not plain to follow, ...
LEVEL_SHARE = 0.03  # ... if its level lies among theirs, or no further off: turned down, a source's lie elsewhere
AGAINST = 0.8  # of them, for a plain one to be doubted
_AMPLIFIER, _SOURCE, _UNDECIDED = (float(PLACES.index(name)) for name in ("amplifier", "source", "not decided"))
# name, said plainly, what forbids to follow neighbours of that name, what the source showed
_NAMES = (
    (_AMPLIFIER, says("round"), (says("flat"), says("not round")), 0.0),
    (_SOURCE, says("flat"), (says("round"), says("not flat")), 1.0),
)

BoolArray = npt.NDArray[np.bool_]


def name_by_source(clipping: DetectorResult, source: DetectorResult) -> DetectorResult:
    """The clips of the output, each that the source decides named by it.

    Parameters
    ----------
    clipping : of the output: one ClipTable
    source : of the search on the source's volts; its clips are told of in the summary alone

    Returns
    -------
    The same clips; in `summary` besides `n_in_source` anew: `source_n_clips`, `source_judged_s`, `n_source_asked`
    (clips of the output during which the source was judged), and of the source's own clip that is furthest past
    `source_worst_db` and `source_worst_s`. What stands at levels that the source made is no ceiling of the
    amplifier's: it is taken out of `rails`, `rail_model` and `headroom`.
    """
    table, theirs = _table_of(clipping), _table_of(source)
    if source.coverage.judged_s <= 0:
        return clipping
    told = {
        "n_in_source": 0,
        "source_n_clips": 0 if theirs is None else len(theirs),
        "source_judged_s": source.coverage.judged_s,
        "n_source_asked": 0,
        **_find_worst(theirs),
    }
    if table is None:
        return DetectorResult(clipping.findings, clipping.coverage, {**clipping.summary, **told})
    said = np.where(_is_judged(table, source), table.column("source_says"), float(NOT_ASKED))
    named, shown = name_places(table.column("where"), table.column("sign"), table.column("level_v"), said)
    summary = {
        **_without_its_levels(clipping.summary, table.column("sign"), named == _SOURCE),
        **told,
        "n_in_source": int(np.count_nonzero(named == _SOURCE)),
        "n_source_asked": int(np.count_nonzero(said != NOT_ASKED)),
    }
    return DetectorResult(FindingList([table.with_places(named, shown)]), clipping.coverage, summary)


def _find_worst(theirs: ClipTable | None) -> dict[str, float | None]:
    """How far the source's own clip that is furthest past was, dB, and when, seconds; None without one."""
    over_db = np.zeros(0) if theirs is None else theirs.numbers("overdrive_db")
    if theirs is None or not np.isfinite(over_db).any():
        return {"source_worst_db": None, "source_worst_s": None}
    at = int(np.nanargmax(over_db))
    return {"source_worst_db": float(over_db[at]), "source_worst_s": float(theirs.start_s[at])}


def _without_its_levels(summary: Mapping[str, Any], sign: FloatArray, is_source: BoolArray) -> dict[str, Any]:
    """The summary without the polarities most of whose clips the source made."""
    sides = {side: way for side, way in SIGNS.items() if (sign == way).any() and 2 * is_source[sign == way].mean() > 1}
    if not sides:
        return dict(summary)
    out = {
        **summary,
        "rails": {side: rail for side, rail in summary["rails"].items() if side not in sides},
        "rail_model": {
            **summary["rail_model"],
            **{side: summarise_rail(None, way) for side, way in sides.items()},
        },
    }
    if all(model["level_v"] is None for model in out["rail_model"].values()):
        out["headroom"] = no_passages(NO_CEILING)
    return out


def name_places(
    where: FloatArray, sign: FloatArray, level_v: FloatArray, said: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(n,) places in PLACES, and what the source showed: 1 flat, 0 round, NaN where it decides nothing.

    Parameters
    ----------
    where : (n,) places as the output alone told them
    sign : (n,) 1 positive, -1 negative
    level_v : (n,) of the plateaus
    said : (n,) places in SOURCE_SAYS, by time
    """
    named, shown = where.copy(), np.full(len(where), np.nan)
    for side in (1.0, -1.0):
        rows = np.flatnonzero((sign == side) & (said != NOT_ASKED))
        mine = said[rows]
        is_plain = (mine == says("round")) | (mine == says("flat"))
        may_follow = ~is_plain & _is_of_their_level(is_plain, level_v[rows])
        of_amplifier = _share_around(is_plain, mine == says("round"))
        told, seen = np.full(len(rows), _UNDECIDED), np.full(len(rows), np.nan)
        for name, plainly, against, flat in _NAMES:
            agree = of_amplifier if name == _AMPLIFIER else 1 - of_amplifier
            is_it = (mine == plainly) & ~(agree <= 1 - AGAINST)
            is_it |= may_follow & (agree >= AGREE) & ~np.isin(mine, against)
            told[is_it], seen[is_it] = name, flat
        # A ceiling that moves with the supply is the amplifier's, unless the source speaks against it; levels alone
        # tell no source where one was asked.
        is_kept = np.isnan(seen) & ~is_plain & (where[rows] == _AMPLIFIER) & ~np.isin(mine, _NAMES[0][2])
        told[is_kept] = _AMPLIFIER
        named[rows], shown[rows] = told, seen
    return named, shown


def _share_around(is_plain: BoolArray, is_round: BoolArray) -> FloatArray:
    """(n,) of the plain ones next to each, itself not among them, how many are round; NaN where there are too few."""
    at: npt.NDArray[np.intp] = np.cumsum(is_plain) - is_plain  # plain ones ahead of each
    sums = np.concatenate(([0], np.cumsum(is_round[is_plain])))
    first, last = np.maximum(at - NEIGHBOURS, 0), np.minimum(at + NEIGHBOURS + is_plain, len(sums) - 1)
    n = last - first - is_plain
    n_round = sums[last] - sums[first] - (is_plain & is_round)
    return np.where(n >= NEIGHBOURS, n_round / np.maximum(n, 1), np.nan)


def _is_of_their_level(is_plain: BoolArray, level_v: FloatArray) -> BoolArray:
    """(n,) whose level lies among those of the plain ones next to it."""
    ahead: npt.NDArray[np.intp] = np.cumsum(is_plain) - is_plain
    nothing = np.full(NEIGHBOURS, np.nan)
    theirs = np.lib.stride_tricks.sliding_window_view(
        np.concatenate((nothing, level_v[is_plain], nothing)), 2 * NEIGHBOURS
    )
    lowest_v, highest_v = (extreme.reduce(theirs, axis=1) for extreme in (np.fmin, np.fmax))
    is_high = level_v >= (1 - LEVEL_SHARE) * lowest_v[ahead]
    return np.asarray(is_high & (level_v <= (1 + LEVEL_SHARE) * highest_v[ahead]))


def _table_of(result: DetectorResult) -> ClipTable | None:
    tables = result.findings.tables if isinstance(result.findings, FindingList) else ()
    return tables[0] if len(tables) == 1 and isinstance(tables[0], ClipTable) else None


def _is_judged(table: ClipTable, source: DetectorResult) -> BoolArray:
    """(n,) which clips touch no span in which the source was not judged."""
    judged = np.ones(len(table), dtype=bool)
    for span in source.coverage.not_judged:
        first = int(np.searchsorted(table.stop_s, span.start_s))
        last = int(np.searchsorted(table.start_s, span.stop_s, "right"))
        judged[first:last] = False
    return judged
