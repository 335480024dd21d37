"""Words and pictures of the supply in a report: numbers from the summary, pictures where there is something."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from ampwitness.bench.cutout_material import make_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.note_walk import FLOOR_V
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.detect.supply.supply_model import SupplyOptions, learn_supply
from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.findings.supply_words import word_supply
from ampwitness.findings.wording import KIND_WORDS
from ampwitness.report.page import html_page
from ampwitness.report.supply_plots import draw_clip_causes, draw_sag_against_level, draw_supply_under_notes
from ampwitness.report.tables import findings_table
from ampwitness.report.text import text_report
from ampwitness.types import Analysis, Envelope, Finding
from ampwitness.units import unbind_units
from matplotlib.text import Annotation

STATE = {
    "open_v": 12.6, "lowest_v": 10.9, "judged_s": 40.0, "source_ohm": 0.036, "lowest_source_ohm": 0.033,
    "highest_source_ohm": 0.039, "assumed": "supply current measured with a clamp (+-2 %)", "not_judged": None,
    "parts": {"plus lead": {"share": 0.4, "share_uncertainty": 0.01, "ohm": 0.0144}},
    "time_constants": [{"what": "slowly (the battery itself)", "time_constant_s": 1.7, "share": 0.2}],
    "full_power": {"sag_v": 0.9, "lowest_sag_v": 0.8, "highest_sag_v": 1.0, "supply_v": 11.7, "crest_v": 34.0,
                   "after_s": 0.5, "above_under_voltage_v": 2.2},
    "full_power_not_judged": None,
}  # fmt: skip
LINE = {"sag_v_per_v2": 2e-3, "curve": [(0.0, 0.0), (10.0, 0.2), (20.0, 0.8)]}


def _note(start_s: float, level_v: float, sag_v: float, *, is_settled: bool = True) -> Finding:
    measured = {"pitch_hz": 41.2, "level_v": level_v, "sag_v": sag_v, "supply_lowest_v": 12.6 - sag_v,
                "supply_before_v": 12.6, "supply_before_settled": is_settled}  # fmt: skip
    return Finding("note", start_s, start_s + 0.3, "information", measured, {}, {"supply_before_settled": is_settled})


def _clip(cause: str) -> Finding:
    return Finding("clip", 1.0, 1.002, "attention", {"cause": cause, "overdrive_db": 1.0}, {}, {})


def test_the_starter_is_told_apart_from_the_battery_at_rest() -> None:
    at_s = np.arange(0, 30.0, 1 / 2000)
    supply_v = np.where(at_s > 16.0, 14.2, 12.5)
    is_cranked = (at_s >= 15.0) & (at_s < 16.0)
    supply_v = np.where(is_cranked, 9.5 + 0.6 * np.sin(4 * np.pi * (at_s - 15.0)), supply_v)
    supply_v = np.where((at_s >= 15.0) & (at_s < 15.04), 7.0, supply_v)
    volts = {
        "output": np.zeros(len(at_s)),
        "supply": supply_v + 0.002 * np.random.default_rng(1).normal(size=len(at_s)),
    }
    results = run_all(iter_windows_from_arrays(volts, 2000.0, window_s=10.0), DetectOptions())
    summary = next(r.summary for r in results if r.coverage.detector == "supply")
    assert summary["states"]["at rest"]["lowest_v"] > 12.4
    assert summary["states"]["charging"]["lowest_v"] > 14.1
    text = " ".join(word_supply({"supply": summary}))
    assert re.search(r"Cranking once: lowest (6\.99|7\.0\d) V in (0\.9|1\.0) s", text), text


def test_a_lost_lead_is_no_supply_at_rest() -> None:
    at_s = np.arange(0, 20.0, 1 / 2000)
    since_s = at_s - 12.0
    # It decays through the amplifier's own capacitor, and comes back with an inrush.
    supply_v = np.where((since_s >= 0) & (since_s < 0.4), 12.48 * np.exp(-np.maximum(since_s, 0) / 0.03) + 0.02, 12.5)
    supply_v = np.where((since_s >= 0.4) & (since_s < 0.5), 11.7, supply_v)
    volts = {
        "output": np.zeros(len(at_s)),
        "supply": supply_v + 0.002 * np.random.default_rng(1).normal(size=len(at_s)),
    }
    results = run_all(iter_windows_from_arrays(volts, 2000.0, window_s=10.0), DetectOptions())
    summaries = {r.coverage.detector: r.summary for r in results}
    assert summaries["supply"]["states"]["at rest"]["lowest_v"] > 12.4
    assert summaries["engine"]["per_state"]["rest"]["supply_lowest_v"] > 11.6
    assert summaries["engine"]["per_state"]["rest"]["deepest_residual_v"] < 0.1  # a dip it was
    assert summaries["engine"]["per_state"]["rest"]["deepest_role"] == "supply"
    assert "A lead lost contact once: lowest 0.02 V" in " ".join(word_supply(summaries))


def test_sentences_carry_ranges_assumptions_and_what_is_not_judged() -> None:
    text = " ".join(word_supply({"supply": {"states": {"at rest": STATE}, "remarks": ("one remark",)}}))
    assert "source resistance 36.0 mohm (95 %: 33.0 to 39.0); supply current measured with a clamp" in text
    assert "plus lead 40 % (+-2), 14.4 mohm" in text
    assert "`ampwitness cable`" in text
    assert "time constant about 1.7 s" in text
    assert "sag it by 0.90 V after 0.5 s (95 %: 0.80 to 1.00), to 11.70 V, 2.20 V above the level" in text
    assert "One remark." in text
    at_once = {**STATE, "time_constants": [{"what": "at once", "time_constant_s": 0.0, "share": 1.0}]}
    text = " ".join(word_supply({"supply": {"states": {"at rest": at_once}}}))
    assert "answers at once: no store or slow part" in text
    bare = {
        **STATE,
        "source_ohm": None,
        "highest_source_ohm": None,
        "not_judged": "no load",
        "full_power": None,
        "full_power_not_judged": "no clip",
    }
    text = " ".join(word_supply({"supply": {"states": {"charging": bare}}}))
    assert "Charging: source resistance not judged: no load." in text
    assert "full clean power not judged: no clip." in text
    assert word_supply({}) == ()


def test_a_resistance_that_is_not_pinned_down_is_said_as_a_range_alone() -> None:
    open_state = {**STATE, "source_ohm": None, "not_judged": "the supply also moved by itself, by some 90 mV"}
    text = " ".join(word_supply({"supply": {"states": {"charging": open_state}}}))
    assert "source resistance not pinned down, between 33 and 39 mohm (95 %): the supply also moved by itself" in text
    assert "36" not in text.split("full clean power")[0]
    wide = {**open_state, "lowest_source_ohm": 0.002, "highest_source_ohm": 0.697}
    text = " ".join(word_supply({"supply": {"states": {"charging": wide}}}))
    assert "source resistance not told, between 2 and 697 mohm (95 %), which says next to nothing" in text


def test_a_charged_supply_is_worded_on_either_side_of_its_alternators_limit() -> None:
    regime = {
        "what": "the alternator follows", "ohm": 0.0136, "lowest_ohm": 0.0121, "highest_ohm": 0.0152, "share": 0.6,
        "limit_reached_v": 13.66,
    }  # fmt: skip
    text = " ".join(word_supply({"supply": {"states": {"charging": {**STATE, "regimes": [regime]}}}}))
    assert "while the alternator follows (60 % of the playing time; the limit is reached at 13.66 V)" in text
    assert "13.6 mohm (95 %: 12.1 to 15.2)" in text


def test_a_sag_that_rounds_to_nothing_has_no_sign(small_analysis: Analysis) -> None:
    note = _note(1.0, 5.0, -0.001)
    figure = draw_supply_under_notes(dataclasses.replace(small_analysis, findings=(note,)))
    assert figure is not None
    assert [text.get_text() for text in figure.axes[0].texts] == ["0.00 V"]
    assert "sagged 0.00 V" in describe_finding(note)
    table = findings_table("note", [(1, dataclasses.replace(note, measured={**note.measured, "sag_v": -0.0001}))], 1)
    assert "-0.000" not in table
    assert "0.000" in table


def test_a_label_stands_below_the_deeper_dip_beside_its_note(small_analysis: Analysis) -> None:
    """A label in the middle of its own note's low would lie across the next note's fall."""
    volts = np.full(3000, 12.6)
    volts[1000:1040] = 12.0
    volts[1045:1080] = 11.0
    envelope = Envelope("supply", 0.0, 0.01, volts - 0.1, volts, volts)
    note = _note(10.0, 5.0, 0.6)
    envelopes = {"supply": envelope}
    analysis = dataclasses.replace(small_analysis, duration_s=30.0, findings=(note,), envelopes=envelopes)
    figure = draw_supply_under_notes(analysis)
    assert figure is not None
    (label,) = figure.axes[0].texts
    assert isinstance(label, Annotation)
    assert label.xy[1] == pytest.approx(10.9)
    empty = np.full(3000, np.nan)
    unseen = {"supply": Envelope("supply", 0.0, 0.01, empty, np.where(np.arange(3000) < 5, 12.6, empty), empty)}
    assert draw_supply_under_notes(dataclasses.replace(analysis, envelopes=unseen)) is not None


def test_pictures_are_drawn_where_there_is_something(small_analysis: Analysis) -> None:
    steps = np.full(3000, 12.6)
    envelope = Envelope("supply", 0.0, 0.01, steps - 0.1, steps, steps)
    notes = [_note(k, 5.0 + k, 0.02 * k, is_settled=k % 3 > 0) for k in range(1, 25)]
    analysis = dataclasses.replace(
        small_analysis, duration_s=30.0, findings=(*notes, _clip("drive")), envelopes={"supply": envelope}
    )
    figure = draw_supply_under_notes(analysis)
    assert figure is not None
    labels = [text.get_text() for text in figure.axes[0].texts]
    assert "0.48 V" in labels  # the largest sag is labelled, and it is in the span that is shown
    assert len(labels) <= 14
    low, high = figure.axes[0].get_xlim()
    assert high - low == 16.0
    sag = draw_sag_against_level(notes, {"sag_line": LINE})
    assert sag is not None
    assert [line.get_label() for line in sag.axes[0].lines] == [
        "note", "note on an unsettled supply", "fitted: 2.00 mV for each V² of level",
    ]  # fmt: skip
    apart = {"state_begins": [(0.0, "at rest"), (12.0, "charging")], "sag_lines": {"at rest": LINE, "charging": None}}
    both = draw_sag_against_level(notes, apart)
    assert both is not None
    drawn = {str(line.get_label()): len(np.asarray(line.get_xdata())) for line in both.axes[0].lines}
    assert drawn == {
        "note at rest": 8, "note at rest on an unsettled supply": 3, "fitted at rest: 2.00 mV for each V² of level": 3,
        "note while charging": 8, "note while charging on an unsettled supply": 5,
    }  # fmt: skip
    assert draw_sag_against_level(notes[:2], {"sag_line": LINE}) is None
    assert draw_supply_under_notes(dataclasses.replace(analysis, findings=())) is None
    assert draw_clip_causes(notes) is None
    causes = draw_clip_causes([_clip("drive"), _clip("supply"), _clip("supply"), _clip("not decidable")])
    assert causes is not None
    assert sum(bar.get_width() for bar in causes.axes[0].patches) == 100.0


def test_page_and_text_have_the_supply_and_the_first_steps(small_analysis: Analysis) -> None:
    summary = {**small_analysis.summary, "supply": {"states": {"at rest": STATE}, "sag_line": LINE, "remarks": ()}}
    analysis = dataclasses.replace(small_analysis, summary=summary)
    page = unbind_units(html_page(analysis))
    assert "The supply as the amplifier sees it" in page
    assert "36.0 mohm" in page
    text = text_report(analysis)
    assert "36.0 mohm" in text
    assert "What to do first:" in text
    assert max(len(line) for line in text.splitlines()) <= 100


def _full_note() -> Finding:
    """What the note detector says of a note, all of it."""
    measured = {
        "pitch_hz": 55.02, "pitch_name": "A1", "pitch_cents": 0.6, "level_v": 12.0, "attack_s": 0.0021,
        "supply_before_v": 12.6, "supply_before_looked_s": 0.05, "supply_before_settled": False,
        "supply_lowest_v": 12.2, "supply_lowest_averaged_v": 12.2, "supply_lowest_raw_v": 12.187,
        "supply_end_v": 12.31, "sag_v": 0.4, "sag_percent": 3.17, "sag_slope_v_per_s": -7.5, "recovery_s": 0.021,
        "ripple_v": 0.153, "energy_v2s": 43.2,
    }  # fmt: skip
    evidence = {"supply_before_settled": False, "supply_before_not_settled": "another note was still sounding"}
    return Finding("note", 1.0, 1.3, "information", measured, {}, evidence)


def test_a_note_is_told_with_its_name_and_all_that_its_supply_did() -> None:
    table = findings_table("note", [(1, _full_note())], 1)
    heads = re.findall(r"<th[^>]*>([^<]*)</th>", table)
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", table)
    told = dict(zip([h for h in heads if h != "start (s)"], cells, strict=True))
    assert told["name (ISO 16)"] == "A1"
    assert told["settled before"] == "no"
    assert (told["lowest, averaged (V)"], told["lowest, raw (V)"], told["at its end (V)"]) == (
        "12.200", "12.187", "12.310",
    )  # fmt: skip
    assert (told["slope (V/s)"], told["ripple at 2x pitch (V p-p)"], told["energy (V² s)"]) == (
        "-7.50", "0.153", "43.20",
    )  # fmt: skip
    said = describe_finding(_full_note())
    assert said.startswith("55.0 Hz (A1) at 12.0 V rms, supply sagged 0.40 V to 12.20 V")
    assert "not settled: another note was still sounding" in said
    # The floor down to which notes are told is that of the detector.
    assert f"{1000 * FLOOR_V:.0f} mV rms" in KIND_WORDS["note"].meaning


def test_the_terminal_lists_the_deepest_notes_in_order_of_time(small_analysis: Analysis) -> None:
    notes = tuple(_note(k, 10.0, 0.1 * ((7 * k) % 9)) for k in range(9))
    text = text_report(dataclasses.replace(small_analysis, findings=notes))
    listed = text.split("sagged most, in order of time:")[1].split("\n\n")[0].strip().splitlines()
    assert [line.split()[0] for line in listed] == ["1.000", "2.000", "5.000", "6.000", "7.000"]


def test_clips_without_a_supply_are_found_again_by_what_they_say() -> None:
    at_s = np.arange(0, 3.0, 1 / 8000)
    wave = np.clip(30.0 * np.sin(2 * np.pi * 50 * at_s) * np.minimum(at_s / 2.0, 1.0), -20.0, 20.0)
    noise = 0.02 * np.random.default_rng(1).standard_normal(len(at_s))
    results = run_all(iter_windows_from_arrays({"output": wave + noise}, 8000.0, window_s=3.0), DetectOptions())
    clips = FindingList.of(next(r.findings for r in results if r.coverage.detector == "clipping"))
    assert len(clips) > 20
    assert clips.number_of(clips[5]) == clips.numbers[5]
    assert clips[5].evidence["supply_lagged_v"] is None


def test_a_supply_that_moves_while_nothing_plays_has_no_resistance() -> None:
    at_s = np.arange(0, 6.0, 0.01)
    supply_v = 12.4 + 0.2 * np.sin(4 * np.pi * at_s)
    hiss_v2 = 1e-3 * (12.7 - supply_v)
    for times, has_fit in ((1.0, False), (1e4, True)):
        steps = SupplySteps(np.arange(len(at_s)), times * hiss_v2, {"supply": supply_v})
        model = learn_supply(steps, SupplyOptions())
        assert model is not None
        assert (model.states["at rest"].fit is not None) == has_fit


def test_a_ground_that_jumps_shares_out_no_resistance() -> None:
    case = make_case("ground lost", 16309)
    windows = iter_windows_from_arrays(case.volts, 8000.0, window_s=10.0, edges=case.edges)
    summary = next(r.summary for r in run_all(windows, DetectOptions()) if r.coverage.detector == "supply")
    assert all(not state.get("parts") for state in summary["states"].values())
    assert any("do not add up" in remark for remark in summary["remarks"])


def test_hours_are_told_as_hours_and_nothing_as_nothing() -> None:
    state = {**STATE, "lowest_v": -0.001, "judged_s": 21_600.0}
    (text, *_) = word_supply({"supply": {"states": {"at rest": state}}})
    assert text.endswith("lowest 0.00 V (mean of 10 ms) in 6 h.")
