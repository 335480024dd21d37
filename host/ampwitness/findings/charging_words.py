"""What became of the charging, in sentences: volts that sank, fell away and came back, or left a battery all but empty.

Measures nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.units import fixed, seconds_to_clock, seconds_to_span

# A lead-acid battery that rests below this is nearly flat or worn (common practice, no source); others rest higher.
FLAT_V = 12.0
# Alternators of 12 V vehicles: 14.55 +-0.3 V at 25 degrees, 3.5 mV more for each degree less (service data), and what a
# logger that was not calibrated may read too much. From `OVER_12_V` on it is told as a danger.
HIGH_CHARGED_V, OVER_12_V, LEAST_CHARGED_S = 15.25, 16.0, 20.0
_SEE_TO = "belt, plugs, brushes and regulator, with the engine off and cold"
_MOST_TIMES = 5


def list_ends(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Each end of charging without a cranking behind it, by the summary of the analysis."""
    return list((summary.get("engine") or {}).get("charging_ends") or ())


def advise_sunk(summary: Mapping[str, Any]) -> list[str]:
    """What to do where charging sank slowly; empty where it did not."""
    sunk = [end for end in list_ends(summary) if end["sank_s"] is not None]
    if not sunk:
        return []
    first = sunk[0]
    return [
        f"See to the alternator before anything is changed at the amplifier: {_SEE_TO}. From "
        f"{_to_clock(first['start_s'])} on the charging sank, half of the way in {first['sank_s']:.0f} s and "
        f"{_word_fall(first)} in all: an engine that is switched off takes its charging away within a second or two."
    ]


def advise_charged_high(summary: Mapping[str, Any]) -> list[str]:
    """What to do where the charged supply stood higher than alternators are set, and not so high that it is a danger;
    empty elsewhere."""
    charging = ((summary.get("supply") or {}).get("states") or {}).get("charging") or {}
    open_v, judged_s = (float(charging.get(key) or 0.0) for key in ("open_v", "judged_s"))
    if judged_s < LEAST_CHARGED_S or not HIGH_CHARGED_V < open_v < OVER_12_V:
        return []
    return [
        "Measure the charging at the battery posts with the amplifier quiet: the supply stood at "
        f"{fixed(open_v, 2)} V, and alternators are set to 14.25 to 14.85 V at 25 degrees, in frost to some 15 V. If "
        "the battery has that too, have the regulator and its sense lead seen to: too much dries a battery out."
    ]


def word_charging_short(summary: Mapping[str, Any]) -> list[str]:
    """The same in some words for the verdict."""
    sunk = next((end for end in list_ends(summary) if end["sank_s"] is not None), None)
    n_dropped = len(_list_dropped(summary))
    said = [] if sunk is None else [f"charging sank {_word_fall(sunk)}"]
    return said + ([f"charging fell away {_count_times(n_dropped)}"] if n_dropped else [])


def advise_left(summary: Mapping[str, Any]) -> str:
    """What to do where charging ended for good and the battery was all but empty behind it; empty elsewhere."""
    left = [end for end in list_ends(summary) if end["stop_s"] is None and end["sank_s"] is None]
    if not left or left[-1]["after_v"] >= FLAT_V:
        return ""
    at = _to_clock(left[-1]["start_s"])
    return (
        f"Find out whether the engine ran on behind {at}. If it did, see to the alternator ({_SEE_TO}); if it was off, "
        f"charge the battery first, and test it. Charging ended there and the supply went {_word_fall(left[-1])}: a "
        f"battery that stands below {FLAT_V:.0f} V is nearly flat or worn, and volts alone do not tell an engine that "
        "was switched off from an alternator that gave up."
    )


def advise_dropped(summary: Mapping[str, Any]) -> list[str]:
    """What to do where charging fell away and came back without the engine's being cranked; empty elsewhere."""
    came_back = _list_dropped(summary)
    if not came_back:
        return []
    return [
        "Find out whether this vehicle's charging varies by design (its maker's papers say so). If it does not, see to "
        f"the alternator: {_SEE_TO}. {_word_dropped(came_back)}."
    ]


def word_dropped(summary: Mapping[str, Any]) -> list[str]:
    """One sentence on charging that fell away and came back; empty where it did not."""
    came_back = _list_dropped(summary)
    return [f"{_word_dropped(came_back)}."] if came_back else []


def _list_dropped(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [end for end in list_ends(summary) if end["stop_s"] is not None and end["sank_s"] is None]


def _word_dropped(ends: Sequence[Mapping[str, Any]]) -> str:
    lengths_s = sorted(end["stop_s"] - end["start_s"] for end in ends)
    where = ", ".join(_to_clock(end["start_s"]) for end in ends[:_MOST_TIMES])
    more = " and later" if len(ends) > _MOST_TIMES else ""
    long = seconds_to_span(lengths_s[-1])
    long = f"for {long}" if len(ends) == 1 else f"for {long} at the longest"
    lowest = min(ends, key=lambda end: float(end["after_v"]))
    return (
        f"Charging fell away {_count_times(len(ends))} ({where}{more}), {long} and {_word_fall(lowest)}, and came "
        "back without the engine's being cranked"
    )


def _count_times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"


def _to_clock(time_s: float) -> str:
    """To the second: no end of charging is known better than to some tenths."""
    return seconds_to_clock(round(time_s)).partition(".")[0] + (" s" if round(time_s) < 60 else "")


def _word_fall(end: Mapping[str, Any]) -> str:
    return f"from {fixed(end['before_v'], 2)} to {fixed(end['after_v'], 2)} V"
