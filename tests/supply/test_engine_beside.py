"""The supply's figures say so where the engine's part does not share their state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.engine_beside import lay_engine_beside
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan
from ampwitness.detect.supply.supply_history import LeftOutMinutes, SupplySteps
from ampwitness.findings.supply_words import word_supply
from ampwitness.report.supply_plots import draw_sag_against_level
from ampwitness.types import Finding, FloatArray

RATE_HZ = 1000.0
AT = np.arange(40 * int(RATE_HZ)) / RATE_HZ
LOW_S = (12.0, 28.0)  # a variable charger that gives nothing: the engine runs throughout
NOTE = {"level_v": 5.0, "sag_v": 0.2, "supply_before_settled": True}
REST, CHARGING = (
    {"open_v": volts, "lowest_v": volts - 0.1, "judged_s": 20.0, "full_power": None} for volts in (12.6, 14.2)
)


def _summary(supply: FloatArray) -> dict[str, Any]:
    rng = np.random.default_rng(3)
    volts = {"output": rng.normal(0, 0.02, len(AT)), "supply": supply + rng.normal(0, 0.003, len(AT))}
    results = run_all(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0), DetectOptions())
    return {r.coverage.detector: r.summary for r in results}


def _glide(at_s: float, tau_s: float) -> FloatArray:
    return np.asarray(-np.expm1(-np.maximum(AT - at_s, 0) / tau_s))


def test_a_charger_that_gave_nothing_for_a_while_is_no_engine_at_rest() -> None:
    summary = _summary(14.3 - 1.7 * _glide(LOW_S[0], 0.8) + 1.7 * _glide(LOW_S[1], 0.8))
    assert [s["state"] for s in summary["engine"]["spans"]] == ["charging", "not decidable", "charging"]
    rest = summary["supply"]["states"]["at rest"]
    assert sum(rest["engine_s"].values()) == pytest.approx(rest["judged_s"], abs=0.02)
    assert rest["engine_s"]["not decidable"] == pytest.approx(LOW_S[1] - LOW_S[0], abs=3.0)
    sentences = word_supply(summary)
    assert any(s.startswith("At rest by the volts alone (engine: not decidable): 12.") for s in sentences), sentences
    assert not any(s.startswith("At rest:") for s in sentences)
    assert any(s.startswith("Charging: 14.") for s in sentences)


def test_where_both_say_the_same_nothing_is_added() -> None:
    under = (AT > 20.0) & (AT < 20.8)
    cranked = 9.4 - 1.5 * np.exp(-(AT - 20.0) / 0.05, where=under, out=np.zeros(len(AT)))
    supply = np.where(under, cranked + 0.3 * np.cos(2 * np.pi * 7 * (AT - 20.0)), 12.5 + 1.7 * _glide(20.8, 0.3))
    summary = _summary(supply)
    assert [s["state"] for s in summary["engine"]["spans"]] == ["rest", "cranking", "charging"]
    sentences = word_supply(summary)
    assert any(s.startswith("At rest: 12.5") for s in sentences)
    assert "engine's part" not in " ".join(sentences)
    assert "volts alone (" not in " ".join(sentences)


def _words(of_rest: Mapping[str, float], of_charging: Mapping[str, float]) -> tuple[str, ...]:
    states = {"at rest": {**REST, "engine_s": of_rest}, "charging": {**CHARGING, "engine_s": of_charging}}
    return word_supply({"supply": {"states": states}})


def test_a_part_of_the_seconds_is_told_by_itself() -> None:
    text = "\n".join(_words({"rest": 11.0, "charging": 9.0, "cranking": 99.0}, {"charging": 20.0, "rest": 0.4}))
    assert "At rest: of these seconds the engine's part counts 9.0 s charging; a running engine" in text
    assert "Charging: of these" not in text  # changes are not dated to half a second
    assert "Charging: of these" not in "\n".join(_words({"rest": 20.0}, {"charging": 86_000.0, "rest": 20.0}))


def test_a_state_that_is_the_engines_other_one_says_which() -> None:
    sentences = _words({"charging": 20.0}, {"not decidable": 20.0})
    assert sentences[0].startswith("At rest by the volts alone (engine: charging): 12.60 V")
    assert sentences[1].startswith("At rest by the volts alone: source resistance")
    assert any(s.startswith("Charging by the volts alone (engine: not decidable): 14.20 V") for s in sentences)


def test_pictures_name_the_states_alike() -> None:
    notes = [Finding("note", at_s, at_s + 0.3, "information", NOTE, {}, {}) for at_s in (1.0, 2.0, 12.0, 13.0)]
    supply = {
        "state_begins": [(0.0, "charging"), (10.0, "at rest")],
        "states": {"charging": {"engine_s": {"charging": 10.0}}, "at rest": {"engine_s": {"not decidable": 9.0}}},
    }
    figure = draw_sag_against_level(notes, supply)
    assert figure is not None
    labels = " ".join(text.get_text() for text in figure.axes[0].get_legend().get_texts())
    assert "note while charging" in labels
    assert "at rest by the volts alone (engine: not decidable)" in labels


def test_minutes_of_which_little_was_kept_count_by_their_middle() -> None:
    seen = np.full(2, 60.0)
    left_out = LeftOutMinutes(np.array([90.0, 150.0]), seen, np.full(2, 12.6), np.full(2, 12.4))
    steps = SupplySteps(np.arange(1000), np.zeros(1000), {"supply": np.full(1000, 12.6)}, left_out)
    states = EngineStates((StateSpan(0.0, 100.0, "rest"), StateSpan(100.0, 200.0, "not decidable")), ())
    supply = {"states": {"at rest": {}}, "state_begins": [(0.0, "at rest")]}
    told = lay_engine_beside(supply, states, steps)
    assert told["states"]["at rest"]["engine_s"] == pytest.approx({"rest": 70.0, "not decidable": 60.0})


def test_without_spans_of_the_engine_nothing_is_laid_beside() -> None:
    steps = SupplySteps(np.arange(1000), np.zeros(1000), {"supply": np.full(1000, 12.6)})
    supply = {"states": {"at rest": {}}, "state_begins": [(0.0, "at rest")]}
    assert lay_engine_beside(supply, EngineStates((), ("never settled",)), steps) == supply
    assert lay_engine_beside({}, EngineStates((StateSpan(0.0, 10.0, "rest"),), ()), steps) == {}
