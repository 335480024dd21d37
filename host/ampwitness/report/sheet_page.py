"""The job sheet as one printed page: names hang in the margin, figures stand in columns, ink is black."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

from ampwitness import __version__
from ampwitness.report.sheet_content import (
    CAUTION_END,
    CAUTION_SETTINGS,
    CAUTION_SUPPLY,
    ON_PURPOSE,
    ON_PURPOSE_WORDS,
    VERDICT_KINDS,
    Sheet,
)
from ampwitness.report.sheet_walks import STATE_WORDS, CheckRow, SupplyWalk

PAPERS = ("A4", "Letter")
# Shape and word say it both, so that it survives a copier: found is filled, none found open, not judged broken.
_MARKS = {"found": "mark-found", "none found": "mark-none", "not judged": "mark-open"}


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    """Cells are HTML already; the first of a row names it."""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in headings)
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>' + "".join(f"<td>{cell or '&ndash;'}</td>" for cell in row[1:]) + "</tr>"
        for row in rows
    )
    return (
        f'<table><caption class="unseen">{escape(caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )


def _figure(text: str) -> str:
    """Never broken over two lines."""
    return f'<span class="figure">{escape(text)}</span>' if text else ""


def _section(title: str, content: str) -> str:
    return f"<section><h2>{escape(title)}</h2><div>{content}</div></section>"


def _list(items: Iterable[str], css_class: str = "") -> str:
    opening = f'<ul class="{css_class}">' if css_class else "<ul>"
    return opening + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def _equipment(sheet: Sheet) -> str:
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(facts)}</dd>" for name, facts in sheet.equipment)
    return _section("Equipment", f"<dl>{rows}</dl>") if rows else ""


def _settings(sheet: Sheet) -> str:
    if not sheet.settings:
        return ""
    remarks = {row.remark for row in sheet.settings}
    shared = remarks.pop() if len(remarks) == 1 else ""  # said once where it holds for all
    rows = [
        (
            _figure(row.channel),
            f"<strong>{escape(row.clean_maximum)}</strong>" if row.clean_maximum else "not found",
            *(_figure(text) for text in (row.peak, row.power, row.supply_there, row.left_at)),
            *([] if shared else [escape(row.remark)]),
        )
        for row in sheet.settings
    ]
    headings = ["channel", "clean maximum", "peak", "nominal power", "supply there", "left at"]
    headings += [] if shared else ["how"]
    said = [shared, f"set with {sheet.conditions}" if sheet.conditions else ""]
    conditions = "; ".join(text for text in said if text)
    conditions = f"<p>{escape(conditions[:1].upper() + conditions[1:])}.</p>" if conditions else ""
    table = _table(headings, rows, "Gain settings: the level at 1 % distortion")
    return _section("Settings", f'{table}{conditions}<p class="care">{escape(CAUTION_SETTINGS)}</p>')


def _checks(sheet: Sheet) -> str:
    if not sheet.checks:
        return ""
    rows = [
        (
            escape(row.channel),
            "".join(f"<p>{escape(text)}</p>" for text in _said_of_checks(row)),
        )
        for row in sheet.checks
    ]
    headings = ("channel", "meter checks with the power off")
    return _section("Before power", _table(headings, rows, "Meter checks before the amplifier was switched on"))


def _said_of_checks(row: CheckRow) -> tuple[str, ...]:
    fine = (f"As expected: {row.as_expected}.",) if row.as_expected else ()
    return (row.conclusion, *row.details, *fine)


def _noise(sheet: Sheet) -> str:
    if not sheet.noise:
        return ""
    rows = [
        (escape(row.channel), "".join(f"<p>{escape(noise)}</p>" for noise in row.noises), escape(row.level))
        for row in sheet.noise
    ]
    headings = ("channel", "heard in the quiet output, and where it comes from", "in all, engine off")
    return _section("Noise", _table(headings, rows, "Noise of the output while nothing plays"))


def _walk(walk: SupplyWalk) -> str:
    """A place a row; what is lost on the way there stands beside it."""
    rows = [(escape(row.place), *(_figure(text) for text in (*row.volts, row.lowest, row.lost))) for row in walk.places]
    states = (STATE_WORDS.get(state, state) for state in walk.states)
    headings = (walk.label or "measured at", *states, "lowest", "lost on the way, under a tone")
    table = _table(headings, rows, "Volts along the supply")
    return table + (f"<p>{escape(' '.join(walk.sentences))}</p>" if walk.sentences else "")


def _supply(sheet: Sheet) -> str:
    if not sheet.supply and not sheet.supply_walks:
        return ""
    care = f'<p class="care">{escape(CAUTION_SUPPLY)}</p>'
    walks = "".join(_walk(walk) for walk in sheet.supply_walks)
    if not sheet.supply:
        return _section("Supply", walks + care)
    rows = [
        (escape(r.where), *(_figure(t) for t in (r.engine, r.open_volts, r.lowest, r.resistance, r.full_power)))
        for r in sheet.supply
    ]
    headings = ("recorded", "alternator", "unloaded", "lowest", "source resistance", "at full clean power")
    table = _table(headings, rows, "The supply as the amplifier saw it")
    return _section("Supply", walks + table + care)


def _verdicts(sheet: Sheet) -> str:
    if not sheet.verdicts:
        return ""
    rows = [
        (
            f'{escape(row.label)} <span class="quiet">{escape(row.length)}</span>',
            *(
                f'<span class="figure"><span class="mark {_MARKS[cell.verdict]}" aria-hidden="true"></span>'
                f"{escape(cell.words)}</span>"
                for cell in row.cells
            ),
        )
        for row in sheet.verdicts
    ]
    table = _table(("recorded", *VERDICT_KINDS.values()), rows, "What each recording showed")
    is_meant = any(cell.words == ON_PURPOSE for row in sheet.verdicts for cell in row.cells)
    table = table.replace("<table>", '<table class="many">', 1)
    return _section("Verdicts", table + (f'<p class="quiet">{escape(ON_PURPOSE_WORDS)}</p>' if is_meant else ""))


def _done(sheet: Sheet) -> str:
    done = [step for step in sheet.steps if step.state == "done"]
    if not done:
        return ""
    details = {step.detail for step in done}
    if len(details) == 1:  # all on one day
        text = "; ".join(step.title for step in done) + (f"; all {done[0].detail}" if done[0].detail else "")
    else:
        text = "; ".join(f"{step.title} ({step.detail})" if step.detail else step.title for step in done)
    return _section("Done", f"<p>{escape(text)}.</p>")


def html_sheet(sheet: Sheet, *, paper: str = "A4") -> str:
    """The whole page as text.

    Raises ValueError for a paper that is none of PAPERS.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper is one of {', '.join(PAPERS)}, not {paper}")
    style = files("ampwitness.report").joinpath("sheet.css").read_text(encoding="utf-8")
    by = escape(sheet.fitted_by) or "&nbsp;"
    basis = " ".join((*sheet.basis, CAUTION_END, f"Made with ampwitness {__version__}."))
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Job sheet: {escape(sheet.vehicle)}</title>",
        f"<style>@page {{ size: {paper}; margin: 8mm 13mm; }}\n{style}</style></head><body><main>",
        f"<header><p>Job sheet</p><h1>{escape(sheet.vehicle)}</h1><time>{escape(sheet.date)}</time></header>",
        _equipment(sheet),
        _section("As left", f"<p>{escape(' '.join(sheet.handed_over))}</p>") if sheet.handed_over else "",
        _checks(sheet),
        _settings(sheet),
        _supply(sheet),
        _noise(sheet),
        _verdicts(sheet),
        _section("Worth knowing", _list(sheet.worth_knowing)) if sheet.worth_knowing else "",
        _done(sheet),
        _section("Not tested", _list(sheet.not_tested, "abreast")),
        _section("Rests on", f'<p class="small">{escape(basis)}</p>'),
        f'<div class="names"><p>{by}<span>fitted and measured by</span></p><p>&nbsp;<span>handed over to</span></p>'
        "<p>&nbsp;<span>date</span></p></div>",
        "</main></body></html>",
    ]
    return "\n".join(part for part in parts if part)
