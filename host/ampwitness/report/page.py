"""The report as one HTML file that opens offline and prints: answers first, pictures, tables, then method and limits.

Draws and words what an Analysis holds; measures nothing. Script and drawing library stand in the page and a policy in
its head forbids every request, so it can be mailed and kept. Without script, and on paper, fixed pictures stand instead
of the zoomable overview.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from html import escape
from importlib.resources import files

import numpy as np

from ampwitness import __version__
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps, split_step
from ampwitness.findings.cause_advice import PARAGRAPH
from ampwitness.findings.ceiling_words import word_ceilings
from ampwitness.findings.described import describe_finding
from ampwitness.findings.headline import word_headline
from ampwitness.findings.headroom_words import word_headroom
from ampwitness.findings.road_words import explain_cutout, word_road
from ampwitness.findings.selection import MAX_CUTOUTS_SHOWN, choose_enlarged, choose_listed
from ampwitness.findings.supply_words import word_supply
from ampwitness.findings.whole_words import word_calibrations, word_losses, word_reduction, word_when
from ampwitness.findings.wording import (
    KIND_WORDS,
    NOT_LOOKED_AT,
    ROUND_MISSED,
    VerdictLine,
    count_cutouts_by_state,
    find_worst,
    word_beside,
    word_silences,
    word_verdicts,
)
from ampwitness.pieces import give_back
from ampwitness.report.cutout_plot import draw_cutout, word_order
from ampwitness.report.distortion_plot import draw_distortion
from ampwitness.report.explanations import explanation_link, html_explanations
from ampwitness.report.headroom_plot import draw_headroom
from ampwitness.report.html_words import words_to_html
from ampwitness.report.overview_data import order_roles, overview_facts
from ampwitness.report.plots import draw_enlarged, draw_overview, figure_to_svg
from ampwitness.report.setting_words import setting_rows
from ampwitness.report.supply_plots import draw_clip_causes, draw_sag_against_level, draw_supply_under_notes
from ampwitness.report.tables import dips_table, finding_link, findings_table
from ampwitness.report.trend_plot import draw_trends
from ampwitness.types import Analysis, Coverage, Finding, Settings
from ampwitness.units import seconds_to_clock, seconds_to_span

MAX_NEIGHBOURS = 40
UPLOT = "uplot-1.6.32"
TABLE_ORDER = (
    "cutout",
    "drift",
    "dip",
    "clip",
    "note",
    "knee",
    "setting",
    "check",
    "tone",
    "reading",
    "saturation",
    "gap",
    "mark",
)

SAFETY = (
    "Battery cables can weld and burn; amplifier outputs can shock; bridged outputs never go to the chassis. Take "
    "power off before clips move, fuse every probe lead, and protect your hearing. On the road the passenger works the "
    "program, never the driver. Follow local codes and leave licensed work to those who hold the licence."
)

WATCHES_ONLY = (
    "The program watches and writes down. It cannot switch anything off: heat and current need somebody, or something, "
    "that can."
)

LIMITS = (
    "All volts are relative to the logger's reference point; a fault that this choice hides cannot be seen.",
    "Only the wired channels were seen. A silent speaker with a live output means: look beyond the terminals.",
    "A programme pause and a signal lost at the source look alike unless the source is logged too.",
    "Times are counted by the board's own clock (about 50 parts in a million, common practice, no source).",
    "Uncalibrated inputs rest on the nominal values of their parts; see the calibrations above.",
)


def _picture(svg: str, alt: str, caption: str, *, link: str = "", style: str = "") -> str:
    return (
        f'<figure{style}><div class="wide" tabindex="0" role="group" aria-label="picture, scrolls sideways on a phone">'
        f'<div role="img" aria-label="{escape(alt)}">{svg}</div></div>'
        f"<figcaption>{words_to_html(caption)} {link}</figcaption></figure>"
    )


def _number_of(analysis: Analysis, finding: Finding) -> int:
    """Its place among all findings, from 1: the number it has in tables, links and the JSON output."""
    return FindingList.of(analysis.findings).number_of(finding)


def _answers(analysis: Analysis) -> str:
    rows = []
    for line in word_verdicts(analysis):
        more = f' <span class="rest">{escape(line.not_judged)}.</span>' if line.not_judged else ""
        rows.append(
            f'<tr><th scope="row">{explanation_link(line.kind, KIND_WORDS[line.kind].question)}</th>'
            f'<td><span class="verdict {line.verdict.replace(" ", "-")}">{line.verdict}</span></td>'
            f"<td>{words_to_html(line.sentence)}{more}</td></tr>"
        )
    return f'<table class="answers"><tbody>{"".join(rows)}</tbody></table>'


def _enlarged(analysis: Analysis) -> Iterable[str]:
    findings = FindingList.of(analysis.findings)
    chosen = choose_enlarged(findings)
    for number, ((finding, span), window) in enumerate(zip(chosen, analysis.excerpts, strict=False)):
        alike = findings.of_kind(finding.kind)
        near = alike.take(np.flatnonzero((alike.stop_s > span.start_s) & (alike.start_s < span.stop_s)))
        neighbours = [other for other in near[: MAX_NEIGHBOURS + 1] if other != finding][:MAX_NEIGHBOURS]
        sentence = describe_finding(finding)
        title = "Cut-out" if finding.kind == "cutout" else f"Worst {KIND_WORDS[finding.kind].one}"
        caption = f"{title}, at {seconds_to_clock(finding.start_s)}: {sentence}."
        if finding.kind == "cutout":
            caption += f" {word_order(finding)}"
        draw = draw_cutout if finding.kind == "cutout" else draw_enlarged
        svg = figure_to_svg(draw(finding, window, neighbours), f"closer{number}-")
        yield _picture(svg, caption, caption, link=finding_link(_number_of(analysis, finding)))
        if finding.kind == "cutout":
            yield _listed(sentence for sentence in explain_cutout(finding) if not sentence.startswith("In order of"))
    n_cutouts = findings.n_of("cutout")
    if n_cutouts > MAX_CUTOUTS_SHOWN:
        yield f"<p>These are the {MAX_CUTOUTS_SHOWN} most serious cut-outs; the table lists more.</p>"


def _listed(sentences: Iterable[str]) -> str:
    said = "".join(f"<li>{words_to_html(sentence)}</li>" for sentence in sentences)
    return f"<ul>{said}</ul>" if said else ""


def _gain_curves(analysis: Analysis) -> Iterable[str]:
    for number, finding in enumerate(FindingList.of(analysis.findings).of_kind("knee")):
        if not finding.evidence.get("curve"):
            continue  # levels alone, no distortion to draw
        caption = f"Distortion against volts, {describe_finding(finding)}."
        svg = figure_to_svg(draw_distortion(finding), f"gain{number}-")
        yield _picture(svg, caption, caption, link=finding_link(_number_of(analysis, finding)))


def _closer_look(analysis: Analysis) -> str:
    pictures = "".join((*_enlarged(analysis), *_gain_curves(analysis)))
    return f"<section><h2>A closer look</h2>{pictures}</section>" if pictures else ""


def _trends(analysis: Analysis) -> str:
    figure = draw_trends(analysis)
    if figure is None:
        return ""
    step_s = float(analysis.summary["trends"]["table"]["step_s"])
    caption = (
        "Over the whole time: the output's usual level, the supply, ceilings, clipping, sag, temperatures, typed "
        "readings and losses. "
        f"A point is {seconds_to_span(step_s, 0)}, its level that of the middling seconds, which a short pause does "
        "not lower; drifts of level are shaded and dated."
    )
    picture = _picture(figure_to_svg(figure, "trends-"), caption, caption)
    return f"<section><h2>Over the whole time</h2>{picture}<p>{escape(WATCHES_ONLY)}</p></section>"


def _supply(analysis: Analysis) -> str:
    """The supply as the amplifier sees it: sentences, and pictures of sag and causes."""
    sentences = word_supply(analysis.summary)
    supply = analysis.summary.get("supply") or {}
    pictures = (
        (
            draw_supply_under_notes(analysis),
            "under-",
            "The supply with every bass note shaded, the largest sags labelled.",
        ),
        (
            draw_sag_against_level(analysis.findings, supply),
            "sag-",
            "Supply sag under each bass note against its level.",
        ),
        (draw_clip_causes(analysis.findings), "causes-", "Whose fault the clipped half-cycles were."),
    )
    shown = "".join(
        _picture(figure_to_svg(figure, prefix), caption, caption)
        for figure, prefix, caption in pictures
        if figure is not None
    )
    if not sentences and not shown:
        return ""
    return f"<section><h2>The supply as the amplifier sees it</h2>{_listed(sentences)}{shown}</section>"


def _road(analysis: Analysis) -> str:
    """Engine states, the level of letting go, dips and switchings, in sentences, and the dips counted."""
    cutouts = count_cutouts_by_state(FindingList.of(analysis.findings))
    said = _listed(word_road(analysis.summary, cutouts))
    counted = (analysis.summary.get("dips") or {}).get("table") or {}
    tables = "".join(dips_table(role, counts) for role, counts in counted.items())
    return f"<section><h2>Engine, dips and switchings</h2>{said}{tables}</section>" if said else ""


def _ceiling(analysis: Analysis) -> str:
    """Where the output's ceiling lies, what it follows, and which flat tops are too short to be seen."""
    said = _listed(word_ceilings(analysis.summary, FindingList.of(analysis.findings)))
    return f"<section><h2>The output's ceiling</h2>{said}</section>" if said else ""


