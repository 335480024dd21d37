"""The job sheet for the terminal, or for a printer without pictures. Same words as the page."""

from __future__ import annotations

import textwrap

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

    def section(title: str, entries: list[str]) -> None:
        lines.extend(["", title])
        for entry in entries:
            wrapped = textwrap.wrap(bind_units(entry), width, initial_indent="  ", subsequent_indent="    ")
            lines.extend(map(unbind_units, wrapped))

    if sheet.equipment:
        section("Equipment, as typed", [f"{name}: {facts}" for name, facts in sheet.equipment])
    if sheet.handed_over:
        section("As left", list(sheet.handed_over))
    checks = [
        f"{row.channel}: {' '.join((row.conclusion, *row.details))} As expected: {row.as_expected or 'nothing'}."
        for row in sheet.checks
    ]
    if checks:
        section("Meter checks before power", checks)
    settings = []
    for row in sheet.settings:
        parts = [
            f"clean maximum {row.clean_maximum}" if row.clean_maximum else "clean maximum not found",
            row.peak and f"{row.peak} peak",
            row.power,
            row.supply_there and f"supply there {row.supply_there}",
            row.left_at and f"left at {row.left_at}",
            row.remark,
        ]
        settings.append(f"{row.channel}: {'; '.join(part for part in parts if part)}")
    if settings:
        conditions = [f"Set with: {sheet.conditions}."] if sheet.conditions else []
        section("Settings", [*settings, *conditions, CAUTION_SETTINGS])
    supply = [
        f"{row.where}, {row.engine}: unloaded {row.open_volts}, lowest {row.lowest}; source {row.resistance}; full "
        f"clean power {row.full_power}"
        for row in sheet.supply
    ]
    if supply or sheet.supply_walks:
        section("Supply", [*_walks(sheet), *supply, CAUTION_SUPPLY])
    noise = [
        f"{row.channel}{', engine off ' + row.level if row.level else ''}: {'; '.join(row.noises)}"
        for row in sheet.noise
    ]
    if noise:
        section("Noise while nothing plays", noise)
    verdicts = [
        f"{row.label} ({row.length}): "
        + "; ".join(f"{name}: {cell.words}" for name, cell in zip(VERDICT_KINDS.values(), row.cells, strict=True))
        for row in sheet.verdicts
    ] + ([ON_PURPOSE_WORDS] if any(cell.words == ON_PURPOSE for row in sheet.verdicts for cell in row.cells) else [])
    if verdicts:
        section("Verdicts", verdicts)
    if sheet.worth_knowing:
        section("Worth knowing", list(sheet.worth_knowing))
    done = [f"{step.title} ({step.detail})" for step in sheet.steps if step.state == "done"]
    if done:
        section("Done", ["; ".join(done)])
    section("Not tested", list(sheet.not_tested))
    section("What the figures rest on", [*sheet.basis, CAUTION_END])
    return "\n".join(lines)


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
