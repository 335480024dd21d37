"""A finding says what the engine did when it began, and a table of them counts that by columns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan
from ampwitness.detect.supply.stated_findings import StatedTable
from ampwitness.finding_list import ChangedTable, FindingList, PlainTable
from ampwitness.types import Finding

STATES = EngineStates(
    (StateSpan(1.0, 5.0, "rest"), StateSpan(5.0, 6.0, "cranking"), StateSpan(6.0, 9.0, "charging")), ()
)


def _notes(*starts_s: float) -> list[Finding]:
    return [Finding("note", s, s + 0.3, "information", {"sag_v": s / 10, "pitch_name": "E1"}, {}, {}) for s in starts_s]


def test_each_says_the_state_at_its_start_and_keeps_the_rest() -> None:
    table = StatedTable(PlainTable("note", notes := _notes(0.5, 4.9, 5.0, 8.0, 9.5)), STATES)
    said = [table.read(row).measured["engine_state"] for row in range(len(table))]
    assert said == ["not decidable", "rest", "cranking", "charging", "not decidable"]
    assert table.read(1).measured == {**notes[1].measured, "engine_state": "rest"}
    assert table.numbers("sag_v").tolist() == [n.measured["sag_v"] for n in notes]


def test_states_are_counted_without_making_findings() -> None:
    listed = FindingList([StatedTable(PlainTable("note", _notes(2.0, 3.0, 7.0)), STATES)])
    assert listed.texts("engine_state") == {"rest": 2, "charging": 1}
    assert listed[1:].texts("engine_state") == {"rest": 1, "charging": 1}
    assert listed.texts("pitch_name") == {"E1": 3}


def test_a_changed_finding_answers_by_columns_as_it_reads() -> None:
    notes = [replace(n, measured={**n.measured, "settled": True}) for n in _notes(2.0, 3.0)]
    changed = replace(notes[1], measured={"sag_v": None, "settled": None, "pitch_name": "F1"})
    table = StatedTable(ChangedTable(PlainTable("note", notes), {1: changed}), STATES)
    assert np.isnan(table.numbers("sag_v")).tolist() == [False, True]
    assert np.isnan(table.flags("settled")).tolist() == [False, True]
    assert table.texts("pitch_name") == {"E1": 1, "F1": 1}
    assert table.read(1).measured == {**changed.measured, "engine_state": "rest"}


def test_states_at_many_times_are_those_at_each() -> None:
    times_s = np.linspace(0.0, 10.0, 41)
    one_by_one = [STATES.at(float(t)) for t in times_s]
    assert one_by_one == [("rest", "cranking", "charging", "not decidable")[n] for n in STATES.numbers_at(times_s)]
    assert EngineStates((), ()).at(1.0) == "not decidable"