def _headroom(analysis: Analysis) -> str:
    """How much louder what did not clip could have been: sentences, and a bar a passage."""
    sentences = word_headroom(analysis.summary)
    if not sentences:
        return ""
    figure = draw_headroom(analysis)
    caption = (
        "Headroom of each passage without a clip: how far its highest crest stayed under the ceiling. "
        "Blank: it clipped there, or nothing was looked at."
    )
    picture = "" if figure is None else _picture(figure_to_svg(figure, "headroom-"), caption, caption)
    return f"<section><h2>Headroom of what did not clip</h2>{_listed(sentences)}{picture}</section>"


def _method(coverage: Sequence[Coverage], settings: Settings) -> str:
    looked = "".join(
        f"<tr><th scope='row'>{escape(c.detector)}</th><td>{c.judged_s:,.2f}</td>"
        f"<td>{sum(s.stop_s - s.start_s for s in c.not_judged):,.2f}</td>"
        f"<td>{escape('; '.join(dict.fromkeys(s.reason for s in c.not_judged)) or '-')}</td></tr>"
        for c in coverage
    )
    calibrations = "".join(
        f"<tr><th scope='row'>{escape(c.role)}</th><td>{c.gain_v_per_code * 1e3:.4f}</td><td>{c.offset_v:.4f}</td>"
        f"<td>{100 * c.gain_uncertainty_ratio:.2f}</td><td>{c.offset_uncertainty_v:.3f}</td>"
        f"<td>{escape(c.source)}{escape(', ' + c.made_on) if c.made_on else ''}</td></tr>"
        for c in settings.calibrations
    )
    typed = "".join(
        f"<tr><th scope='row'>{escape(name)}</th><td>{escape(value)}</td></tr>"
        for name, value in setting_rows(settings.notes, settings.options)
    )
    return (
        '<div class="scroll" tabindex="0" role="region" aria-label="what was looked at"><table>'
        "<caption>What was looked at</caption>"
        "<thead><tr><th>detector</th><th>judged (s)</th><th>not judged (s)</th><th>why not</th></tr></thead>"
        f"<tbody>{looked}</tbody></table></div>"
        '<div class="scroll" tabindex="0" role="region" aria-label="calibrations"><table>'
        "<caption>Calibrations used: volts = gain x code + offset, with standard uncertainties</caption>"
        "<thead><tr><th>channel</th><th>gain (mV a code)</th><th>offset (V)</th><th>gain +- (%)</th>"
        "<th>offset +- (V)</th><th>from</th></tr></thead>"
        f"<tbody>{calibrations}</tbody></table></div>"
        '<div class="scroll" tabindex="0" role="region" aria-label="settings"><table><caption>What was typed and chosen'
        f"</caption><tbody>{typed}</tbody></table></div>"
    )


