"""Left and right of a pair: how far apart their levels are, from what was measured on each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# Which figure of which finding stands for how loud a channel was left, best first, and how it is spoken of: where the
# guided setting ended, the level of a steady tone. The knee is no level: it says how loud a channel can be.
_LEVELS = (
    ("setting", "left_at_v", "tone_hz", "level at which the gain was left"),
    ("tone", "level_v", "frequency_hz", "level of a steady tone"),
)
_SAME_TONE_RATIO = 0.05  # tones that lie nearer are one: a player's pitch, a board's clock
JUST_HEARD_DB = 1.0  # a difference in level that a listener just hears: common practice, no source


@dataclass(frozen=True, slots=True)
class Level:
    """How loud a channel was left. `tone_hz` is None where nothing says at which tone; `day` as written in the job."""

    volts: float
    what: str
    tone_hz: float | None = None
    day: str = ""


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Two channels of an amplifier. difference_db: second over first; None: not judged, see `words`."""

    amplifier: str
    first: str
    second: str
    difference_db: float | None
    words: str


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def level_of(findings: Sequence[Mapping[str, Any]], day: str = "") -> Level | None:
    """The level of a channel (V rms) from a report's findings, the last of them; None where nothing says."""
    for kind, key, tone_key, what in _LEVELS:
        for measured in (f["measured"] for f in reversed(findings) if f.get("kind") == kind):
            if _is_number(measured.get(key)) and measured[key] > 0:
                tone_hz = measured.get(tone_key)
                return Level(float(measured[key]), what, float(tone_hz) if _is_number(tone_hz) else None, day)
    return None


def compare_pair(amplifier: str, first: tuple[str, Level | None], second: tuple[str, Level | None]) -> PairMatch:
    """How many dB the second channel plays louder than the first, where both were measured in the same way."""
    (name_a, level_a), (name_b, level_b) = first, second

    def not_judged(why: str) -> PairMatch:
        return PairMatch(amplifier, name_a, name_b, None, f"not judged: {why}")

    if level_a is None or level_b is None:
        missing = " and ".join(name for name, level in (first, second) if level is None)
        return not_judged(f"no level is noted of {missing}: set the gain, and add that (the last one added counts)")
    if level_a.what != level_b.what:
        return not_judged(f"of {name_a} the {level_a.what} is known, of {name_b} the {level_b.what}")
    a_hz, b_hz = level_a.tone_hz, level_b.tone_hz
    if a_hz is not None and b_hz is not None and abs(a_hz - b_hz) > _SAME_TONE_RATIO * a_hz:
        return not_judged(f"{name_a} was measured at {a_hz:.0f} Hz, {name_b} at {b_hz:.0f} Hz")
    difference_db = 20 * math.log10(level_b.volts / level_a.volts)
    louder = name_b if difference_db > 0 else name_a
    words = f"{name_a} {level_a.volts:.2f} V rms, {name_b} {level_b.volts:.2f} V rms: "
    if abs(difference_db) < 0.05:
        words += "alike"
    else:
        words += f"{louder} is {abs(difference_db):.2f} dB louder"
        words += ", enough to hear" if abs(difference_db) >= JUST_HEARD_DB else ""
    if level_a.day != level_b.day:
        words += (
            f"; {name_a} was measured on {level_a.day}, {name_b} on {level_b.day}: it holds if the source was as loud "
            "both times"
        )
    return PairMatch(amplifier, name_a, name_b, difference_db, words)
