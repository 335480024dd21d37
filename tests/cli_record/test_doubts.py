"""What a board cannot show of what was typed is said before it is recorded."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ampwitness.cli.doubts import find_doubts
from ampwitness.link.messages import parse_hello
from ampwitness.types import Frame
from fake_board import FakeBoard, hello_fields

Run = Callable[..., Any]


@pytest.mark.parametrize(("nominal_v", "is_short"), [(24, True), (12.6, False)])
def test_a_supply_beyond_the_input_is_said_before_recording(
    run: Run, tmp_path: Path, nominal_v: float, is_short: bool
) -> None:
    with FakeBoard() as board:
        out = tmp_path / "a.mcap"
        ran = run("record", "--port", board.name, "--seconds", 0.5, "--out", out, "--nominal-supply", nominal_v)
    assert ran.code == 0, ran.err
    said = " ".join(ran.err.split())
    assert (
        "input `supply` of this board ends at 25.6 V, and a supply of 24 V may charge at 28.8 V" in said
    ) == is_short


def test_a_clamp_of_which_nothing_was_typed_is_said() -> None:
    fields = hello_fields(300)
    fields["channels"][2]["role"] = "current"
    hello = parse_hello(Frame(0x81, 300, 0, 0, 0, json.dumps(fields).encode(), 0.0, 0))
    (doubt,) = find_doubts(hello, {"current_a_per_v": None, "nominal_supply_v": 24.0})
    assert "take 100 A for a volt" in doubt
    assert find_doubts(hello, {"current_a_per_v": 100.0}) == ()
