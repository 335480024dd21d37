"""What is advised where the logger's own input stood at its limit."""

from __future__ import annotations

import pytest
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.described import describe_finding
from ampwitness.types import Coverage, Finding


def _saturated(role: str, rail: str) -> Finding:
    return Finding("saturation", 3.0, 3.4, "attention", {"role": role, "rail": rail, "n_conversions": 200}, {}, {})


@pytest.mark.parametrize(
    ("role", "rail", "asks"),
    [
        ("output", "top", True),
        ("output", "bottom", True),
        ("supply", "top", True),
        ("supply", "bottom", False),
        ("remote", "bottom", False),
        ("remote", "top", True),
    ],
)
def test_a_supply_that_is_gone_asks_for_no_larger_divider(role: str, rail: str, asks: bool) -> None:
    """At the bottom of its input a supply is lost: what to look for is the lead, and the cut-out says where."""
    steps = " ".join(advise_first_steps([_saturated(role, rail)]))
    assert ("larger divider" in steps) is asks


def test_a_lead_at_0_v_is_not_told_as_a_limit_that_was_passed() -> None:
    assert describe_finding(_saturated("remote", "bottom")).startswith("remote at 0 V, where the logger's range begins")
    assert describe_finding(_saturated("output", "bottom")) == "output at the bottom of the logger's range"


def test_one_input_beyond_its_range_is_enough() -> None:
    steps = advise_first_steps([_saturated("supply", "bottom"), _saturated("output", "top")])
    assert "larger divider" in steps[0]


@pytest.mark.parametrize(
    ("roles", "named"),
    [(("output",), "the output input,"), (("supply", "output", "output"), "the output and supply inputs,")],
)
def test_it_names_the_inputs(roles: tuple[str, ...], named: str) -> None:
    """A board has several inputs: an order without its place is none. A supply that was gone is not among them."""
    steps = advise_first_steps([*(_saturated(role, "top") for role in roles), _saturated("battery", "bottom")])
    assert named in steps[0]
    assert "battery" not in steps[0]


def test_silence_is_not_said_to_be_well() -> None:
    """A dead amplifier asks for something: nothing was found because nothing played."""
    table = {"output_v": [0.036], "output_lowest_v": [-0.17], "output_highest_v": [0.14]}
    (step,) = advise_first_steps([], {"trends": {"table": table}})
    assert step.startswith("Check the logger's leads, the source and the amplifier's remote lead, and record again. ")
    assert "the output hardly moved, between -0.17 and 0.14 V" in step
    (step,) = advise_first_steps([], {"trends": {"table": {**table, "output_v": [3.0]}}})
    assert step == "Nothing that asks for action was found in what was looked at."


def test_a_recording_of_an_instant_is_no_proof_of_anything() -> None:
    def said(clipping_s: float, dips_s: float) -> str:
        coverage = [Coverage("clipping", clipping_s, ()), Coverage("dips", dips_s, ()), Coverage("gaps", 60.0, ())]
        (step,) = advise_first_steps([], {}, coverage)
        return step

    assert said(0.0, 0.9).startswith("Record again, for a minute or longer.")
    nothing = "Nothing that asks for action was found in what was looked at."
    assert said(0.0, 1.1) == nothing
    assert said(1.1, 0.0).startswith(f"{nothing} A few clips in dense music can be missed")
