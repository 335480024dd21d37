"""A stop at a zero crossing that nothing explains, and silences that are counted where there is no finding."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.silences import Silence, sum_silences
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.headline import word_headline
from ampwitness.findings.wording import word_equal
from ampwitness.types import Analysis, Edge, Finding, FloatArray
from scipy import signal

AT = np.arange(30 * RATE_HZ) / RATE_HZ
ON = (Edge("remote", 1, 0.01, "", 80),)
TONE = 20 * np.sin(2 * np.pi * 50 * AT)  # crosses zero at each whole hundredth of a second


def _find(
    wave: FloatArray, window_s: float = 10.0, edges: tuple[Edge, ...] = ON, noise_v: float = 0.01, **more: FloatArray
) -> tuple[list[Finding], dict[str, Any]]:
    rng = np.random.default_rng(5)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6), **more}
    noisy = {role: values + rng.normal(0, noise_v, len(AT)) for role, values in volts.items()}
    found, summary = find_cutouts(CutoutCase(noisy, "", edges), window_s)
    silences = summary["silences"]
    assert isinstance(silences, dict)
    return list(found), silences


def _stopped(*spans_s: tuple[float, float], wave: FloatArray = TONE) -> FloatArray:
    out = wave.copy()
    for start_s, stop_s in spans_s:
        out[(start_s <= AT) & (stop_s > AT)] = 0.0
    return out


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_a_tone_that_stops_at_its_zero_crossing_is_told_and_left_undecided(window_s: float) -> None:
    (stop,), silences = _find(_stopped((7.0, 10.0)), window_s)
    assert stop.start_s == pytest.approx(7.0, abs=0.005)
    assert str(stop.measured["cause"]).startswith("not decided: the signal may have paused at the source")
    assert stop.evidence["stopped_how"] == "within about a half-cycle"
    assert silences["n"] == 0  # what is a finding is not counted once more


def test_a_tone_that_stops_so_for_half_a_second_again_and_again_is_one_that_is_keyed() -> None:
    found, silences = _find(_stopped((7.0, 7.5)))
    assert found == []
    assert (silences["n"], silences["least_s"]) == (1, 0.3)
    found, silences = _find(_stopped((7.0, 7.5), (9.0, 9.5), (11.0, 11.5)))
    assert found == []
    assert silences["n"] == 0


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_a_soft_mute_of_noise_that_never_rests_is_counted_however_short(window_s: float) -> None:
    """An amplifier that mutes in 20 ms, and noise behind a crossover: no cut, yet no programme that rests either."""
    noise = signal.lfilter([0.05], [1.0, -0.95], 30 * np.random.default_rng(6).standard_normal(len(AT)))
    muted = noise * np.interp(AT, [12.0, 12.02, 12.9, 13.1], [1.0, 0.0, 0.0, 1.0])
    found, silences = _find(muted, window_s)
    assert (len(found), silences["n"]) in ((0, 1), (1, 0))
    assert found or silences["longest_s"] == pytest.approx(0.9, abs=0.05)
    rests = np.where(AT % 2.0 > 1.6, 0.0, 1.0)  # of a line that rests every other second
    assert _find(noise * np.clip(np.convolve(rests, np.ones(400) / 400, "same"), 0.0, 1.0), window_s)[1]["n"] == 0


def test_a_note_that_fades_is_no_stop_but_the_silence_behind_it_is_counted() -> None:
    fades = TONE * np.clip((7.0 - AT) / 0.5, 0.0, 1.0) + np.where(AT > 21.0, TONE, 0.0)
    again = fades * np.clip((24.0 - AT) / 0.5, 0.0, 1.0) + np.where(AT > 26.0, TONE, 0.0)
    for window_s in (1.0, 10.0, 60.0):
        found, silences = _find(again, window_s)
        assert found == []
        assert silences["n"] == 2
        assert silences["longest_s"] == pytest.approx(14.0, abs=0.05)
        assert silences["longest_start_s"] == pytest.approx(7.0, abs=0.05)
        assert silences["total_s"] == pytest.approx(16.0, abs=0.1)


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_noise_whose_tops_reach_the_level_of_silence_ends_none(window_s: float) -> None:
    fades = TONE * np.clip((7.0 - AT) / 0.5, 0.0, 1.0) + np.where(AT > 21.0, TONE, 0.0)
    for noise_v in (0.01, 0.045, 0.06):  # 10 ms of it swing by up to four times that; silent is below 0.2 V here
        found, silences = _find(fades, window_s, noise_v=noise_v)
        assert (found, silences["n"]) == ([], 1)
        assert silences["longest_s"] == pytest.approx(14.0, abs=0.1)


def test_what_lies_within_a_stop_that_is_told_is_not_counted_once_more() -> None:
    silences = [Silence(12.0, 20.0), Silence(23.5, 55.2), Silence(60.0, 63.0)]
    assert sum_silences(silences, [(17.2, 55.2)], ())["n"] == 1
    assert sum_silences(silences, [], ())["longest_start_s"] == 23.5


def test_no_silence_is_counted_ahead_of_the_first_sound_beside_a_logged_source_or_behind_a_turn_off() -> None:
    begins = np.where(AT > 5.0, TONE, 0.0)
    assert _find(begins)[1]["n"] == 0
    fades = TONE * np.clip((7.0 - AT) / 0.5, 0.0, 1.0)
    assert _find(fades)[1]["n"] == 1
    assert _find(fades, source=fades / 20)[1]["n"] == 0
    off = (*ON, Edge("remote", 0, 6.9, "", 80))
    assert _find(fades, edges=off)[1]["n"] == 0


def test_what_has_been_silent_for_a_moment_as_the_recording_ends_is_not_counted() -> None:
    fades = TONE * np.clip((26.5 - AT) / 0.5, 0.0, 1.0)
    assert _find(fades)[1]["n"] == 0
    assert _find(TONE * np.clip((20.0 - AT) / 0.5, 0.0, 1.0))[1]["n"] == 1


def test_no_report_denies_cut_outs_beside_a_silence_that_nothing_explains(small_analysis: Analysis) -> None:
    silences = {"n": 1, "least_s": 1.0, "total_s": 23.5, "longest_start_s": 70.634, "longest_s": 23.5}
    once = {"cutouts": {"silences": silences}}
    bare = dataclasses.replace(small_analysis, findings=(), summary=once)
    assert "no cut-out proven, but silent once for 23.5 s (a pause or a cut-out)" in word_headline(bare)
    (step,) = advise_first_steps((), once, bare.coverage)
    assert step.startswith("Listen whether the music pauses at 1:10.634. The output was silent once for 23.5 s")
    five = {"cutouts": {"silences": {**silences, "n": 6, "n_equal": 5, "equal_s": 8.85}}}
    (step,) = advise_first_steps((), five, bare.coverage)
    assert "silent 6 times, the longest for 23.5 s" in step
    assert "5 of them last 8.85 s each and begin at odd moments" in step
    assert "If the music does not pause there, take the speaker leads off and play the same passage" in step
    none = {"cutouts": {"silences": {**silences, "n": 0}}}
    assert "no cut-out in 4.0 s" in word_headline(dataclasses.replace(bare, summary=none))


def test_silences_of_an_amplifiers_wait_are_told_of_as_equal() -> None:
    spans = [Silence(start_s, start_s + 8.85, 11.9) for start_s in (20.884, 31.2, 44.75, 53.9, 66.02)]
    said = sum_silences(spans, (), ())
    assert (said["n"], said["n_equal"]) == (5, 5)
    assert said["equal_s"] == pytest.approx(8.85)
    assert (said["n_low"], said["low_v"]) == (0, None)


def test_silences_that_begin_where_the_amplifier_lets_go_are_told_of() -> None:
    silences = [Silence(5.0, 7.0, 10.30), Silence(20.0, 22.0, 12.1), Silence(31.0, 33.0)]
    said = sum_silences(silences, (), (), {"level_v": 10.4})
    assert (said["n"], said["n_low"], said["low_v"]) == (3, 1, 10.30)
    assert "1 of them began within a third of a second of a supply of 10.30 V or less" in word_equal(said)
    assert "at which this amplifier was seen to switch off" in word_equal(said)
    common = sum_silences([Silence(5.0, 7.0, 8.0)], (), ())
    assert (common["n_low"], common["is_low_seen"]) == (1, False)
    assert "It began within a third of a second of a supply of 8.00 V or less, at which amplifiers commonly let go" in (
        word_equal(common)
    )


def test_brief_silences_of_one_length_at_odd_moments_are_counted_and_told_beside_other_steps() -> None:
    """A protection that waits for half a second in music that never rests; on a beat they are the music's."""
    odd_s = (2.13, 5.61, 8.02, 12.77, 16.38, 21.04, 25.9)
    soft = np.prod([1.0 - np.interp(AT, [a, a + 0.02, a + 0.5, a + 0.52], [0, 1, 1, 0]) for a in odd_s], axis=0)
    noise = signal.lfilter([0.05], [1.0, -0.95], 30 * np.random.default_rng(8).standard_normal(len(AT)))
    found, silences = _find(noise * soft)
    assert len(found) + silences["n"] == len(odd_s)
    assert silences["n_equal"] >= 4
    beat = np.prod(
        [1.0 - np.interp(AT, [a, a + 0.02, a + 0.5, a + 0.52], [0, 1, 1, 0]) for a in range(2, 28, 2)], axis=0
    )
    assert _find(noise * beat)[1]["n"] == 0
    note = Finding("drift", 0.0, 9.0, "attention", {"change_db": -1.0}, {}, {})
    steps = advise_first_steps([note], {"cutouts": {"silences": silences}})
    assert any("begin at odd moments" in step for step in steps)
    assert not any("begin at odd" in step for step in advise_first_steps([note], {"cutouts": {"silences": {"n": 0}}}))
