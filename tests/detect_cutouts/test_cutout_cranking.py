"""A mute in the first milliseconds of cranking is seen, though the wave stood low just then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.cutout_faults import make_case as make_fault
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import CRANKING, LOW, PAUSE
from ampwitness.detect.cutouts.cutout_cranking import settle_cranking
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.findings.road_words import word_road
from ampwitness.types import Finding


@pytest.mark.parametrize("seed", [302, 373, 392])
def test_a_mute_in_the_first_milliseconds_of_cranking(seed: int) -> None:
    case = make_case("cranking mute", seed)
    (finding,), _ = find_cutouts(case)
    assert finding.start_s == pytest.approx(case.start_s[0], abs=0.005)
    assert finding.measured["cause"] == CRANKING


@pytest.mark.parametrize("seed", [100, 101, 102])
def test_notes_that_end_while_the_supply_is_pulled_down_are_none(seed: int) -> None:
    assert find_cutouts(make_case("heavy load in pauses (none)", seed))[0] == ()


def test_a_mute_during_cranking_teaches_no_level_of_letting_go() -> None:
    case = make_case("cranking mute", 302)
    cutouts, dips, history = CutoutDetector(), DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays(case.volts, RATE_HZ, window_s=10.0):
        for part in (cutouts, dips, history):
            part.push(window)
    found = cutouts.finish()
    assert found.summary["under_voltage"] is not None
    settled = settle_road((found, dips.finish()), history.finish())
    assert settled[0].summary["under_voltage"] is None
    said = " ".join(word_road({result.coverage.detector: result.summary for result in settled}))
    assert "switches off" not in said
    assert "; 1 cut-out." in said


@pytest.mark.parametrize("seed", [100, 18101])
def test_an_amplifier_that_pulls_its_own_supply_down_is_no_engine_that_is_cranked(seed: int) -> None:
    """While it waits before it tries again the supply stands still, as no starter lets it."""
    causes = {f.measured["cause"] for f in find_cutouts(make_fault("its own load, retries", seed))[0]}
    assert LOW in causes
    assert CRANKING not in causes


def test_a_mute_under_a_starter_is_sure_only_where_the_engine_started() -> None:
    (found,), _ = find_cutouts(make_case("cranking mute", 302))
    assert found.measured["confidence"] == "high"
    without = replace(found, measured={**found.measured, "cause": LOW})
    (doubted,) = settle_cranking((without,), ((found.start_s - 0.1, found.start_s + 2.0),), CRANKING)
    assert doubted.measured["confidence"] == "medium"
    assert LOW in doubted.evidence["not_excluded"][0]


def test_a_quiet_passage_that_a_collapse_of_the_supply_cuts_off_is_a_cut_out() -> None:
    """It stands at a seventh of what sounded half a second ago, but at its own level to the last."""
    rng = np.random.default_rng(5)
    at = np.arange(8 * RATE_HZ) / RATE_HZ
    level_v = np.where((at % 1.0 < 0.26), 12.0, 1.7) * np.where((at > 4.5) & (at < 6.1), 0.0, 1.0)
    volts = {
        "output": level_v * np.sin(2 * np.pi * 84.0 * at + 0.6) + rng.normal(0, 0.012, len(at)),
        "supply": 13.8 - 5.5 * np.clip((at - 4.47) / 0.03, 0, 1) * (at < 5.6) + rng.normal(0, 0.004, len(at)),
    }
    (finding,), _ = find_cutouts(CutoutCase(volts, ""))
    assert finding.start_s == pytest.approx(4.5, abs=0.0125)
    assert finding.measured["cause"] == LOW
    assert finding.evidence["stopped_how"] != "faded"


def test_a_pause_under_a_load_that_swings_stays_a_pause() -> None:
    """Where no engine started, nothing says that a starter muted what may have paused by itself."""
    pause = Finding("cutout", 5.0, 5.3, "attention", {"cause": PAUSE, "confidence": "low"}, {}, {"not_excluded": ()})
    (alone,) = settle_cranking([pause], [(4.8, 5.6)], CRANKING)
    assert alone.measured["cause"] == PAUSE
    assert alone.evidence["not_excluded"] == (CRANKING,)
    (started,) = settle_cranking([pause], [(4.8, 5.6)], CRANKING, [(4.8, 5.6)])
    assert started.measured["cause"] == CRANKING
