"""A cranking is a cranking on the battery's channel too, where a converter holds the amplifier's supply."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_channel import BY_BATTERY
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.findings.road_words import word_road
from ampwitness.types import FloatArray

RATE_HZ = 1000
AT = np.arange(30 * RATE_HZ) / RATE_HZ
CRANK_S, CRANKED_S = 15.0, 15.8


def _battery() -> FloatArray:
    """Runs, rests from 8 s, is cranked, runs."""
    volts = np.where(AT < 8, 14.2, 12.3 + 1.9 * np.exp(-(AT - 8) / 0.6))
    under = 9.4 - 1.3 * np.exp(-(AT - CRANK_S) / 0.05) + 0.3 * np.cos(2 * np.pi * 7 * (AT - CRANK_S))
    volts = np.where(AT > CRANK_S, under, volts)
    return np.where(AT > CRANKED_S, 12.4 + 1.8 * -np.expm1(-(AT - CRANKED_S) / 0.4), volts)


def _settle(supply: FloatArray, battery: FloatArray) -> tuple[DetectorResult, ...]:
    rng = np.random.default_rng(2)
    volts = {"output": np.zeros(len(AT)), "supply": supply, "battery": battery}
    dips, history = DipDetector(), SupplyHistory()
    noisy = {role: values + rng.normal(0, 0.004, len(AT)) for role, values in volts.items()}
    for window in iter_windows_from_arrays(noisy, RATE_HZ, window_s=10.0):
        dips.push(window)
        history.push(window)
    return settle_road([dips.finish()], history.finish(), battery_kind="AGM", nominal_supply_v=13.0)


def test_behind_a_converter_the_battery_tells_the_engine() -> None:
    dips, engine = _settle(np.full(len(AT), 13.05), _battery())
    spans = engine.summary["spans"]
    assert [span["state"] for span in spans] == ["charging", "rest", "cranking", "charging"]
    assert spans[2]["start_s"] == pytest.approx(CRANK_S, abs=0.005)
    assert engine.summary["remarks"][0] == BY_BATTERY
    assert engine.summary["per_state"]["cranking"]["supply_lowest_v"] > 12.9  # the supply's own figures stay its own
    (dip,) = dips.findings
    assert (dip.measured["role"], dip.measured["during"]) == ("battery", "the engine was cranked")


def test_a_supply_that_hangs_on_the_battery_tells_the_engine_itself() -> None:
    _, engine = _settle(_battery() - 0.1, _battery())
    assert [span["state"] for span in engine.summary["spans"]] == ["charging", "rest", "cranking", "charging"]
    assert BY_BATTERY not in engine.summary["remarks"]


def test_a_battery_lead_that_lost_contact_is_no_engine() -> None:
    battery = np.where((AT > 10) & (AT < 12), 0.05, 13.05)
    _, engine = _settle(np.full(len(AT), 13.05), battery)
    assert "cranking" not in [span["state"] for span in engine.summary["spans"]]
    assert BY_BATTERY not in engine.summary["remarks"]


def test_the_highest_supply_of_a_state_is_told_where_it_is_too_high() -> None:
    surge = np.where((AT > 9) & (AT < 9.3), 22.0, 14.2)
    _, engine = _settle(surge, surge)
    assert engine.summary["per_state"]["charging"]["supply_highest_v"] == pytest.approx(22.0, abs=0.05)
    assert any("22.00 V at the highest, which is too high" in text for text in word_road({"engine": engine.summary}))
    calm = _settle(np.full(len(AT), 14.4), np.full(len(AT), 14.4))[1].summary
    assert not any("at the highest" in text for text in word_road({"engine": calm}))
