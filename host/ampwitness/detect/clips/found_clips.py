"""Clipped half-cycles as rows of numbers: a day has hundreds of thousands. A finding is made of a row when asked for.

Gaps: none here; clips stand alone.
Limits: whose fault a clip is, is judged by columns and counted; its words are made with the finding.
Source: our choice; tests/detect_clipping/test_found_clips.py holds rows and findings to each other.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.cause.ceiling_fit import MOST, CeilingFit, Plateaus, to_loads
from ampwitness.detect.clips.cause.clip_cause import (
    CAUSES,
    OPEN,
    Cause,
    Causes,
    attach_cause,
    choose_place,
    judge_clips,
    learn_ceilings,
    tell_why,
    to_ceiling,
)
from ampwitness.detect.clips.measure.crest_fill import filled_interval
from ampwitness.detect.clips.measure.overdrive import overdrive_interval
from ampwitness.detect.clips.table.clip_candidates import AHEAD_NAMES, CEILINGS, HELD_BY, PLACES, RMS_NAMES, SHAPES
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.supply.supply_model import SupplyModel
from ampwitness.finding_list import FindingTable
from ampwitness.pieces import Column, Pieces
from ampwitness.types import Finding, FloatArray

NUMBERS: tuple[str, ...] = (
    "sign", "start_s", "stop_s", "level_v", "tilt_v_per_s", "flank_v_per_s", "gain", "misfit",
    "top_misfit", "n_top", "noise_v", "start_sd_s", "stop_sd_s", "supply_v", "is_coarse", "lively",
    "sharpness", "held_v", "held_v_per_s", "held_by", "top_kind", "limited",
    "overdrive_db", "n_near", "expected_v", "threshold", "confidence", "shape", "where",
    "ceiling", "n_compared", "unlike_db", "source_flat", "source_says", "filled_v", "filled_sd_v",
    "flanks_db", "flanks_sd_db", "overdrive_sd_db", *AHEAD_NAMES,
)  # fmt: skip
SIDES = ("positive", "negative")
SUPPLY_PLACES, OUTPUT_PLACES = 5, 4  # of lagged volts in the evidence: from what is printed the rest can be reckoned
_BLOCK = 1024  # rows that are put away together
_AT_ONCE = 32  # rows that are made ready together: the worst of a day lie singly
_AT = {name: at for at, name in enumerate(NUMBERS)}


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the clips' causes rest on, the causes as codes, and block by block all of `Causes` as columns."""

    ceilings: Mapping[str, CeilingFit]
    model: SupplyModel | None
    cause: npt.NDArray[np.int8]
    lost_db: Column  # NaN where not known
    blocks: Pieces


class _Read(NamedTuple):
    """Some rows one behind another, made ready for their findings."""

    first: int
    rows: list[list[float]]
    intervals: list[tuple[float, ...]]  # of `_intervals`
    causes: list[Cause]


