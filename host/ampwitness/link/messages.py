"""JSON messages of the board -> checked Python. Whoever sends something missing or absurd gets a MessageError.

The live link needs these to know a board by its hello, the decoder to read a recording; neither trusts a field.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import date
from fractions import Fraction
from typing import Any, NamedTuple

from ampwire.layout import CRC_BYTES, HEADER_BYTES, MAX_SHORT_BYTES, PROTOCOL_VERSION
from ampwire.messages import samples_payload_bytes

from ampwitness.types import Channel, DigitalLine, Frame, Hello, KeptCalibration

MAX_CHANNELS = 16
MAX_RATE_HZ = 1_000_000
_BOARD_INT_MAX = 2**30 - 1


class MessageError(ValueError):
    """The frame is intact, what it says is not. `reason` is short and fit for counting."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Reply(NamedTuple):
    """The board's answer to a command."""

    command: str
    ok: bool
    text: str
    raw: Mapping[str, Any]


def _no_constant(text: str) -> float:
    raise ValueError(text)


_DECODER = json.JSONDecoder(parse_constant=_no_constant)  # made once: making it takes longer than a status


def parse_object(payload: bytes, what: str) -> dict[str, Any]:
    """The JSON object in `payload`. Raises MessageError, `what` named, for anything else, NaN and Infinity included."""
    try:
        value = _DECODER.decode(payload.decode("utf-8"))
        if b"\\u" in payload:  # half a surrogate pair can be written so, and could not be printed later
            json.dumps(value, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError):
        raise MessageError(f"{what}: not JSON") from None
    if not isinstance(value, dict):
        raise MessageError(f"{what}: not a JSON object")
    return value


class Fields:
    """Takes fields out of a JSON object and complains by name."""

    def __init__(self, fields: Any, what: str) -> None:
        if not isinstance(fields, dict):
            raise MessageError(f"{what}: not a JSON object")
        self._fields, self._what = fields, what

    def bad(self, name: str) -> MessageError:
        """The error that names a field."""
        return MessageError(f"{self._what}: field {name}")

    def text(self, name: str, max_length: int = 400) -> str:
        """A text of at most max_length letters."""
        value = self._fields.get(name)
        if not isinstance(value, str) or len(value) > max_length:
            raise self.bad(name)
        return value

    def integer(self, name: str, low: int, high: int) -> int:
        """A whole number within limits."""
        value = self._fields.get(name)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.bad(name)
        return value

    def number(self, name: str, is_allowed: Callable[[float], bool] = lambda value: True) -> float:
        """A finite number that is_allowed."""
        value = self._fields.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.bad(name)
        # 1e12 lies far beyond anything a hello can mean, and keeps later sums finite.
        # (The comparison comes first: isfinite cannot take an integer beyond the range of a float.)
        if abs(value) > 1e12 or not math.isfinite(value) or not is_allowed(float(value)):
            raise self.bad(name)
        return float(value)

    def boolean(self, name: str) -> bool:
        """True or false."""
        value = self._fields.get(name)
        if not isinstance(value, bool):
            raise self.bad(name)
        return value

    def objects(self, name: str, low: int, high: int) -> list[Fields]:
        """A list of low to high objects."""
        value = self._fields.get(name)
        if not isinstance(value, list) or not low <= len(value) <= high:
            raise self.bad(name)
        return [Fields(item, f"{self._what}: {name}") for item in value]

    def rate(self, name: str) -> Fraction:
        """A rate as a pair of whole numbers, in Hz."""
        value = self._fields.get(name)
        if not isinstance(value, list) or len(value) != 2:
            raise self.bad(name)
        if not all(type(part) is int and 1 <= part <= _BOARD_INT_MAX for part in value):
            raise self.bad(name)
        rate_hz = Fraction(value[0], value[1])
        if not 1 <= rate_hz <= MAX_RATE_HZ:
            raise self.bad(name)
        return rate_hz

    def get(self, name: str) -> Any:
        """Whatever the field holds; None: nothing."""
        return self._fields.get(name)


def fields_of(raw: Mapping[str, Any], what: str) -> Fields:
    """The fields of a message, for those who know more of it than this module."""
    return Fields(raw, what)


def _parse_channels(fields: Fields) -> tuple[Channel, ...]:
    channels = tuple(
        Channel(
            role=channel.text("role", 40),
            pin=channel.integer("pin", 0, 255),
            gain_v_per_code=channel.number("gain_v_per_code", lambda value: value != 0),
            offset_v=channel.number("offset_v"),
            in_scan_offset_ns=channel.integer("in_scan_offset_ns", -_BOARD_INT_MAX, _BOARD_INT_MAX),
        )
        for channel in fields.objects("channels", 1, MAX_CHANNELS)
    )
    roles = [channel.role for channel in channels]
    if "" in roles or len(set(roles)) != len(roles):
        raise fields.bad("channels")
    return channels


def _parse_digital(fields: Fields) -> tuple[DigitalLine, ...]:
    return tuple(
        DigitalLine(
            role=line.text("role", 40),
            pin=line.integer("pin", 0, 255),
            threshold_v=None if line.get("threshold_v") is None else line.number("threshold_v"),
            level=line.integer("level", 0, 1),
        )
        for line in fields.objects("digital", 0, MAX_CHANNELS)
    )


