"""Left and right of a pair: how far apart their levels are, from what was measured on each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# Which figure of which finding stands for how loud a channel was left, best first: where the guided setting ended, the
# level of a steady tone. The knee is no level: it says how loud a channel can be, not how loud it is.
_LEVEL_KEYS = (("setting", "left_at_v"), ("tone", "level_v"))
JUST_HEARD_DB = 1.0  # a difference in level that a listener just hears: common practice, no source


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Two channels of an amplifier. difference_db: second over first; None: not judged, see `words`."""

    amplifier: str
    first: str
    second: str
    difference_db: float | None
    words: str


def level_of(findings: Sequence[Mapping[str, Any]]) -> tuple[float, str] | None:
    """Level (V rms) of a channel and what it is, from a report's findings; None where nothing says."""
    for kind, key in _LEVEL_KEYS:
        values = [f["measured"].get(key) for f in findings if f.get("kind") == kind]
        numbers = [float(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool) and v > 0]
        if numbers:
            return (numbers[-1], f"{kind} {key}")
    return None


def compare_pair(
    amplifier: str, first: tuple[str, tuple[float, str] | None], second: tuple[str, tuple[float, str] | None]
) -> PairMatch:
    """How many dB the second channel plays louder than the first, where both were measured in the same way."""
    (name_a, level_a), (name_b, level_b) = first, second
    for name, level in (first, second):
        if level is None:
            return PairMatch(amplifier, name_a, name_b, None, f"not judged: no level was measured on {name}")
    assert level_a is not None
    assert level_b is not None
    if level_a[1] != level_b[1]:
        words = f"not judged: {name_a} has a {level_a[1]}, {name_b} a {level_b[1]}"
        return PairMatch(amplifier, name_a, name_b, None, words)
    difference_db = 20 * math.log10(level_b[0] / level_a[0])
    louder = name_b if difference_db > 0 else name_a
    words = f"{name_a} {level_a[0]:.2f} V rms, {name_b} {level_b[0]:.2f} V rms: "
    if abs(difference_db) < 0.05:
        words += "alike"
    else:
        words += f"{louder} is {abs(difference_db):.2f} dB louder"
        words += ", enough to hear" if abs(difference_db) >= JUST_HEARD_DB else ""
    return PairMatch(amplifier, name_a, name_b, difference_db, words)
