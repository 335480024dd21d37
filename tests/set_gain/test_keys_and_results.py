"""No key stays without an answer, and no result without what to do next."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.tone_signals import KnobAmplifier
from ampwitness.cli.set_gain_screen import GainScreen
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.guide.set_gain import SetGainWalk
from ampwitness.guide.set_gain_words import word_thd
from ampwitness.guide.setting_result import conclude_setting, next_step
from ampwitness.guide.tone_live import LiveMeter, LiveReading
from ampwitness.types import TraceWindow
from test_set_gain_walk import HZ, iter_windows_from_arrays, level, volts, walk_through


def readings(output: np.ndarray) -> list[LiveReading]:
    meter = LiveMeter(40.0)
    windows: list[TraceWindow] = list(iter_windows_from_arrays({"output": output}, HZ, window_s=0.04))
    return [reading for window in windows if (reading := meter.push(window)) is not None]


def heard(output: np.ndarray) -> SetGainWalk:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    for reading in readings(output):
        walk.push(reading)
    return walk


def test_enter_without_a_source_says_so_once_and_then_goes_on() -> None:
    walk = heard(np.zeros(8000))
    walk.answer("next")
    assert walk.step == "source"
    assert walk.view().notice == (
        "The source is not checked (no tone: play the 40 Hz track). Enter again goes on without it."
    )
    walk.answer("next")
    assert walk.step == "amplifier"
    assert "(source not checked)" in walk.view().instruction
    finding = conclude_setting(None, walk, None, 40.0, {})
    assert str(finding.measured["line"]).endswith("source not checked")
    clean = heard(volts(level((8, 8, 1))))
    clean.answer("next")
    assert clean.step == "amplifier"
    assert "not checked" not in clean.view().instruction


def test_every_key_is_answered_in_every_step() -> None:
    quiet, loud = readings(np.zeros(4000))[-1], readings(volts(level((40, 40, 1))))[-1]
    for step in ("source", "amplifier", "come back", "lower source"):
        for reading in (quiet, loud):
            for key in ("next", "full", "turned", "other"):
                walk = heard(volts(level((8, 8, 1))))
                walk.step = step
                walk.push(replace(reading, time_s=1.04))
                walk.answer(key)
                assert walk.view().notice or walk.step != step, (step, key)
    silent = heard(np.zeros(4000))
    silent.step = "amplifier"
    silent.answer("full")
    assert silent.view().notice == "f counts only while the tone is measured (no tone: play the 40 Hz track)."
    silent.push(replace(quiet, time_s=20.0))
    assert silent.view().notice == ""  # an answer does not stand for ever


def test_the_first_step_leaves_it_open_whether_source_or_rail_clips() -> None:
    clipped = readings(np.clip(volts(level((20, 20, 1))), -15, 15))[-1]
    walk = heard(volts(level((8, 8, 1))))
    walk.push(replace(clipped, time_s=1.04))
    assert walk.view().words.endswith("(or is the gain not at its minimum?)")
    walk.push(replace(clipped, time_s=1.08, source_thd_percent=0.1))  # the source is logged, and clean
    assert walk.view().words.endswith("in the amplifier: turn its gain back")
    assert walk.view().state == "clipped"
    walk.push(replace(clipped, time_s=1.12, source_thd_percent=6.0))
    assert walk.view().words == "source clipped: lower the source, not the amplifier"


@pytest.mark.parametrize(
    ("output", "outcome", "wanted"),
    [
        (np.zeros(12000), "no tone was measured", "play the 40 Hz track"),
        (volts(level((0.8, 0.8, 2.5))), "the tone was too quiet", "turn the source up"),
        (volts(level((8, 8, 2.5))) + volts(level((4, 4, 2.5)), hz=63.0), "distortion was not judged", "nothing but"),
        (volts(level((8, 8, 2.5))), "the edge was not reached", "raise the source's sub level"),
    ],
)
def test_what_failed_says_what_to_do(output: np.ndarray, outcome: str, wanted: str) -> None:
    finding = conclude_setting(None, heard(output), None, 40.0, {})
    assert str(finding.measured["outcome"]).startswith(outcome)
    assert wanted in str(finding.measured["next"])


def test_a_board_that_was_lost_is_not_a_gain_that_is_too_low() -> None:
    """Whoever pulls the cable has not found that the edge lies further up."""
    lost = conclude_setting(None, heard(volts(level((8, 8, 2.5)))), None, 40.0, {}, is_cut_short=True).measured
    assert lost["line"] == (
        "Gain at 40 Hz: the board was lost before the edge was found; clean up to 5.66 V rms"  # 8 V / sqrt 2
    )
    assert str(lost["next"]).startswith("see to the board's cable and power")


def test_a_level_that_was_heard_long_ago_is_not_where_the_gain_was_left() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    output = volts(level((8, 8, 3), (8, 33, 6), (33, 24, 1), (24, 24, 2)))
    walk_through(output, walk)
    last = readings(output)[-1]
    detector = GainStepDetector(4.0, "resistor")
    for window in iter_windows_from_arrays({"output": output}, HZ, window_s=1.0):
        detector.push(window)
    (knee,) = [f for f in detector.finish().findings if f.kind == "knee"]
    fresh = conclude_setting(knee, walk, last, 40.0, {}, last.time_s)
    stale = conclude_setting(knee, walk, last, 40.0, {}, last.time_s + 12.0)
    assert "left at" in str(fresh.measured["line"])
    assert fresh.measured["next"] == ""
    assert "last heard at" in str(stale.measured["line"])
    assert "12 s before the end: the knob may have moved since" in str(stale.measured["line"])
    assert next_step("the amplifier's ceiling was met", 40.0, -1.2).startswith("turn the gain back by 1.2 dB")


def test_a_figure_without_a_tone_is_not_shown() -> None:
    assert word_thd(readings(np.zeros(4000))[-1], "no tone") == "THD not judged"


def test_a_lowered_source_is_judged_afresh() -> None:
    clipped = KnobAmplifier(rail_v=90.0, source_clip_ratio=0.85)
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    walk_through(volts(level((8, 30, 8)), amplifier=clipped), walk)
    assert walk.step == "lower source"
    walk_through(volts(level((8, 8, 1))), walk, with_curve=False)
    for step in ("source", "amplifier"):
        walk.answer("next")
        assert walk.step == step
        walk_through(volts(level((8, 8, 2))), walk)
    assert walk.step == "amplifier"  # what was measured before the source was lowered does not count
    assert walk.n_fresh_starts == 1


def test_a_logged_source_that_clips_is_named_at_once() -> None:
    walk = heard(volts(level((8, 8, 1))))
    walk.answer("next")
    loud = readings(np.clip(volts(level((20, 20, 1))), -15, 15))[-1]
    for k in range(12):
        walk.push(replace(loud, time_s=1.04 + 0.04 * k, source_thd_percent=6.0))
    assert walk.step == "lower source"


def test_a_tone_that_is_judged_once_a_second_goes_by_the_curve() -> None:
    reading = readings(volts(level((20, 20, 1))))[-1]
    unjudged = replace(reading, tone=replace(reading.tone, thd_f_percent=None))
    detector = GainStepDetector(4.0, "resistor", is_live=True)
    for window in iter_windows_from_arrays({"output": volts(level((8, 33, 6), (33, 33, 2)))}, HZ, window_s=1.0):
        detector.push(window)
    (curve,) = detector.curves()
    assert curve.knee is not None
    walk = heard(volts(level((8, 8, 1))))
    walk.answer("next")

    def state_at(level_v: float, time_s: float) -> str:
        walk.push(replace(unjudged, time_s=time_s, tone=replace(unjudged.tone, level_v=level_v)))
        return walk.view().state

    assert state_at(12.0, 1.04) == "not judged"
    assert "judged once a second" in walk.view().words
    walk.take_curve(curve)
    assert state_at(0.9 * curve.knee.level_v, 1.08) == "clean"
    for k in range(12):
        assert state_at(1.02 * curve.knee.level_v, 1.12 + 0.04 * k) == "clipped"
    assert walk.step == "come back"


def test_a_small_screen_does_not_scroll(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("LINES", "12")
    stream = io.StringIO()
    monkeypatch.setattr(stream, "isatty", lambda: True)
    screen = GainScreen(stream)
    walk = heard(volts(level((8, 8, 1))))
    walk.answer("full")
    for _ in range(3):
        screen.show(walk.view(), 0.0)
    ups = [int(part.split("A")[0]) for part in stream.getvalue().split("\x1b[") if part.split("A")[0].isdigit()]
    assert ups == [11, 11]
    assert stream.getvalue().count("\n") == 3 * 11
    assert "q: end." in stream.getvalue()
    monkeypatch.setenv("TERM", "dumb")
    plain = io.StringIO()
    monkeypatch.setattr(plain, "isatty", lambda: True)
    GainScreen(plain).show(walk.view(), 0.0)
    assert "V rms" in plain.getvalue()
    assert "\x1b" not in plain.getvalue()  # such a terminal cannot go back up