class ClipTable(FindingTable):
    """Clips by start.

    Parameters
    ----------
    columns : of NUMBERS, each (n,), in volts, seconds, decibels as the names say
    supply, output : (n, lags) volts, NaN where there are none

    `shape`, `where` and `ceiling` are places in SHAPES, PLACES and CEILINGS.
    """

    kind = "clip"

    def __init__(self, columns: Mapping[str, FloatArray], supply: FloatArray, output: FloatArray) -> None:
        self._starts, self._stops, self._overdrives = Column(), Column(), Column()
        self._n_supply, self._n_output = supply.shape[1], output.shape[1]
        self._pieces = Pieces()
        self._rest = np.zeros((0, len(NUMBERS) + self._n_supply + self._n_output))  # of a last block
        self._judged: _Judged | None = None
        self._open: tuple[int, FloatArray] = (-1, self._rest)
        self._open_causes: tuple[int, FloatArray] = (-1, self._rest)
        self._read = _Read(0, [], [], [])
        self.add(columns, supply, output)

    @classmethod
    def empty(cls) -> ClipTable:
        """Without a clip as yet."""
        nothing = np.zeros(0)
        lags = np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        return cls(dict.fromkeys(NUMBERS, nothing), *lags)

    def add(self, columns: Mapping[str, FloatArray], supply: FloatArray, output: FloatArray) -> None:
        """Take more clips, which start after all that are there."""
        for column, name in ((self._starts, "start_s"), (self._stops, "stop_s"), (self._overdrives, "overdrive_db")):
            column.append(columns[name])
        for first in range(0, len(columns["start_s"]), _BLOCK):
            rows = slice(first, first + _BLOCK)
            parts = [*(columns[name][rows] for name in NUMBERS), *supply[rows].T, *output[rows].T]
            self._rest = np.concatenate((self._rest, np.stack(parts, axis=1).astype(np.float64)))
            if len(self._rest) >= _BLOCK:
                self._pieces.append(self._rest[:_BLOCK].tobytes())
                self._rest = self._rest[_BLOCK:]

    def __len__(self) -> int:
        return len(self._starts)

    @property
    def start_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) starts."""
        return self._starts.values

    @property
    def stop_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) stops."""
        return self._stops.values

    @property
    def _n_blocks(self) -> int:
        return len(self._pieces) + (len(self._rest) > 0)

    def _block(self, at: int) -> FloatArray:
        if at == len(self._pieces):
            return self._rest
        if self._open[0] != at:
            width = self._rest.shape[1]
            self._open = (at, np.frombuffer(self._pieces.read(at), dtype=np.float64).reshape(-1, width))
        return self._open[1]

    def column(self, name: str) -> FloatArray:
        """(n,) one of NUMBERS."""
        # Copies: a view of a block keeps all of it in memory, and together they are the whole table.
        parts = [self._block(at)[:, _AT[name]].copy() for at in range(self._n_blocks)]
        return np.concatenate(parts) if parts else np.zeros(0)

    def read(self, row: int) -> Finding:
        """Make the finding of a row, with its cause if those are known."""
        ready = self._read
        if not 0 <= row - ready.first < len(ready.rows):
            self._read = ready = self._read_some(row // _AT_ONCE * _AT_ONCE)
        at = row - ready.first
        values = ready.rows[at]
        named, lagged = dict(zip(NUMBERS, values, strict=False)), values[len(NUMBERS) :]
        clip = make_clip(named, ready.intervals[at], lagged[: self._n_supply], lagged[self._n_supply :])
        if self._judged is None:
            return clip
        cause, ceiling = ready.causes[at], self._judged.ceilings.get(str(clip.measured["polarity"]))
        return attach_cause(clip, cause, tell_why(named, cause, ceiling, self._judged.model))

    def _read_some(self, first: int) -> _Read:
        number, begin = divmod(first, _BLOCK)
        rows = self._block(number)[begin : begin + _AT_ONCE]
        intervals = zip(*(column.tolist() for column in _intervals(self._columns(rows)[0])), strict=True)
        return _Read(first, rows.tolist(), list(intervals), self._causes_of(number, begin, begin + len(rows)))

    def _causes_of(self, number: int, begin: int, stop: int) -> list[Cause]:
        if self._judged is None:
            return []
        if self._open_causes[0] != number:
            read = np.frombuffer(self._judged.blocks.read(number)).reshape(-1, len(Cause._fields))
            self._open_causes = (number, read)
        return [
            Cause(int(cause), share, lost_db, settled_v, then_v, int(instead))
            for cause, share, lost_db, settled_v, then_v, instead in self._open_causes[1][begin:stop].tolist()
        ]

    def _columns(self, rows: FloatArray) -> tuple[dict[str, FloatArray], FloatArray]:
        """Some rows by name, and their lagged supply, rounded as in the findings' evidence."""
        lagged_v = rows[:, len(NUMBERS) : len(NUMBERS) + self._n_supply]
        return dict(zip(NUMBERS, rows.T, strict=False)), np.round(lagged_v, SUPPLY_PLACES)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        if key == "overdrive_db":
            return self._overdrives.values
        if key == "flat_s":
            return self.stop_s - self.start_s
        if key == "is_source":
            return np.asarray(self.column("where") == PLACES.index("source"), dtype=float)
        if key == "is_source_unseen":  # and no logged source shows whether it was
            is_source = self.column("where") == PLACES.index("source")
            return np.asarray(is_source & np.isnan(self.column("source_flat")), dtype=float)
        if key in _OF_ROWS:
            parts = [_OF_ROWS[key](self._columns(self._block(at))[0]) for at in range(self._n_blocks)]
            return np.concatenate([np.zeros(0), *parts])
        return super().numbers(key)

    def texts(self, key: str, rows: npt.NDArray[np.integer[Any]] | None = None) -> Counter[str]:
        """As `FindingTable.texts`."""
        chosen = slice(None) if rows is None else rows
        if key == "cause":
            if self._judged is None:
                return Counter()
            counts = np.bincount(self._judged.cause[chosen], minlength=len(CAUSES))
            return Counter({name: int(n) for name, n in zip(CAUSES, counts, strict=True) if n})
        if key == "polarity":
            sign = self.column("sign")[chosen]
            n = int(np.count_nonzero(sign > 0))
            return +Counter({"positive": n, "negative": len(sign) - n})
        if key == "origin":
            counts = np.bincount(self.column("where")[chosen].astype(int), minlength=len(PLACES))
            return +Counter({_origin(name): int(n) for name, n in zip(PLACES, counts, strict=True)})
        if key == "ceiling":
            counts = np.bincount(self.column("ceiling")[chosen].astype(int), minlength=len(CEILINGS))
            return +Counter({name: int(n) for name, n in zip(CEILINGS, counts, strict=True)})
        return super().texts(key, rows)

    def with_places(self, where: FloatArray, source_flat: FloatArray) -> ClipTable:
        """The same clips, without causes, with another place each and what the logged source showed (NaN: nothing)."""
        made = ClipTable.empty()
        for at in range(self._n_blocks):
            block = self._block(at)
            rows = slice(at * _BLOCK, at * _BLOCK + len(block))
            columns = {
                **dict(zip(NUMBERS, block.T, strict=False)),
                "where": where[rows],
                "source_flat": source_flat[rows],
            }
            supply, output = np.split(block[:, len(NUMBERS) :], [self._n_supply], axis=1)
            made.add(columns, supply, output)
        return made

    @property
    def lost_to_sag_db(self) -> FloatArray:
        """(n,) decibels by which each one's ceiling had sunk with the supply; NaN where not known."""
        return self._judged.lost_db.values if self._judged is not None else np.full(len(self), np.nan)

    def learn_ceilings(self) -> dict[str, CeilingFit]:
        """By polarity what all clips say of the amplifier's ceiling."""
        levels: dict[str, list[FloatArray]] = {side: [] for side in SIDES}
        n_known = dict.fromkeys(SIDES, 0)
        for rows in self._plateau_rows():
            for side, (made, known) in rows.items():
                levels[side].append(made[:, _AT["level_v"]].copy())
                n_known[side] += int(np.count_nonzero(known))
        # Only so many are fitted: those that `Plateaus.thin` would leave.
        chosen: dict[str, list[FloatArray]] = {side: [] for side in SIDES}
        at = dict.fromkeys(SIDES, 0)
        for rows in self._plateau_rows():
            for side, (made, known) in rows.items():
                step = max(1, n_known[side] // MOST)
                wanted = made[known]
                chosen[side].append(wanted[-at[side] % step :: step].copy())
                at[side] += len(wanted)
        width = len(NUMBERS) + self._n_supply + self._n_output
        rows_of = {side: np.concatenate([np.zeros((0, width)), *chosen[side]]) for side in SIDES}
        sizes_v = {side: np.concatenate([np.zeros(0), *levels[side]]) for side in SIDES}
        fits = learn_ceilings({side: self._to_plateaus(rows) for side, rows in rows_of.items()}, sizes_v)
        if not any((rows[:, _AT["held_by"]] == HELD_BY.index("capacitor")).any() for rows in rows_of.values()):
            return fits
        there = {side: self._to_plateaus(rows, at_terminals=True) for side, rows in rows_of.items()}
        return choose_place(fits, learn_ceilings(there, sizes_v))

    def _plateau_rows(self) -> Iterator[dict[str, tuple[FloatArray, npt.NDArray[np.bool_]]]]:
        """Block by block, by polarity: rows that stand at a ceiling of the amplifier's, and whether their lagged supply
        is known."""
        first = len(NUMBERS)
        for number in range(self._n_blocks):
            rows = self._block(number)
            has_level = np.all([rows[:, _AT[name]] == 0 for name in ("sharpness", "top_kind", "limited")], axis=0)
            rows = rows[(rows[:, _AT["where"]] != PLACES.index("source")) & has_level]
            known = np.isfinite(rows[:, first : first + self._n_supply]).all(axis=1) & (self._n_supply > 0)
            is_positive = rows[:, _AT["sign"]] > 0
            yield {
                side: (rows[mine], known[mine]) for side, mine in zip(SIDES, (is_positive, ~is_positive), strict=True)
            }

    def _to_plateaus(self, rows: FloatArray, *, at_terminals: bool = False) -> Plateaus:
        get, lagged_v = self._columns(rows)
        size_v = np.round(rows[:, len(NUMBERS) + self._n_supply :], OUTPUT_PLACES)
        rms_v = np.round(np.stack([get[name] for name in RMS_NAMES], axis=1), OUTPUT_PLACES)
        level_v, tilt_v_per_s = to_ceiling(get, at_terminals=at_terminals)
        flat_s, loads = get["stop_s"] - get["start_s"], to_loads(level_v, size_v, rms_v)
        return Plateaus(level_v, tilt_v_per_s, flat_s, lagged_v, loads, get["supply_v"], get["supply_early_v"])

    def with_causes(self, ceilings: Mapping[str, CeilingFit], model: SupplyModel | None) -> ClipTable:
        """The same clips with a cause each (`clip_cause`)."""
        judged = object.__new__(ClipTable)
        judged.__dict__.update(self.__dict__)
        judged._open_causes, judged._read = (-1, self._rest), _Read(0, [], [], [])
        cause, lost_db, blocks = np.full(len(self), OPEN, dtype=np.int8), Column(), Pieces()
        for at in range(self._n_blocks):
            causes = self._judge_block(at, ceilings, model)
            cause[at * _BLOCK : at * _BLOCK + len(causes.cause)] = causes.cause
            lost_db.append(causes.lost_db)
            columns = [getattr(causes, name) for name in Cause._fields]
            blocks.append(np.stack(columns, axis=1, dtype=np.float64).tobytes())
        judged._judged = _Judged(ceilings, model, cause, lost_db, blocks)
        return judged

    def _judge_block(self, at: int, ceilings: Mapping[str, CeilingFit], model: SupplyModel | None) -> Causes:
        """The causes of a block's clips of both polarities."""
        rows = self._block(at)
        opened = np.full(len(rows), OPEN, dtype=np.int8)
        share, lost_db, settled_v, then_v = np.full((4, len(rows)), np.nan)
        causes = Causes(opened, share, lost_db, settled_v, then_v, opened.copy())
        is_positive = rows[:, _AT["sign"]] > 0
        for side, mine in zip(SIDES, (is_positive, ~is_positive), strict=True):
            causes.put(mine, judge_clips(*self._columns(rows[mine]), ceilings.get(side), model))
        return causes


def _intervals(get: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n,) each, dB: how well the overdrives of n clips are known by their fits, and the bounds of what they may be."""
    noise_share = get["noise_v"] / np.maximum(get["level_v"] - get["held_v"], 1e-6)  # at the terminals
    over_db, sd_db, is_coarse = get["overdrive_db"], get["overdrive_sd_db"], get["is_coarse"] > 0
    low_db, high_db = overdrive_interval(over_db, sd_db, get["lively"], is_coarse, get["unlike_db"], noise_share)
    filled_low_db, filled_high_db = filled_interval(over_db, sd_db, get["lively"], noise_share, get["unlike_db"])
    is_filled = get["filled_v"] != 0
    return sd_db, np.where(is_filled, filled_low_db, low_db), np.where(is_filled, filled_high_db, high_db)


# What findings say that no column holds as it is, by the columns of n clips, (n,).
_OF_ROWS: dict[str, Callable[[Mapping[str, FloatArray]], FloatArray]] = {
    "plateau_v": lambda get: get["sign"] * (get["level_v"] - get["held_v"]),
    "overdrive_high_db": lambda get: _intervals(get)[2],
}


def _origin(place: str) -> str:
    """A place as a finding names it."""
    return "undecided" if place == "not decided" else place


def make_clip(
    row: Mapping[str, float], interval: tuple[float, ...], supply: Sequence[float], output: Sequence[float]
) -> Finding:
    """The finding of one row, without its cause.

    Parameters
    ----------
    row : of NUMBERS
    interval : of `_intervals`
    supply, output : lagged volts
    """
    sign, held_v, overdrive_db = row["sign"], row["held_v"], row["overdrive_db"]
    level = row["level_v"] - held_v  # at the terminals
    shape, where = SHAPES[int(row["shape"])], PLACES[int(row["where"])]
    sd_db, low_db, high_db = interval
    serious = overdrive_db >= 1.0 or (overdrive_db >= 0.3 and row["n_near"] >= 20)
    measured: dict[str, float | int | str | bool | None] = {
        "polarity": "positive" if sign > 0 else "negative",
        "plateau_v": sign * level,
        "plateau_slope_v_per_s": sign * (row["tilt_v_per_s"] - row["held_v_per_s"]),
        "flat_s": row["stop_s"] - row["start_s"],
        "overdrive_db": overdrive_db,
        "crest_v": sign * level * 10 ** (overdrive_db / 20),
        "supply_v": None if math.isnan(row["supply_v"]) else row["supply_v"],
        "overdrive_low_db": low_db,
        "overdrive_high_db": high_db,
        "hardness": shape,
        "origin": _origin(where),
        "ceiling": CEILINGS[int(row["ceiling"])],
    }
    evidence: dict[str, Any] = {
        "measured_by": _measured_by(row),
        "compared_on_clips": round(row["n_compared"]) or None,
        "stands_at_level": not (row["sharpness"] or row["top_kind"] or row["limited"]),
        "sharpness": row["sharpness"] or None,
        "shape": shape,
        "where": where,
        "source_was_flat": None if math.isnan(row["source_flat"]) else row["source_flat"] > 0,
        "evidence_gain": row["gain"],
        "misfit": row["misfit"],
        "plateau_misfit": row["top_misfit"],
        "samples_on_plateau": round(row["n_top"]),
        "flank_slope_v_per_s": row["flank_v_per_s"],
        "noise_v": row["noise_v"],
        "overdrive_sd_db": sd_db,
        "overdrive_by_flanks_db": row["flanks_db"],
        "overdrive_by_flanks_sd_db": row["flanks_sd_db"],
        "filled_crest_v": sign * row["filled_v"] if row["filled_v"] else None,
        "filled_crest_sd_v": row["filled_sd_v"] if row["filled_v"] else None,
        "start_sd_s": row["start_sd_s"],
        "stop_sd_s": row["stop_sd_s"],
        "rail_expected_v": sign * (row["expected_v"] - held_v) if math.isfinite(row["expected_v"]) else None,
        "held_back_by": HELD_BY[int(row["held_by"])] if held_v else None,
        "held_back_v": sign * held_v if held_v else None,
        "held_back_v_per_s": sign * row["held_v_per_s"] if held_v else None,
        "confidence": row["confidence"],
        "supply_early_v": None if math.isnan(row["supply_early_v"]) else row["supply_early_v"],
        "supply_lagged_v": [round(v, SUPPLY_PLACES) for v in supply] if all(map(math.isfinite, supply)) else None,
        "output_lagged_v": [round(v, OUTPUT_PLACES) for v in output],
        "output_rms_lagged_v": [round(row[name], OUTPUT_PLACES) for name in RMS_NAMES],
    }
    return Finding(
        kind="clip",
        start_s=row["start_s"],
        stop_s=row["stop_s"],
        severity="serious" if serious else "attention",
        measured=measured,
        threshold={
            "evidence_gain": row["threshold"],
            "smallest_overdrive_db": 20 * math.log10(1 + 4 * row["noise_v"] / level),
        },
        evidence=evidence,
    )


def _measured_by(row: Mapping[str, float]) -> str:
    if row["sharpness"]:
        return "soft law"
    if row["n_compared"]:  # in closed form, as compared with fits on so many clips of the same recording
        return "short way"
    return "crossings" if row["is_coarse"] else "fit"