def _found(analysis: Analysis, lines: Sequence[VerdictLine]) -> str:
    items = []
    findings = FindingList.of(analysis.findings)
    is_danger = any(one.severity == "danger" for one in findings.of_kind("cutout"))
    for line in sorted(lines, key=lambda line: not (is_danger and line.kind == "cutout")):  # what hurts comes first
        if line.verdict != "found":
            continue
        count, is_found, rest = line.sentence.partition(" found")
        shown = findings.of_kind("mark")[0] if line.kind == "mark" else find_worst(findings, line.kind)
        links = [finding_link(_number_of(analysis, shown))] if shown is not None else []
        link = f" ({', '.join([*links, explanation_link(line.kind)])})"
        items.append(f"<li><strong>{escape(count)}</strong>{words_to_html(is_found + rest)}{link}</li>")
    return f"<ul>{''.join(items)}</ul>" if items else "<p>Nothing was found in what was looked at.</p>"


def _word_none(lines: Sequence[VerdictLine]) -> str:
    """What was not found, those that were looked for as long in one sentence."""
    by_span: dict[str, list[str]] = {}
    for line in lines:
        if line.verdict == "none found":
            one = KIND_WORDS[line.kind].one
            span = line.sentence.removeprefix(f"No {one} ").removesuffix(ROUND_MISSED).rstrip()
            by_span.setdefault(span, []).append(f"no {one}")
    said = [f"{', '.join(names)} {span}" for span, names in by_span.items()]
    said += [ROUND_MISSED] if any(line.sentence.endswith(ROUND_MISSED) for line in lines) else []
    return " ".join(sentence[0].upper() + sentence[1:] for sentence in said)


