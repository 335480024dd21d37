"""Slow mutes of what never pauses are dated where they begin, whatever their course and however long they take."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_faults import make_case as make_fault
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts import cutout_watch
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.findings.road_words import explain_cutout
from ampwitness.types import Edge

AT = np.arange(6 * RATE_HZ) / RATE_HZ
START_S = 3.0


@pytest.mark.parametrize("course", ["exponential", "line"])
@pytest.mark.parametrize("long_s", [0.06, 0.75])
@pytest.mark.parametrize(("kind", "within_s"), [("tone", 0.0125), ("noise", 0.06)])
def test_a_slow_mute_is_dated_by_its_beginning(course: str, long_s: float, kind: str, within_s: float) -> None:
    rng = np.random.default_rng(11)
    wave = 12 * np.sin(2 * np.pi * 41 * AT)
    if kind == "noise":
        wave = np.convolve(rng.standard_normal(len(AT)), np.hanning(25), "same")
    u = np.maximum(AT - START_S, 0.0) / long_s
    gate = np.exp(-4 * u) if course == "exponential" else np.maximum(1 - u, 0.0)
    volts = wave * np.where(AT > 5.0, 1.0, gate) + rng.normal(0, 0.025, len(AT))
    found, _ = find_cutouts(CutoutCase({"output": volts}, "", is_continuous=True))
    assert found[0].start_s == pytest.approx(START_S, abs=within_s)
    doubt_s = found[0].measured["start_uncertainty_s"]
    assert isinstance(doubt_s, float)
    assert abs(found[0].start_s - START_S) <= doubt_s <= (0.0125 if kind == "tone" else 0.15)
    said = f"its start is known to +-{1e3 * doubt_s:.0f} ms" in " ".join(explain_cutout(found[0]))
    assert said == (doubt_s > 0.013)
    if kind == "noise" and long_s > 0.5:
        assert said


def test_ends_that_are_no_findings_are_left_undated_and_findings_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    dated: list[float] = []
    measure = cutout_watch.measure_fade

    def count(run: RunSteps, stop: Stop, is_continuous: bool, on_since: int, known: int) -> None:
        dated.append(stop.stop_s)
        measure(run, stop, is_continuous, on_since, known)

    monkeypatch.setattr(cutout_watch, "measure_fade", count)
    case = make_case("over-current, no source", 100)
    found, _ = find_cutouts(case)
    assert not dated
    monkeypatch.setattr(cutout_watch, "may_be_told", lambda *_: True)
    assert find_cutouts(case)[0] == found
    assert len(dated) == 3


def test_a_noise_that_happens_to_be_loud_before_a_slow_mute_does_not_move_its_date() -> None:
    """Of 3 s of steady noise the last 0.8 s say the level it falls from no better than chance lets them."""
    case = make_case("very slow mute, continuous", 146)  # 57 ms off where only they are asked
    (found,) = find_cutouts(case)[0]
    assert found.start_s == pytest.approx(case.start_s[0], abs=0.04)


def test_a_mute_of_noise_is_dated_by_all_its_frequencies() -> None:
    """The least that is possible (Cramer-Rao): 24 ms by its power alone, 11 ms by all its frequencies."""
    off_s, n_held = [], 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        wave = np.convolve(rng.standard_normal(len(AT)), np.hanning(25), "same")
        gate = np.maximum(1 - np.maximum(AT - START_S, 0.0) / 0.7, 0.0)
        volts = 6 * wave / np.std(wave) * gate + rng.normal(0, 0.025, len(AT))
        (found,) = find_cutouts(CutoutCase({"output": volts}, "", is_continuous=True))[0]
        off_s.append(found.start_s - START_S)
        n_held += abs(off_s[-1]) <= float(found.measured["start_uncertainty_s"] or 0.0)
    assert float(np.sqrt(np.mean(np.square(off_s)))) < 0.020
    assert n_held >= 9


@pytest.mark.parametrize("kind", ["tone", "noise"])
def test_a_fade_behind_a_remote_lead_that_fell_is_dated_though_the_programme_may_pause(kind: str) -> None:
    rng = np.random.default_rng(12)
    wave = 12 * np.sin(2 * np.pi * 41 * AT)
    if kind == "noise":
        wave = np.convolve(rng.standard_normal(len(AT)), np.hanning(25), "same")
    edges = (Edge("remote", 1, 0.01, "", 80), Edge("remote", 0, 2.97, "", 23760))
    volts = wave * np.clip(1 - (AT - START_S) / 0.45, 0, 1) + rng.normal(0, 0.025, len(AT))
    (found,) = find_cutouts(CutoutCase({"output": volts}, "", edges))[0]
    assert found.measured["cause"] == "remote lead dropped"
    doubt_s = found.measured["start_uncertainty_s"]
    assert isinstance(doubt_s, float)
    assert abs(found.start_s - START_S) < min(0.08, doubt_s)
    case = make_fault("late after the remote", 129)  # a level that sank by itself; the mute itself is brief
    assert find_cutouts(case)[0][0].start_s == pytest.approx(case.start_s[0], abs=0.005)


@pytest.mark.parametrize("course", ["exponential", "line", "cosine"])
@pytest.mark.parametrize("long_s", [0.03, 0.1])
def test_a_short_fade_behind_a_remote_lead_is_dated_where_it_begins_and_is_no_pop(course: str, long_s: float) -> None:
    saw = sum(np.sin(2 * np.pi * 53 * k * AT) / k for k in (1, 2, 3, 4))
    u = np.clip((AT - START_S) / long_s, 0, 1)
    gates = {"exponential": np.exp(-4 * u) * (u < 1), "line": 1 - u, "cosine": 0.5 + 0.5 * np.cos(np.pi * u)}
    edges = (Edge("remote", 1, 0.01, "", 80), Edge("remote", 0, 2.98, "", 23840))
    volts = 9 * saw * gates[course] + np.random.default_rng(12).normal(0, 0.025, len(AT))
    (found,) = find_cutouts(CutoutCase({"output": volts}, "", edges))[0]
    assert found.measured["cause"] == "remote lead dropped"
    doubt_s = found.measured["start_uncertainty_s"]
    assert isinstance(doubt_s, float)
    assert abs(found.start_s - START_S) < min(0.0125 + 0.1 * long_s, doubt_s + 0.001)
    assert found.evidence["pop_v"] is None
