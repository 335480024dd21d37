"""Candidates on their way to clips: judged many thousands at a time, so that memory does not grow with the recording.

Where a recording has few candidates all of them are judged together, at its end. Where it has many, they are judged in
blocks, each of whole stretches; some of the clips judged before are judged again with a block and vouch for its faint
ones, but count once.

Gaps: none here; candidates stand alone.
Limits: a block's ceilings are learned from AT_ONCE candidates and more, not from the whole recording. What is said of
the rails is said of those blocks that showed most plateaus.
Source: our choice; tests/detect_clipping/test_clip_ledger.py holds blocks to what is judged at once.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.clips.ceiling.headroom import KeptRooms, keep_least
from ampwitness.detect.clips.ceiling.rail_model import summarise_rail
from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.clips.judge.clip_unlike import most_where_unlike
from ampwitness.detect.clips.judge.clip_verdict import Verdicts, judge
from ampwitness.detect.clips.measure.crest_fill import DB_OF_SHARE, weigh_fills
from ampwitness.detect.clips.table.clip_candidates import CEILINGS, PLACES, SHAPES, Candidates, HighCrests, join
from ampwitness.pieces import Pieces, give_back
from ampwitness.types import FloatArray

ASIDE_BYTES = 1 << 20  # of what waits, in memory; the rest lies in a temporary file
AT_ONCE = 20_000  # candidates, so many minutes of music that clips often
MOST_COMPANY = 600  # clips that are judged again with the next block
OVERLAP_S = 0.5  # all of the last ones are: a plateau at the edge may be in both blocks
NEIGHBOURS_S = 1.0  # many clips within this make an attention serious


class _Waiting:
    """Stretches that were looked at and not judged, oldest first: put aside, as many wait for hours."""

    def __init__(self) -> None:
        self._rows = Pieces(ASIDE_BYTES)
        self.sizes: list[int] = []

    def append(self, candidates: list[Candidates], crests: list[HighCrests]) -> None:
        """One more stretch's worth."""
        self._rows.append(pickle.dumps((candidates, crests), protocol=5))
        self.sizes.append(sum(map(len, candidates)))

    def take(self, n: int) -> tuple[Candidates, list[HighCrests]]:
        """The first n stretches' worth, out of here."""
        parts: list[Candidates] = []
        high: list[HighCrests] = []
        for at in range(n):
            candidates, crests = pickle.loads(self._rows.read(at))
            parts += candidates
            high += crests
        rest = Pieces(ASIDE_BYTES)
        for at in range(n, len(self._rows)):
            rest.append(self._rows.read(at))
        self._rows, self.sizes = rest, self.sizes[n:]
        return join(parts), high


