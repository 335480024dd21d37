"""Clipped half-cycles as rows of numbers: a day has hundreds of thousands. A finding is made of a row when asked for.

Gaps: none here; clips stand alone.
Limits: whose fault a clip is, is counted by columns; a finding says it in words from the same numbers.
Source: our choice; tests/detect_clipping/test_found_clips.py holds rows and findings to each other.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling_fit import MOST, CeilingFit, Plateaus, pick_lag
from ampwitness.detect.clips.clip_candidates import HELD_BY
from ampwitness.detect.clips.clip_cause import (
    DRIVE_BELOW_SHARE,
    MOST_IN_PROPORTION,
    SUPPLY_FROM_SHARE,
    attach_cause,
    judge_clip,
    learn_ceilings_from,
)
from ampwitness.detect.clips.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.clips.overdrive import overdrive_interval
from ampwitness.detect.supply.supply_model import SupplyModel
from ampwitness.finding_list import FindingTable
from ampwitness.pieces import Column, Pieces
from ampwitness.types import Finding, FloatArray

NUMBERS: tuple[str, ...] = (
    "sign", "start_s", "stop_s", "level_v", "tilt_v_per_s", "crest_v", "crest_sd_v", "flank_v_per_s", "gain", "misfit",
    "top_misfit", "n_top", "noise_v", "start_sd_s", "stop_sd_s", "supply_v", "is_coarse", "lively",
    "sharpness", "held_v", "held_v_per_s", "held_by", "sunk", "limited",
    "overdrive_db", "n_near", "expected_v", "threshold", "confidence", "shape", "where",
    "ceiling", "n_compared",
)  # fmt: skip
SHAPES = ("hard", "soft")
PLACES = ("amplifier", "source", "not decided")
CEILINGS = ("undecided", "rail", "current")
CAUSES = ("drive", "supply", "both", "not decidable")
SIDES = ("positive", "negative")
_BLOCK = 1024  # rows that are put away and read together
_AT = {name: at for at, name in enumerate(NUMBERS)}


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the clips' causes rest on, and the causes as codes."""

    ceilings: Mapping[str, CeilingFit]
    model: SupplyModel | None
    cause: npt.NDArray[np.int8]
    lost_db: Column  # NaN where not known


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
        values = self._block(row // _BLOCK)[row % _BLOCK]
        numbers = dict(zip(NUMBERS, values.tolist(), strict=False))
        lagged = values[len(NUMBERS) :].tolist()
        clip = make_clip(numbers, lagged[: self._n_supply], lagged[self._n_supply :])
        judged = self._judged
        if judged is None:
            return clip
        return attach_cause(clip, judge_clip(clip, judged.ceilings.get(str(clip.measured["polarity"])), judged.model))

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        if key == "overdrive_db":
            return self._overdrives.values
        if key == "flat_s":
            return self.stop_s - self.start_s
        if key == "is_source":
            return np.asarray(self.column("where") == PLACES.index("source"), dtype=float)
        if key == "plateau_v":
            parts = [
                rows[:, _AT["sign"]] * (rows[:, _AT["level_v"]] - rows[:, _AT["held_v"]])
                for rows in map(self._block, range(self._n_blocks))
            ]
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
        return super().texts(key, rows)

    @property
    def lost_to_sag_db(self) -> FloatArray:
        """(n,) decibels by which each one's ceiling had sunk with the supply; NaN where not known."""
        return self._judged.lost_db.values if self._judged is not None else np.full(len(self), np.nan)

    def learn_ceilings(self) -> dict[str, CeilingFit]:
        """As `clip_cause.learn_ceilings`, of all clips."""
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
        sides = {side: self._to_plateaus(np.concatenate([np.zeros((0, width)), *chosen[side]])) for side in SIDES}
        return learn_ceilings_from(sides, {side: np.concatenate([np.zeros(0), *levels[side]]) for side in SIDES})

    def _plateau_rows(self) -> Iterator[dict[str, tuple[FloatArray, npt.NDArray[np.bool_]]]]:
        """Block by block, by polarity: rows that stand at a ceiling of the amplifier's, and whether their lagged supply
        is known."""
        first = len(NUMBERS)
        for number in range(self._n_blocks):
            rows = self._block(number)
            has_level = np.all([rows[:, _AT[name]] == 0 for name in ("sharpness", "sunk", "limited")], axis=0)
            rows = rows[(rows[:, _AT["where"]] != PLACES.index("source")) & has_level]
            known = np.isfinite(rows[:, first : first + self._n_supply]).all(axis=1) & (self._n_supply > 0)
            is_positive = rows[:, _AT["sign"]] > 0
            yield {
                side: (rows[mine], known[mine]) for side, mine in zip(SIDES, (is_positive, ~is_positive), strict=True)
            }

    def _to_plateaus(self, rows: FloatArray) -> Plateaus:
        first = len(NUMBERS)
        level_v, tilt = _to_ceiling(dict(zip(NUMBERS, rows.T, strict=False)))
        start_s, stop_s = (rows[:, _AT[name]] for name in ("start_s", "stop_s"))
        supply = _to_places(rows[:, first : first + self._n_supply], 5)
        output = _to_places(rows[:, first + self._n_supply :], 4)
        return Plateaus(level_v, tilt, stop_s - start_s, supply, output)

    def with_causes(self, ceilings: Mapping[str, CeilingFit], model: SupplyModel | None) -> ClipTable:
        """The same clips with a cause each, as `clip_cause.judge_clip` gives it."""
        judged = object.__new__(ClipTable)
        judged.__dict__.update(self.__dict__)
        judged._judged = None
        cause, lost_db = np.full(len(self), CAUSES.index("not decidable"), dtype=np.int8), Column()
        for at in range(self._n_blocks):
            rows = slice(at * _BLOCK, (at + 1) * _BLOCK)
            cause[rows], lost = _judge_block(self._block(at), self._n_supply, ceilings, model)
            lost_db.append(lost)
        judged._judged = _Judged(ceilings, model, cause, lost_db)
        return judged


def _to_places(volts: FloatArray, places: int) -> FloatArray:
    """Rounded as in the findings' evidence."""
    return np.asarray(np.round(volts, places))


def _judge_block(
    rows: FloatArray, n_supply: int, ceilings: Mapping[str, CeilingFit], model: SupplyModel | None
) -> tuple[npt.NDArray[np.int8], FloatArray]:
    """Cause codes and lost decibels of a block of rows: `clip_cause.judge_clip` by columns."""
    get = {name: rows[:, at] for name, at in _AT.items()}
    n = len(rows)
    cause, lost_db = np.full(n, CAUSES.index("not decidable"), dtype=np.int8), np.full(n, np.nan)
    drive = CAUSES.index("drive")
    is_source = get["where"] == PLACES.index("source")
    if model is not None:
        settled_v = _settled_at(model, get["start_s"])
        lagged = _to_places(rows[:, len(NUMBERS) : len(NUMBERS) + n_supply], 5)
        has_lags = np.isfinite(lagged).all(axis=1) & (n_supply > 0)
        for side, mine in zip(SIDES, (get["sign"] > 0, get["sign"] <= 0), strict=True):
            ceiling = ceilings.get(side)
            then_v = get["supply_v"]
            if ceiling is not None and n_supply:
                then_v = np.where(has_lags, pick_lag(lagged, ceiling.lag), then_v)
            known = mine & np.isfinite(settled_v) & np.isfinite(then_v) & (get["level_v"] != get["held_v"])
            is_current = get["ceiling"] == CEILINGS.index("current")
            over_db = np.maximum(get["overdrive_db"], 1e-6)
            if ceiling is None:
                sunk_db = 20 * np.log10(np.maximum(settled_v, 1.0) / np.maximum(then_v, 1.0)) * MOST_IN_PROPORTION
                cause[known & (sunk_db / over_db < DRIVE_BELOW_SHARE)] = drive
            else:
                codes, lost = _judge_by_ceiling(get, ceiling, settled_v, then_v, over_db)
                cause[known], lost_db[known] = codes[known], lost[known]
            cause[known & is_current], lost_db[known & is_current] = drive, 0.0
    cause[is_source], lost_db[is_source] = drive, 0.0
    return cause, lost_db


def _judge_by_ceiling(
    get: Mapping[str, FloatArray], ceiling: CeilingFit, settled_v: FloatArray, then_v: FloatArray, over_db: FloatArray
) -> tuple[npt.NDArray[np.int8], FloatArray]:
    flat_s = get["stop_s"] - get["start_s"]

    def at(supply_v: FloatArray) -> FloatArray:
        return np.asarray(ceiling.constant_v + ceiling.ratio * np.minimum(supply_v, ceiling.knee_v))

    tilted = (ceiling.per_tilt_s + ceiling.per_fall * flat_s) * _to_ceiling(get)[1]
    out_v = get["level_v"] - get["held_v"]  # what is held back counts at the terminals, not at the ceiling
    lost_db = _to_db(out_v, out_v + at(settled_v) - (at(then_v) + tilted))
    doubt_db = _to_db(out_v, out_v + 2 * ceiling.ratio_sd * np.abs(settled_v - then_v))
    codes = _share_to_code(lost_db / over_db)
    least, most = (_share_to_code((lost_db + sign * doubt_db) / over_db) for sign in (-1.0, 1.0))
    is_open = (least == CAUSES.index("drive")) & (most == CAUSES.index("supply"))
    codes[is_open] = CAUSES.index("not decidable")
    return codes, lost_db


def _to_ceiling(get: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Levels and tilts where ceilings and causes are asked for: ahead of a capacitor, but at the terminals where a rail
    lies behind a resistance or ripples. What that takes and what the supply's sag takes move together: they are told
    apart by one fit to both."""
    is_dropped = get["held_by"] != HELD_BY.index("capacitor")
    return get["level_v"] - is_dropped * get["held_v"], get["tilt_v_per_s"] - is_dropped * get["held_v_per_s"]


def _share_to_code(share: FloatArray) -> npt.NDArray[np.int8]:
    names = ("supply", "drive", "both")
    supply, drive, both = (np.int8(CAUSES.index(name)) for name in names)
    return np.where(share >= SUPPLY_FROM_SHARE, supply, np.where(share < DRIVE_BELOW_SHARE, drive, both))


def _to_db(level_v: FloatArray, other_v: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(other_v, 1e-6) / level_v))


def _settled_at(model: SupplyModel, time_s: FloatArray) -> FloatArray:
    """(n,) as `SupplyModel.settled_at`; NaN for None."""
    out = np.full(len(time_s), np.nan)
    if len(model.change_s) == 0:
        return out
    at = np.maximum(0, np.searchsorted(model.change_s, time_s, "right") - 1)
    states = np.array(model.change_state)[at]
    for state, settled_s in model.settled_s.items():
        if len(settled_s):
            mine = states == state
            out[mine] = np.interp(time_s[mine], settled_s, model.settled_v[state])
    return out


def make_clip(row: Mapping[str, float], supply: Sequence[float], output: Sequence[float]) -> Finding:
    """The finding of one row, without its cause.

    Parameters
    ----------
    row : of NUMBERS
    supply, output : lagged volts
    """
    sign, held_v, overdrive_db = row["sign"], row["held_v"], row["overdrive_db"]
    level, crest_v = row["level_v"] - held_v, row["crest_v"] - held_v  # at the terminals
    sd_db = 20 / math.log(10) * row["crest_sd_v"] / max(crest_v, level)
    shape, where = SHAPES[int(row["shape"])], PLACES[int(row["where"])]
    low_db, high_db = overdrive_interval(overdrive_db, sd_db, row["lively"], row["is_coarse"] > 0)
    serious = overdrive_db >= 1.0 or (overdrive_db >= 0.3 and row["n_near"] >= 20)
    measured: dict[str, float | int | str | bool | None] = {
        "polarity": "positive" if sign > 0 else "negative",
        "plateau_v": sign * level,
        "plateau_slope_v_per_s": sign * (row["tilt_v_per_s"] - row["held_v_per_s"]),
        "flat_s": row["stop_s"] - row["start_s"],
        "overdrive_db": overdrive_db,
        "crest_v": sign * max(crest_v, level),
        "supply_v": None if math.isnan(row["supply_v"]) else row["supply_v"],
        "overdrive_low_db": float(low_db),
        "overdrive_high_db": float(high_db),
        "hardness": shape,
        "origin": "undecided" if where == "not decided" else where,
        "ceiling": CEILINGS[int(row["ceiling"])],
    }
    evidence: dict[str, Any] = {
        "measured_by": _measured_by(row),
        "compared_on_clips": round(row["n_compared"]) or None,
        "stands_at_level": not (row["sharpness"] or row["sunk"] or row["limited"]),
        "sharpness": row["sharpness"] or None,
        "shape": shape,
        "where": where,
        "evidence_gain": row["gain"],
        "misfit": row["misfit"],
        "plateau_misfit": row["top_misfit"],
        "samples_on_plateau": round(row["n_top"]),
        "flank_slope_v_per_s": row["flank_v_per_s"],
        "noise_v": row["noise_v"],
        "overdrive_sd_db": float(sd_db),
        "start_sd_s": row["start_sd_s"],
        "stop_sd_s": row["stop_sd_s"],
        "rail_expected_v": sign * (row["expected_v"] - held_v) if math.isfinite(row["expected_v"]) else None,
        "held_back_by": HELD_BY[int(row["held_by"])] if held_v else None,
        "held_back_v": sign * held_v if held_v else None,
        "held_back_v_per_s": sign * row["held_v_per_s"] if held_v else None,
        "confidence": row["confidence"],
        "supply_lagged_v": [round(volts, 5) for volts in supply] if all(map(math.isfinite, supply)) else None,
        "output_lagged_v": [round(volts, 4) for volts in output],
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
