"""The page and the text: complete, offline, escaped, and legible as data."""

from __future__ import annotations

import dataclasses
from html.parser import HTMLParser

import numpy as np
from ampwitness.findings.explain import explain
from ampwitness.findings.wording import KIND_WORDS
from ampwitness.report.html_words import words_to_html
from ampwitness.report.page import html_page
from ampwitness.report.plots import draw_enlarged, draw_overview, figure_to_png
from ampwitness.report.text import text_report
from ampwitness.types import Analysis, Envelope, Finding, NotJudged
from ampwitness.units import bind_units, seconds_to_span, unbind_units

VOID = {"meta", "br", "img", "link", "input", "hr"}


class Outline(HTMLParser):
    """Collects what the tests ask about and refuses badly nested elements."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.pictures_without_words = 0
        self.tags: set[str] = set()
        self.scripts = 0
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.scripts += tag == "script"
        values = dict(attrs)
        self.ids += [name] if (name := values.get("id")) else []
        self.links += [v for k in ("src", "href", "xlink:href") if (v := values.get(k)) and not v.startswith("#")]
        if values.get("role") == "img" and not values.get("aria-label"):
            self.pictures_without_words += 1
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def read(page: str) -> Outline:
    outline = Outline()
    outline.feed(page)
    assert not outline.open
    return outline


def test_page_is_whole_offline_and_escaped(small_page: str) -> None:
    outline = read(small_page)
    assert [link for link in outline.links if not link.startswith("data:image/png;")] == []
    assert outline.scripts == 2  # what is drawn, and the page's own; the cause in the fixture tries to bring a third
    assert outline.pictures_without_words == 0
    assert len(outline.ids) == len(set(outline.ids))
    for words in ("bench & sons", "Does the amplifier clip?", "0 lost of 32,000 scans", "not judged", "1.47"):
        assert words in outline.text


def test_page_is_the_same_each_time(small_analysis: Analysis, small_page: str) -> None:
    assert html_page(small_analysis) == small_page


def test_page_of_nothing_still_opens(small_analysis: Analysis) -> None:
    empty = dataclasses.replace(small_analysis, findings=(), coverage=(), envelopes={}, excerpts=(), hellos=())
    assert "Nothing was found" in read(html_page(empty)).text


def test_overview_leaves_gaps_blank(small_analysis: Analysis) -> None:
    """A NaN step in the middle of a coarsened column must blank the column, never be bridged."""
    n = 5000
    lowest = np.full(n, -1.0)
    highest = np.full(n, 1.0)
    lowest[2000:3000] = highest[2000:3000] = np.nan
    envelope = Envelope("output", 0.0, 0.01, lowest, highest, np.ones(n))
    gappy = dataclasses.replace(small_analysis, envelopes={"output": envelope}, findings=(), duration_s=50.0)
    figure = draw_overview(gappy)
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    axes_box = figure.axes[0].get_window_extent()
    row = round(figure.bbox.height - (axes_box.y0 + axes_box.height * 0.6))

    def is_blue(at_share: float) -> bool:
        red, _, blue = pixels[row, round(axes_box.x0 + axes_box.width * at_share)]
        return bool(blue > red + 60)

    assert is_blue(0.2)
    assert not is_blue(0.5)
    assert is_blue(0.8)
    assert figure_to_png(figure).startswith(b"\x89PNG")


def test_text_fits_its_width_and_says_the_same(small_analysis: Analysis) -> None:
    text = text_report(small_analysis, width=72)
    assert max(len(line) for line in text.splitlines()) <= 72
    assert "1 clipped half-cycle found in 4.0 s judged" in text
    assert "0 lost of 32,000 scans" in text


def test_text_says_first_steps_before_the_lists_and_clips_by_burst(small_analysis: Analysis) -> None:
    clip = next(finding for finding in small_analysis.findings if finding.kind == "clip")
    starts_s = [*np.arange(1.0, 1.5, 0.01), 3.0]
    clips = tuple(
        dataclasses.replace(
            clip, start_s=at_s, stop_s=at_s + 0.001, measured={**clip.measured, "overdrive_db": at_s, "cause": "drive"}
        )
        for at_s in map(float, starts_s)
    )
    text = text_report(dataclasses.replace(small_analysis, findings=clips))
    worse, milder = text.index("3.000 s to 3.001 s: 1 clipped, up to 3.0 dB"), text.index("1.491 s: 50 clipped")
    assert text.index("What to do first:") < worse < milder


def test_a_burst_whose_cause_is_not_known_says_so_in_words(small_analysis: Analysis) -> None:
    clip = next(finding for finding in small_analysis.findings if finding.kind == "clip")
    for cause, words in (("not decidable", "the worst of undecided cause"), ("both", "the worst from both")):
        told = dataclasses.replace(clip, measured={**clip.measured, "cause": cause})
        text = text_report(dataclasses.replace(small_analysis, findings=(told,)))
        assert f"up to 1.5 dB, {words}\n" in text
    measured = {**clip.measured, "cause": "drive", "origin": "source"}
    told = dataclasses.replace(clip, measured=measured, evidence={**clip.evidence, "source_was_flat": True})
    text = text_report(dataclasses.replace(small_analysis, findings=(told,)))
    assert "up to 1.5 dB, the worst before the amplifier\n" in text


def test_each_kind_is_explained_by_the_one_text_and_linked(small_analysis: Analysis, small_page: str) -> None:
    page = small_page
    outline = read(page)
    for kind in KIND_WORDS:
        said = explain(kind)
        assert said is not None
        for text in (said.meaning, said.how, said.cannot, said.next_step, said.care):
            assert text in outline.text
        assert f"means-{kind}" in outline.ids
        assert page.count(f'href="#means-{kind}"') >= 1
    found = {finding.kind for finding in small_analysis.findings}
    assert page.count("<details open>") == len(found)  # what was found stands open, and so on paper
    text = text_report(small_analysis)
    assert "ampwitness explain clip (or note, dip, cutout)" in text
    assert "ampwitness explain" not in text_report(dataclasses.replace(small_analysis, findings=()))


def test_headroom_of_each_passage_is_drawn_and_worded_alike(small_analysis: Analysis, small_page: str) -> None:
    columns = ["start_s", "stop_s", "headroom_db", "uncertainty_db", "at_s", "crest_v", "ceiling_v", "supply_v"]
    rows = [[0.0, 2.0, 3.5, 0.1, 1.0, -20.0, -30.0, 13.0], [2.5, 4.0, 1.25, 0.05, 3.5, 26.0, 30.0, 12.5]]
    headroom = {"columns": columns, "passages": rows, "n_passages": 2, "median_db": 2.4, "longest_s": 10.0,
                "total_s": 3.5, "knows_supply": True, "not_judged": None}  # fmt: skip
    with_it = dataclasses.replace(small_analysis, summary={"clipping": {"headroom": headroom}})
    page, said = unbind_units(html_page(with_it)), " ".join(text_report(with_it).split())
    assert "Headroom of what did not clip" in page
    assert "headroom (dB)" in page  # the picture's axis
    assert "1.25 dB (+-0.10)" in page
    assert "1.25 dB (+-0.10)" in said
    assert "Headroom of what did not clip" not in small_page


def test_the_date_stands_under_the_title_and_long_spans_are_told_in_hours(small_analysis: Analysis) -> None:
    notes = {"amplifier": "in the boot", "started_at": "2024-05-01T18:30:05+02:00"}
    settings = dataclasses.replace(small_analysis.settings, notes=notes)
    coverage = (dataclasses.replace(small_analysis.coverage[0], judged_s=7198.7),)
    dated = dataclasses.replace(small_analysis, settings=settings, coverage=coverage)
    assert "<p>in the boot; recorded 2024-05-01 18:30 (UTC+02:00)</p></header>" in html_page(dated)
    text = text_report(dated)
    assert "\nRecorded 2024-05-01 18:30 (UTC+02:00).\n" in text
    assert "1 clipped half-cycle found in 2 h judged" in text
    assert [seconds_to_span(s) for s in (73.0, 725.0, 7080.0)] == ["73.0 s", "12 min 5 s", "1 h 58 min"]


def test_what_nobody_asked_for_takes_one_line_and_a_flat_top_is_told_in_milliseconds(
    small_analysis: Analysis, small_page: str
) -> None:
    text = text_report(small_analysis, width=200)
    assert "What did the guided setting conclude?" not in text
    assert "This recording says nothing about test tones, gain curves, gain settings, supply checks," in text
    page = small_page
    assert "flat (ms)" in page
    assert "<td>4.100</td>" in page


def test_a_drift_is_dated_in_its_picture_and_many_readings_are_summed(small_analysis: Analysis) -> None:
    measured = {"change_db": -0.36, "start_uncertainty_s": 300.0}
    drift = Finding("drift", 7050.0, 14520.0, "attention", measured, {}, {})
    typed = [(900.0 * at, {"name": "heatsink", "value": 20.0 + at, "unit": "C"}) for at in range(20)]
    readings = [Finding("reading", at_s, at_s, "information", what, {}, {}) for at_s, what in typed]
    table = {"step_s": 60.0, "output_v": [14.0] * 360, "supply_v": [13.5] * 360}
    soak = dataclasses.replace(small_analysis, findings=(drift, *readings), summary={"trends": {"table": table}})
    page, text = html_page(soak), text_report(soak)
    assert "-0.36 dB from 1:58 (+-10 min) to 4:02 h" in page.replace("−", "-")
    assert "A point is 60 s, its level that of the middling seconds" in page
    assert "; drifts of level are shaded and dated." in page
    assert "known to +- 10 min, 95 %" in text
    assert "heatsink: 20 readings, 20 to 39 C, last 39 C at 4:45:00.000" in text


def test_what_many_answers_leave_out_is_told_once(small_analysis: Analysis) -> None:
    hole = (NotJudged(1.0, 3.0, "reduced on purpose"),)
    coverage = tuple(dataclasses.replace(c, not_judged=hole) for c in small_analysis.coverage)
    reduced = dataclasses.replace(small_analysis, coverage=coverage)
    text = text_report(reduced)
    assert text.count("reduced on purpose") == 1 + text.count("\n  2.00 s not judged")  # that of a verdict of its own
    assert text.count("Not judged there: (1).") >= 3
    assert "\n(1) 2.00 s not judged (reduced on purpose).\n" in text
    own = dataclasses.replace(coverage[0], not_judged=(NotJudged(1.0, 3.0, "its own reason"),))
    text = text_report(dataclasses.replace(small_analysis, coverage=(own, *coverage[1:])))
    assert "\n  2.00 s not judged (its own reason)" in text  # where it belongs, without a number
    assert "(2)" not in text
    left_open = html_page(reduced).partition("What could not be judged")[2].partition("</section>")[0]
    assert left_open.count("2.00 s not judged (reduced on purpose).") == 1  # seven points with one reason are one


def test_an_estimated_crest_far_up_does_not_press_the_wave_flat(small_analysis: Analysis) -> None:
    clip = next(finding for finding in small_analysis.findings if finding.kind == "clip")
    for crest_v, said in ((45.0, "45.0 V (estimate)"), (165.0, "165.0 V (estimate, beyond the picture)")):
        far = dataclasses.replace(clip, measured={**clip.measured, "crest_v": crest_v})
        axes = draw_enlarged(far, small_analysis.excerpts[0]).axes[0]
        assert axes.get_ylim()[1] < 70.0
        assert said in axes.get_legend().get_texts()[-1].get_text()


def test_a_ceiling_counted_from_half_the_supply_is_drawn_where_its_samples_are(small_analysis: Analysis) -> None:
    clip = next(finding for finding in small_analysis.findings if finding.kind == "clip")
    counted = dataclasses.replace(clip, measured={**clip.measured, "plateau_v": 8.0, "crest_v": 10.0})
    for finding, words, at_v in ((counted, "ceiling 8.0 V from 30.0 V", 40.0), (clip, "ceiling 38.0 V", 45.0)):
        axes = draw_enlarged(finding, small_analysis.excerpts[0]).axes[0]
        assert axes.get_legend().get_texts()[0].get_text() == words
        ceiling, crest = axes.get_lines()[-2:]
        assert np.allclose(ceiling.get_ydata(), 38.0)
        assert np.allclose(crest.get_ydata(), at_v, atol=0.01)


def test_what_hurts_is_found_first_and_counted_as_what_it_is(small_analysis: Analysis) -> None:
    measured = {"outage_s": 0.5, "cause": "output stuck at DC under what plays", "recovered": True}
    evidence = {"rest_v": 2.5, "rest_before_v": 0.1}
    steady = Finding("cutout", 2.0, 2.5, "danger", measured, {}, evidence)
    page = html_page(dataclasses.replace(small_analysis, findings=(*small_analysis.findings, steady)))
    found = page[page.index("What was found") :]
    first = unbind_units(found[found.index("<li>") : found.index("</li>")])
    assert first.startswith("<li><strong>1 cut-out and 1 stretch of steady volts</strong> found in")


def test_what_was_not_found_is_one_sentence(small_analysis: Analysis) -> None:
    bare = dataclasses.replace(small_analysis, findings=(), excerpts=())
    text = read(html_page(bare)).text
    assert "No clipped half-cycle, no bass note, no supply dip, no cut-out, no span" in text
    assert "judged. A ceiling that bends crests over without a flat top can be missed" in text


def test_commands_in_sentences_are_code_and_nothing_else_is_let_through() -> None:
    assert words_to_html("see `ampwitness cable`; 3 < 4 & <b>") == (
        "see <code>ampwitness cable</code>; 3 &lt; 4 &amp; &lt;b&gt;"
    )


def test_a_number_is_never_parted_from_its_unit(small_analysis: Analysis, small_page: str) -> None:
    """At no width of the terminal, nor on the page; and the terminal's text has plain spaces, which can be searched."""
    bound = bind_units("12.60 V, 5 ms, 40 Hz, 33.0 mohm, 1.4 % and 2 mistakes in 3 channels")
    assert bound.count("\u00a0") == 5
    for width in range(60, 100, 3):
        text = text_report(small_analysis, width=width)
        assert "\u00a0" not in text
        assert not [line for line in text.splitlines() if line.split(maxsplit=1)[:1] in (["V"], ["s"], ["dB"], ["%"])]
    assert "11.20\u00a0V" in small_page


def test_the_page_begins_with_the_verdict_and_what_to_do(small_analysis: Analysis, small_page: str) -> None:
    page = small_page
    places = [page.index(words) for words in ("In short: 1 cut-out", "What to do first", "What was found")]
    assert places == sorted(places)
    assert "<li><strong>Start with the cut-out at 3.000\u00a0s.</strong> Its output stopped" in page
    text = text_report(small_analysis)
    assert (
        text.index("In short: ") < text.index("What to do first:\n  1. Start") < text.index("Does the amplifier clip?")
    )
