"""Conversions between the units that reports speak in."""

from __future__ import annotations

import math


def ratio_to_db(ratio: float) -> float:
    """Voltage ratio to decibels (20 lg). Raises ValueError for a ratio that is not positive."""
    if not ratio > 0:
        raise ValueError(f"a ratio in dB must be positive, got {ratio}")
    return 20.0 * math.log10(ratio)


def db_to_ratio(level_db: float) -> float:
    """Decibels to voltage ratio."""
    return float(10.0 ** (level_db / 20.0))


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
