"""Plays a stimulus into the virtual converter: conversions and pin changes as records, from where it was held."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Protocol

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.virtual_faults import TimeBase

_RECORD = struct.Struct("<cBHI")  # see virtual_firmware.py
PRESS_S = 0.1  # how long the button stays down
_ADC_BYTES = "<u2"


class Model(Protocol):
    """What BoardModel offers and the player needs."""

    conversion_rate_hz: Fraction

    def conversions(self, n: int) -> npt.NDArray[np.uint16]: ...

    def remote_level(self, time_s: float) -> int | None: ...

    def remote_edges(self, start_s: float, stop_s: float) -> list[tuple[float, int]]: ...


class StimulusPlayer:
    """Stimulus time stands still while nobody streams, and goes on where the last session stopped.

    Parameters
    ----------
    make_model : function(mode, start_s) -> model of the board from stimulus time start_s on
    n_channels : analog channels
    remote_pin : pin of the digital remote line; None: there is none
    marks_s : stimulus times at which the button is pressed
    is_looped : begin again at the end
    part_s : each start plays the next part of so many seconds, over and over until stopped; None: there are no parts
    """

    def __init__(
        self,
        make_model: Callable[[str, float], Model],
        n_channels: int,
        remote_pin: int | None,
        marks_s: Sequence[float] = (),
        is_looped: bool = False,
        part_s: float | None = None,
    ) -> None:
        self._make_model = make_model
        self._n_channels = n_channels
        self._remote_pin = remote_pin
        self._marks_s = sorted(marks_s)
        self._is_looped = is_looped
        self._part_s = part_s
        self._n_parts_begun = 0
        self._held_s = 0.0  # where the stimulus stands while nothing is played
        self._model: Model | None = None
        self._mode = ""
        self._generation = 0
        self._n_played = 0  # conversions of this generation
        self._origin = 0  # of them, how many came before the present pass of a loop
        self._origin_s = 0.0  # stimulus time at self._origin
        self._button: list[tuple[int, int]] = []
        self._is_fresh = False
        self.has_ended = False
        self.time_base: TimeBase | None = None

    @property
    def is_playing(self) -> bool:
        return self._model is not None

    @property
    def conversion_rate_hz(self) -> float:
        return 0.0 if self._model is None else float(self._model.conversion_rate_hz)

    @property
    def time_s(self) -> float:
        """Stimulus time of the next conversion."""
        if self._model is None:
            return self._held_s
        return self._origin_s + float((self._n_played - self._origin) / self._model.conversion_rate_hz)

    def start(self, generation: int, mode: str, is_test: bool = False) -> None:
        """The converter was started: play from where the stimulus stands. A test does not move it."""
        self._generation, self._mode = generation, mode
        self._n_played = self._origin = 0
        self._button = []
        if self._part_s is not None and not is_test:
            self._held_s = self._part_s * self._n_parts_begun
            self._n_parts_begun += 1
        self._begin_pass(self._held_s)
        self._is_test, self._is_fresh = is_test, True
        assert self._model is not None
        per_scan = self._n_channels * int(load_board_config().MODES[mode]["averaging"])
        if not is_test:
            self.time_base = TimeBase(self._origin_s, self._model.conversion_rate_hz / per_scan)

    def _begin_pass(self, start_s: float) -> None:
        self._model = self._make_model(self._mode, start_s)
        self._origin, self._origin_s = self._n_played, start_s
        rate_hz = float(self._model.conversion_rate_hz)
        for mark_s in self._marks_s:
            if mark_s >= start_s:
                at = self._origin + int((mark_s - start_s) * rate_hz)
                self._button += [(at, 1), (at + int(PRESS_S * rate_hz), 0)]
        self._button.sort()

    def stop(self, generation: int, n_taken: int) -> None:
        """The converter was stopped after n_taken conversions: the stimulus is held right there."""
        if self._model is None or generation != self._generation:
            return
        if not self._is_test and not self.has_ended and self._part_s is None:
            self._held_s = self._origin_s + float(max(0, n_taken - self._origin) / self._model.conversion_rate_hz)
        self._model = None

    def move_to(self, time_s: float) -> None:
        """The board is gone; what follows plays from time_s."""
        self._held_s = time_s
        self._model = None

    def next_records(self, n: int) -> bytes:
        """Records with the next n conversions and what happened at the pins meanwhile; b"" when there is no more."""
        if self._model is None or self.has_ended:
            return b""
        out = bytearray()
        if self._is_fresh:
            self._is_fresh = False
            level = self._model.remote_level(0.0)
            if self._remote_pin is not None and level is not None:
                out += self._record(b"L", self._remote_pin, level)
        if self._part_s is not None and not self._is_test:
            n = self._within_part(n)
        codes = self._model.conversions(n)
        if len(codes) == 0 and self._is_looped and self._n_played > self._origin:
            self._begin_pass(0.0)
            codes = self._model.conversions(n)
        if len(codes) == 0:
            self.has_ended = not self._is_test
            return bytes(out) + self._record(b"E", 0, 0)
        out += self._interleave(codes.astype(_ADC_BYTES, copy=False))
        return bytes(out)

    def _within_part(self, n: int) -> int:
        """How many of n conversions are left of the part; at its end it begins again."""
        assert self._model is not None
        assert self._part_s is not None
        n_part = int(self._part_s * self._model.conversion_rate_hz)
        if self._n_played - self._origin >= n_part:
            self._begin_pass(self._held_s)
        return min(n, n_part - (self._n_played - self._origin))

    def _interleave(self, codes: npt.NDArray[np.uint16]) -> bytes:
        out = bytearray()
        first, at = self._n_played, 0
        for place, record in self._events(first, first + len(codes)):
            if place - first > at:
                out += self._record(b"C", 0, 2 * (place - first - at)) + codes[at : place - first].tobytes()
                at = place - first
            out += record
        if at < len(codes):
            out += self._record(b"C", 0, 2 * (len(codes) - at)) + codes[at:].tobytes()
        self._n_played += len(codes)
        return bytes(out)

    def _events(self, first: int, stop: int) -> list[tuple[int, bytes]]:
        """(place among the conversions of this generation, record) of pin changes in first <= place < stop."""
        assert self._model is not None
        rate_hz = self._model.conversion_rate_hz
        events: list[tuple[int, bytes]] = []
        if self._remote_pin is not None:
            start_s, stop_s = float((first - self._origin) / rate_hz), float((stop - self._origin) / rate_hz)
            for time_s, level in self._model.remote_edges(start_s, stop_s):
                place = min(stop - 1, max(first, self._origin + int(time_s * rate_hz)))
                events.append((place, self._record(b"L", self._remote_pin, level)))
        while self._button and self._button[0][0] < stop:
            place, pressed = self._button.pop(0)
            events.append((max(first, place), self._record(b"B", 0, pressed)))
        return sorted(events, key=lambda event: event[0])

    def _record(self, kind: bytes, a: int, n: int) -> bytes:
        return _RECORD.pack(kind, self._generation, a, n)
