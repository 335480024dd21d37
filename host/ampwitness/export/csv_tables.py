"""Findings and levels as CSV (RFC 4180) in a folder: units in the headings, no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from ampwitness.errors import OutputError
from ampwitness.export.files import said_plainly
from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.types import Analysis, Envelope, Finding

# A cell that begins with one of these is taken for a formula, or hides one from a glance.
# Source: OWASP, "CSV Injection" (the list there: = + - @ tab carriage-return line-feed, and their full-width forms).
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_UNITS = {
    "s": "s", "v": "V", "w": "W", "a": "A", "hz": "Hz", "db": "dB", "percent": "%", "ohm": "ohm", "c": "deg C",
    "ratio": "ratio",
}  # fmt: skip
_RATES = {"v_per_s": "V/s", "db_per_h": "dB/h", "v_per_v": "V/V", "v2s": "V2 s"}

Cell = str | float | int | bool | None


def harmless(text: str) -> str:
    """Text with an apostrophe in front where a spreadsheet would take it for a formula."""
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


def heading(key: str) -> str:
    """`plateau_v` as `plateau (V)`."""
    for suffix, unit in (*_RATES.items(), *_UNITS.items()):
        if key.endswith("_" + suffix):
            return f"{key.removesuffix('_' + suffix).replace('_', ' ')} ({unit})"
    return key.replace("_", " ")


def refuse_used_folder(folder: Path) -> None:
    """Raises OutputError where the folder holds something, or is none."""
    with said_plainly(folder):
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise OutputError(f"{folder} is there already and is not empty; nothing was overwritten, give another name")


def write_tables(analysis: Analysis, folder: Path) -> list[Path]:
    """Write findings.csv, one findings-KIND.csv a kind, and levels-ROLE.csv, into a new or empty folder.

    Raises OutputError where the folder holds something, or cannot be written.
    """
    refuse_used_folder(folder)
    with said_plainly(folder):
        folder.mkdir(parents=True, exist_ok=True)
    written = [_write(folder / "findings.csv", _common(analysis.findings))]
    findings = FindingList.of(analysis.findings)
    for kind in findings.kinds:
        written.append(_write(folder / f"findings-{kind}.csv", _of_kind(findings.of_kind(kind))))
    written += [_write(folder / f"levels-{role}.csv", _levels(e)) for role, e in analysis.envelopes.items()]
    return written


def _common(findings: Sequence[Finding]) -> Iterator[Sequence[Cell]]:
    yield ("kind", "start (s)", "stop (s)", "severity", "in words")
    for finding in findings:
        yield (finding.kind, finding.start_s, finding.stop_s, finding.severity, describe_finding(finding))


def _of_kind(findings: Sequence[Finding]) -> Iterator[Sequence[Cell]]:
    """Every measured value and every threshold, one column each."""
    measured = list(dict.fromkeys(key for finding in findings for key in finding.measured))
    limits = list(dict.fromkeys(key for finding in findings for key in finding.threshold))
    yield (
        "start (s)",
        "stop (s)",
        "severity",
        *(heading(key) for key in measured),
        *(f"threshold: {heading(key)}" for key in limits),
    )
    for finding in findings:
        yield (
            finding.start_s,
            finding.stop_s,
            finding.severity,
            *(finding.measured.get(key) for key in measured),
            *(finding.threshold.get(key) for key in limits),
        )


def _levels(envelope: Envelope) -> Iterator[Sequence[Cell]]:
    """Lowest, highest and rms value of each step; cells stay empty where there are no samples."""
    yield (f"start of a step of {envelope.step_s:g} s (s)", "lowest (V)", "highest (V)", "rms (V)")
    start_s, step_s = envelope.start_s, envelope.step_s
    columns = (envelope.lowest.tolist(), envelope.highest.tolist(), envelope.rms.tolist())
    for k, (lowest_v, highest_v, rms_v) in enumerate(zip(*columns, strict=True)):
        yield (round(start_s + k * step_s, 9), round(lowest_v, 6), round(highest_v, 6), round(rms_v, 6))


def _plain(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool | np.bool_):
        return "yes" if cell else "no"
    if isinstance(cell, int | float | np.number):
        return "" if not np.isfinite(cell) else f"{cell:.12g}" if isinstance(cell, float | np.floating) else str(cell)
    return harmless(str(cell))


def _write(path: Path, rows: Iterable[Sequence[Cell]]) -> Path:
    part = path.with_name(path.name + ".part")
    with said_plainly(path):
        with part.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([_plain(cell) for cell in row] for row in rows)
        os.replace(part, path)
    return path
