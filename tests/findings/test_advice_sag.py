"""Sag under bass that is worth a look, told as such where nothing else about the supply is."""

from __future__ import annotations

from typing import Any

from ampwitness.findings.advice import advise_first_steps
from ampwitness.types import Finding

NOTHING = "Nothing that asks for action was found in what was looked at."


def _notes(*sags_v: float, before_v: float = 13.8, **more: Any) -> list[Finding]:
    return [
        Finding("note", at, at + 0.5, "information", {"sag_v": sag_v, "supply_before_v": before_v, **more}, {}, {})
        for at, sag_v in enumerate(sags_v)
    ]


def test_half_a_volt_under_three_notes_asks_for_a_look() -> None:
    (step,) = advise_first_steps(_notes(0.2, 0.6, 0.94, 0.5))
    assert step.startswith("Find where the supply's volts are lost under bass.")
    assert "Under 3 of 4 notes it fell by 0.5 V or more, by 0.94 V at 2.000 s" in step


def test_a_few_notes_a_small_sag_or_one_that_was_not_their_own_ask_for_nothing() -> None:
    assert advise_first_steps(_notes(0.6, 0.9, 0.2)) == (NOTHING,)
    assert advise_first_steps(_notes(*[0.49] * 20)) == (NOTHING,)
    assert advise_first_steps(_notes(*[0.9] * 20, sag_own_v=0.3)) == (NOTHING,)
    assert advise_first_steps(_notes(*[0.9] * 20, sag_without_end_v=0.3)) == (NOTHING,)
    assert advise_first_steps(_notes(*[0.9] * 20, before_v=28.0)) == (NOTHING,)  # two batteries in a row


def test_a_supply_that_has_a_step_already_gets_no_second_one() -> None:
    dip = Finding("dip", 5.0, 5.5, "attention", {"residual_v": 11.0, "depth_v": 2.0}, {}, {})
    steps = advise_first_steps([*_notes(*[0.9] * 5), dip])
    assert len(steps) == 1
    assert "supply dip" in steps[0]


def test_a_silence_that_nothing_explains_is_told_behind_it() -> None:
    silences = {"cutouts": {"silences": {"n": 1, "longest_start_s": 10.0, "longest_s": 2.0}}}
    sag, silence = advise_first_steps(_notes(*[0.9] * 5), silences)
    assert sag.startswith("Find where")
    assert silence.startswith("Listen whether")
    assert advise_first_steps([], silences)[0].endswith("Nothing else asks for action.")


def test_notes_without_a_sag_of_their_own_say_nothing_beside_those_that_have_one() -> None:
    """They lie across an end of the charging, whose fall is not theirs."""
    assert advise_first_steps([*_notes(*[0.2] * 9, sag_own_v=0.2), *_notes(1.4, 1.3, 1.5)]) == (NOTHING,)
