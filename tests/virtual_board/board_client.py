"""A host for tests: starts a board, keeps it alive, keeps every byte; and a converter whose every code is known."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
import serial
from ampwire import framing, layout, messages
from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.decode import Decoder
from ampwitness.types import Chunk, Decoded

CONFIG = load_board_config()
ROLES = ("out_p", "out_n", "supply")


def codes_from(first: int, n: int) -> npt.NDArray[np.uint16]:
    """Raw conversions number first .. first + n of CounterModel, with rails now and then."""
    k = np.arange(first, first + n, dtype=np.int64)
    codes = 1 + (k * 2731 + (k >> 9) * 97) % 4094
    codes[k % 40_001 == 17] = 0
    codes[k % 50_021 == 29] = 4095
    return codes.astype(np.uint16)


class CounterModel:
    """Stands in for BoardModel: conversion number n since stimulus time 0 is codes_from(n, 1)."""

    def __init__(self, mode: str, start_s: float, duration_s: float, edges_s: tuple[float, ...] = ()) -> None:
        self.conversion_rate_hz = Fraction(CONFIG.ADC_CLOCK_HZ, CONFIG.MODES[mode]["cycles"])
        self._first = self._next = round(start_s * self.conversion_rate_hz)
        self._stop = round(duration_s * self.conversion_rate_hz)
        self._edges_s = edges_s

    def conversions(self, n: int) -> npt.NDArray[np.uint16]:
        n = max(0, min(n, self._stop - self._next))
        self._next += n
        return codes_from(self._next - n, n)

    def _origin_s(self) -> float:
        return float(self._first / self.conversion_rate_hz)

    def remote_level(self, time_s: float) -> int | None:
        return sum(edge_s <= time_s + self._origin_s() for edge_s in self._edges_s) % 2 if self._edges_s else None

    def remote_edges(self, start_s: float, stop_s: float) -> list[tuple[float, int]]:
        own = [edge_s - self._origin_s() for edge_s in self._edges_s]
        return [(s, (k + 1) % 2) for k, s in enumerate(own) if start_s <= s < stop_s]


def short_stimulus(duration_s: float = 1.0, roles: tuple[str, ...] = ROLES) -> ArrayStimulus:
    """Volts that say which roles there are; what matters is elsewhere."""
    time_s = np.arange(int(duration_s * 16_000)) / 16_000
    volts = np.column_stack([5 * np.sin(2 * np.pi * (40 + 3 * k) * time_s) + 3 for k in range(len(roles))])
    return ArrayStimulus(roles, 16_000, volts)


@dataclass
class Heard:
    """What a host has received."""

    raw: bytearray = field(default_factory=bytearray)
    n_restarts: int = 0
    took_s: float = 0.0

    def frames(self) -> list[framing.WireFrame]:
        return [frame for frame in self._unpacked() if not isinstance(frame, str)]

    def bad(self) -> list[str]:
        return [frame for frame in self._unpacked() if isinstance(frame, str)]

    def _unpacked(self) -> list[Any]:
        out: list[Any] = []
        for encoded in bytes(self.raw).split(b"\x00"):
            if encoded:
                try:
                    out.append(framing.unpack_frame(encoded))
                except framing.FrameError as error:
                    out.append(error.reason)
        return out

    def samples(self) -> list[framing.WireFrame]:
        return [frame for frame in self.frames() if frame.kind == layout.KIND_SAMPLES]

    def of_kind(self, kind: int) -> list[framing.WireFrame]:
        return [frame for frame in self.frames() if frame.kind == kind]

    def json_of(self, kind: int) -> list[dict[str, Any]]:
        return [json.loads(frame.payload) for frame in self.of_kind(kind)]

    def decoded(self) -> tuple[list[Decoded], Decoder]:
        decoder = Decoder()
        items = list(decoder.push(Chunk(bytes(self.raw), 1.0)))
        items += decoder.finish()
        return items, decoder


class Client:
    """One host on a port. speak(): a command; listen(): receive, with heartbeats."""

    def __init__(self, port: str) -> None:
        self.serial = serial.serial_for_url(port, timeout=0.02)
        self.heard = Heard()
        self._seq = 0
        self._beat_s = 0.0

    def speak(self, kind: int, payload: bytes = b"") -> None:
        self.serial.write(b"\x00" + framing.pack_frame(kind, 0, self._seq, 0, 0, payload))
        self._seq += 1

    def start(self) -> None:
        self.speak(layout.KIND_HEARTBEAT)
        self.speak(layout.KIND_START)

    def listen(self, seconds: float, until: bytes | None = None) -> bool:
        """Receive for `seconds`, or until the bytes `until` have come; tells whether they have."""
        started_s = time.monotonic()
        seen = max(0, len(self.heard.raw) - 2000)
        while time.monotonic() - started_s < seconds:
            if time.monotonic() - self._beat_s > 0.5:
                self.speak(layout.KIND_HEARTBEAT)
                self._beat_s = time.monotonic()
            self.heard.raw += self.serial.read(4096)
            if until is not None and self.heard.raw.find(until, seen) >= 0:
                return True
            seen = max(seen, len(self.heard.raw) - 2000)
        return until is None

    def close(self) -> None:
        self.serial.close()


ENDED = b'"stimulus_ended":        true'


def play(port: str, seconds: float = 20.0) -> Heard:
    """Start the board, take all there is, stop it; start it again whenever it says that it does not stream."""
    client = Client(port)
    started_s = time.monotonic()
    client.start()
    n_seen = 0
    while not client.listen(0.05, ENDED):
        assert time.monotonic() - started_s < seconds, "the stimulus did not end"
        if client.heard.raw.find(b'"streaming":false', n_seen) >= 0:
            n_seen = len(client.heard.raw)
            client.heard.n_restarts += 1
            client.start()
    client.heard.took_s = time.monotonic() - started_s
    # Word of the end may overtake frames that wait for a busy machine, and a stop throws those away.
    n_had = -1
    while n_had != (n_had := len(client.heard.samples())):
        client.listen(0.2)
    client.speak(layout.KIND_STOP)
    client.listen(2.0, b'"for":"stop"')
    client.listen(0.05)
    client.close()
    return client.heard


def expected_counts(first_conversion: int, n_scans: int, mode: str = "bass", n_channels: int = 3) -> Any:
    """(n_scans, n_channels) counts of CounterModel, summed by numpy."""
    averaging = CONFIG.MODES[mode]["averaging"]
    raw = codes_from(first_conversion, n_scans * averaging * n_channels).astype(np.int64)
    shift = max(0, (averaging * 4095).bit_length() - 16)
    return raw.reshape(n_scans, averaging, n_channels).sum(axis=1) >> shift


def check_every_sample(frames: list[framing.WireFrame], first_conversion: int = 0, mode: str = "bass") -> None:
    """Every count and at-rail count of every frame, by its index. `first_conversion`: of the session's index 0."""
    per_scan = CONFIG.MODES[mode]["averaging"] * 3
    for frame in frames:
        at_rail, counts = messages.unpack_samples(frame.payload, 3)
        n_scans = len(counts) // 3
        first = first_conversion + frame.index * per_scan
        got = np.array(counts).reshape(-1, 3)
        assert np.array_equal(got, expected_counts(first, n_scans, mode)), f"counts at index {frame.index}"
        raw = codes_from(first, n_scans * per_scan).reshape(-1, 3)
        rails = [((raw[:, c] == 0).sum(), (raw[:, c] == 4095).sum()) for c in range(3)]
        assert at_rail == rails, f"at-rail counts at index {frame.index}"