def _looked_at(analysis: Analysis, lines: Sequence[VerdictLine]) -> str:
    channels = ", ".join(order_roles(analysis.envelopes)) or "no channel"
    modes = dict.fromkeys((hello.mode, round(float(hello.rate_hz))) for hello in analysis.hellos)
    how = "; ".join(f"mode {mode}, {rate_hz:,} scans a second" for mode, rate_hz in modes)
    none = _word_none(lines)
    more = (word_silences(analysis), *word_beside(analysis), word_reduction(analysis))
    return (
        f"<p><strong>{escape(seconds_to_clock(analysis.duration_s))}</strong> of {escape(channels)}"
        f"{escape('; ' + how) if how else ''}.</p>"
        + (f"<p>{escape(none)}</p>" if none else "")
        + "".join(f"<p>{escape(words)}</p>" for words in more if words)
        + f'<p class="losses">Losses: {escape(word_losses(analysis))}</p>'
        + f"<p>Volts: {words_to_html(word_calibrations(analysis.settings.calibrations))}</p>"
    )


def _could_not_judge(lines: Sequence[VerdictLine]) -> str:
    """What was left open and why, each reason once; what was never looked for is named by the way."""
    by_reason: dict[str, list[str]] = {}
    absent = []
    for line in lines:
        many = KIND_WORDS[line.kind].many
        if line.not_judged:
            by_reason.setdefault(line.not_judged, []).append(many)
        elif line.sentence == NOT_LOOKED_AT:
            absent.append(many)
        elif line.verdict == "not judged":
            by_reason.setdefault(line.sentence, []).append(many)
    items = "".join(
        f"<li><strong>{escape(', '.join(kinds).capitalize())}:</strong> {escape(reason)}.</li>"
        for reason, kinds in by_reason.items()
    )
    said = f"<ul>{items}</ul>" if items else "<p>Of what was looked for, nothing was left open.</p>"
    return said + (f"<p>This recording says nothing about {escape(', '.join(absent))}.</p>" if absent else "")


def _step(step: str) -> str:
    what, why = split_step(step)
    first, *more = why.split(PARAGRAPH)
    below = "".join(f"<p>{words_to_html(text)}</p>" for text in more)
    return f"<li><strong>{words_to_html(what)}</strong> {words_to_html(first)}{below}</li>"


def _first_screen(analysis: Analysis) -> str:
    """The verdict in a line, what to do and what was found; then, less urgent, what they rest on."""
    lines = word_verdicts(analysis)
    steps = "".join(map(_step, advise_first_steps(analysis.findings, analysis.summary, analysis.coverage)))
    return (
        f'<p class="short">{words_to_html(word_headline(analysis))}</p><div class="first">'
        f'<section><h2>What to do first</h2><ol class="steps">{steps}</ol></section>'
        f"<section><h2>What was found</h2>{_found(analysis, lines)}</section>"
        f"<section><h2>What could not be judged</h2>{_could_not_judge(lines)}</section>"
        f"<section><h2>What was looked at</h2>{_looked_at(analysis, lines)}</section></div>"
    )


