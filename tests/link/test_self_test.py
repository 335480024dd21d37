"""The board's self test in words: figures drawn by hand, and the real firmware asked over its port."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.cli import cli
from ampwitness.errors import NotOurBoardError, SelfTestError
from ampwitness.link.messages import Reply
from ampwitness.link.self_test import SelfTest, judge_self_test
from ampwitness.types import Channel, DigitalLine, Hello
from click.testing import CliRunner
from test_link_calibration import golden_hello

# The standard networks by hand: gain, offset, code at 0 V, code with nothing connected.
NETWORKS = {
    "out_p": (0.031279, -63.871, 2042, 2095),
    "out_n": (0.031279, -63.871, 2042, 2095),
    "supply": (0.0062219, 0.0, 0, 0),
    "source": (0.0027, -5.6, 2058, 2922),
    "ground": (0.00161133, -3.3, 2048, 4095),
}


def hello_of(roles: tuple[str, ...]) -> Hello:
    base = golden_hello()
    channels = tuple(Channel(role, 26 + k, *NETWORKS[role][:2], 0) for k, role in enumerate(roles))
    fields = {name: getattr(base, name) for name in Hello.__dataclass_fields__}
    return Hello(**{**fields, "channels": channels, "digital": (DigitalLine("remote", 15, 6.0, 1),), "calibration": ()})


def judge(volts: dict[str, float], *, noise_codes: float = 1.5, shifts: Any = "sound", ok: bool = True) -> SelfTest:
    """The verdict on channels that rest at these volts (nan: nothing connected)."""
    roles = tuple(volts)
    channels = []
    for k, role in enumerate(roles):
        gain, offset, zero, nothing = NETWORKS[role]
        code = nothing if np.isnan(volts[role]) else min(4095, max(0, (volts[role] - offset) / gain))
        at_end = code in (0, 4095)
        moved = [90.0 if i == k else 0.4 for i in range(len(roles))] if shifts == "sound" else shifts
        channels.append({
            "role": role, "mean_code": code, "noise_codes": 0 if at_end else noise_codes,
            "mean_v": gain * code + offset, "zero_code": zero, "open_code": nothing,
            "lowest_code": code if at_end else code - 3,
            "highest_code": code if at_end else code + 3, "shifts_codes": moved,
        })  # fmt: skip
    text = "All channels convert and are quiet." if ok else "supply is stuck at the bottom: no voltage reaches the pin."
    raw = {"for": "self-test", "ok": ok, "text": text, "channels": channels}
    return judge_self_test(hello_of(roles), Reply("self-test", ok, text, raw))


def test_a_sound_board_at_rest() -> None:
    result = judge({"out_p": 0.1, "out_n": -0.1, "supply": 12.6})
    assert result.is_ok
    assert result.problems == ()
    assert [one.words for one in result.channels] == [
        "rests where 0 V at its lead belongs",
        "rests where 0 V at its lead belongs",
        "rests at +12.60 V",
    ]
    assert result.channels[2].noise_v == pytest.approx(1.5 * 0.0062219)
    told = " ".join(result.not_judged)
    for words in ("positive terminal", "calibrate", "remote reads 1", "Leads swapped"):
        assert words in told
    assert "cannot pull" not in told


def test_bridged_terminals_on_half_the_rail_are_no_fault() -> None:
    result = judge({"out_p": 7.1, "out_n": 6.8, "supply": 12.6})
    assert result.is_ok
    assert result.channels[0].words == "rests at +7.10 V"


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        ({"out_p": 7.1, "out_n": 0.0, "supply": 12.6}, "7.1 V apart"),
        ({"out_p": 12.6, "out_n": 0.0, "supply": 0.0}, "supply reads next to nothing and out_p +12.6 V: their leads"),
        ({"out_p": 0.0, "out_n": 12.6, "supply": 0.3}, "supply reads next to nothing and out_n +12.6 V: their leads"),
        ({"out_p": 12.4, "supply": 0.1}, "supply reads next to nothing and out_p"),
        ({"out_p": 0.0, "source": 1.2}, "source rests at +1.20 V"),
        ({"out_p": 0.0, "ground": -0.9}, "ground rests at -0.90 V"),
    ],
)
def test_levels_that_do_not_fit_their_roles(volts: dict[str, float], words: str) -> None:
    result = judge(volts)
    assert not result.is_ok
    assert words in " ".join(result.problems)


def test_a_24_v_amplifier_and_a_supply_that_is_not_connected_are_not_called_swapped() -> None:
    result = judge({"out_p": 12.2, "out_n": 12.0, "supply": 0.0}, ok=False)
    assert not result.is_ok
    assert "swapped" not in " ".join(result.problems)
    assert result.problems == (result.board_says,)


def test_a_lead_that_is_not_connected_is_named() -> None:
    result = judge({"out_p": float("nan"), "source": float("nan"), "supply": 12.6})
    assert result.channels[0].words == result.channels[1].words == "rests where a lead that is not connected belongs"
    assert result.is_ok, "nothing is wrong with the board"


def test_what_could_not_be_judged_is_said() -> None:
    assert "cannot pull" in " ".join(judge({"out_p": 0.0}, shifts=None).not_judged)
    moving = judge({"out_p": 0.0, "supply": 12.6}, noise_codes=40, shifts=None)
    assert "stop the music" in " ".join(moving.not_judged)
    assert "level not judged" in moving.channels[0].words


def test_an_absurd_answer_is_no_result() -> None:
    good = judge({"out_p": 0.0})
    assert good.is_ok
    for change in ({"role": "tweeter"}, {"mean_v": "much"}, {"shifts_codes": ["a"]}, {"noise_codes": None}):
        channel = {
            "role": "out_p", "mean_code": 1, "noise_codes": 1, "mean_v": 1, "zero_code": 1, "open_code": 1,
            "lowest_code": 1, "highest_code": 1, "shifts_codes": None, **change,
        }  # fmt: skip
        raw = {"for": "self-test", "ok": True, "text": "", "channels": [channel]}
        with pytest.raises(NotOurBoardError, match="cannot be understood"):
            judge_self_test(hello_of(("out_p",)), Reply("self-test", True, "", raw))


def virtual(volts: dict[str, float]) -> VirtualBoardOptions:
    columns = np.tile(list(volts.values()), (60 * 1000, 1))
    return VirtualBoardOptions(ArrayStimulus(tuple(volts), 1000, columns), stays=True)


def test_the_command_on_the_real_firmware() -> None:
    with virtual_board(virtual({"out_p": 0.0, "out_n": 0.0, "supply": 12.6})) as port:
        done = CliRunner().invoke(cli, ["check-board", "--port", port], catch_exceptions=False)
        assert done.exit_code == 0
        assert "All channels convert and are quiet." in done.stdout
        assert "Not judged:" in done.stdout
        told = json.loads(CliRunner().invoke(cli, ["check-board", "--port", port, "--json"]).stdout)
    assert told["is_ok"] is True
    assert [one["role"] for one in told["channels"]] == ["out_p", "out_n", "supply"]
    assert told["channels"][2]["rest_v"] == pytest.approx(12.6, abs=0.3)
    with virtual_board(virtual({"out_p": 12.6, "out_n": 0.0, "supply": 0.0})) as port:
        done = CliRunner().invoke(cli, ["check-board", "--port", port])
    assert isinstance(done.exception, SelfTestError)
    assert done.exception.exit_code == 33
    assert "their leads look swapped" in done.stdout
