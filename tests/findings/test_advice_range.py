"""What is advised where the logger's own input stood at its limit."""

from __future__ import annotations

import pytest
from ampwitness.findings.advice import advise_first_steps
from ampwitness.types import Finding


def _saturated(role: str, rail: str) -> Finding:
    return Finding("saturation", 3.0, 3.4, "attention", {"role": role, "rail": rail, "n_conversions": 200}, {}, {})


@pytest.mark.parametrize(
    ("role", "rail", "asks"),
    [("output", "top", True), ("output", "bottom", True), ("supply", "top", True), ("supply", "bottom", False)],
)
def test_a_supply_that_is_gone_asks_for_no_larger_divider(role: str, rail: str, asks: bool) -> None:
    """At the bottom of its input a supply is lost: what to look for is the lead, and the cut-out says where."""
    steps = " ".join(advise_first_steps([_saturated(role, rail)]))
    assert ("larger divider" in steps) is asks


def test_one_input_beyond_its_range_is_enough() -> None:
    steps = advise_first_steps([_saturated("supply", "bottom"), _saturated("output", "top")])
    assert "larger divider" in steps[0]
