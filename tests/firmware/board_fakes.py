"""Converter, port, pins and clock that a test moves by hand. Runs under CPython and MicroPython."""

import os
from array import array

from ampwire import framing, layout
from logger.facts import Facts
from logger.logger import Logger

RING = 16384
MASK = 0x3FFFFFFF


def code_of(n):
    """Raw conversion number n: never the same pattern twice in a ring, with rails now and then."""
    if n % 4001 == 17:
        return 0
    if n % 5003 == 29:
        return 4095
    return 1 + (n * 2731 + (n >> 9) * 97) % 4094


class FakeConfig:
    """board_config with what a test wants changed."""

    def __init__(self, **changes):
        import board_config

        for name in dir(board_config):
            if not name.startswith("_"):
                setattr(self, name, getattr(board_config, name))
        for name in changes:
            setattr(self, name, changes[name])


class FakeSource:
    """Writes code_of(0), code_of(1), ... into the ring when told to advance."""

    def __init__(self, first_position=0):
        self.ring = array("H", [0] * RING)
        self.first_position = first_position
        self.n_done = 0
        self.is_over = False
        self.is_running = False
        self.starts = []
        self.error = None
        self.jump = 0  # conversions that come while a frame is being averaged: at the second look at the position
        self.n_looks = 0
        self.make_code = code_of

    def start(self, cycles, n_channels, pins, with_temperature=False):
        if self.error:
            raise ValueError(self.error)
        self.starts.append((cycles, n_channels, tuple(pins)) + ((True,) if with_temperature else ()))
        self.n_done = 0
        self.is_over = False
        self.is_running = True

    def stop(self):
        self.is_running = False

    def overflowed(self):
        return self.is_over

    def position(self):
        self.n_looks += 1
        if self.jump and self.n_looks == 2:
            jump, self.jump = self.jump, 0
            self.advance(jump)
        return (self.first_position + self.n_done) & MASK

    def advance(self, n):
        if not self.is_running:
            return
        make_code = self.make_code
        first = max(self.n_done, self.n_done + n - RING)
        for k in range(first, self.n_done + n):
            self.ring[(self.first_position + k) % RING] = make_code(k)
        self.n_done += n


class PullingSource(FakeSource):
    """A converter whose pins have pull resistors: moves[k] are the codes by which pin k's moves each channel.

    A resistor pulls up or down, so what it moves has that sign.
    """

    def __init__(self, moves, pins=(26, 27, 28)):
        FakeSource.__init__(self)
        self.moves = moves
        self.pins = pins
        self.pulls = []
        self._added = [0, 0, 0]
        self.rest = lambda n: 2048 + n % 5
        self.make_code = lambda n: self.rest(n) + self._added[n % 3]

    def pull(self, pin, up):
        self.pulls.append((pin, up))
        self._added = [move if up else -move for move in self.moves[self.pins.index(pin)]]

    def stop(self):
        FakeSource.stop(self)
        self._added = [0, 0, 0]


class FakePort:
    """Takes `room` bytes (None: any number), keeps them, and hands over what a host has said."""

    def __init__(self):
        self.room = None
        self.taken = bytearray()
        self.said = bytearray()
        self._seq = 0

    def write_ready(self):
        return self.room is None or self.room > 0

    def write(self, piece):
        n = len(piece) if self.room is None else min(len(piece), self.room)
        if self.room is not None:
            self.room -= n
        self.taken += bytes(piece)[:n]
        return n

    def read_into(self, buf):
        n = min(len(buf), len(self.said))
        for i in range(n):
            buf[i] = self.said[i]
        self.said = self.said[n:]
        return n

    def say(self, kind, payload=b""):
        self.said += framing.pack_frame(kind, 0, self._seq, 0, 0, payload)
        self._seq += 1

    def frames(self):
        """All valid frames that were taken, and how many pieces between delimiters were not valid."""
        good, n_bad = [], 0
        for encoded in bytes(self.taken).split(b"\x00"):
            if encoded:
                try:
                    good.append(framing.unpack_frame(encoded))
                except framing.FrameError:
                    n_bad += 1
        return good, n_bad


class FakePins:
    def __init__(self):
        self.levels = {15: 0}
        self.pressed = 0
        self.is_lit = False
        self.n_lit = 0

    def button(self):
        return self.pressed

    def level(self, pin):
        return self.levels.get(pin, 0)

    def led(self, on):
        self.is_lit = on
        self.n_lit += 1


class FakeClock:
    """Microseconds since `start_us`, wrapping at 2**30 as on the board; milliseconds wrap by themselves there too."""

    def __init__(self, start_ms=0):
        self.ms = start_ms
        self.us = 0

    def ticks_ms(self):
        return self.ms & MASK

    def ticks_us(self):
        return (self.ms * 1000 + self.us) & MASK


class Bench:
    """A logger with everything around it."""

    def __init__(self, config=None, source=None, mode=None, start_ms=0, facts=None):
        self.config = config or FakeConfig()
        self.source = source or FakeSource()
        self.port = FakePort()
        self.pins = FakePins()
        self.clock = FakeClock(start_ms)
        self.facts = facts or Facts()
        self.facts.random_bytes = os.urandom
        self.logger = Logger(self.config, self.source, self.port, self.pins, self.clock, self.facts, mode=mode)
        self._beat_ms = start_ms

    def run_ms(self, n_ms, with_heartbeat=True, conversions_a_ms=None):
        """One step a millisecond, with as many conversions as the mode makes in it."""
        if conversions_a_ms is None:
            conversions_a_ms = 48000 // self.config.MODES[self.logger.mode]["cycles"]
        for _ in range(n_ms):
            self.clock.ms += 1
            if with_heartbeat and self.clock.ms - self._beat_ms >= 500:
                self.port.say(layout.KIND_HEARTBEAT)
                self._beat_ms = self.clock.ms
            self.source.advance(conversions_a_ms)
            self.source.n_looks = 0
            self.logger.step()

    def command(self, kind, payload=b""):
        """Say it and let the board hear it, without conversions in between."""
        self.port.say(kind, payload)
        self.run_ms(25, conversions_a_ms=0)

    def start(self):
        self.command(layout.KIND_HEARTBEAT)
        self.command(layout.KIND_START)

    def of_kind(self, kind):
        return [frame for frame in self.port.frames()[0] if frame.kind == kind]
