"""Tones whose flats are too short to be seen: what their own distortion tells, and what is then said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.short_flats import highest_seen_hz, leave_out_short_flats
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.tone_words import word_distorted
from ampwitness.types import Coverage, Finding
from ampwitness.waveform.tone_clip import cut_sine_harmonics, thd_ratio_of

RATE_HZ = 8000.0
AT_ONE_DB = math.acos(10 ** (-1 / 20))


def cut_tone(hz: float, seconds: float = 10.0, cut_rad: float = AT_ONE_DB, second_ratio: float = 0.0) -> np.ndarray:
    """A sine of 30 V cut by formula, its harmonics below half the rate alone, with a little noise."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    harmonics = cut_sine_harmonics(cut_rad, cut_rad, int(0.49 * RATE_HZ / hz))
    angle = 2 * np.pi * hz * time
    volts = 30 * sum(h * np.cos(k * angle) for k, h in enumerate(harmonics)) + 30 * second_ratio * np.cos(2 * angle + 1)
    return np.asarray(volts + np.random.default_rng(1).normal(0, 0.02, len(time)))


def tones_of(output: np.ndarray) -> list[Finding]:
    detector = GainStepDetector(4.0, "resistor")
    for window in iter_windows_from_arrays({"output": output}, RATE_HZ, window_s=10.0):
        detector.push(window)
    return [finding for finding in detector.finish().findings if finding.kind == "tone"]


def test_a_clipped_tone_of_500_hz_is_told_by_its_distortion() -> None:
    (tone,) = tones_of(cut_tone(500.0))
    truth = 100 * thd_ratio_of(cut_sine_harmonics(AT_ONE_DB, AT_ONE_DB, 40))
    assert tone.severity == "attention"
    assert tone.measured["distortion_percent"] == pytest.approx(truth, rel=0.03)
    assert tone.measured["left_overdrive_db"] == pytest.approx(1.0, abs=0.1)
    assert word_distorted(FindingList.of([tone])) == [f"a 500 Hz tone distorted by {truth:.1f} %"]
    (step,) = advise_first_steps([tone])
    assert step.startswith("Turn down by 1.0 dB")
    assert "amplifier's or its source's" in step


def test_where_harmonics_fold_what_can_be_seen_is_told_as_such() -> None:
    (tone,) = tones_of(cut_tone(1000.0))
    assert tone.measured["thd_percent"] is None
    (words,) = word_distorted(FindingList.of([tone]))
    assert words.endswith("as far as can be seen")
    assert advise_first_steps([tone])[0].startswith("Turn down by about")


def test_a_second_harmonic_is_not_called_a_ceiling() -> None:
    (tone,) = tones_of(cut_tone(500.0, cut_rad=0.0, second_ratio=0.04))
    assert tone.measured["left_overdrive_db"] is None
    (step,) = advise_first_steps([tone])
    assert step.startswith("Find what distorts the 500 Hz tone")
    (held,) = tones_of(cut_tone(500.0, seconds=4.0, cut_rad=0.0, second_ratio=0.04))  # as a note of music may be
    assert held.measured["distortion_percent"] is None


def test_a_held_note_whose_crests_happen_to_be_low_is_no_distorted_tone() -> None:
    """Partials as an examiner drew them: a second of 8 % and a third of 10 % that leave a crest like a sine's."""
    time = np.arange(round(3 * RATE_HZ)) / RATE_HZ
    angle = 2 * np.pi * 80.0 * time
    note = 10 * (np.sin(angle) + 0.08 * np.sin(2 * angle) + 0.1 * np.sin(3 * angle))
    (tone,) = tones_of(note + np.random.default_rng(1).normal(0, 0.02, len(time)))
    assert tone.evidence["crest_ratio"] < 1.5
    assert tone.evidence["odd_percent"] > tone.evidence["even_percent"]
    assert tone.measured["distortion_percent"] is None


@pytest.mark.parametrize("cut_rad", [0.0, math.acos(0.98)])
def test_below_one_per_cent_nothing_is_told(cut_rad: float) -> None:
    (tone,) = tones_of(cut_tone(500.0, cut_rad=cut_rad))
    assert tone.measured["distortion_percent"] is None
    assert word_distorted(FindingList.of([tone])) == []
    assert advise_first_steps([tone]) == ("Nothing that asks for action was found in what was looked at.",)


def test_a_tone_that_neither_flats_nor_harmonics_tell_is_said_to_be_unseen() -> None:
    (tone,) = tones_of(cut_tone(2000.0))
    (step,) = advise_first_steps([tone])
    assert step.startswith("Play a tone of 680 Hz or lower as well. Whether the 2000 Hz tone is clipped")


def _clip(start_s: float, overdrive_db: float = 0.8, high_db: float = 5.6) -> Finding:
    measured = {"overdrive_db": overdrive_db, "overdrive_high_db": high_db, "cause": "drive"}
    return Finding("clip", start_s, start_s + 0.0005, "attention", measured, {}, {})


def test_the_search_for_flats_leaves_out_tones_too_high_for_it() -> None:
    assert highest_seen_hz(RATE_HZ) == pytest.approx(300, abs=1)
    clipping = DetectorResult(FindingList.of([]), Coverage("clipping", 10.0, ()), {})
    for hz, is_left_out in ((500.0, True), (250.0, False)):
        tones = tones_of(cut_tone(hz))
        coverage = leave_out_short_flats(clipping, tones).coverage
        assert bool(coverage.not_judged) == is_left_out
        assert coverage.judged_s == pytest.approx(0.0 if is_left_out else 10.0, abs=0.6)
    found = DetectorResult(FindingList.of([_clip(5.0)]), Coverage("clipping", 10.0, ()), {})
    assert leave_out_short_flats(found, tones_of(cut_tone(500.0))) is found


def test_harmonics_tell_more_than_flats_of_a_few_samples() -> None:
    clips = [_clip(at_s) for at_s in (3.0, 4.0, 5.0)]
    (step,) = advise_first_steps([*tones_of(cut_tone(250.0, cut_rad=math.acos(0.8))), *clips])
    assert step.startswith("Turn the gain down by 1.9 dB")
    (alone,) = advise_first_steps(clips)
    assert "up to 5.6 dB is possible" in alone
    assert "possible" not in advise_first_steps([_clip(3.0, 0.8, 1.1)])[0]
