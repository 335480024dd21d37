"""On which channel the engine shows: the amplifier's supply, or the battery where a converter holds the supply.

Gaps: none here; steps are taken as they are.
Limits: a battery of the same system, logged throughout, whose volts moved by 0.9 V while the supply stayed.
Source: our choice, measured in tests/supply/test_engine_channel.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ampwitness.detect.supply.cranking import CRANK_LEAST_V, STRONG_FALL_V
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.types import Finding, FloatArray

BY_BATTERY = (
    "engine states by the battery's own channel: the amplifier's supply stayed while the battery's volts moved, as "
    "behind a converter"
)
_FOLLOWS_RATIO = 0.3  # of the battery's way: a supply that moves by as much hangs on it
_BIN = 20  # steps of 10 ms: notes pull at either for less, no cranking is as short
_LEAST_BINS = 10


def take_engine_channel(steps: SupplySteps, dips: Sequence[Finding]) -> tuple[SupplySteps, tuple[Finding, ...], bool]:
    """Steps and dips by which the engine is told, named as the supply's, and whether they are the battery's.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    dips : findings of the dip detector
    """
    if not is_held_apart(steps):
        return steps, tuple(dips), False
    volts = {**steps.volts, "supply": steps.volts["battery"]}
    mine = [dip for dip in dips if dip.measured.get("role") == "battery"]
    named = tuple(replace(dip, measured={**dip.measured, "role": "supply"}) for dip in mine)
    return replace(steps, volts=volts, ripple_v=None), named, True


def is_held_apart(steps: SupplySteps) -> bool:
    """Whether the battery's volts moved as an engine moves them, and the supply's did not follow."""
    if not {"supply", "battery"} <= set(steps.volts):
        return False
    battery, supply = (_levels(steps.volts[role]) for role in ("battery", "supply"))
    is_there = battery > CRANK_LEAST_V  # below that its lead lost contact
    if int(is_there.sum()) < _LEAST_BINS or not np.isfinite(steps.volts["battery"]).all():
        return False
    way_v = float(np.ptp(battery[is_there]))
    return way_v > STRONG_FALL_V and float(np.ptp(supply[is_there])) < _FOLLOWS_RATIO * way_v


def _levels(volts: FloatArray) -> FloatArray:
    """The middle of each fifth of a second."""
    n = len(volts) // _BIN
    return np.asarray(np.median(volts[: n * _BIN].reshape(n, _BIN), axis=1))
