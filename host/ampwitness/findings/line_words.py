"""What a line beside a test tone may be, as far as its place says."""

from __future__ import annotations

_MAINS_HZ = (50.0, 60.0)
_HIGHEST_HUM_HZ = 500.0
_LOWEST_WHISTLE_HZ = 1_500.0


def name_other(hz: float) -> str:
    """In brackets behind a space, with a question mark; empty where the place says nothing."""
    if hz <= _HIGHEST_HUM_HZ and any(abs(hz - mains * round(hz / mains)) < 0.7 for mains in _MAINS_HZ):
        return " (hum?)"
    return " (whine or switching noise?)" if hz >= _LOWEST_WHISTLE_HZ else ""
