"""Resistors for a wanted range and corner, out of preferred values."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

from ampwitness.errors import UsageError
from ampwitness.frontend.budget import Tolerances
from ampwitness.frontend.network import InputNetwork
from ampwitness.frontend.preferred import values_between
from ampwitness.frontend.wishes import Wish

CORNER_MATCH_RATIO = 0.02  # board_config promises it, its tests hold it: one inverse filter serves all inputs
_SEARCH_RATIO = 0.09  # how far from the ideal value a part is looked for
_CORNER_WEIGHT = 0.5  # our choice: 1 % of corner is worth half a percent of range
_NO_PART_OHM = 1e6  # a resistor above this is left out: its current is the pin's own leakage


@dataclass(frozen=True, slots=True)
class DesignedInput:
    """A wish and the network that fulfils it. `remark` says where the wish could not be met exactly."""

    wish: Wish
    network: InputNetwork
    remark: str


def is_covered(network: InputNetwork, wish: Wish, tolerances: Tolerances) -> bool:
    """Whether the wish lies inside the range with every part at its worst limit."""
    down = 0.0 if network.down_ohm is None else network.top_ohm / network.down_ohm
    up = 0.0 if network.up_ohm is None else network.top_ohm / network.up_ohm
    ratio = 1 - 2 * tolerances.resistor_ratio
    reference_v = network.reference_v * (1 - tolerances.reference_ratio)
    return reference_v * (1 + ratio * down) >= wish.high_v and -reference_v * ratio * up <= wish.low_v


def design_input(
    wish: Wish,
    corner_hz: float,
    parallel_ohm: float,
    farad: float,
    reference_v: float,
    series: tuple[int, ...],
    tolerances: Tolerances,
) -> DesignedInput:
    """The network of preferred parts that holds the wish with the least range to spare.

    Parameters
    ----------
    wish : range at the terminal
    corner_hz, parallel_ohm, farad : the corner that all inputs share, and what makes it
    reference_v : the converter's reference, which also biases the pin
    series : E-series to choose from, for example (24, 96)
    tolerances : limits of the parts; the wish must hold inside them

    Raises
    ------
    UsageError : no combination of parts holds the range at this corner

    Source
    ------
    With g = R/top, b = R/up, d = R/down and g + b + d = 1: bottom = -V b/g, top = V (1 - b)/g. So g = V/(top - bottom),
    b = -bottom/(top - bottom), and d = 0 at a top of V: resistors alone cannot make less of that.
    """
    slack_ratio = 2 * tolerances.resistor_ratio + tolerances.reference_ratio
    low_v = wish.low_v * (1 + slack_ratio)
    high_v = max(wish.high_v * (1 + slack_ratio), reference_v)
    remark = ""
    if wish.high_v < reference_v * (1 - tolerances.reference_ratio):
        remark = (
            f"resistors alone bias a pin no further than this: the range ends at +{reference_v:g} V, "
            f"not at +{wish.high_v:g} V"
        )
    span_v = high_v - low_v
    gain, up, down = reference_v / span_v, -low_v / span_v, (high_v - reference_v) / span_v
    best: tuple[float, InputNetwork] | None = None
    for top_ohm, up_ohm, down_ohm in itertools.product(
        _near(parallel_ohm / gain, series),
        _near_or_none(parallel_ohm, up, series),
        _near_or_none(parallel_ohm, down, series),
    ):
        network = InputNetwork(wish.roles[0], top_ohm, up_ohm, down_ohm, farad, reference_v)
        off_ratio = abs(network.corner_hz / corner_hz - 1)
        if off_ratio > CORNER_MATCH_RATIO or not is_covered(network, wish, tolerances):
            continue
        score = (network.high_v - network.low_v) / span_v + _CORNER_WEIGHT * off_ratio
        if best is None or score < best[0] - 1e-12:
            best = (score, network)
    if best is None:
        raise UsageError(
            f"no parts of series {', '.join(f'E{n}' for n in series)} hold {wish.low_v:g} to {wish.high_v:g} V "
            f"within {100 * CORNER_MATCH_RATIO:g} % of {corner_hz:g} Hz; allow a finer series"
        )
    return DesignedInput(wish, best[1], remark)


def _near(ohm: float, series: tuple[int, ...]) -> list[float]:
    return values_between(ohm * (1 - _SEARCH_RATIO), ohm * (1 + _SEARCH_RATIO), *series)


def _near_or_none(parallel_ohm: float, share: float, series: tuple[int, ...]) -> Iterable[float | None]:
    if share <= parallel_ohm / _NO_PART_OHM:
        return (None,)
    return _near(parallel_ohm / share, series)
