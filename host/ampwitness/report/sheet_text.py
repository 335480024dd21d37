"""The job sheet for the terminal, or for a printer without pictures. Same words as the page."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from ampwitness.report.sheet_content import (
    CAUTION_END,
    CAUTION_SETTINGS,
    CAUTION_SUPPLY,
    ON_PURPOSE,
    ON_PURPOSE_WORDS,
    VERDICT_KINDS,
    Sheet,
)
from ampwitness.report.sheet_walks import STATE_WORDS
from ampwitness.units import bind_units, unbind_units


def text_sheet(sheet: Sheet, *, width: int = 100) -> str:
    """Plain text, no colours, at most `width` columns."""
    lines = [
        f"JOB SHEET  {sheet.vehicle}",
        f"{sheet.date}{'  fitted by ' + sheet.fitted_by if sheet.fitted_by else ''}",
    ]
    for title, entries in _sections(sheet):
        lines.extend(["", title])
        for entry in entries:
            wrapped = textwrap.wrap(bind_units(entry), width, initial_indent="  ", subsequent_indent="    ")
            lines.extend(map(unbind_units, wrapped))
    return "\n".join(lines)


def _sections(sheet: Sheet) -> Iterator[tuple[str, list[str]]]:
    """Title and entries of each section that has any."""
    facts = [f"{name}: {facts}" for name, facts in sheet.equipment]
    checks = [
        f"{row.channel}: {' '.join((row.conclusion, *row.details))} As expected: {row.as_expected or 'nothing'}."
        for row in sheet.checks
    ]
    noise = [
        f"{row.channel}{', engine off ' + row.level if row.level else ''}: {'; '.join(row.noises)}"
        for row in sheet.noise
    ]
    done = [f"{step.title} ({step.detail})" for step in sheet.steps if step.state == "done"]
    for title, entries in (
        ("Equipment, as typed", facts),
        ("As left", list(sheet.handed_over)),
        ("Meter checks before power", checks),
        ("Settings", _settings(sheet)),
        ("Supply", _supply(sheet)),
        ("Noise while nothing plays", noise),
        ("Verdicts", _verdicts(sheet)),
        ("Worth knowing", list(sheet.worth_knowing)),
        ("Done", ["; ".join(done)] if done else []),
    ):
        if entries:
            yield title, entries
    yield "Not tested", list(sheet.not_tested)
    yield "What the figures rest on", [*sheet.basis, CAUTION_END]


def _settings(sheet: Sheet) -> list[str]:
    lines = []
    for row in sheet.settings:
        parts = [
            f"clean maximum {row.clean_maximum}" if row.clean_maximum else "clean maximum not found",
            row.peak and f"{row.peak} peak",
            row.power,
            row.supply_there and f"supply there {row.supply_there}",
            row.left_at and f"left at {row.left_at}",
            row.remark,
        ]
        lines.append(f"{row.channel}: {'; '.join(part for part in parts if part)}")
    conditions = [f"Set with: {sheet.conditions}."] if sheet.conditions else []
    return [*lines, *conditions, CAUTION_SETTINGS] if lines else []


def _supply(sheet: Sheet) -> list[str]:
    lines = [
        f"{row.where}, {row.engine}: unloaded {row.open_volts}, lowest {row.lowest}; source {row.resistance}; full "
        f"clean power {row.full_power}"
        for row in sheet.supply
    ]
    return [*_walks(sheet), *lines, CAUTION_SUPPLY] if lines or sheet.supply_walks else []


def _verdicts(sheet: Sheet) -> list[str]:
    lines = [
        f"{row.label} ({row.length}): "
        + "; ".join(f"{name}: {cell.words}" for name, cell in zip(VERDICT_KINDS.values(), row.cells, strict=True))
        for row in sheet.verdicts
    ]
    is_on_purpose = any(cell.words == ON_PURPOSE for row in sheet.verdicts for cell in row.cells)
    return [*lines, ON_PURPOSE_WORDS] if is_on_purpose else lines


def _walks(sheet: Sheet) -> list[str]:
    lines = []
    for walk in sheet.supply_walks:
        for row in walk.places:
            volts = [
                f"{STATE_WORDS.get(state, state)} {text}"
                for state, text in zip(walk.states, row.volts, strict=True)
                if text
            ]
            lost = [f"{row.lost} lost on the way there, under a tone"] if row.lost else []
            lines.append("; ".join([f"{row.place}: {', '.join(volts)}", f"lowest {row.lowest}", *lost]))
        lines += walk.sentences
    return lines
