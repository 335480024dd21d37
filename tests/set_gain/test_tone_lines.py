"""Which tones play, and a level line that does not flicker between words while two of them beat."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.findings.line_words import name_other
from ampwitness.guide.set_gain import SetGainWalk, View
from ampwitness.guide.tone_lines import find_lines
from ampwitness.guide.tone_live import LiveMeter
from ampwitness.waveform.tone_folded import highest_judged_hz

RATE_HZ = 8000.0


def sines(*tones: tuple[float, float], seconds: float = 2.0) -> np.ndarray:
    """(hertz, crest volts) each, with a little noise."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = 0.004 * np.random.default_rng(7).standard_normal(len(time_s))
    return noise + sum(crest_v * np.sin(2 * np.pi * hz * time_s) for hz, crest_v in tones)


def views(output: np.ndarray, walk: SetGainWalk) -> list[View]:
    meter, seen = LiveMeter(40.0), []
    for window in iter_windows_from_arrays({"output": output}, RATE_HZ, window_s=0.04):
        if (reading := meter.push(window)) is not None:
            walk.push(reading)
        seen.append(walk.view())
    return seen


@pytest.mark.parametrize(("hz", "crest_v"), [(45, 10), (50, 2), (63, 5), (160, 5), (1000, 20)])
def test_the_second_tone_is_found(hz: float, crest_v: float) -> None:
    heard = find_lines(sines((40, 10), (hz, crest_v), seconds=1.0), RATE_HZ, 40.0)
    assert heard.tone_v == pytest.approx(10 / np.sqrt(2), rel=0.01)
    assert heard.other_hz == pytest.approx(hz, abs=0.1)
    assert heard.other_v == pytest.approx(crest_v / np.sqrt(2), rel=0.01)


def test_clipping_is_no_second_tone() -> None:
    square = 10 * np.sign(sines((40.3, 10)))
    one_sided = np.clip(sines((40.3, 10)), -10, 3)
    for output in (square, one_sided):
        assert find_lines(output[:8000], RATE_HZ, 40.0).other_percent < 10.0


@pytest.mark.parametrize(("hz", "crest_v"), [(50, 10), (50, 20), (63, 5), (1000, 20)])
def test_two_tones_do_not_flicker(hz: float, crest_v: float) -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    words = [view.words.split(",")[0] for view in views(sines((40, 10), (hz, crest_v)), walk)]
    assert len(list(groupby(words))) <= 5  # waiting, no tone, listening, two tones
    assert words[-1] == f"two tones: another at {hz:.0f} Hz"
    assert walk.step == "source"


@pytest.mark.parametrize(("hz", "crest_v"), [(42, 9), (38.4, 5)])
def test_tones_that_only_beat_are_told_as_such(hz: float, crest_v: float) -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    seen = views(sines((40, 10), (hz, crest_v), seconds=5.0), walk)
    words = [view.words for view in seen[len(seen) // 2 :]]
    assert set(words) == {f"two tones or a beating tone, {abs(hz - 40):.1f} Hz apart"}
    assert walk.step == "source"
    swells = sines((40, 10), seconds=3.0) * np.linspace(0.4, 1.0, round(3 * RATE_HZ))
    assert not any("beating" in view.words for view in views(swells, SetGainWalk(40.0, "resistor", is_hands_free=True)))


def test_a_level_that_jumps_is_no_second_tone() -> None:
    jump = sines((40, 10)) * np.repeat([0.02, 1.0, 0.2, 0.9], 4000)
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    assert {view.state for view in views(jump, walk)} <= {"no tone", "rising", "clean", "too quiet"}


def test_a_tone_that_stops_is_not_said_to_rise() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    stops = sines((40, 10), seconds=3.0) * (np.arange(round(3 * RATE_HZ)) < 2 * RATE_HZ)
    words = [view.words for view in views(stops, walk)][-30:]
    assert "the level jumps" in words
    assert not any(said.startswith("rising") for said in words)


def test_a_tone_too_quiet_to_judge_is_not_called_clean() -> None:
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    last = views(sines((40, 0.5)), walk)[-1]
    assert last.state == "too quiet"
    assert last.words.startswith("too quiet to judge: only that THD is below ")
    loud = SetGainWalk(40.0, "resistor", is_hands_free=False)
    assert views(sines((40, 6.0)), loud)[-1].state == "clean"


@pytest.mark.parametrize("over", [1.0135, 1.0421])  # THD of 0.40 and 1.50 %, where the words change
def test_words_do_not_flicker_at_their_thresholds(over: float) -> None:
    time_s = np.arange(round(3 * RATE_HZ)) / RATE_HZ
    noise = 0.03 * np.random.default_rng(5).standard_normal(len(time_s))
    walk = SetGainWalk(40.0, "resistor", is_hands_free=False)
    walk.step = "come back"
    states = [v.state for v in views(np.clip(20 * over * np.sin(2 * np.pi * 40 * time_s), -20, 20) + noise, walk)]
    assert len(list(groupby(states))) <= 4


def test_only_mains_is_called_hum() -> None:
    assert [name_other(hz) for hz in (50.1, 120, 63, 7000)] == [
        " (hum?)",
        " (hum?)",
        "",
        " (whine or switching noise?)",
    ]
    assert "(hum?)" not in views(sines((40, 10), (7000 / 2, 0.5)), SetGainWalk(40.0, "none", False))[-1].thd_words


def test_a_tone_that_begins_after_silence_is_never_two() -> None:
    """The strongest line of the silence before is none of its own."""
    volts = 0.037 * np.random.default_rng(3).standard_normal(16000)
    volts[8000:] += 9 * np.sin(2 * np.pi * 40 * np.arange(8000) / RATE_HZ) * np.minimum(np.arange(8000) / 400, 1)
    said = [view.words for view in views(volts, SetGainWalk(40.0, "none", False))]
    assert said[-1].startswith("clean")
    assert not [words for words in said if "two tones" in words]


def test_a_high_tone_that_is_too_quiet_says_so_and_measures_where_it_is_loud() -> None:
    """Its distortion is judged once a second, and at half a volt never."""
    rate_hz = 25_000.0

    def last_words(level_v: float) -> str:
        walk, meter = SetGainWalk(3000.0, "none", False, highest_judged_hz(rate_hz)), LiveMeter(3000.0)
        time_s = np.arange(round(3 * rate_hz)) / rate_hz
        for window in iter_windows_from_arrays({"output": level_v * np.sin(18850 * time_s)}, rate_hz, window_s=0.04):
            if (reading := meter.push(window)) is not None:
                walk.push(reading)
        return walk.view().words

    assert last_words(0.5) == "too quiet for its distortion to be judged: turn it up"
    assert last_words(14.0).startswith("measuring: ")