class ClipLedger:
    """Takes candidates stretch by stretch and keeps the clips among them.

    Memory: AT_ONCE candidates of some 300 bytes while they are judged, ASIDE_BYTES of those that wait, and what
    ClipTable and Room keep.
    """

    def __init__(self) -> None:
        self._waiting = _Waiting()
        self._company: Candidates | None = None
        self.table = ClipTable.empty()
        self.rooms = KeptRooms()
        self.counts = dict.fromkeys(("n_positive", "n_negative", "n_soft", "n_in_source", "n_candidates"), 0)
        self.rails: dict[str, Any] = {}
        self.rail_model = {"positive": summarise_rail(None, 1.0), "negative": summarise_rail(None, -1.0)}
        self.remarks: tuple[str, ...] = ()

    def add(self, candidates: list[Candidates], crests: list[HighCrests]) -> None:
        """Take what one stretch shows; stretches come in order. Nothing is judged yet."""
        self._waiting.append(candidates, crests)

    def add_all(self, stretches: list[tuple[list[Candidates], list[HighCrests]]]) -> None:
        """Take what several stretches show, in order."""
        for candidates, crests in stretches:
            self.add(candidates, crests)

    def judge_ready(self) -> None:
        """Judge the blocks that are whole: the same ones, however many stretches came since the last call."""
        while sum(sizes := self._waiting.sizes) >= 2 * AT_ONCE:
            self._judge(int(np.searchsorted(np.cumsum(sizes), AT_ONCE)) + 1)

    def finish(self) -> None:
        """Judge what waits."""
        self._judge(len(self._waiting.sizes), is_last=True)

    def _judge(self, n_stretches: int, is_last: bool = False) -> None:
        give_back()  # judging takes more than all that goes ahead of it
        table, crests = self._waiting.take(n_stretches)
        n_company = 0 if self._company is None else len(self._company)
        if self._company is not None:
            table = join([self._company, table])
        handed_over = [table]
        del table  # so that it goes as soon as its parts are taken
        verdicts = judge(handed_over.pop(), crests)
        del crests
        is_new = np.ones(len(verdicts.clips), dtype=bool)
        if self._company is not None:
            is_new = ~np.isin(verdicts.clips["start_s"], self._company["start_s"])
        self._note(verdicts, is_new, n_company)
        for room in verdicts.rooms:
            self.rooms.append(room if is_last else keep_least(room))
        self._put(verdicts, is_new)
        self._company = _choose_company(verdicts.clips)

    def _note(self, verdicts: Verdicts, is_new: np.ndarray[Any, np.dtype[np.bool_]], n_company: int) -> None:
        sign = verdicts.clips["sign"][is_new]
        self.counts["n_positive"] += int(np.count_nonzero(sign > 0))
        self.counts["n_negative"] += int(np.count_nonzero(sign < 0))
        for name, words, known, word in (
            ("n_soft", verdicts.shape, SHAPES, "soft"),
            ("n_in_source", verdicts.where, PLACES, "source"),
        ):
            self.counts[name] += int(np.count_nonzero(_places_in(known, words)[is_new] == known.index(word)))
        self.counts["n_candidates"] += max(0, verdicts.n_candidates - n_company)
        for side, rail in verdicts.rails.items():
            if _n_plateaus(rail) >= _n_plateaus(self.rails.get(side)):
                self.rails[side], self.rail_model[side] = rail, verdicts.rail_model[side]
        self.remarks += tuple(remark for remark in verdicts.remarks if remark not in self.remarks)

    def _put(self, verdicts: Verdicts, is_new: np.ndarray[Any, np.dtype[np.bool_]]) -> None:
        """The new clips as rows by start."""
        table = verdicts.clips
        order = np.flatnonzero(is_new)
        order = order[np.argsort(table["start_s"][order], kind="stable")]
        names = (
            (verdicts.shape, SHAPES, "shape"),
            (verdicts.where, PLACES, "where"),
            (verdicts.ceiling, CEILINGS, "ceiling"),
        )  # fmt: skip
        columns = {name: column[order] for name, column in table.columns.items()}
        columns |= {name: _places_in(known, words)[order] for words, known, name in names}
        level_v = np.maximum(columns["level_v"] - columns["held_v"], 1e-6)  # at the terminals
        crest_v = np.maximum(columns["crest_v"], columns["level_v"]) - columns["held_v"]
        columns["flanks_db"] = 20 * np.log10(np.maximum(crest_v, level_v) / level_v)
        columns["flanks_sd_db"] = DB_OF_SHARE * columns["crest_sd_v"] / np.maximum(crest_v, level_v)
        columns["overdrive_db"], columns["overdrive_sd_db"] = _weigh(columns, level_v)
        columns["unlike_db"] = np.full(len(order), most_where_unlike(columns))
        columns["source_flat"] = np.full(len(order), np.nan)  # the source is asked when all is judged
        columns["n_near"] = _count_near(columns["start_s"], np.sort(table["start_s"]))
        columns["expected_v"] = verdicts.expected_v[order]
        columns["threshold"], columns["confidence"] = verdicts.threshold[order], verdicts.confidence[order]
        self.table.add(columns, table.supply[order], table.output[order])


def _weigh(columns: Mapping[str, FloatArray], level_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n,) overdrive and its standard deviation, dB: by the flanks, and by what was filled in where that could be."""
    over_db, sd_db = columns["flanks_db"].copy(), columns["flanks_sd_db"].copy()
    rows = np.flatnonzero(columns["filled_v"] != 0)
    filled_v = np.maximum(columns["filled_v"], level_v)[rows]
    over_db[rows], sd_db[rows] = weigh_fills(
        over_db[rows],
        sd_db[rows],
        20 * np.log10(filled_v / level_v[rows]),
        DB_OF_SHARE * columns["filled_sd_v"][rows] / filled_v,
        columns["n_top"][rows],
        columns["lively"][rows],
        columns["is_coarse"][rows],
    )
    return over_db, sd_db


def _places_in(known: Sequence[str], words: list[str]) -> FloatArray:
    """(n,) the place of each word among those that are known."""
    place = {word: float(at) for at, word in enumerate(known)}
    return np.array([place[word] for word in words])


def _count_near(start_s: np.ndarray[Any, np.dtype[Any]], sorted_s: np.ndarray[Any, np.dtype[Any]]) -> Any:
    """(n,) clips around each; beyond a block's end those of the next one are not known."""
    high, low = start_s + NEIGHBOURS_S, start_s - NEIGHBOURS_S
    return (np.searchsorted(sorted_s, high) - np.searchsorted(sorted_s, low)).astype(float)


def _n_plateaus(rail: Mapping[str, Any] | None) -> int:
    return int(rail["n_plateaus"]) if rail else 0


def _choose_company(clips: Candidates) -> Candidates | None:
    """Some of the clips, evenly, and all of the last ones."""
    n = len(clips)
    if not n:
        return None
    order = np.argsort(clips["start_s"], kind="stable")
    is_last = clips["start_s"][order] > float(clips["start_s"].max()) - OVERLAP_S
    is_last[:: -(-n // MOST_COMPANY)] = True
    return clips.take(order[is_last])
