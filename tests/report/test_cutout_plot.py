"""The picture of a cut-out: what decides is wide enough to be seen, and what came first is named."""

from __future__ import annotations

import dataclasses

import pytest
from ampwitness.findings.selection import MAX_CUTOUTS_SHOWN, choose_enlarged
from ampwitness.report.cutout_plot import close_span, draw_cutout, name_events, word_order
from ampwitness.report.page import html_page
from ampwitness.types import Analysis, Finding
from ampwitness.units import unbind_units


def cutout(*events: tuple[float, str], severity: str = "serious", start_s: float = 3.0) -> Finding:
    told = [{"time_s": start_s + off_s, "what": what} for off_s, what in (*events, (0.0, "output stopped"))]
    measured = {"outage_s": 0.5, "start_uncertainty_s": 0.001, "cause": "supply voltage too low"}
    return Finding("cutout", start_s, start_s + 0.5, severity, measured, {}, {"events": told})  # type: ignore[arg-type]


def test_the_first_mover_is_named_only_where_it_is_clear() -> None:
    assert name_events(cutout((-0.012, "supply low"))) == ("1 came first: supply low (-12.0 ms)", "2 output stopped")
    assert name_events(cutout((-0.0005, "supply low")))[0] == "1 supply low (together with it)"
    both = cutout((-0.0192, "supply low"), (-0.0189, "supply lowest"))  # one thing, twice told of
    assert name_events(both)[0] == "1 came first: supply low (-19.2 ms)"
    assert name_events(dataclasses.replace(cutout(), evidence={})) == ("1 output stopped",)
    assert word_order(cutout()) == "Nothing else that was logged moved before it."


def test_the_close_part_holds_what_came_first_but_stays_close() -> None:
    assert close_span(cutout((-0.012, "supply low"))) == (-0.020, 0.020)
    assert close_span(cutout((-0.120, "supply low")))[0] == pytest.approx(-0.125)
    assert close_span(cutout((-0.400, "remote lead fell"))) == (-0.020, 0.020)


def test_two_parts_a_channel_and_the_right_one_is_close(small_analysis: Analysis) -> None:
    figure = draw_cutout(cutout((-0.012, "supply low")), small_analysis.excerpts[0])
    whole, close, _, close_supply = figure.axes
    assert whole.get_xlim()[1] - whole.get_xlim()[0] == pytest.approx(4000.0)
    assert close.get_xlim() == close_supply.get_xlim() == (-20.0, 20.0)
    assert [text.get_text() for text in close.texts] == ["1", "2"]


def test_the_most_serious_cutouts_are_pictured_however_late_they_come() -> None:
    mild = [cutout(start_s=float(at), severity="attention") for at in range(10)]
    shown = [finding for finding, _ in choose_enlarged([*mild, cutout(start_s=20.0, severity="danger")])]
    assert len(shown) == MAX_CUTOUTS_SHOWN
    assert shown[-1].start_s == 20.0
    assert [finding.start_s for finding in shown] == sorted(finding.start_s for finding in shown)


def test_what_came_first_stands_in_the_caption(small_analysis: Analysis) -> None:
    told = [cutout((-0.012, "supply low")) if f.kind == "cutout" else f for f in small_analysis.findings]
    page = html_page(dataclasses.replace(small_analysis, findings=tuple(told)))
    assert "In order of time: 1 came first: supply low (-12.0 ms); 2 output stopped." in page


def test_late_in_a_long_recording_times_are_those_of_a_clock(small_analysis: Analysis) -> None:
    window = small_analysis.excerpts[0]
    figure = draw_cutout(cutout(start_s=3723.5), window)
    assert "milliseconds from 1:02:03.500 of the recording" in [axes.get_xlabel() for axes in figure.axes]


def test_the_page_gives_reasons_next_test_and_the_roads_figures(small_analysis: Analysis) -> None:
    found = cutout((-0.012, "supply low"))
    reasons = {**found.evidence, "reasons": ["supply was low: 9.08 V"], "not_excluded": ["ground lost"]}
    told = [dataclasses.replace(found, evidence=reasons) if f.kind == "cutout" else f for f in small_analysis.findings]
    figures = {"duration_s": 4.0, "supply_mean_v": 12.4, "supply_lowest_v": 11.2, "n_dips": 1, "n_clips": 0,
               "n_cutouts": 1, "deepest_residual_v": 11.2}  # fmt: skip
    summary = {"engine": {"per_state": {"rest": figures}, "remarks": []}}
    page = unbind_units(html_page(dataclasses.replace(small_analysis, findings=tuple(told), summary=summary)))
    for words in ("Because: supply was low: 9.08 V.", "Not excluded: ground lost.", "Next test: "):
        assert words in page
    assert "<h2>Engine, dips and switchings</h2>" in page
    assert "Engine at rest: 4.0 s, supply 12.40 V at the mean" in page