def _parse_calibration(fields: Fields, channels: tuple[Channel, ...]) -> tuple[KeptCalibration, ...]:
    if fields.get("calibration") is None:
        return ()
    kept = tuple(
        KeptCalibration(
            role=entry.text("role", 40),
            pin=entry.integer("pin", 0, 255),
            gain_v_per_code=entry.number("gain_v_per_code", lambda value: value != 0),
            offset_v=entry.number("offset_v"),
            uncertainty_v=entry.number("uncertainty_v", lambda value: value > 0),
            gain_uncertainty_ratio=None
            if entry.get("gain_uncertainty_ratio") is None
            else entry.number("gain_uncertainty_ratio", lambda value: 0 <= value <= 1),
            made_on=entry.text("made_on", 10),
            meter=entry.text("meter", 100),
        )
        for entry in fields.objects("calibration", 0, MAX_CHANNELS)
    )
    leads = {(channel.role, channel.pin) for channel in channels}
    if len({entry.role for entry in kept}) != len(kept) or any((e.role, e.pin) not in leads for e in kept):
        raise fields.bad("calibration")
    try:
        for entry in kept:
            date.fromisoformat(entry.made_on)
    except ValueError:
        raise fields.bad("calibration") from None
    return kept


def is_streaming(hello: Hello) -> bool:
    """Whether the board was sending samples when it said this hello."""
    return hello.raw.get("streaming") is True


def parse_hello(frame: Frame) -> Hello:
    """The hello in `frame`, every field checked as SPEC.md states it. Raises MessageError."""
    raw = parse_object(frame.payload, "hello")
    fields = Fields(raw, "hello")
    fields.boolean("streaming")
    channels = _parse_channels(fields)
    scans_per_frame = fields.integer("scans_per_frame", 1, MAX_SHORT_BYTES)
    room_bytes = MAX_SHORT_BYTES - HEADER_BYTES - CRC_BYTES
    if samples_payload_bytes(len(channels), scans_per_frame) > room_bytes:
        raise fields.bad("scans_per_frame")
    session_id = fields.text("session_id", 32)
    session_tag = fields.integer("session_tag", 0, 2**14 - 1)
    if not re.fullmatch("[0-9a-fA-F]*", session_id) or (raw["streaming"] and not session_id):
        raise fields.bad("session_id")
    if session_tag != frame.session_tag or (raw["streaming"] and session_tag == 0):
        raise fields.bad("session_tag")
    return Hello(
        protocol=fields.integer("protocol", PROTOCOL_VERSION, PROTOCOL_VERSION),
        firmware=fields.text("firmware"),
        board_id=fields.text("board_id"),
        session_id=session_id,
        session_tag=session_tag,
        reset_cause=fields.text("reset_cause"),
        mode=fields.text("mode"),
        rate_hz=fields.rate("rate_hz"),
        averaging=fields.integer("averaging", 1, 4096),
        counts_per_code=fields.number("counts_per_code", lambda value: value > 1e-6),
        scans_per_frame=scans_per_frame,
        channels=channels,
        digital=_parse_digital(fields),
        input_corner_hz=fields.number("input_corner_hz", lambda value: value > 0),
        time_scale=fields.number("time_scale", lambda value: value >= 0),
        sample_index=frame.sample_index,
        host_s=frame.host_s,
        raw=raw,
        calibration=_parse_calibration(fields, channels),
    )


def parse_status(payload: bytes) -> Mapping[str, Any]:
    """The board's counters. Raises MessageError when a loss counter is missing or no whole number."""
    raw = parse_object(payload, "status")
    for name in STATUS_COUNTERS:
        value = raw.get(name)
        if type(value) is not int or not 0 <= value <= _BOARD_INT_MAX:
            raise Fields(raw, "status").bad(name)
    return raw


STATUS_COUNTERS = ("overrun_scans", "fifo_overflows", "queue_dropped_frames", "queue_dropped_scans", "bad_commands")


def parse_fault(payload: bytes) -> tuple[str, str]:
    """Code and text of a fault. Raises MessageError."""
    fields = Fields(parse_object(payload, "fault"), "fault")
    return fields.text("code", 80), fields.text("text", 2000)


def parse_lost_scans(payload: bytes) -> int | None:
    """Scans that a fault says are missing before its session, 0 or more; None where it says nothing of them.

    Raises MessageError.
    """
    raw = parse_object(payload, "fault")
    if "lost_scans" not in raw:
        return None
    # The board takes a difference of two clock readings, which may come out just below 0.
    return max(0, Fields(raw, "fault").integer("lost_scans", -(1 << 20), 1 << 40))


def parse_reply(payload: bytes) -> Reply:
    """The answer to a command. Raises MessageError."""
    raw = parse_object(payload, "reply")
    fields = Fields(raw, "reply")
    return Reply(fields.text("for", 40), fields.boolean("ok"), fields.text("text", 2000), raw)
