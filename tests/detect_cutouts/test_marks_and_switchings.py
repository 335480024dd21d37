"""Marks are tied to what happened or to nothing; turn-on and turn-off are dated."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.cutouts.mark_ties import tie_marks
from ampwitness.detect.passthrough import GapDetector, MarkDetector
from ampwitness.findings.road_words import word_road
from ampwitness.types import Edge, Finding, FloatArray, Mark

RATE_HZ = 8000


def _tie(volts: dict[str, np.ndarray], marks_s: list[float], **more: object) -> list[Finding]:
    marks = [Mark("button", s, "s", round(s * RATE_HZ)) for s in marks_s]
    parts = (CutoutDetector(), MarkDetector(), GapDetector())
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=1.0, marks=marks, **more):  # type: ignore[arg-type]
        for part in parts:
            part.push(window)
    results = [part.finish() for part in parts]
    found = [f for result in results for f in result.findings]
    return list(tie_marks(found, results[0].summary["output_at_marks"]))


def _volts(seconds: float, off: tuple[float, float] | None = None) -> dict[str, np.ndarray]:
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = 12 * np.sin(2 * np.pi * 47 * at)
    if off is not None:
        wave[(at >= off[0]) & (at < off[1])] = 0.0
    rng = np.random.default_rng(2)
    return {"output": wave + rng.normal(0, 0.025, len(at)), "supply": np.full(len(at), 12.6)}


def test_a_mark_after_a_cut_out_is_tied_to_it() -> None:
    during, after = _tie(_volts(10.0, (4.003, 5.0)), [4.4, 7.0])
    assert during.measured["tied_to"] == "cutout"
    assert during.measured["after_s"] == pytest.approx(0.397, abs=0.005)
    assert during.measured["tie"] == "marked 0.4 s after the output stopped"
    assert after.measured["tied_to"] == "cutout"


def test_a_mark_while_the_output_goes_on_is_tied_to_nothing() -> None:
    early, late = _tie(_volts(20.0, (9.003, 9.5)), [3.0, 17.0])
    for mark in (early, late):
        assert mark.measured["tied_to"] is None
        assert "stayed live" in str(mark.measured["tie"])


def test_a_mark_in_silence_says_so() -> None:
    volts = _volts(6.0)
    volts["output"] = np.random.default_rng(1).normal(0, 0.025, len(volts["output"]))
    (mark,) = _tie(volts, [3.0])
    assert "silent" in str(mark.measured["tie"])


def test_a_mark_is_tied_to_the_stop_that_was_heard_though_a_gap_lies_nearer() -> None:
    (mark,) = _tie(_volts(8.0, (3.003, 3.4)), [4.6], lost=[(33_600, 34_400)])
    assert mark.measured["tied_to"] == "cutout"
    said = str(mark.measured["tie"])
    assert said.startswith(
        "marked 1.6 s after the output stopped and 1.2 s after it came back; the logger lost data 0.4 s"
    )
    assert "before the mark" in said


def test_a_mark_at_a_gap_is_tied_to_the_logger() -> None:
    (mark,) = _tie(_volts(6.0), [3.3], lost=[(24_000, 25_600)])
    assert mark.measured["tied_to"] == "gap"


def _switch(volts: dict[str, np.ndarray], edges: list[Edge], window_s: float = 1.0) -> list[dict[str, object]]:
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=window_s, edges=edges):
        detector.push(window)
    return list(detector.finish().summary["switchings"])


def test_remote_to_sound_with_its_thump() -> None:
    at = np.arange(20 * RATE_HZ) / RATE_HZ
    sound = np.where((at >= 3.2) & (at < 12.05), 10 * np.sin(2 * np.pi * 60 * at), 0.0)
    thump = np.where(at >= 2.3, 2.0 * np.exp(-np.maximum(at - 2.3, 0) / 0.02), 0.0)
    volts = {"output": sound + thump + np.random.default_rng(1).normal(0, 0.02, len(at))}
    edges = [Edge("remote", 1, 2.0, "s", 16_000), Edge("remote", 0, 12.0, "s", 96_000)]
    on, off = _switch(volts, edges)
    assert (on["what"], off["what"]) == ("turn-on", "turn-off")
    assert on["delay_s"] == pytest.approx(1.2, abs=0.03)
    assert on["thump_v"] == pytest.approx(2.0, abs=0.15)
    assert off["delay_s"] == pytest.approx(0.05, abs=0.03)
    assert off["thump_v"] is None
    assert _switch(volts, edges, 10.0) == [on, off]


def test_a_signal_sensed_start_is_dated_from_the_source() -> None:
    at = np.arange(15 * RATE_HZ) / RATE_HZ
    source = np.where(at >= 4.0, 0.5 * np.sin(2 * np.pi * 60 * at), 0.0)
    rng = np.random.default_rng(1)
    volts = {"output": np.where(at >= 4.6, 20 * source, 0.0) + rng.normal(0, 0.02, len(at)), "source": source}
    (start,) = _switch(volts, [])
    assert start["what"] == "signal-sensed start"
    assert start["start_s"] == pytest.approx(4.0, abs=0.02)
    assert start["delay_s"] == pytest.approx(0.6, abs=0.03)


@pytest.mark.parametrize("is_digital", [True, False])
@pytest.mark.parametrize(("fell_s", "rose_s", "is_cause"), [(2.996, 3.003, True), (2.9, 2.95, False)])
def test_a_short_drop_of_the_remote_lead_mutes_all_the_same(
    is_digital: bool, fell_s: float, rose_s: float, is_cause: bool
) -> None:
    """Back a little behind the stop it still was the cause; back well before it, it was none."""
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    wave = 10 * np.sin(2 * np.pi * 50 * at + 0.8) * ((at < 3.0) | (at >= 3.11))
    volts = {"output": wave + np.random.default_rng(1).normal(0, 0.02, len(at)), "supply": np.full(len(at), 12.6)}
    low = (at >= fell_s) & (at < rose_s)
    edges: tuple[Edge, ...] = ()
    if is_digital:
        levels = ((0.01, 1), (fell_s, 0), (rose_s, 1))
        edges = tuple(Edge("remote", level, time_s, "s", round(time_s * RATE_HZ)) for time_s, level in levels)
    else:
        volts["remote"] = np.where(low, 0.2, 12.3)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=1.0, edges=edges):
        detector.push(window)
    (finding,) = detector.finish().findings
    assert (finding.measured["cause"] == "remote lead dropped") is is_cause
    if is_cause:
        assert finding.evidence["remote_fell_s"] == pytest.approx(fell_s, abs=0.001)


def test_a_thump_that_runs_into_the_sound_is_not_the_sound() -> None:
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    sound = 8 * np.sin(2 * np.pi * 61 * at) * (at >= 3.0)
    volts = {"output": sound + np.random.default_rng(1).normal(0, 0.02, len(at)) + _thump(at, 2.89, 2.5)}
    edges = (Edge("remote", 1, 2.3, "drawn", round(2.3 * RATE_HZ)),)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0, edges=edges):
        detector.push(window)
    (on,) = detector.finish().summary["switchings"]
    assert on["delay_s"] == pytest.approx(0.7, abs=0.011)
    assert on["thump_v"] == pytest.approx(2.5, abs=0.2)


def _thump(at: FloatArray, begin_s: float, volts: float) -> FloatArray:
    since = at - begin_s
    return np.asarray(np.where(since >= 0, volts * np.exp(-np.maximum(since, 0) / 0.05), 0.0))


@pytest.mark.parametrize("is_digital", [True, False])
def test_the_thump_of_a_turn_off_is_no_return_and_a_turn_off_is_no_alarm(is_digital: bool) -> None:
    at = np.arange(12 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(1)
    output = 10 * np.sin(2 * np.pi * 50 * at + 0.8) * (at < 4.0) + _thump(at, 4.05, 1.5) + rng.normal(0, 0.02, len(at))
    volts = {"output": output, "supply": np.full(len(at), 12.6)}
    edges = (Edge("remote", 1, 0.01, "s", 80), Edge("remote", 0, 3.97, "s", 31760)) if is_digital else ()
    if not is_digital:
        volts["remote"] = np.where(at < 3.97, 12.3, 0.2)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=1.0, edges=edges):
        detector.push(window)
    (finding,) = detector.finish().findings
    assert (finding.measured["cause"], finding.measured["recovered"]) == ("remote lead dropped", False)
    assert finding.severity == "attention"


def test_the_thump_of_a_turn_on_is_no_cut_out_and_a_source_that_was_silent_is_told() -> None:
    at = np.arange(12 * RATE_HZ) / RATE_HZ
    source = 0.5 * np.sin(2 * np.pi * 60 * at) * (at >= 3.0)
    rng = np.random.default_rng(1)
    output = 20 * source * (at >= 4.2) + _thump(at, 3.4, 6.0) * (at < 3.46) + rng.normal(0, 0.02, len(at))
    volts = {"output": output, "source": source}
    for edges, what in (([], "signal-sensed start"), ([Edge("remote", 1, 2.0, "s", 16000)], "turn-on")):
        detector = CutoutDetector()
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=1.0, edges=edges):
            detector.push(window)
        result = detector.finish()
        assert result.findings == ()
        (start,) = result.summary["switchings"]
        assert start["what"] == what
        assert start["thump_v"] == pytest.approx(6.0, abs=0.2)
    assert start["source_after_s"] == pytest.approx(1.0, abs=0.02)
    assert "the source was silent for 1.0" in word_road({"cutouts": result.summary})[-1]


def test_a_turn_on_is_dated_at_rates_that_no_millisecond_holds_a_whole_number_of() -> None:
    rate_hz = 12_500.0
    at = np.arange(round(9 * rate_hz)) / rate_hz
    wave = np.where(at > 7.5, 9 * np.sin(2 * np.pi * 61 * at), 0.0) + np.random.default_rng(3).normal(0, 0.02, len(at))
    detector = CutoutDetector()
    edges = [Edge("remote", 0, 0.01, "s", 125), Edge("remote", 1, 6.0, "s", 75_000)]
    for window in iter_windows_from_arrays({"output": wave}, rate_hz, window_s=1.0, edges=edges):
        detector.push(window)
    turned_on = [s for s in detector.finish().summary["switchings"] if s["what"] == "turn-on"]
    assert [s["delay_s"] for s in turned_on] == [pytest.approx(1.5, abs=0.02)]  # 0.3 s off by steps of a millisecond


@pytest.mark.parametrize("is_digital", [True, False])
def test_a_plug_that_chatters_as_the_sound_is_waited_for_hides_no_later_stop(is_digital: bool) -> None:
    """A turn-on that another fall of the lead ended is over then: what stops seconds later is no thump of it."""
    at = np.arange(14 * RATE_HZ) / RATE_HZ
    low_s = ((3.0, 3.05), (3.065, 3.077), (3.126, 3.5), (8.0, 8.05), (11.0, 11.2))
    off_s = ((3.025, 4.0), (8.025, 8.55), (11.025, 11.7))
    wave = 10 * np.sin(2 * np.pi * 50 * at + 0.8) * ~_lies_within(at, off_s)
    volts = {"output": wave + np.random.default_rng(1).normal(0, 0.02, len(at)), "supply": np.full(len(at), 12.6)}
    edges: list[Edge] = []
    if is_digital:
        changes = [(0.01, 1), *((time_s, level) for span in low_s for time_s, level in zip(span, (0, 1), strict=True))]
        edges = [Edge("remote", level, time_s, "s", round(time_s * RATE_HZ)) for time_s, level in changes]
    else:
        volts["remote"] = np.where(_lies_within(at, low_s), 0.2, 12.3)
    for window_s in (1.0, 10.0):
        detector = CutoutDetector()
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=window_s, edges=edges):
            detector.push(window)
        found = detector.finish().findings
        assert [finding.measured["cause"] for finding in found] == ["remote lead dropped"] * 3
        assert [finding.start_s for finding in found] == pytest.approx([span[0] for span in off_s], abs=0.005)


def _lies_within(at: FloatArray, spans_s: tuple[tuple[float, float], ...]) -> npt.NDArray[np.bool_]:
    return np.asarray(np.any([(at >= begin_s) & (at < end_s) for begin_s, end_s in spans_s], axis=0))
