"""What a board cannot show of what was typed, said before anything is recorded: afterwards it is too late."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ampwitness.types import Channel, Hello

_HIGHEST_CODE = 4095  # of 12 bits
_CHARGED_RATIO = 1.2  # 12 V systems charge at up to 14.4 V, 24 V systems at 28.8 V: common practice, no source


def find_doubts(hello: Hello, described: Mapping[str, Any]) -> tuple[str, ...]:
    """A sentence for each channel that does not suit what was typed (as `describing_options` gives it), or that needs
    what was not."""
    nominal_v = float(described.get("nominal_supply_v") or 0.0)
    charged_v = _CHARGED_RATIO * nominal_v
    doubts = [
        f"Take care: input `{channel.role}` of this board ends at {_top_v(channel):.1f} V, and a supply of "
        f"{nominal_v:g} V may charge at {charged_v:.1f} V. What lies above is not judged, and volts near the end "
        "are not to be trusted. `ampwitness front-end --system 24` designs an input that holds a 24 V vehicle."
        for channel in hello.channels
        if channel.role in ("supply", "battery") and _top_v(channel) < charged_v
    ]
    if "current" in hello.roles and described.get("current_a_per_v") is None:
        doubts.append(
            "Take care: nothing was typed of the clamp on channel `current`; the report will take 100 A for a volt. "
            "Give --clamp-a-per-v, and --clamp-zero-v, as its data sheet has them."
        )
    return tuple(doubts)


def _top_v(channel: Channel) -> float:
    return channel.gain_v_per_code * _HIGHEST_CODE + channel.offset_v
