"""The board's self test in plain words: what it found, channel by channel, and what it could not judge.

The board judges what it knows best: conversions, noise, its own pins. Where a channel rests is judged here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ampwitness.errors import NotOurBoardError
from ampwitness.link.messages import MessageError, Reply, fields_of
from ampwitness.types import Hello

# 1 % resistors, all at their worst, move the resting code of a network that sits in the middle by 20 codes; the
# converter's own offset adds some. Our choice.
REST_CODES = 25
# Two terminals of one output, each off by as much as 1 % parts allow, read at most this far apart. Our choice.
PAIR_APART_V = 2.0
# A supply reads more than this when it is connected, an idle output's terminal hardly more than half of it. Our choice.
SUPPLY_LEAST_V = 8.0
NOISY_CODES = 14  # as on the board
ZERO_ROLES = ("source", "ground")  # a clamp may rest in the middle of its range
SUPPLY_ROLES = ("supply", "battery")
OUTPUT_ROLES = ("out_p", "out_n")


@dataclass(frozen=True, slots=True)
class ChannelCheck:
    """One channel at rest. `words`: where it rests and how quiet it is. Nominal volts."""

    role: str
    rest_v: float
    noise_v: float
    noise_codes: float
    words: str


@dataclass(frozen=True, slots=True)
class SelfTest:
    """The result. `problems`: what is wrong, or looks wrong, a sentence each; `not_judged`: what nobody looked at."""

    is_ok: bool
    board_says: str
    channels: tuple[ChannelCheck, ...]
    problems: tuple[str, ...]
    not_judged: tuple[str, ...]


def judge_self_test(hello: Hello, reply: Reply) -> SelfTest:
    """Put the board's answer into words.

    Parameters
    ----------
    hello : of the same board and mode
    reply : its answer to the self-test command

    Raises
    ------
    NotOurBoardError : the answer says something absurd.
    """
    try:
        figures = _parse(hello, reply)
    except MessageError as error:
        raise NotOurBoardError(f"The board's self test cannot be understood ({error.reason}).") from error
    gains = {channel.role: abs(channel.gain_v_per_code) for channel in hello.channels}
    channels = tuple(_check_channel(one, gains[one["role"]]) for one in figures)
    problems = [] if reply.ok else [reply.text]
    problems += _find_level_problems(figures, gains)
    return SelfTest(not problems, reply.text, channels, tuple(problems), tuple(_list_not_judged(hello, figures)))


def _parse(hello: Hello, reply: Reply) -> list[dict[str, Any]]:
    if reply.raw.get("channels") is None:
        return []
    roles = {channel.role for channel in hello.channels}
    figures = []
    for fields in fields_of(reply.raw, "self-test").objects("channels", 0, 16):
        one: dict[str, Any] = {"role": fields.text("role", 40)}
        for name in ("mean_code", "noise_codes", "mean_v", "zero_code", "open_code", "lowest_code", "highest_code"):
            one[name] = fields.number(name)
        shifts = fields.get("shifts_codes")
        if shifts is not None and not (isinstance(shifts, list) and all(type(s) in (int, float) for s in shifts)):
            raise fields.bad("shifts_codes")
        if one["role"] not in roles:
            raise fields.bad("role")
        one["shifts_codes"] = shifts
        figures.append(one)
    return figures


def _check_channel(one: Mapping[str, Any], gain: float) -> ChannelCheck:
    mean, zero, nothing = one["mean_code"], one["zero_code"], one["open_code"]
    if one["noise_codes"] > NOISY_CODES:
        words = f"moves by {one['noise_codes']:.0f} codes (rms); level not judged"
    elif one["lowest_code"] == 0 or one["highest_code"] == 4095:
        words = "at the end of its range"
    elif abs(mean - zero) <= REST_CODES and abs(mean - zero) <= abs(mean - nothing):
        words = "rests where 0 V at its lead belongs"
    elif abs(mean - nothing) <= REST_CODES:
        words = "rests where a lead that is not connected belongs"
    else:
        words = f"rests at {one['mean_v']:+.2f} V"
    return ChannelCheck(one["role"], one["mean_v"], one["noise_codes"] * gain, one["noise_codes"], words)


def _find_level_problems(figures: Sequence[Mapping[str, Any]], gains: Mapping[str, float]) -> list[str]:
    """Levels that do not fit their roles; only of channels at rest and inside their range."""
    volts = {
        one["role"]: one["mean_v"]
        for one in figures
        if one["noise_codes"] <= NOISY_CODES and one["lowest_code"] > 0 and one["highest_code"] < 4095
    }
    connected = {one["role"] for one in figures if abs(one["mean_code"] - one["open_code"]) > REST_CODES}
    problems = []
    for role in ZERO_ROLES:
        if role in volts and role in connected and abs(volts[role]) > REST_CODES * gains[role]:
            problems.append(
                f"{role} rests at {volts[role]:+.2f} V; with nothing playing and the engine off it belongs at 0 V."
            )
    # One that is not connected sits at the bottom of its range.
    low = [
        one["role"]
        for one in figures
        if one["role"] in SUPPLY_ROLES and one["noise_codes"] <= NOISY_CODES and one["mean_v"] < SUPPLY_LEAST_V
    ]
    high = [role for role in OUTPUT_ROLES if volts.get(role, 0.0) >= SUPPLY_LEAST_V]
    for role in low:
        other = volts.get("out_n" if high == ["out_p"] else "out_p")
        if len(high) == 1 and (other is None or volts[high[0]] - other > PAIR_APART_V):
            problems.append(
                f"{role} reads next to nothing and {high[0]} {volts[high[0]]:+.1f} V: their leads look swapped."
            )
            return problems
    if all(role in volts for role in OUTPUT_ROLES) and abs(volts["out_p"] - volts["out_n"]) > PAIR_APART_V:
        problems.append(
            f"out_p and out_n rest {abs(volts['out_p'] - volts['out_n']):.1f} V apart: one of their leads is off or on "
            "the wrong terminal, or there is DC on the speaker. Check it before anything plays."
        )
    return problems


def _list_not_judged(hello: Hello, figures: Sequence[Mapping[str, Any]]) -> list[str]:
    if not figures:
        return ["Nothing was measured, so nothing else was judged."]
    out = []
    unquiet = [one["role"] for one in figures if one["noise_codes"] > NOISY_CODES]
    if unquiet:
        out.append(f"Bias and pins while {', '.join(unquiet)} moves: stop the music and the engine, and try again.")
    elif any(one["shifts_codes"] is None for one in figures):
        out.append("Whether pins are swapped or stuck: this board cannot pull at its own pins.")
    roles = [one["role"] for one in figures]
    if all(role in roles for role in OUTPUT_ROLES):
        out.append("Which of out_p and out_n is the positive terminal: both look alike at rest.")
    if len(roles) > 1:
        out.append("Leads swapped at levels that either may have: only what does not fit its place is seen.")
    out.append("Scale: how many volts a code is worth takes a meter, `ampwitness calibrate`.")
    if hello.digital:
        levels = ", ".join(f"{line.role} reads {line.level}" for line in hello.digital)
        out.append(f"Thresholds of the digital lines; now {levels}.")
    return out


def describe_self_test(result: SelfTest) -> dict[str, Any]:
    """The result as plain values for JSON."""
    return {
        "is_ok": result.is_ok,
        "board_says": result.board_says,
        "channels": [
            {
                "role": one.role,
                "rest_v": one.rest_v,
                "noise_v": one.noise_v,
                "noise_codes": one.noise_codes,
                "words": one.words,
            }
            for one in result.channels
        ],
        "problems": list(result.problems),
        "not_judged": list(result.not_judged),
    }