def _overview(analysis: Analysis) -> str:
    alt = (
        f"The whole recording, {seconds_to_clock(analysis.duration_s)}: "
        f"{', '.join(analysis.envelopes) or 'no channel'}, and lanes of events."
    )
    svg = figure_to_svg(draw_overview(analysis), "overview-")
    return (
        '<section id="overview"><h2>The whole recording</h2>'
        + _part("zoom.html")
        + '<p id="zoom-help" class="on-screen">Mouse: pull across a part to see it closer, click into it and the wheel '
        "zooms, double click shows all. Fingers: pull, or two for closer and wider. Keys: + - 0, arrows, n and p. This "
        "page holds single waves at its pictured and worst findings; <code>ampwitness live</code> shows them anywhere "
        "in the recording.</p>" + _picture(svg, alt, alt, style=' class="on-paper"') + "</section>"
    )


def _part(name: str) -> str:
    return files("ampwitness.report").joinpath(name).read_text(encoding="utf-8")


def _no_progress(what: str, share: float | None) -> None:
    """Nobody watches."""


def html_page(analysis: Analysis, progress: Callable[[str, float | None], None] = _no_progress) -> str:
    """The whole page as text; under 5 MB for a day. `progress` is told what is done and how far, 0 ... 1."""
    findings = FindingList.of(analysis.findings)
    listed = choose_listed(findings)
    kinds = [*TABLE_ORDER, *(kind for kind in listed if kind not in TABLE_ORDER)]
    tables = "".join(findings_table(kind, listed[kind], findings.n_of(kind)) for kind in kinds if kind in listed)
    notice = "/* " + _part(f"vendor/{UPLOT.split('-')[0]}-LICENSE").strip() + " */"
    script = "\n".join((notice, _part(f"vendor/{UPLOT}.iife.min.js"), _part("page.js")))
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    policy = f"default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src 'sha256-{digest}'"
    facts = json.dumps(overview_facts(analysis, listed), allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    subject = "; ".join(filter(None, (str(analysis.settings.notes.get("amplifier") or ""), word_when(analysis))))
    give_back()
    drawn = []
    makers = (_first_screen, _overview, _closer_look, _road, _ceiling, _headroom, _supply, _trends)
    for number, make in enumerate(makers, start=1):
        progress("drawing the page", number / (len(makers) + 1))
        drawn.append(make(analysis))
    give_back()
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(analysis.recording_name)}: what was witnessed</title>",
        f"<style>{_part(f'vendor/{UPLOT}.min.css')}</style><style>{_part('page.css')}</style></head>",
        f"<body><main><header><h1>{escape(analysis.recording_name)}</h1>",
        f"<p>{escape(subject)}</p></header>" if subject else "</header>",
        *drawn,
        f"<section><h2>Question by question</h2>{_answers(analysis)}</section>",
        f"<section><h2>Every finding</h2><p>The number of a finding is that of the JSON output: its place among all, "
        f"from 1. Its time leads to the overview.</p>{tables}</section>"
        if tables
        else "<section><h2>Every finding</h2><p>Nothing was found.</p></section>",
        html_explanations(tuple(KIND_WORDS), listed),
        f"<section><h2>How it was judged</h2>{_method(analysis.coverage, analysis.settings)}",
        f"<p>Losses: {escape(word_losses(analysis))}</p>",
        "<h3>What it cannot tell you</h3><ul>",
        *(f"<li>{words_to_html(limit)}</li>" for limit in LIMITS),
        "</ul></section>",
        f'<aside class="safety"><h2>Before you reach in</h2><p>{escape(SAFETY)}</p></aside>',
        f"<footer>Made by ampwitness {__version__} from the recording named above. Colours: Okabe and Ito, Color "
        "Universal Design (2008).</footer></main>",
        f'<script type="application/json" id="overview-facts">{facts}</script>',
        f"<script>{script}</script></body></html>",
    ]
    return "\n".join(part for part in parts if part)
