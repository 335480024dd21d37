"""Dips that something else explains stay listed, and are the worst only where there is no other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.mark_ties import tie_unconfirmed
from ampwitness.detect.dip_context import CRANKED, STOPPED, SUPPLY_LOST, list_lost_supply, name_dip_context
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.road import _without_sag_within
from ampwitness.detect.supply.dips import BACK, DipDetector
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan
from ampwitness.findings.advice import _advise_dips
from ampwitness.findings.described import describe_finding
from ampwitness.findings.road_words import find_next_test
from ampwitness.findings.wording import find_worst
from ampwitness.types import Coverage, Finding


def _dip(start_s: float, stop_s: float, depth_v: float) -> Finding:
    measured = {"role": "supply", "residual_v": 14 - depth_v, "reference_v": 14.0, "depth_v": depth_v,
                "depth_percent": depth_v / 0.14, "duration_s": stop_s - start_s}  # fmt: skip
    return Finding("dip", start_s, stop_s, "attention", measured, {}, {})


STATES = EngineStates(
    (
        StateSpan(0, 40, "rest"),
        StateSpan(40, 41, "cranking"),
        StateSpan(41, 150, "charging"),
        StateSpan(150, 200, "rest"),
    ),
    (),
)
LOST = Finding(
    "cutout", 110.02, 112.0, "serious", {"cause": "supply lost at the terminals"}, {},
    {"events": [{"time_s": 110.0, "what": "supply gone"}]},
)  # fmt: skip
DIPS = (_dip(40, 41, 6.0), _dip(70, 70.4, 3.0), _dip(110.005, 111.9, 13.9), _dip(152, 198, 4.0), _dip(151, 151.5, 2.0))


def test_each_dip_says_what_else_went_on() -> None:
    named = name_dip_context(DIPS, STATES, list_lost_supply([LOST]))
    assert [dip.measured["during"] for dip in named] == [CRANKED, None, SUPPLY_LOST, STOPPED, None]
    assert "while the engine was cranked" in describe_finding(named[0])
    worst = find_worst(named, "dip")
    assert worst is not None
    assert worst.start_s == 70
    assert find_worst(named[:1], "dip") == named[0]
    assert "2 supply dips besides those that the engine or a lost lead explains" in _advise_dips(named, ((40, 41),))
    assert "explained by the engine or by a lost connection" in _advise_dips(named[2:3], ())


def test_a_battery_that_gives_its_surface_charge_away_is_the_engines_stop() -> None:
    """14.2 V until 60 s, then 13.1 V that sink by 20 mV a second: nine tenths of 14.2 V are passed 16 s behind the
    stop, for good. What comes back, and what is held against declared volts, is a consumer's or a flat battery's."""
    at = np.arange(90_000) / 1000
    supply = np.where(at < 60, 14.2, 13.1 - 0.02 * (at - 60))
    (dip,) = _find_dips(supply, 10.0)
    assert dip.start_s == pytest.approx(76.0, abs=0.5)
    states = EngineStates((StateSpan(0, 60, "charging"), StateSpan(60, 90, "rest")), ())
    (named,) = name_dip_context([dip], states, ())
    assert named.measured["during"] == STOPPED
    for other in ({"ended": BACK}, {"reference": "declared nominal supply"}):
        (named,) = name_dip_context([replace(dip, evidence={**dip.evidence, **other})], states, ())
        assert named.measured["during"] is None


def test_a_lost_supply_is_no_notes_sag() -> None:
    note = Finding("note", 109.9, 110.3, "serious", {"pitch_hz": 50.0, "level_v": 5.0, "sag_v": 15.2}, {}, {})
    notes = (note, replace(note, start_s=100.0, stop_s=100.5, measured={**note.measured, "sag_v": 0.4}))
    told = _without_sag_within(
        DetectorResult(notes, Coverage("notes", 1.0, ()), {"largest_sag_v": 15.2}), list_lost_supply([LOST]), "lost"
    )
    assert [n.measured["sag_v"] for n in told.findings] == [0.4, None]
    assert told.summary["largest_sag_v"] == 0.4


def test_a_mark_that_the_board_never_told_of_is_tied_by_the_computers_clock() -> None:
    mark = Finding("mark", 113.0, 113.0, "information", {"source": "host", "label": "", "tie": "timed here"}, {}, {})
    near, far, engine = tie_unconfirmed(
        (mark, replace(mark, start_s=150.0), replace(mark, measured={**mark.measured, "label": "engine on"})), [LOST]
    )
    assert near.measured["tied_to"] == "cutout"
    assert near.measured["tie"] == "marked 3.0 s after the output stopped; timed here"
    assert far.measured["tie"] == engine.measured["tie"] == "timed here"


def test_with_the_engine_charging_nobody_is_told_to_start_it() -> None:
    assert "engine running" in find_next_test("supply voltage too low", 12.5)
    assert "engine running" not in find_next_test("supply voltage too low", 14.1)


def _find_dips(supply: np.ndarray, window_s: float) -> list[Finding]:
    detector = DipDetector()
    for window in iter_windows_from_arrays({"supply": supply}, 1000, window_s=window_s):
        detector.push(window)
    return list(detector.finish().findings)


def test_an_engines_start_and_stop_make_a_new_reference_soon() -> None:
    at = np.arange(120_000) / 1000
    supply = np.where((at > 40) & (at < 80), 14.1, 12.5)
    for begin_s in (50, 110):
        supply = supply - 1.9 * ((at >= begin_s) & (at < begin_s + 0.4))
    dips = _find_dips(supply, 10.0)
    assert [round(dip.start_s) for dip in dips] == [50, 80, 110]
    assert [round(float(dip.measured["reference_v"] or 0), 1) for dip in dips] == [14.1, 14.1, 12.5]
    assert dips[1].stop_s == pytest.approx(101, abs=1.1)
    assert _find_dips(supply, 0.7) == _find_dips(supply, 60.0) == dips
