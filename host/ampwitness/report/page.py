"""The report as one HTML file that opens offline and prints: answers first, pictures, tables, then method and limits.

Draws and words what an Analysis holds; measures nothing. No script, no outside request, so it can be mailed and kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

from ampwitness import __version__
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.selection import MAX_CUTOUTS_SHOWN, choose_enlarged
from ampwitness.findings.supply_words import word_supply
from ampwitness.findings.wording import (
    KIND_WORDS,
    count_words,
    describe_finding,
    word_losses,
    word_reduction,
    word_verdicts,
)
from ampwitness.report.distortion_plot import draw_distortion
from ampwitness.report.plots import draw_enlarged, draw_overview, figure_to_svg
from ampwitness.report.supply_plots import draw_clip_causes, draw_sag_against_level, draw_supply_under_notes
from ampwitness.report.trend_plot import draw_trends
from ampwitness.types import Analysis, Coverage, Finding, Settings
from ampwitness.units import seconds_to_clock

MAX_TABLE_ROWS = 200  # a day of clips would make a page nobody can open; the JSON holds them all
MAX_NEIGHBOURS = 40

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
    "Uncalibrated inputs rest on the nominal values of their parts; see the calibrations below.",
)


def _cell(value: object, digits: int) -> str:
    if value is None:
        return "not judged"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.{digits}f}"
    return escape(str(value))


# kind -> (heading with unit, measured key, digits); the first column is always the start
_COLUMNS: dict[str, tuple[tuple[str, str, int], ...]] = {
    "clip": (
        ("polarity", "polarity", 0),
        ("ceiling (V)", "plateau_v", 2),
        ("flat (s)", "flat_s", 5),
        ("overdrive (dB)", "overdrive_db", 2),
        ("uncut crest (V)", "crest_v", 2),
        ("supply (V)", "supply_v", 2),
        ("whose fault", "cause", 0),
        ("lost to sag / overdrive", "cause_share", 2),
    ),
    "note": (
        ("pitch (Hz)", "pitch_hz", 2),
        ("level (V rms)", "level_v", 2),
        ("supply before (V)", "supply_before_v", 3),
        ("lowest (V)", "supply_lowest_v", 3),
        ("sag (V)", "sag_v", 3),
        ("sag (%)", "sag_percent", 2),
        ("recovery (s)", "recovery_s", 3),
    ),
    "dip": (
        ("channel", "role", 0),
        ("reference (V)", "reference_v", 2),
        ("residual (V)", "residual_v", 3),
        ("depth (V)", "depth_v", 3),
        ("depth (%)", "depth_percent", 1),
        ("duration (s)", "duration_s", 3),
    ),
    "cutout": (
        ("outage (s)", "outage_s", 3),
        ("cause", "cause", 0),
        ("supply then (V)", "supply_at_start_v", 2),
        ("lowest before (V)", "supply_lowest_before_v", 2),
        ("came back", "recovered", 0),
        ("how", "returned", 0),
        ("confidence", "confidence", 0),
    ),
    "tone": (
        ("tone (Hz)", "frequency_hz", 2),
        ("highest level (V rms)", "level_v", 3),
        ("THD there (%)", "thd_percent", 3),
        ("its floor (%)", "thd_floor_percent", 3),
        ("supply (V)", "supply_v", 2),
        ("other line (Hz)", "other_hz", 1),
        ("why no THD", "not_judged", 0),
    ),
    "knee": (
        ("tone (Hz)", "frequency_hz", 2),
        ("1 % at (V rms)", "knee_v", 3),
        ("peak there (V)", "knee_peak_v", 2),
        ("nominal (W)", "knee_w", 1),
        ("10 % at (V rms)", "ten_percent_v", 3),
        ("nominal (W)", "ten_percent_w", 1),
        ("ceiling (V)", "ceiling_v", 2),
        ("supply there (V)", "supply_at_knee_v", 2),
        ("outcome", "outcome", 0),
    ),
    "setting": (("result", "line", 0),),
    "drift": (
        ("change (dB)", "change_db", 3),
        ("a hour (dB)", "change_db_per_hour", 3),
        ("start known to (s)", "start_uncertainty_s", 0),
        ("before (V rms)", "level_before_v", 3),
        ("after (V rms)", "level_after_v", 3),
        ("supply before (V)", "supply_before_v", 2),
        ("after (V)", "supply_after_v", 2),
        ("cause", "cause", 0),
    ),
    "reading": (("what", "name", 0), ("value", "value", 2), ("unit", "unit", 0)),
    "saturation": (("channel", "role", 0), ("end of range", "rail", 0)),
    "gap": (("cause", "cause", 0), ("scans lost", "n_scans_lost", 0), ("length exact", "is_exact", 0)),
    "mark": (("by", "source", 0), ("label", "label", 0), ("tied to", "tie", 0)),
}


def _table(kind: str, findings: Sequence[Finding]) -> str:
    columns = _COLUMNS[kind]
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in ("start (s)", *(c[0] for c in columns)))
    rows = "".join(
        f"<tr><td>{finding.start_s:.4f}</td>"
        + "".join(f"<td>{_cell(finding.measured.get(key), digits)}</td>" for _, key, digits in columns)
        + "</tr>"
        for finding in findings[:MAX_TABLE_ROWS]
    )
    words = KIND_WORDS[kind]
    caption = count_words(len(findings), words.one, words.many)
    if len(findings) > MAX_TABLE_ROWS:
        caption += f", the first {MAX_TABLE_ROWS} shown; the JSON output holds them all"
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(words.many)}"><table>'
        f"<caption>{caption}. {escape(words.meaning)} {escape(words.next_step)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _picture(svg: str, alt: str, caption: str) -> str:
    return (
        f'<figure><div role="img" aria-label="{escape(alt)}">{svg}</div>'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def _answers(analysis: Analysis) -> str:
    rows = []
    for line in word_verdicts(analysis):
        more = f' <span class="rest">{escape(line.not_judged)}.</span>' if line.not_judged else ""
        rows.append(
            f'<tr><th scope="row">{escape(KIND_WORDS[line.kind].question)}</th>'
            f'<td><span class="verdict {line.verdict.replace(" ", "-")}">{line.verdict}</span></td>'
            f"<td>{escape(line.sentence)}{more}</td></tr>"
        )
    return f'<table class="answers"><tbody>{"".join(rows)}</tbody></table>'


def _enlarged(analysis: Analysis) -> Iterable[str]:
    chosen = choose_enlarged(analysis.findings)
    for number, ((finding, span), window) in enumerate(zip(chosen, analysis.excerpts, strict=False)):
        neighbours = [
            other
            for other in analysis.findings
            if other is not finding
            and other.kind == finding.kind
            and other.stop_s > span.start_s
            and other.start_s < span.stop_s
        ][:MAX_NEIGHBOURS]
        sentence = describe_finding(finding)
        title = "Cut-out" if finding.kind == "cutout" else f"Worst {KIND_WORDS[finding.kind].one}"
        caption = f"{title}, at {seconds_to_clock(finding.start_s)}: {sentence}."
        yield _picture(figure_to_svg(draw_enlarged(finding, window, neighbours), f"closer{number}-"), caption, caption)
    n_cutouts = sum(finding.kind == "cutout" for finding in analysis.findings)
    if n_cutouts > MAX_CUTOUTS_SHOWN:
        yield f"<p>{n_cutouts - MAX_CUTOUTS_SHOWN} more cut-outs stand in the table.</p>"


def _gain_curves(analysis: Analysis) -> Iterable[str]:
    for number, finding in enumerate(f for f in analysis.findings if f.kind == "knee"):
        caption = f"Distortion against volts, {describe_finding(finding)}."
        yield _picture(figure_to_svg(draw_distortion(finding), f"gain{number}-"), caption, caption)


def _trends(analysis: Analysis) -> Iterable[str]:
    figure = draw_trends(analysis)
    if figure is None:
        return
    caption = "Over the hours: the output's level, the supply, clipping, temperatures and losses."
    yield "<section><h2>Over the hours</h2>"
    yield _picture(figure_to_svg(figure, "trends-"), caption, caption)
    yield f"<p>{escape(WATCHES_ONLY)}</p></section>"


def _supply(analysis: Analysis) -> Iterable[str]:
    """The supply as the amplifier sees it: sentences, and pictures of sag and causes."""
    sentences = word_supply(analysis.summary)
    line = (analysis.summary.get("supply") or {}).get("sag_line")
    pictures = (
        (draw_supply_under_notes(analysis), "under-", "The supply with every bass note shaded; the largest sags."),
        (draw_sag_against_level(analysis.findings, line), "sag-", "Supply sag under each bass note against its level."),
        (draw_clip_causes(analysis.findings), "causes-", "Whose fault the clipped half-cycles were."),
    )
    if not sentences and not any(figure for figure, _, _ in pictures):
        return
    yield "<section><h2>The supply as the amplifier sees it</h2>"
    if sentences:
        yield "<ul>" + "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences) + "</ul>"
    for figure, prefix, caption in pictures:
        if figure is not None:
            yield _picture(figure_to_svg(figure, prefix), caption, caption)
    yield "</section>"


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
        f"<tr><th scope='row'>{escape(str(key))}</th><td>{escape(str(value))}</td></tr>"
        for key, value in {**settings.notes, **settings.options}.items()
        if value not in (None, "") and not str(key).endswith("_json")
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


def html_page(analysis: Analysis) -> str:
    """The whole page as text."""
    style = files("ampwitness.report").joinpath("page.css").read_text(encoding="utf-8")
    channels = ", ".join(analysis.envelopes) or "no channel"
    modes = ", ".join(dict.fromkeys(hello.mode for hello in analysis.hellos)) or "unknown"
    steps = "".join(f"<li>{escape(step)}</li>" for step in advise_first_steps(analysis.findings, analysis.summary))
    overview_alt = f"The whole recording, {seconds_to_clock(analysis.duration_s)}: {channels}, and lanes of events."
    tables = "".join(
        _table(kind, [f for f in analysis.findings if f.kind == kind])
        for kind in ("cutout", "drift", "dip", "clip", "note", "reading", "saturation", "gap", "mark")
        if any(f.kind == kind for f in analysis.findings)
    )
    subject = str(analysis.settings.notes.get("amplifier") or "")
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(analysis.recording_name)}: what was witnessed</title><style>{style}</style></head>",
        "<body><main>",
        f"<header><h1>{escape(analysis.recording_name)}</h1>",
        f"<p>{escape(subject + ': ' if subject else '')}{escape(seconds_to_clock(analysis.duration_s))} of "
        f"{escape(channels)}, mode {escape(modes)}.</p></header>",
        f"<section><h2>What this recording shows</h2>{_answers(analysis)}",
        f"<p>{escape(word_reduction(analysis))}</p>" if word_reduction(analysis) else "",
        f'<p class="losses">Losses: {escape(word_losses(analysis))}</p></section>',
        f'<section><h2>What to do first</h2><ol class="steps">{steps}</ol></section>',
        "<section><h2>The whole recording</h2>",
        _picture(figure_to_svg(draw_overview(analysis), "overview-"), overview_alt, overview_alt),
        "</section>",
        "<section><h2>A closer look</h2>",
        *_enlarged(analysis),
        *_gain_curves(analysis),
        "</section>",
        *_supply(analysis),
        *_trends(analysis),
        f"<section><h2>Every finding</h2>{tables or '<p>Nothing was found.</p>'}</section>",
        f"<section><h2>How it was judged</h2>{_method(analysis.coverage, analysis.settings)}",
        "<h3>What it cannot tell you</h3><ul>",
        *(f"<li>{escape(limit)}</li>" for limit in LIMITS),
        "</ul></section>",
        f'<aside class="safety"><h2>Before you reach in</h2><p>{escape(SAFETY)}</p></aside>',
        f"<footer>Made by ampwitness {__version__} from the recording named above.</footer></main></body></html>",
    ]
    return "\n".join(part for part in parts if part)
