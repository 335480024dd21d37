"""When there was no supply: a lead that lost contact, whose volts are nobody's supply at rest.

Gaps: none here: works on findings.
Limits: as good as the cut-outs and the dips. A short that pulls the supply below NO_SUPPLY_V looks the same.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Sequence

from ampwitness.detect.dip_context import list_lost_supply
from ampwitness.detect.supply.supply_history import NO_SUPPLY_V
from ampwitness.types import Finding


def find_lost_supply(
    cutouts: Sequence[Finding], dips: Sequence[Finding], cranked: Sequence[tuple[float, float]]
) -> tuple[tuple[float, float], ...]:
    """Spans without a supply, (start_s, stop_s), in order of time, without overlap.

    Parameters
    ----------
    cutouts : those whose cause is a lost supply or ground count
    dips : those of the supply that fell below NO_SUPPLY_V count
    cranked : spans in which the engine was cranked: a starter may draw the supply that low
    """
    spans = [span for span in list_lost_supply(cutouts) if not _meets(span, cranked)]
    for dip in dips:
        residual_v, span = dip.measured.get("residual_v"), (dip.start_s, dip.stop_s)
        if dip.measured.get("role") == "supply" and isinstance(residual_v, int | float) and residual_v < NO_SUPPLY_V:
            spans += [] if _meets(span, cranked) else [span]
    joined: list[tuple[float, float]] = []
    for start_s, stop_s in sorted(spans):
        if joined and start_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stop_s))
        else:
            joined.append((start_s, stop_s))
    return tuple(joined)


def _meets(span: tuple[float, float], others: Sequence[tuple[float, float]]) -> bool:
    return any(start_s < span[1] and span[0] < stop_s for start_s, stop_s in others)
