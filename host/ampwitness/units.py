"""How quantities are written for people."""

from __future__ import annotations

import re

_NO_BREAK = "\u00a0"
_UNIT = re.compile(r"(?<=\d) (?=(?:m?V|ms|s|h|min|dB|%|Hz|W|m?ohm|A|C)(?![A-Za-z]))")
LEAST_CLOCK_S = 60.0  # below a minute of recording time a clock says no more than seconds do


def seconds_to_clock(time_s: float) -> str:
    """Seconds to what a person reads off a clock: 1:02:03.456, 2:03.456 or 3.456 s below a minute."""
    if time_s < 0:
        return "-" + seconds_to_clock(-time_s)
    milliseconds = round(time_s * 1000)
    minutes, rest = divmod(milliseconds, 60_000)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours}:{minutes:02d}:{rest / 1000:06.3f}"
    if minutes:
        return f"{minutes}:{rest / 1000:06.3f}"
    return f"{rest / 1000:.3f} s"


def seconds_to_span(time_s: float, digits: int = 1) -> str:
    """How long something lasted: 73.0 s below two minutes, then 12 min 5 s, then 1 h 59 min; never 0.0 s of little."""
    if 0 < time_s < 0.5 * 10**-digits:
        return f"under {10**-digits:.{digits}f} s"
    if time_s < 120:
        return f"{time_s:.{digits}f} s"
    minutes, seconds = divmod(round(time_s), 60)
    if minutes < 60:
        return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"
    hours, minutes = divmod(round(time_s / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def fixed(value: float, digits: int) -> str:
    """The number with so many decimals, and none below zero that rounds to zero: "0.00", never "-0.00"."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def bind_units(text: str) -> str:
    """The text with a space between number and unit at which no line breaks."""
    return _UNIT.sub(_NO_BREAK, text)


def unbind_units(text: str) -> str:
    """What `bind_units` was given: plain spaces, which can be searched for."""
    return text.replace(_NO_BREAK, " ")
