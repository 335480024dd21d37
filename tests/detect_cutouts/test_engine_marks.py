"""Marked engine states decide where the volts cannot tell, and nowhere else; from the file to the report's words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.day_signals import SCANS, WireMaker, hello_fields
from ampwitness.bench.engine_scores import RATE_HZ, variable_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.passthrough import MarkDetector
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.charging_changes import State
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_marks import EngineMark, decide_by_marks, read_engine_label
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.findings.road_words import word_road
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.recording import RecordingWriter
from ampwitness.types import Chunk, Mark

Told = tuple[float, float, str, str | None]
OPEN: State = "not decidable"


def _decide(spans: list[tuple[float, float, State]], *marks: tuple[float, State]) -> EngineStates:
    return decide_by_marks(EngineStates(tuple(StateSpan(*s) for s in spans), ()), [EngineMark(*m) for m in marks])


def _told(states: EngineStates) -> list[Told]:
    return [(s.start_s, s.stop_s, s.state, s.by) for s in states.spans]


def test_labels_are_read_whatever_their_case_and_blanks() -> None:
    said = {"Engine  ON": "charging", "engine running": "charging", " engine off": "rest", "Cranking": "cranking"}
    assert {label: read_engine_label(label) for label in said} == said
    for label in ("keyboard", "", "the engine off again", None):
        assert read_engine_label(label) is None


def test_undecided_time_takes_the_mark_from_the_press_on_until_the_next_one() -> None:
    states = _decide([(0, 60, OPEN)], (10, "charging"), (40, "rest"))
    assert _told(states) == [
        (0, 10, OPEN, None),
        (10, 40, "charging", "by the mark at 10.0 s"),
        (40, 60, "rest", "by the mark at 40.0 s"),
    ]
    assert states.remarks[0].startswith("30.0 s in which the volts could not tell count as charging (engine on)")


def test_a_mark_holds_through_what_agrees_with_it_and_ends_where_the_volts_show_otherwise() -> None:
    spans: list[tuple[float, float, State]] = [
        (0, 20, "charging"),
        (20, 30, OPEN),
        (30, 40, "charging"),
        (40, 50, OPEN),
    ]
    states = _decide([*spans, (50, 60, "rest"), (60, 70, OPEN)], (5, "charging"))
    assert [s for _, _, s, _ in _told(states)] == ["charging"] * 4 + ["rest", OPEN]
    assert [by is not None for *_, by in _told(states)] == [False, True, False, True, False, False]


def test_what_the_volts_show_is_never_overruled_but_a_mark_against_it_is_named() -> None:
    states = _decide([(0, 30, "charging"), (30, 60, OPEN)], (10, "rest"))
    assert _told(states)[0] == (0, 30, "charging", None)
    assert _told(states)[1] == (30, 60, "rest", "by the mark at 10.0 s")
    assert any("says engine off, but the volts looked like engine on until 30.0 s" in r for r in states.remarks)
    in_time = _decide([(0, 30, "charging"), (30, 60, OPEN)], (27, "rest"))
    assert len(in_time.remarks) == 1


def test_an_engine_that_is_cranked_had_stopped() -> None:
    crank: list[tuple[float, float, State]] = [(0, 30, OPEN), (30, 31, "cranking"), (31, 60, OPEN)]
    assert [s for _, _, s, _ in _told(_decide(crank, (10, "charging")))] == [OPEN, OPEN, "cranking", OPEN]
    assert [s for _, _, s, _ in _told(_decide(crank, (10, "rest")))] == [OPEN, "rest", "cranking", OPEN]


def test_a_marked_cranking_ends_after_half_a_minute_and_excuses_no_cut_out() -> None:
    states = _decide([(0, 90, OPEN)], (10, "cranking"))
    assert [(a, b, s) for a, b, s, _ in _told(states)] == [(0, 10, OPEN), (10, 40, "cranking"), (40, 90, OPEN)]
    assert states.cranking == ()


@pytest.mark.parametrize("seed", [960, 961])
def test_a_variable_charger_is_decided_alike_whatever_the_windows(seed: int) -> None:
    case = variable_case(np.random.default_rng([seed, 0]))
    begin_s = next(at for at, state in case.truth if state == "charging")
    marks = [Mark("host", begin_s + 4.0, "s", 0, "engine running"), Mark("host", 150.0, "s", 0, "engine off")]
    engines: list[dict[str, Any]] = []
    for window_s, given in ((60.0, []), (60.0, marks), (10.0, marks), (1.0, marks)):
        windows = iter_windows_from_arrays(case.volts, RATE_HZ, window_s=window_s, marks=given)
        parts, history = (DipDetector(), MarkDetector()), SupplyHistory()
        for window in windows:
            for part in (*parts, history):
                part.push(window)
        settled = settle_road([part.finish() for part in parts], history.finish())
        results = {r.coverage.detector: r for r in settled}
        engines.append({**results["engine"].summary, "coverage": results["engine"].coverage})
        assert {f.measured["tie"] for f in results["marks"].findings} == (
            {"it says what the engine did"} if given else set()
        )
    assert engines[1] == engines[2] == engines[3]
    before_s, after_s = (sum(s.stop_s - s.start_s for s in e["coverage"].not_judged) for e in engines[:2])
    assert before_s > 20
    assert after_s == 0
    marked = [s for s in engines[1]["spans"] if s["by"] != "the volts"]
    assert sum(s["stop_s"] - s["start_s"] for s in marked) == pytest.approx(before_s)
    assert {s["state"] for s in marked if s["stop_s"] <= 150} == {"charging"}
    by_volts = [[s for s in e["spans"] if s["by"] == "the volts" and s["state"] != OPEN] for e in engines[:2]]
    assert by_volts[0] == by_volts[1]


def test_from_the_file_to_the_words(tmp_path: Path) -> None:
    """40 s at 13.1 V, between rest and charging; marked 12.3 s and 25.1 s in, by the host's clock."""
    n, rate_hz, begin_host_s = 40 * 8000 // SCANS * SCANS, 8000, 1_700_000_000.0
    rng = np.random.default_rng(5)
    fields = hello_fields()
    codes = [
        (v - c["offset_v"]) / c["gain_v_per_code"] for v, c in zip((6.5, 6.5, 13.1), fields["channels"], strict=True)
    ]
    noisy = fields["counts_per_code"] * np.array(codes) + 4 * rng.standard_normal((n, 3))
    counts = np.round(noisy).astype(np.uint16)
    raw = b"".join(WireMaker().next_bytes(counts))
    step = 4001
    with RecordingWriter(tmp_path / "a.mcap", {}) as writer:
        waiting = [(12.3, "engine on"), (20.0, "keyboard"), (25.1, "engine off")]
        for first in range(0, len(raw), step):
            now_s = min(first + step, len(raw)) / len(raw) * n / rate_hz
            while waiting and waiting[0][0] <= now_s:
                at_s, label = waiting.pop(0)
                writer.mark(begin_host_s + at_s, label)
            writer.append(Chunk(raw[first : first + step], begin_host_s + now_s))
    analyses = [analyse_file(tmp_path / "a.mcap", AnalyseOptions(window_s=w)) for w in (30.0, 1.0)]
    for key in ("spans", "remarks"):
        assert analyses[0].summary["engine"][key] == analyses[1].summary["engine"][key]
    marks = [f for f in analyses[0].findings if f.kind == "mark"]
    assert [m.measured["label"] for m in marks] == ["engine on", "", "engine off"]  # the board told of none of them
    del marks[1]
    assert [m.start_s for m in marks] == pytest.approx([12.3, 25.1], abs=0.1)
    spans = analyses[0].summary["engine"]["spans"]
    assert [s["state"] for s in spans] == [OPEN, "charging", "rest"]
    assert [s["start_s"] for s in spans[1:]] == [m.start_s for m in marks]
    words = "\n".join(word_road(analyses[0].summary))
    assert "count as charging (engine on) by the mark at 12." in words
    assert "count as rest (engine off) by the mark at 25." in words
