"""Supply, battery and remote lead that step down together by some volts: as where the amplifier's own ground goes.

That all volts move alike where the point moves that they count from is Kirchhoff's voltage law: no other source."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import LOW
from ampwitness.detect.cutouts.cutout_common import BATTERY_FELL_ALIKE, FELL_ALIKE
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.findings.road_words import find_next_test
from ampwitness.types import Finding

RATE_HZ = 8000
AT = np.arange(8 * RATE_HZ) / RATE_HZ
FELL_S, STOP_S, BACK_S, PLAYS_S = 3.998, 4.003, 4.5, 5.0


def _find(
    falls_v: dict[str, float],
    reference: str | None = "amplifier-ground",
    back_s: float = BACK_S,
    window_s: float = 1.0,
    fall_s: float = 0.0005,
) -> Finding:
    """The one cut-out of a tone where each role falls from 12.6 V by so much, over `fall_s`, until `back_s`."""
    rng = np.random.default_rng(12)
    is_off = (AT >= STOP_S) & (AT < PLAYS_S)
    is_down = np.clip(1 - (FELL_S - AT) / fall_s, 0, 1) * (back_s > AT)
    volts = {"output": np.where(is_off, 0.0, 12 * np.sin(2 * np.pi * 47 * AT))}
    volts |= {role: 12.6 - fall_v * is_down for role, fall_v in falls_v.items()}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    detector = CutoutDetector(reference_point=reference)
    for window in iter_windows_from_arrays(noisy, RATE_HZ, window_s=window_s):
        detector.push(window)
    (finding,) = detector.finish().findings
    return finding


@pytest.mark.parametrize("reference", [None, "amplifier-ground"])
@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(
    ("falls_v", "cause"),
    [
        ({"supply": 2.2, "remote": 2.2}, FELL_ALIKE),
        ({"supply": 2.2, "battery": 2.2}, BATTERY_FELL_ALIKE),
        ({"supply": 1.6, "battery": 1.7, "remote": 1.55}, BATTERY_FELL_ALIKE),
    ],
)
def test_leads_that_step_down_together_look_like_a_lost_ground(
    falls_v: dict[str, float], cause: str, reference: str | None, window_s: float
) -> None:
    finding = _find(falls_v, reference, window_s=window_s)
    assert finding.measured["cause"] == cause
    assert finding.severity == "serious"
    assert finding.measured["confidence"] == "medium"
    assert "the remote lead did not fall" not in finding.evidence["reasons"]
    first, then = finding.evidence["events"][0], finding.evidence["events"][-1]
    assert "fell by 1" in first["what"] or "fell by 2" in first["what"]
    assert first["time_s"] == pytest.approx(FELL_S, abs=0.003)
    assert then["what"] == "output stopped"
    assert LOW in finding.evidence["not_excluded"]  # a load at the battery does the same
    assert "Clip the logger's ground to the battery's minus" in find_next_test(cause)


@pytest.mark.parametrize(
    ("falls_v", "reference", "back_s"),
    [
        (
            {"supply": 2.2, "remote": 2.2},
            "battery-negative",
            BACK_S,
        ),  # there the plus side stands
        ({"supply": 2.2, "battery": 2.2}, "chassis", BACK_S),
        (
            {"supply": 2.2, "battery": 0.1, "remote": 2.2},
            "amplifier-ground",
            BACK_S,
        ),  # the plus lead
        ({"supply": 2.2, "battery": 2.2, "remote": 0.0}, "amplifier-ground", BACK_S),
        ({"supply": 2.2, "battery": 1.7}, "amplifier-ground", BACK_S),  # a battery that is loaded, and its lead
        ({"supply": 2.2, "remote": 2.2}, "amplifier-ground", STOP_S + 0.004),  # its own current had pulled it
    ],
)
def test_other_falls_are_of_the_supply(falls_v: dict[str, float], reference: str, back_s: float) -> None:
    finding = _find(falls_v, reference, back_s)
    assert "alike" not in str(finding.measured["cause"])
    assert finding.measured["cause"] == LOW or back_s < BACK_S


def test_a_supply_alone_says_nothing_of_the_ground() -> None:
    assert _find({"supply": 2.2}).measured["cause"] == LOW


@pytest.mark.parametrize("fall_s", [0.010, 0.030])
def test_a_load_that_pulls_all_down_over_milliseconds_is_no_step(fall_s: float) -> None:
    assert _find({"supply": 2.2, "remote": 2.2}, fall_s=fall_s).measured["cause"] == LOW
