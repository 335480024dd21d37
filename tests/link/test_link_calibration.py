"""The calibration that a board keeps: told by the host, kept by the real firmware, read back from the hello."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.errors import BoardFaultError, NotOurBoardError
from ampwitness.link.messages import MessageError, parse_hello
from ampwitness.link.session import BoardSession
from ampwitness.types import Frame, Hello
from fake_board import FakeBoard

VECTORS = Path(__file__).parents[2] / "protocol" / "vectors" / "frames.json"
FIGURES: dict[str, Any] = {
    "gain_v_per_code": 6.2512e-3,
    "offset_v": -0.0125,
    "uncertainty_v": 0.004,
    "made_on": "2026-11-25",
    "meter": "bench meter, 4 1/2 digits",
}


@pytest.fixture
def port() -> Iterator[str]:
    """A virtual board with a supply input, its firmware under the real MicroPython."""
    options = VirtualBoardOptions(ArrayStimulus(("supply",), 16_000.0, np.full((16_000, 1), 12.5)))
    with virtual_board(options) as name:
        yield name


def golden_hello(**changes: Any) -> Hello:
    """The golden hello with a calibration, its kept entry changed."""
    vector = next(v for v in json.loads(VECTORS.read_text()) if v["name"] == "hello with a calibration")
    fields = json.loads(bytes.fromhex(vector["payload"]))
    fields["calibration"][0] |= changes
    return parse_hello(Frame(0x81, 300, 0, 0, 0, json.dumps(fields).encode(), 0.0, 0))


def test_the_golden_hello_carries_its_calibration() -> None:
    (kept,) = golden_hello().calibration
    assert asdict(kept) == {"role": "supply", "pin": 28, "gain_uncertainty_ratio": None, **FIGURES}


@pytest.mark.parametrize(
    "changes",
    [
        {"role": "battery"},
        {"pin": 26},
        {"gain_v_per_code": 0},
        {"gain_v_per_code": "much"},
        {"offset_v": None},
        {"uncertainty_v": 0},
        {"gain_uncertainty_ratio": -0.1},
        {"made_on": "2026-02-30"},
        {"made_on": "yesterday"},
        {"meter": 7},
    ],
)
def test_an_absurd_calibration_makes_the_hello_a_bad_one(changes: dict[str, Any]) -> None:
    with pytest.raises(MessageError, match="calibration"):
        golden_hello(**changes)


def test_a_hello_without_one_is_as_before() -> None:
    with FakeBoard() as board, BoardSession(board.name) as session:
        assert session.hello.calibration == ()


def test_the_board_keeps_what_it_is_told_and_forgets_it(port: str) -> None:
    with BoardSession(port) as session:
        assert session.hello.calibration == ()
        nominal = session.hello.channels
        hello = session.keep_calibration({"supply": {**FIGURES, "gain_uncertainty_ratio": 0.002}})
        (kept,) = hello.calibration
        assert kept.role == "supply"
        assert kept.gain_v_per_code == pytest.approx(6.2512e-3, rel=1e-6)
        assert kept.gain_uncertainty_ratio == pytest.approx(0.002, rel=1e-6)
        assert (kept.made_on, kept.meter) == ("2026-11-25", "bench meter, 4 1/2 digits")
        assert hello.channels == nominal, "the nominal figures do not move"
    with BoardSession(port) as session:
        assert [one.role for one in session.hello.calibration] == ["supply"]
        assert session.keep_calibration({"supply": None}).calibration == ()


def test_a_refusal_comes_in_the_boards_own_words(port: str) -> None:
    with BoardSession(port) as session:
        with pytest.raises(BoardFaultError, match="no such analog channel"):
            session.keep_calibration({"battery": FIGURES})
        with pytest.raises(BoardFaultError, match="far from"):
            session.keep_calibration({"supply": {**FIGURES, "gain_v_per_code": 62.5e-3}})
        with pytest.raises(BoardFaultError, match="too long"):
            session.keep_calibration({"supply": {**FIGURES, "meter": "m" * 500}})
        with pytest.raises(BoardFaultError, match="No board can keep"):
            session.keep_calibration({"supply": {**FIGURES, "offset_v": float("nan")}})


def test_a_board_with_older_firmware_is_told_from_one_that_hangs() -> None:
    with (
        FakeBoard() as board,
        BoardSession(board.name) as session,
        pytest.raises(NotOurBoardError, match="ampwitness install"),
    ):
        session.keep_calibration({"supply": FIGURES})
