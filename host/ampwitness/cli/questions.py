"""Asks for readings at set intervals while something else goes on: keys in, prompts and values out.."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from ampwitness.errors import UsageError
from ampwitness.recording.host_labels import ENGINE_KEYS

_UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0}
_ASK = re.compile(r"([^=]+)=\s*(\d+(?:\.\d+)?)\s*(s|min|h)")
_TYPED = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(.*)")
LEAST_S = 5.0
MARK_KEYS = ("m", *ENGINE_KEYS)


@dataclass(frozen=True, slots=True)
class Ask:
    """What is asked for, and how often."""

    name: str
    every_s: float


@dataclass(frozen=True, slots=True)
class Typed:
    """A value as it was typed; `unit` is what stood behind the number."""

    name: str
    value: float
    unit: str


def parse_ask(text: str) -> Ask:
    """Read NAME=INTERVAL, `heatsink=15min`. Raises UsageError."""
    found = _ASK.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"--ask {text!r}: expected NAME=INTERVAL, for example heatsink=15min (s, min or h).")
    every_s = float(found[2]) * _UNITS_S[found[3]]
    if every_s < LEAST_S:
        raise UsageError(f"--ask {text!r}: nobody reads and types that fast; ask every {LEAST_S:g} s or less often.")
    return Ask(found[1].strip(), every_s)


class Questions:
    """Which question is open, and what has been typed of its answer.

    Each is asked at the start and then once an interval. One that was not answered by then is asked once, not twice.
    """

    def __init__(self, asks: Sequence[Ask]) -> None:
        self._due_s = dict.fromkeys(asks, 0.0)
        self._open: list[Ask] = []
        self._typed = ""
        self._remark = ""

    def tick(self, now_s: float) -> bool:
        """Look at the clock (seconds since the start); True when a new question has come up."""
        n_before = len(self._open)
        for ask, due_s in self._due_s.items():
            if now_s >= due_s:
                self._due_s[ask] = (now_s // ask.every_s + 1) * ask.every_s
                if ask not in self._open:
                    self._open.append(ask)
        return len(self._open) > n_before

    @property
    def prompt(self) -> str:
        """The open question with what is typed so far; empty when none is open."""
        if not self._open:
            return ""
        return f"{self._remark}{self._open[0].name}? {self._typed}_ (number; Enter alone: none)"

    def type(self, keys: str) -> tuple[list[Typed], str]:
        """Take keys. Returns values that are complete, and the keys that belong to no answer: a mark's m ahead of one.
        Any other letter begins an answer, so that a word typed by mistake is refused as a whole and marks nothing."""
        values, others = [], ""
        for key in keys:
            if not self._open or (not self._typed and (key.lower() in MARK_KEYS or key == " ")):
                others += key
            elif key in "\r\n":
                values += self._enter()
            elif key in "\b\x7f":
                self._typed = self._typed[:-1]
            elif key.isprintable() and len(self._typed) < 24:
                self._typed += key
        return values, others

    def _enter(self) -> list[Typed]:
        text, self._typed, self._remark = self._typed.strip(), "", ""
        if not text:
            self._open.pop(0)
            return []
        found = _TYPED.fullmatch(text)
        if found is None:
            self._remark = f"{text!r} is no number. "
            return []
        ask = self._open.pop(0)
        return [Typed(ask.name, float(found[1].replace(",", ".")), found[2].strip())]
