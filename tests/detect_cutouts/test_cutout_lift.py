"""Both terminals of a bridged output jump up together where the amplifier's ground is lost, seen from elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import GROUND_LOST, PAUSE
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.types import Finding, FloatArray

AT = np.arange(12 * RATE_HZ) / RATE_HZ
STOP_S, BACK_S = 6.2033, 7.5
TONE = 9.0 * np.sin(2 * np.pi * 47 * AT) * ~((AT > STOP_S) & (AT < BACK_S))


def _jump(jump_v: float, before_s: float) -> FloatArray:
    return np.where((STOP_S - before_s < AT) & (AT < BACK_S - 0.3), jump_v, 0.0)


def _find(middle: FloatArray, reference: str | None, window_s: float = 10.0) -> Finding:
    rng = np.random.default_rng(5)
    volts = {"output": TONE, "supply": np.full(len(AT), 12.6), "remote": np.full(len(AT), 12.2), "common": middle}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    detector = CutoutDetector(reference_point=reference)
    for window in iter_windows_from_arrays(noisy, RATE_HZ, window_s=window_s):
        assert "common" not in window.traces
        detector.push(window)
    (found,) = detector.finish().findings
    return found


@pytest.mark.parametrize(
    ("reference", "confidence"), [("battery-negative", "high"), ("chassis", "high"), (None, "medium")]
)
@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_terminals_that_jump_up_together_show_a_lost_ground(
    reference: str | None, confidence: str, window_s: float
) -> None:
    found = _find(6.0 + _jump(4.6, 0.004), reference, window_s)
    assert (found.measured["cause"], found.measured["confidence"]) == (GROUND_LOST, confidence)
    first, then = found.evidence["events"]
    assert first["what"] == "both output terminals jumped up by 4.6 V"
    assert first["time_s"] == pytest.approx(STOP_S - 0.004, abs=0.002)
    assert then["what"] == "output stopped"
    is_open = any("is not typed" in what for what in found.evidence["not_excluded"])
    assert is_open == (reference is None)


@pytest.mark.parametrize(
    "middle",
    [
        6.0 + _jump(1.2, 0.004),  # no more than a poor ground drops
        6.0 + _jump(-6.0, 0.004),  # as of a stage that is switched off
        6.0 + _jump(4.6, -0.012),  # behind the stop
        TONE / 2 + _jump(3.0, 0.004),  # one terminal is a ground: the middle follows the programme
    ],
)
def test_other_ways_of_the_middle_say_nothing_of_the_ground(middle: FloatArray) -> None:
    assert _find(middle, "battery-negative").measured["cause"] == PAUSE


def test_seen_from_the_amplifiers_own_ground_it_is_not_judged() -> None:
    found = _find(6.0 + _jump(4.6, 0.004), "amplifier-ground")
    assert found.measured["cause"] == PAUSE
    assert any(what.startswith("ground lost (not judged") for what in found.evidence["not_excluded"])


@pytest.mark.parametrize(("jump_v", "causes"), [(2.2, [GROUND_LOST]), (0.0, [])])
def test_a_ground_that_goes_just_as_a_note_has_faded_is_told_as_well(jump_v: float, causes: list[str]) -> None:
    """Nothing breaks off then: the middle of the terminals alone shows it, and dates it."""
    end_s, jump_s = 6.208, 6.188
    fade = np.clip((end_s - AT) / 0.1, 0.0, 1.0) ** 2
    volts = {
        "output": 9.0 * np.sin(2 * np.pi * 47 * AT) * np.where(AT < BACK_S, fade, 1.0),
        "supply": np.full(len(AT), 12.6),
        "common": np.where((jump_s < AT) & (AT < BACK_S - 0.3), 6.0 + jump_v, 6.0),
    }
    rng = np.random.default_rng(5)
    detector = CutoutDetector(reference_point="battery-negative")
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    for window in iter_windows_from_arrays(noisy, RATE_HZ, window_s=10.0):
        detector.push(window)
    found = detector.finish().findings
    assert [one.measured["cause"] for one in found] == causes
    assert all(one.start_s == pytest.approx(jump_s, abs=0.002) for one in found)
