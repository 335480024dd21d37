"""A script of what goes wrong between board and host, and the relay that does it.

NAME@TIME[:AMOUNT], times in stimulus seconds:
    pause@3:0.5     the host's reading stops for 0.5 s
    unplug@5:1      the cable is pulled for 1 s; the board loses its power with it
    corrupt@7:20    20 bytes arrive changed
    drop@8:1        1 frame of samples does not arrive
    reset@9         the board resets itself
    mark@4          somebody presses the button (nothing goes wrong)
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, cast

from ampwire import layout
from ampwire.groups import get_groups

from ampwitness.errors import UsageError

FaultName = Literal["pause", "unplug", "corrupt", "drop", "reset", "mark"]
_DEFAULT_AMOUNT = {"pause": 0.5, "unplug": 1.0, "corrupt": 1.0, "drop": 1.0, "reset": 0.0, "mark": 0.0}
_IN_WHOLE_NUMBERS = ("corrupt", "drop")
_CORRUPT_FROM = 20  # bytes into a frame: behind the header, in the samples


@dataclass(frozen=True, slots=True)
class Fault:
    """One line of a fault script. `amount`: seconds, bytes or frames, by `name`."""

    name: FaultName
    time_s: float
    amount: float


def parse_fault(text: str) -> Fault:
    """Read NAME@TIME[:AMOUNT]. Raises UsageError."""
    name, at, rest = text.partition("@")
    time_text, _, amount_text = rest.partition(":")
    if not at or name not in _DEFAULT_AMOUNT:
        raise UsageError(
            f"fault {text!r}: expected NAME@SECONDS[:AMOUNT] with NAME one of {', '.join(sorted(_DEFAULT_AMOUNT))}"
        )
    try:
        time_s = float(time_text)
        amount = float(amount_text) if amount_text else _DEFAULT_AMOUNT[name]
    except ValueError:
        raise UsageError(f"fault {text!r}: {rest!r} is not SECONDS[:AMOUNT]") from None
    if not 0 <= time_s < 1e9 or not 0 <= amount < 1e9:
        raise UsageError(f"fault {text!r}: time and amount must be 0 or more")
    if name in _IN_WHOLE_NUMBERS and (amount != int(amount) or amount == 0):
        raise UsageError(f"fault {text!r}: {amount_text} is not a whole number of 1 or more")
    return Fault(cast(FaultName, name), time_s, amount)


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Which stimulus time a sample index of the present session stands for."""

    start_s: float
    scan_rate_hz: Fraction

    def time_s(self, index: int) -> float:
        return self.start_s + float(index / self.scan_rate_hz)


class FaultRelay:
    """Passes on what the firmware sends, and says when a fault is due. Sans I/O.

    Faults happen at the first frame of samples whose first scan lies at or behind their time, so the same script does
    the same to the same frames at any speed.

    Parameters
    ----------
    faults : the script; marks in it are none of this class's business
    time_base : function that returns the time base of the session started last
    seed : draws what corrupted bytes become
    """

    def __init__(self, faults: Sequence[Fault], time_base: Callable[[], TimeBase | None], seed: int) -> None:
        self._waiting = sorted((f for f in faults if f.name != "mark"), key=lambda f: f.time_s)
        self._time_base = time_base
        self._random = random.Random(seed)
        self._tail = b""
        self._tag = -1
        self._base: TimeBase | None = None
        self._n_to_drop = 0
        self._n_to_corrupt = 0

    def push(self, raw: bytes) -> tuple[bytes, Fault | None]:
        """Take bytes from the firmware.

        Returns (bytes for the host, fault that the caller has to carry out now: pause, unplug or reset). After a pause
        the bytes behind it stay inside: push(b"") gives them.
        """
        if not self._waiting and not self._n_to_drop and not self._n_to_corrupt:
            passed, self._tail = self._tail + raw, b""
            return passed, None
        *frames, self._tail = (self._tail + raw).split(b"\x00")
        out = bytearray()
        for k, frame in enumerate(frames):
            fault = self._find_due(frame)
            if fault is not None:
                self._tail = b"\x00".join([*frames[k:], self._tail])
                return bytes(out), fault
            out += self._harm(frame)
        return bytes(out), None

    def forget(self) -> None:
        """The board is gone: so is what it had not finished."""
        self._tail = b""
        self._tag = -1

    def _find_due(self, frame: bytes) -> Fault | None:
        if len(frame) <= layout.HEADER_BYTES + 1 or frame[1 + layout.KIND_AT] != layout.KIND_SAMPLES:
            return None
        tag = get_groups(frame, 1 + layout.TAG_AT, layout.TAG_BYTES)
        if tag != self._tag:
            self._tag, self._base = tag, self._time_base()
        if self._base is None:
            return None
        time_s = self._base.time_s(get_groups(frame, 1 + layout.INDEX_AT, layout.INDEX_BYTES))
        while self._waiting and self._waiting[0].time_s <= time_s:
            fault = self._waiting.pop(0)
            if fault.name == "drop":
                self._n_to_drop += int(fault.amount)
            elif fault.name == "corrupt":
                self._n_to_corrupt += int(fault.amount)
            else:
                return fault
        return None

    def _harm(self, frame: bytes) -> bytes:
        is_samples = len(frame) > layout.HEADER_BYTES and frame[1 + layout.KIND_AT] == layout.KIND_SAMPLES
        if self._n_to_drop and is_samples:
            self._n_to_drop -= 1
            return b""
        whole = bytearray(frame + b"\x00")
        if self._n_to_corrupt and is_samples:
            stop = min(len(whole), _CORRUPT_FROM + self._n_to_corrupt)
            for i in range(_CORRUPT_FROM, stop):
                whole[i] ^= self._random.randrange(1, 256)
            self._n_to_corrupt -= stop - _CORRUPT_FROM
        return bytes(whole)
