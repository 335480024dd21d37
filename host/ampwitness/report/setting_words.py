"""What was typed and chosen, as a person reads it: names in words with their unit, yes and no instead of True."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_WORDS: Mapping[str, str] = {
    "load_ohm": "load, nominal (ohm)",
    "nominal_supply_v": "nominal supply (V)",
    "current_a_per_v": "current clamp (A a volt)",
    "current_zero_v": "current clamp at no current (V)",
    "reference_point": "logger's ground clipped to",
    "program_version": "recorded by version",
    "started_at": "started",
    "host_clock": "clock",
    "board_id": "board",
    "board_firmware": "board's firmware",
    "board_mode": "mode",
    "window_s": "worked on at a time (s)",
    "correct_adc": "converter's known steps taken out",
    "continuous": "signal said never to pause",
    "envelope_step_s": "step of the overview (s)",
}
_ELSEWHERE = ("started_host_s",)  # the same moment as `started_at`, for programs


def setting_rows(notes: Mapping[str, Any], options: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Names and values for the table, in the order they were kept; what was left empty is left out."""
    rows = []
    for key, value in {**notes, **options}.items():
        if value in (None, "") or key.endswith("_json") or key in _ELSEWHERE:
            continue
        shown = ("no", "yes")[value] if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else value
        rows.append((_WORDS.get(key, key.replace("_", " ")), str(shown)))
    return rows
