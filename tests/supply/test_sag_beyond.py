"""Sag that the notes' own power does not explain: another consumer in some of the notes, and none."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.sag_beyond import LEAST_BEYOND_V
from ampwitness.detect.supply.supply_model import SupplyOptions
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.described import describe_finding
from ampwitness.findings.selection import rank_places
from ampwitness.findings.supply_words import word_supply
from ampwitness.findings.wording import find_worst

RATE_HZ = 4000.0
LOAD_OHM, EFFICIENCY, SOURCE_OHM, OPEN_V = 4.0, 0.75, 0.03, 12.6


@pytest.mark.parametrize("with_consumer_from", [18, 99])
def test_a_consumer_within_notes_is_told_and_none_is_invented(with_consumer_from: int) -> None:
    """24 notes of falling and of even level; from the 18th on 50 A of something else flow within each."""
    rng = np.random.default_rng(5)
    at_s = np.arange(0, 26.0, 1 / RATE_HZ)
    within_s, number = (at_s - 1.0) % 1.0, np.floor(at_s - 1.0).astype(int)
    plays = (within_s < 0.6) & (number >= 0) & (number < 24)
    level_v = rng.uniform(8.0, 30.0, 26)[np.clip(number, 0, 25)]
    dies_away = np.where(number % 2 == 0, np.exp(-within_s / 0.3), 1.0)
    edge = np.clip(within_s / 0.004, 0, 1) * np.clip((0.6 - within_s) / 0.02, 0, 1)
    output_v = np.where(plays, level_v * dies_away * edge * np.sin(2 * np.pi * 55.0 * within_s), 0.0)
    other_a = 50.0 * ((number >= with_consumer_from) & plays & (within_s > 0.1) & (within_s < 0.5))
    amplifier_a = output_v**2 / LOAD_OHM / EFFICIENCY / 12.0
    supply_v = OPEN_V - SOURCE_OHM * (amplifier_a + other_a) + 0.002 * rng.normal(size=len(at_s))
    volts = {"output": output_v + 0.002 * rng.normal(size=len(at_s)), "supply": supply_v}
    options = DetectOptions(supply=SupplyOptions(load_ohm=LOAD_OHM, load_kind="resistor"))
    results = run_all(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0), options)
    supply = next(r.summary for r in results if r.coverage.detector == "supply")
    beyond = supply["states"]["at rest"]["beyond_own_power"]
    words = " ".join(word_supply({"supply": supply}))
    steps = advise_first_steps(FindingList([r.findings for r in results]), {"supply": supply})
    notes = FindingList.of(next(r.findings for r in results if r.coverage.detector == "notes"))
    sag_v, own_v = notes.values("sag_v"), notes.values("sag_own_v")
    worst = find_worst(notes, "note")
    assert worst is not None
    assert worst.start_s == pytest.approx(notes[int(rank_places(notes)[0])].start_s)
    if with_consumer_from > 24:
        assert (own_v == notes.values("sag_without_end_v")).all()
        assert "own power explains" not in describe_finding(worst)
        assert beyond is None
        assert "fell further" not in words
        assert not any("what else" in step for step in steps)
        return
    # The consumer's notes are the deepest; the one that leads sags by itself as far as any of them does.
    power_v = np.array([float(np.max(amplifier_a[(number == k) & plays])) * SOURCE_OHM for k in range(24)])
    deepest = notes[int(np.nanargmax(sag_v))]
    assert deepest.start_s > 18.9
    assert own_v[np.nanargmax(sag_v)] < sag_v.max() - LEAST_BEYOND_V
    assert worst.start_s < 18.9 or worst.measured["sag_v"] < 1.3 * power_v.max()
    assert own_v.max() < 1.3 * power_v.max() < sag_v.max()
    assert "of which its own power explains" in describe_finding(deepest)
    assert beyond is not None
    assert 4 <= beyond["n_notes"] <= 6
    assert beyond["n_looked_at"] >= 20
    assert beyond["start_s"] > 18.9
    assert beyond["sag_v"] - beyond["explained_v"] < 50.0 * SOURCE_OHM + 0.05
    assert "Something else took current at that moment" in words
    assert any(step.startswith("Find what else pulls the supply down. Under") for step in steps)


def test_a_note_across_the_engines_stop_is_not_the_worst() -> None:
    """Charging ends within the twelfth note, the supply falls by 1.6 V: that is no sag of the note's own, which leads
    neither the list nor the advice."""
    rng = np.random.default_rng(6)
    at_s = np.arange(0, 26.0, 1 / RATE_HZ)
    within_s = at_s % 1.0
    plays = (within_s > 0.2) & (within_s < 0.7) & (at_s > 1.0) & (at_s < 25.0)
    output_v = np.where(plays, 24.0 * np.sin(2 * np.pi * 55.0 * within_s), 0.0)
    open_v = np.where(at_s < 12.4, 14.2, 12.6 + 1.6 * np.exp(-(at_s - 12.4) / 0.2))
    supply_v = open_v - SOURCE_OHM * output_v**2 / LOAD_OHM / EFFICIENCY / 12.0
    volts = {
        "output": output_v + 0.002 * rng.normal(size=len(at_s)),
        "supply": supply_v + 0.002 * rng.normal(size=len(at_s)),
    }
    results = run_all(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0), DetectOptions())
    notes = FindingList.of(next(r.findings for r in results if r.coverage.detector == "notes"))
    deepest = notes[int(np.nanargmax(notes.values("sag_v")))]
    assert deepest.start_s == pytest.approx(12.2, abs=0.05)
    assert deepest.measured["sag_own_v"] is None
    assert "charging began or ended at about that time" in describe_finding(deepest)
    worst = find_worst(notes, "note")
    assert worst is not None
    assert abs(worst.start_s - 12.2) > 0.9
    assert not any("what else" in step for step in advise_first_steps(FindingList([r.findings for r in results])))
