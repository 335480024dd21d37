"""The walk alone: steps, states and words for readings that stand for a hand on a knob."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.tone_signals import KnobAmplifier
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.cli.set_gain_screen import draw_lines, pick_scale_v
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.findings.advice import advise_first_steps
from ampwitness.guide.set_gain import SetGainWalk
from ampwitness.guide.setting_result import conclude_setting
from ampwitness.guide.tone_live import LiveMeter, LiveReading
from ampwitness.guide.tone_tracks import CUE_BEEPS, RATE_HZ, Track, make_track, overlap_sentence, to_pcm
from ampwitness.types import Interval

HZ = 8000.0


def volts(crest_v: np.ndarray, hz: float = 40.0, amplifier: KnobAmplifier | None = None) -> np.ndarray:
    time = np.arange(len(crest_v)) / HZ
    wave = np.sin(2 * np.pi * hz * time)
    return (amplifier or KnobAmplifier(rail_v=30.0)).output_v(crest_v, wave)


def level(*parts: tuple[float, float, float]) -> np.ndarray:
    """Crest volts: (from, to, seconds) one after another."""
    return np.concatenate([np.linspace(a, b, round(s * HZ)) for a, b, s in parts])


def walk_through(
    output: np.ndarray,
    walk: SetGainWalk,
    saturated: tuple[Interval, ...] = (),
    with_curve: bool = True,
    **roles: np.ndarray,
) -> list[tuple[float, str, str, str]]:
    """Push everything; gives (time, step, state, words) at every window."""
    meter, detector, seen, last = LiveMeter(40.0), GainStepDetector(4.0, "resistor", is_live=True), [], 0.0
    for window in iter_windows_from_arrays({"output": output, **roles}, HZ, window_s=0.04, saturated=saturated):
        detector.push(window)
        reading = meter.push(window)
        if reading is not None:
            walk.push(reading)
        if with_curve and window.stop_s - last >= 1.0:
            last = window.stop_s
            curves = detector.curves()
            walk.take_curve(curves[0] if curves else None)
        view = walk.view()
        seen.append((window.stop_s, view.step, view.state, view.words))
    return seen


def steps(seen: list[tuple[float, str, str, str]]) -> list[str]:
    return list(dict.fromkeys(step for _, step, _, _ in seen))


def test_source_then_amplifier_then_back_and_done() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    output = volts(level((0, 0, 0.5), (8, 8, 3), (8, 33, 6), (33, 24, 2), (24, 24, 3)))
    seen = walk_through(output, walk)
    assert steps(seen) == ["source", "amplifier", "come back", "done"]
    assert {"no tone", "clean", "rising", "at the edge", "clipped"} <= {state for _, _, state, _ in seen}
    assert any(words.startswith("clipped by 0.") for *_, words in seen)
    # 33 V against 30 V is 0.83 dB over
    assert max(float(words.split()[2]) for *_, words in seen if words.startswith("clipped by")) == pytest.approx(
        0.83, abs=0.15
    )
    # the state follows the wire: clipped shows within 0.2 s of the crest passing 1 % THD (30.88 V)
    crossed_s = 3.5 + 6 * (30.88 - 8) / 25
    first = next(time_s for time_s, _, state, _ in seen if state in ("at the edge", "clipped"))
    assert first == pytest.approx(crossed_s, abs=0.2)


def test_full_gain_never_reaches_the_edge_raises_the_source_one_step() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    walk_through(volts(level((8, 20, 2))), walk)
    assert walk.step == "amplifier"
    walk.answer("full")
    assert walk.step == "source"
    assert walk.n_rounds == 2
    words = walk.view().instruction
    assert words.index("gain back to its minimum") < words.index("raise the source's sub level one step")


def test_level_held_by_two_turns_that_change_nothing() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((20, 20, 1))), walk)
    walk.answer("next")
    for _ in range(3):
        walk_through(volts(level((20, 20, 0.5))), walk)
        walk.answer("turned")
    assert walk.is_done
    assert "limiter" in walk.outcome


def test_a_clipped_source_is_named_in_both_steps() -> None:
    clipped = KnobAmplifier(rail_v=90.0, source_clip_ratio=0.85)
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    seen = walk_through(volts(level((8, 8, 3)), amplifier=clipped), walk)
    assert steps(seen) == ["source"]
    assert seen[-1][2] == "source clipped"
    # where the source step was passed all the same, the plateau that scales with the level tells
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    seen = walk_through(volts(level((8, 30, 8)), amplifier=clipped), walk)
    assert "lower source" in steps(seen)
    assert seen[-1][3].startswith("source clipped")
    assert walk.view().ceiling_v is None  # the level at which the source clips is no ceiling of the amplifier


@pytest.mark.parametrize("own_percent", [0.7, 2.0])
def test_what_the_tone_carries_at_every_level_is_no_edge(own_percent: float) -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    crest_v = level((7, 20, 5), (20, 20, 1.5))
    angle = 2 * np.pi * 40.0 * np.arange(len(crest_v)) / HZ
    wave = np.sin(angle) + own_percent / 100 * np.sin(3 * angle + 1)
    seen = walk_through(KnobAmplifier(rail_v=30.0).output_v(crest_v, wave), walk)
    assert seen[-1][3] == f"clean; the {own_percent:.1f} % is the tone's own, at every level"
    walk.answer("next")
    crest_v = level((20, 36, 4), (36, 36, 1))
    angle = 2 * np.pi * 40.0 * np.arange(len(crest_v)) / HZ
    wave = np.sin(angle) + own_percent / 100 * np.sin(3 * angle + 1)
    seen = walk_through(KnobAmplifier(rail_v=30.0).output_v(crest_v, wave), walk, with_curve=False)
    assert steps(seen) == ["amplifier", "come back"]


def test_bad_input_in_words() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    seen = walk_through(np.zeros(8000), walk)
    assert seen[-1][3] == "no tone: play the 40 Hz track"
    seen = walk_through(volts(level((10, 10, 1)), hz=70.0), SetGainWalk(40.0, "resistor", True))
    assert seen[-1][3] == "no 40 Hz tone: 70 Hz is playing"
    both = volts(level((10, 10, 1))) + volts(level((5, 5, 1)), hz=63.0)
    walk = SetGainWalk(40.0, "resistor", True)
    seen = walk_through(both, walk)
    assert seen[-1][2] == "not judged"
    assert walk.view().thd_words == "THD not judged"
    assert seen[-1][3].startswith("two tones: another at 6")
    hum = volts(level((20, 20, 1.5))) + volts(level((0.6, 0.6, 1.5)), hz=50.0)
    walk = SetGainWalk(40.0, "resistor", True)
    assert walk_through(hum, walk)[-1][2] == "clean"
    assert "(hum?)" in walk.view().thd_words
    seen = walk_through(volts(level((25, 25, 1))), SetGainWalk(40.0, "resistor", True), (Interval(0.0, 1.0),))
    assert seen[-1][2] == "logger overloaded"


def test_no_curve_gives_no_figures() -> None:
    walk = SetGainWalk(40.0, "none", is_hands_free=True)
    finding = conclude_setting(None, walk, None, 40.0, {})
    assert finding.measured["knee_v"] is None
    assert finding.measured["line"] == "Gain at 40 Hz: no tone was measured"


def test_level_line_has_one_long_scale_and_a_marked_ceiling() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    walk_through(volts(level((8, 8, 2), (8, 34, 6))), walk)
    view = walk.view()
    lines = draw_lines(view, pick_scale_v(view.level_v), 80)
    assert any("clean ceiling" in line for line in lines)
    assert all(len(line) <= 80 for line in lines)
    assert any("CLIPPED BY" in line for line in lines)
    plain = draw_lines(view, 30.0, 60, is_plain_ascii=True)
    assert all(character.isascii() for line in plain for character in line)


def test_live_reading_is_quick_enough_for_25_a_second() -> None:
    import time

    meter = LiveMeter(40.0)
    windows = list(iter_windows_from_arrays({"output": volts(level((25, 25, 4)))}, HZ, window_s=0.04))
    begun = time.perf_counter()
    readings = [meter.push(window) for window in windows]
    each_s = (time.perf_counter() - begun) / len(windows)
    assert isinstance(readings[-1], LiveReading)
    assert each_s < 0.03


def test_tracks_are_faded_cued_and_at_their_level() -> None:
    for kind, n_beeps in CUE_BEEPS.items():
        track = Track(kind, 40.0, -3.0, 4.0)
        samples = make_track(track)
        assert abs(samples[0]) < 1e-3
        assert abs(samples[-1]) < 1e-3
        assert np.max(np.abs(samples)) == pytest.approx(10 ** (-3 / 20), abs=0.002)
        assert len(samples) / RATE_HZ == pytest.approx(track.total_s, abs=0.01)
        lead = np.abs(samples[: round(n_beeps * 0.24 * RATE_HZ)])
        beeps = np.convolve(lead > 0.02, np.ones(2000), "same") > 0
        assert np.count_nonzero(np.diff(beeps.astype(int)) == 1) + int(beeps[0]) == n_beeps
        assert "dBFS" in track.file_name
        assert len(to_pcm(samples)) == 4 * len(samples)
    assert "up to 5 dB beyond clean" in overlap_sentence(5.0)
    with pytest.raises(ValueError, match="0 dBFS"):
        make_track(Track("tone", 40.0, 1.0, 4.0))


def test_coming_back_says_how_far_and_then_to_hold() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    walk_through(volts(level((8, 8, 3), (8, 33, 6))), walk)
    stop = walk.view()
    assert stop.instruction.startswith("3 of 3. STOP. Turn the gain back by 0.")
    assert stop.ceiling_v == pytest.approx(30 / np.sqrt(2) * np.sqrt(1.04751), rel=0.01)
    assert f"left of the mark at {stop.ceiling_v:.2f} V" in stop.instruction
    walk_through(volts(level((24, 24, 0.5))), walk)
    held = walk.view()
    assert "Hold the knob there" in held.instruction
    below_db = 20 * np.log10(30 / 24) + 10 * np.log10(1.04751)  # closed form
    assert held.words.startswith(f"clean, {below_db:.1f} dB below the clean ceiling")


def test_a_tone_without_distortion_goes_by_its_level() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False, judged_to_hz=30.0)
    assert walk.goes_by_level
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    assert "Play the steps track" in walk.view().instruction
    assert "a tone up to 30 Hz" in walk.other_ways


def _source_turned_down_until_clean(walk: SetGainWalk) -> None:
    """The first step: a logged source that clips at 8 V of output, turned down by 1.5 dB as told, then Enter."""
    crest = level((12, 12, 1.5), (6.7, 6.7, 1.5))
    source = np.clip(crest * np.sin(2 * np.pi * 40.0 * np.arange(len(crest)) / HZ), -8, 8)
    walk_through(source, walk, source=source / 10)
    walk.answer("next")


def test_a_source_that_was_turned_down_until_clean_clips_no_more() -> None:
    """The curve of the amplifier begins behind that: else the old flats sent the walk back to the source for ever."""
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    _source_turned_down_until_clean(walk)
    assert (walk.step, walk.n_fresh_starts) == ("amplifier", 1)
    clean = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 2))), clean)
    clean.answer("next")
    assert (clean.step, clean.n_fresh_starts) == ("amplifier", 0)


def test_full_gain_with_the_source_at_its_edge_ends_the_walk() -> None:
    """Another round with more from the source would only clip there again."""
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    _source_turned_down_until_clean(walk)
    walk_through(volts(level((7, 20, 3), (20, 20, 1))), walk)
    walk.answer("full")
    assert walk.is_done
    found = conclude_setting(None, walk, None, 40.0, {})
    assert "do not reach the amplifier's edge" in str(found.measured["line"])
    assert "clean up to 14.1" in str(found.measured["line"])  # 20 V of crest
    assert "line driver" in str(found.measured["next"])


def test_a_raised_source_that_gives_no_more_is_a_level_held() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    for _ in range(2):
        assert walk.step == "amplifier"
        walk_through(volts(level((8, 13, 2), (13, 13, 1))), walk)
        walk.answer("full")
        walk_through(volts(level((5, 5, 1))), walk)
        walk.answer("next")
    assert walk.outcome == "level held (a limiter?)"


def test_no_ceiling_is_drawn_below_a_level_that_was_clean() -> None:
    """A knob turned in one jump looks distorted for a moment; what was clean louder than that refutes it."""
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((8, 8, 1))), walk)
    walk.answer("next")
    jumps = [(8.0, 10.0), (10.0, 14.0), (14.0, 19.0), (19.0, 25.0)]
    output = volts(level((8, 8, 1), *(part for a, b in jumps for part in ((a, b, 0.02), (b, b, 1.2)))))
    meter, heard_v, drawn = LiveMeter(40.0), 0.0, []
    for window in iter_windows_from_arrays({"output": output}, HZ, window_s=0.04):
        reading = meter.push(window)
        if reading is None:
            continue
        walk.push(reading)
        view = walk.view()
        heard_v = max(heard_v, view.level_v if view.state == "clean" else 0.0)
        drawn.append(view.ceiling_v is not None and view.ceiling_v < heard_v)
    assert heard_v > 17.0
    assert not any(drawn)


def test_keys_within_one_late_moment_are_one_turn() -> None:
    """Samples may be late: what was measured before the knob moved must not count as three turns at one level."""
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk_through(volts(level((20, 20, 1))), walk)
    walk.answer("next")
    walk_through(volts(level((20, 20, 0.5))), walk)
    for _ in range(3):
        walk.answer("turned")
    assert not walk.is_done
    assert "nothing newer was measured" in walk.view().notice


def test_a_level_held_has_no_edge_to_be_left_below() -> None:
    """A limiter distorts a little: the curve's 1 % point led the report, which said to leave the gain where it is."""
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    detector = GainStepDetector(4.0, "resistor")
    output = volts(level((20, 40, 6), (40, 40, 2)))
    for window in iter_windows_from_arrays({"output": output}, HZ, window_s=10.0):
        detector.push(window)
    (knee,) = [one for one in detector.finish().findings if one.kind == "knee"]
    assert knee.measured["knee_v"] is not None
    walk_through(output, walk)
    walk.outcome = "level held (a limiter?)"
    found = conclude_setting(knee, walk, walk._reading, 40.0, {})
    assert (found.measured["margin_db"], found.measured["knee_v"]) == (None, None)
    (step,) = advise_first_steps([knee, found])
    assert step.startswith("Look for a limiter or compressor")
