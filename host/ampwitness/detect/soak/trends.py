"""Trends over hours and days: levels by the minute, and drift of the output's level at constant drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.soak.drift_fit import LEAST_DB, REFERENCE_DB, Drift, find_drifts
from ampwitness.detect.soak.level_tiers import LevelTable, LevelTiers, SecondCutter, SecondLevels
from ampwitness.detect.streams import Ledger
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding, FloatArray, TraceWindow

LEAST_S = 3600.0
_MOST_ROWS = 1024  # of the table that a report draws
_SILENT_DB = 6.0  # bins this far below the median are pauses, not drift
_LEAST_PLAYING = 0.5  # of a bin's seconds: fewer scatter more
_AROUND_S = 1800.0  # supply before and after a drift is averaged over so long
_SAME_DB = 0.5  # of the level's change: a supply that changed by more than this share of it may have carried it
WITH_SUPPLY = "together with the supply"


@dataclass(frozen=True, slots=True)
class _Series:
    """What drift is looked for in."""

    time_s: FloatArray
    level_db: FloatArray
    against: str  # "the source" or "itself"


class TrendDetector:
    """Finds slow changes of the output's level at constant drive, and keeps levels by the minute for days.

    Against the `source` channel where it is recorded: the drive may then be music. Without it only where the level
    itself is steady enough to be a constant drive (tones, noise).

    Gaps
    ----
    A second that lost a sample is left out. A drift may go on across a gap: heat does not wait.

    Limits
    ------
    Changes below 0.1 dB are not told from the logger's own reference. A change of volume by hand looks like one by
    the amplifier; abrupt ones (0.5 dB within minutes) are listed as steps and end the stretch in which drift is sought.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.soak_scores`.
    """

    name = "trends"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._cutter = SecondCutter()
        self._tiers = LevelTiers()
        self._last_s = 0.0

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        self._last_s = max(self._last_s, window.stop_s)
        for numbers, levels in self._cutter.push(window):
            self._tiers.push(numbers, levels)

    def push_levels(self, numbers: np.typing.NDArray[np.int64], levels: dict[str, SecondLevels]) -> None:
        """Take levels of whole seconds that were kept when a recording was reduced, instead of windows."""
        if len(numbers):
            self._last_s = max(self._last_s, float(numbers[-1]) + 1.0)
            self._tiers.push(numbers, levels)

    def finish(self) -> DetectorResult:
        """Look for drift and answer."""
        table = self._tiers.finish()
        findings, remarks, steps, judged_s = self._judge(table)
        self._ledger.judge(judged_s)
        summary: dict[str, Any] = {"steps": steps, "remarks": remarks, "table": plain_table(table)}
        return DetectorResult(tuple(findings), self._ledger.coverage(), summary)

    def _judge(self, table: LevelTable) -> tuple[list[Finding], list[str], list[dict[str, float]], float]:
        series = _series_of(table)
        if self._last_s < LEAST_S:
            self._ledger.leave_out(0.0, self._last_s, "drift needs an hour or more")
            return [], [], [], 0.0
        if len(series.time_s) < 2:
            self._ledger.leave_out(0.0, self._last_s, "no output level to follow")
            return [], [], [], 0.0
        stretches, steps = find_drifts(series.time_s, series.level_db, table.bin_s)
        findings, remarks, judged_s = [], [], 0.0
        for stretch in stretches:
            if stretch.reason:
                self._ledger.leave_out(stretch.start_s, stretch.stop_s, stretch.reason)
                continue
            judged_s += stretch.stop_s - stretch.start_s
            findings += [_finding(drift, table, series, stretch.scatter_db) for drift in stretch.drifts]
        if series.against == "itself" and judged_s:
            remarks.append("no source channel: drift is judged on the trust that the drive was left alone")
        told = [{"time_s": float(series.time_s[at] - table.bin_s / 2), "change_db": change} for at, change in steps]
        return findings, remarks, told[:100], judged_s


def _series_of(table: LevelTable) -> _Series:
    """Levels in dB of the bins in which the output plays."""
    with np.errstate(divide="ignore", invalid="ignore"):
        own_db = 20 * np.log10(table.output_v)
    playing = np.isfinite(own_db) & (table.n_playing_s >= _LEAST_PLAYING * table.bin_s)
    if playing.any():
        playing &= own_db > np.median(own_db[playing]) - (_SILENT_DB if not _has_source(table) else 40.0)
    if _has_source(table):
        playing &= np.isfinite(table.gain_db)
        return _Series(table.time_s[playing], table.gain_db[playing], "the source")
    return _Series(table.time_s[playing], own_db[playing], "itself")


def _has_source(table: LevelTable) -> bool:
    known = np.isfinite(table.output_v)
    return bool(known.any() and np.isfinite(table.gain_db[known]).mean() > 0.5)


def _finding(drift: Drift, table: LevelTable, series: _Series, scatter_db: float | None) -> Finding:
    before = (series.time_s > drift.start_s - _AROUND_S) & (series.time_s <= drift.start_s + table.bin_s)
    after = (series.time_s >= drift.stop_s - table.bin_s) & (series.time_s < drift.stop_s + _AROUND_S)
    level_v = np.interp(series.time_s, table.time_s, np.nan_to_num(table.output_v))
    supply_before_v, supply_after_v = _supply_around(table, drift)
    supply_db = None
    if supply_before_v and supply_after_v and supply_before_v > 0 and supply_after_v > 0:
        supply_db = float(20 * np.log10(supply_after_v / supply_before_v))
    with_supply = (
        supply_db is not None and supply_db * drift.change_db > 0 and abs(supply_db) > _SAME_DB * abs(drift.change_db)
    )
    hours = max(drift.stop_s - drift.start_s, table.bin_s) / 3600
    return Finding(
        kind="drift",
        start_s=drift.start_s,
        stop_s=drift.stop_s,
        severity="attention" if drift.change_db < 0 else "information",
        measured={
            "role": "output",
            "change_db": drift.change_db,
            "change_db_per_hour": drift.change_db / hours,
            "start_uncertainty_s": drift.start_uncertainty_s,
            "level_before_v": _mean(level_v[before]),
            "level_after_v": _mean(level_v[after]),
            "supply_before_v": supply_before_v,
            "supply_after_v": supply_after_v,
            "cause": _cause(drift, with_supply, supply_db is not None),
        },
        threshold={"least_db": LEAST_DB, "reference_db": REFERENCE_DB, "scatter_db": scatter_db},
        evidence={"against": series.against, "bin_s": table.bin_s},
    )


def _cause(drift: Drift, with_supply: bool, has_supply: bool) -> str:
    if with_supply:
        return WITH_SUPPLY
    where = "with the supply steady" if has_supply else "supply not recorded"
    if drift.change_db < 0:
        return f"{where}: consistent with thermal compression or a limiter"
    return f"{where}: consistent with cooling, or a limiter letting go"


def _supply_around(table: LevelTable, drift: Drift) -> tuple[float | None, float | None]:
    times = table.time_s
    before = (times > drift.start_s - _AROUND_S) & (times <= drift.start_s + table.bin_s)
    after = (times >= drift.stop_s - table.bin_s) & (times < drift.stop_s + _AROUND_S)
    return _mean(table.supply_v[before]), _mean(table.supply_v[after])


def _mean(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else None


def plain_table(table: LevelTable) -> dict[str, Any]:
    """The levels for a report, in at most 1024 rows: step_s, and a list for each column."""
    n = len(table.n_s)
    factor = max(1, -(-n // _MOST_ROWS))

    def merge(values: FloatArray, how: str) -> list[float | None]:
        padded = np.append(values, np.full(-n % factor, np.nan)).reshape(-1, factor)
        known = np.isfinite(padded)
        if how == "lowest":
            merged = np.where(known, padded, np.inf).min(axis=1)
        elif how == "highest":
            merged = np.where(known, padded, -np.inf).max(axis=1)
        else:
            total, count = np.where(known, padded, 0.0).sum(axis=1), known.sum(axis=1)
            merged = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        return [float(value) if np.isfinite(value) else None for value in merged]

    return {
        "step_s": table.bin_s * factor,
        "output_v": merge(table.output_v, "mean"),
        "output_lowest_v": merge(table.output_lowest_v, "lowest"),
        "output_highest_v": merge(table.output_highest_v, "highest"),
        "gain_db": merge(table.gain_db, "mean"),
        "supply_v": merge(table.supply_v, "mean"),
        "supply_lowest_v": merge(table.supply_lowest_v, "lowest"),
        "supply_highest_v": merge(table.supply_highest_v, "highest"),
        "judged_s": [value * factor if value is not None else 0.0 for value in merge(table.n_s, "mean")],
    }


def add_findings(table: dict[str, Any], findings: Sequence[Finding], duration_s: float) -> None:
    """Put what the other detectors found into a plain table: clipping share, learned ceilings, sag, losses by row.

    Clips count in broken seconds too, as in the recording's last: their share is of all that was recorded of a row,
    not of its whole seconds. `duration_s` is the recording's.
    """
    n, step_s = len(table["output_v"]), float(table["step_s"])
    listed = FindingList.of(findings)
    clips, notes = listed.of_kind("clip"), listed.of_kind("note")
    rows, plateau_v, flat_s = _rows(clips, n, step_s), clips.values("plateau_v"), clips.values("flat_s")
    clipped_s = np.bincount(rows, np.where(np.isfinite(flat_s), flat_s, 0.0), n)[:n] if n else np.zeros(0)
    lost_s = np.zeros(n)
    for finding in listed.of_kind("gap") if n else ():
        first, last = (max(0, min(n - 1, int(at_s // step_s))) for at_s in (finding.start_s, finding.stop_s))
        for row in range(first, last + 1):
            inside = min(finding.stop_s, (row + 1) * step_s) - max(finding.start_s, row * step_s)
            lost_s[row] += max(0.0, inside)
    ends_s = np.minimum(step_s * np.arange(1, n + 1), duration_s)
    ends_s[-1:] = duration_s  # of the last row is all that follows
    recorded_s = np.diff(ends_s, prepend=0.0) - lost_s
    is_judged = (np.array(table["judged_s"]) > 0) & (recorded_s > 0)
    share = np.divide(100 * clipped_s, recorded_s, out=np.full(n, np.nan), where=is_judged)
    table["clipped_percent"] = [float(value) if np.isfinite(value) else None for value in share]
    for side, mine in (("positive", plateau_v > 0), ("negative", plateau_v < 0)):
        table[f"{side}_ceiling_v"] = _medians(rows[mine], plateau_v[mine], n)
    table["sag_v"] = _medians(_rows(notes, n, step_s), notes.values("sag_v"), n)
    table["lost_s"] = lost_s.tolist()


def _rows(findings: FindingList, n: int, step_s: float) -> npt.NDArray[np.int64]:
    """(n,) the row of a table of n steps into which each finding's start falls; the first where it lies ahead of it."""
    return np.asarray(np.clip(findings.start_s // step_s, 0, max(0, n - 1)), dtype=np.int64)


def _medians(rows: npt.NDArray[np.int64], values: FloatArray, n: int) -> list[float | None]:
    """The median of each row's values, None where it has none; values that are NaN do not count."""
    known = np.isfinite(values)
    order = np.argsort(rows[known], kind="stable")
    ordered, starts = values[known][order], np.searchsorted(rows[known][order], np.arange(n + 1))
    return [float(np.median(ordered[a:b])) if b > a else None for a, b in pairwise(starts)]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


class BoardTrend:
    """What the logger board says of itself, in steps that double when there are more than MAX of them."""

    MOST = 2048

    def __init__(self) -> None:
        self._step_s = 60.0
        self._sums: dict[int, tuple[float, int]] = {}

    def push(self, time_s: float, die_c: object) -> None:
        """Take one status: the chip's temperature in degrees Celsius, None where it was not sampled."""
        value = _number(die_c)
        if value is None:
            return
        while time_s // self._step_s >= self.MOST:
            self._step_s *= 2
            merged: dict[int, tuple[float, int]] = {}
            for at, (total, count) in self._sums.items():
                before = merged.get(at // 2, (0.0, 0))
                merged[at // 2] = (before[0] + total, before[1] + count)
            self._sums = merged
        at = int(time_s // self._step_s)
        total, count = self._sums.get(at, (0.0, 0))
        self._sums[at] = (total + value, count + 1)

    def finish(self) -> dict[str, Any]:
        """Means by step: step_s and die_c, None where nothing was said."""
        n = max(self._sums, default=-1) + 1
        rows = [self._sums.get(at) for at in range(n)]
        return {"step_s": self._step_s, "die_c": [None if row is None else row[0] / row[1] for row in rows]}
