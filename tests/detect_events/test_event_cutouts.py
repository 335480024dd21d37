"""The cut-out detector: what stopped, when, and what may be said of the cause."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_signals import CUTOUT_CLASSES, make_cutout_case
from ampwitness.bench.event_scores import detect
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.types import Edge
from event_material import RATE_HZ, burst, decaying_notes, logged, run, seconds


@pytest.mark.parametrize("seed", [701, 702, 703])
@pytest.mark.parametrize("name", sorted(CUTOUT_CLASSES))
def test_drawn_classes(name: str, seed: int) -> None:
    case, start_s, stop_s, wanted = make_cutout_case(name, seed)
    found = detect(CutoutDetector(is_continuous=name.startswith("continuous")), case)
    if wanted == "none":
        assert not found
        return
    (cutout,) = found
    assert str(cutout.measured["cause"]).startswith(wanted)
    assert start_s is not None
    assert cutout.start_s == pytest.approx(start_s, abs=0.015 if name.endswith("slow mute") else 0.005)
    if stop_s is not None:
        assert cutout.stop_s == pytest.approx(stop_s, abs=0.002)
        assert cutout.measured["recovered"]
    else:
        assert not cutout.measured["recovered"]


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0, 0.27])
def test_findings_do_not_depend_on_the_windows(window_s: float) -> None:
    case, *_ = make_cutout_case("remote dropped", 5)
    whole = detect(CutoutDetector(), case, window_s=5.0)
    assert whole == detect(CutoutDetector(), case, window_s=window_s)
    assert len(whole) == 1


def test_tone_bursts_that_end_at_zero_are_pauses_even_on_a_sagging_supply() -> None:
    time_s = seconds(5.0)
    wave = (
        burst(time_s, 40.0, 0.5, 1.5, 20.0) + burst(time_s, 50.0, 2.0, 3.0, 20.0) + burst(time_s, 60.0, 3.5, 4.5, 20.0)
    )
    sag = np.convolve(np.abs(wave) > 0, np.full(400, 2.0 / 400), "full")[: len(wave)]
    assert not run(CutoutDetector(), logged(wave, 12.6 - sag)).findings


def test_a_stop_while_the_supply_sat_low_for_long_is_not_blamed_on_it() -> None:
    time_s = seconds(5.0)
    wave = np.where((time_s > 0.5) & (time_s < 3.0055), 20 * np.sin(2 * np.pi * 40 * time_s), 0)  # cut at a crest
    supply = np.where((time_s > 0.5) & (time_s < 3.0055), 10.8, 12.6)
    (cutout,) = run(CutoutDetector(), logged(wave, supply)).findings
    assert cutout.measured["cause"] == "not decided: the signal may have paused at the source"
    assert any("had gone on through" in reason for reason in cutout.evidence["reasons"])


def test_a_gap_is_never_a_cut_out() -> None:
    time_s = seconds(4.0)
    wave = 20 * np.sin(2 * np.pi * 40 * time_s)
    assert not run(CutoutDetector(is_continuous=True), logged(wave), lost=[(10_001, 18_000)]).findings


def test_a_gap_within_the_silence_leaves_the_end_open() -> None:
    time_s = seconds(6.0)
    wave = np.where((time_s < 2.0055) | (time_s > 5.0), 20 * np.sin(2 * np.pi * 40 * time_s), 0)
    (cutout,) = run(CutoutDetector(), logged(wave), lost=[(24_000, 32_000)]).findings
    assert cutout.start_s == pytest.approx(2.0055, abs=0.001)
    assert cutout.stop_s == pytest.approx(3.0)
    assert not cutout.measured["recovered"]


@pytest.mark.parametrize(("quiet_s", "is_continuous", "is_told"), [(0.04, False, 0), (0.04, True, 1), (0.015, True, 0)])
def test_quiet_shorter_than_50_ms_is_a_cut_out_only_of_a_signal_that_never_pauses(
    quiet_s: float, is_continuous: bool, is_told: int
) -> None:
    """A tone lies still for 40 ms at no crossing of zero; for 15 ms a slow one nearly does."""
    time_s = seconds(4.0)
    wave = np.where((time_s > 2.0055) & (time_s < 2.0055 + quiet_s), 0, 20 * np.sin(2 * np.pi * 40 * time_s))
    found = run(CutoutDetector(is_continuous=is_continuous), logged(wave)).findings
    assert len(found) == is_told
    for cutout in found:
        assert (cutout.start_s, cutout.stop_s) == (pytest.approx(2.0055, abs=0.002), pytest.approx(2.0455, abs=0.002))


def test_continuous_makes_any_silence_a_cut_out() -> None:
    time_s = seconds(4.0)
    wave = burst(time_s, 40.0, 0.0, 2.0, 20.0) + burst(time_s, 40.0, 2.8, 4.0, 20.0)
    assert not run(CutoutDetector(), logged(wave)).findings
    (cutout,) = run(CutoutDetector(is_continuous=True), logged(wave)).findings
    assert (cutout.start_s, cutout.stop_s) == (pytest.approx(2.0, abs=0.002), pytest.approx(2.8, abs=0.002))


def test_remote_and_supply_falling_together_is_undecided() -> None:
    time_s = seconds(4.0)
    wave = np.where(time_s < 2.0055, 20 * np.sin(2 * np.pi * 40 * time_s), 0)
    supply = np.where(time_s < 2.004, 12.6, 0.02)
    edges = (Edge("remote", 0, 2.004, "s", round(2.004 * RATE_HZ)),)
    found = run(CutoutDetector(is_continuous=True), logged(wave, supply), edges=edges).findings
    assert found[0].measured["cause"] == "not decided: remote lead and supply fell together"


def test_analog_remote_lead() -> None:
    time_s = seconds(4.0)
    wave = np.where((time_s < 2.0055) | (time_s > 3.0), 20 * np.sin(2 * np.pi * 40 * time_s), 0)
    volts = logged(wave, np.full(len(wave), 12.6))
    volts["remote"] = np.where((time_s > 1.998) & (time_s < 2.9), 0.3, 12.0)
    (cutout,) = run(CutoutDetector(), volts).findings
    assert cutout.measured["cause"] == "remote lead dropped"


def test_decaying_notes_are_none() -> None:
    time_s = seconds(6.0)
    wave = decaying_notes(time_s, (0.5, 1.7, 2.9, 4.1), (41.2, 55.0, 49.0, 36.7))
    assert not run(CutoutDetector(), logged(wave, np.full(len(wave), 12.6))).findings


@pytest.mark.parametrize("beyond_s", [0.001, 0.012, 0.030])
def test_a_recording_may_end_within_a_hundredth_of_a_second_after_a_block(beyond_s: float) -> None:
    time_s = seconds(20.0 + beyond_s)
    wave = np.where(time_s < 18.0055, 20 * np.sin(2 * np.pi * 40 * time_s), 0)  # cut at a crest
    (cutout,) = run(CutoutDetector(), logged(wave, np.full(len(time_s), 12.6))).findings
    assert cutout.start_s == pytest.approx(18.0055, abs=0.005)
    assert cutout.stop_s == pytest.approx(20.0 + beyond_s)


def test_no_output_channel_is_not_judged() -> None:
    result = run(CutoutDetector(), {"supply": np.full(8000, 12.6)})
    assert result.coverage.judged_s == 0
    assert result.coverage.not_judged[0].reason == "no output channel"
