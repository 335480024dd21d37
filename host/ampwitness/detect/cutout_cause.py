"""What may have stopped the output: the supply and the remote lead around that instant, in time order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampwitness.types import Edge, FloatArray

LOW_RATIO = 0.90  # of the usual supply: what is lower can be under-voltage
LOST_RATIO = 0.30  # of the usual supply: what is lower is no supply
# Lower than separate amplifiers commonly stand (common practice, no source), and lower by this than ever before: that
# needs no cut in mid-cycle beside it.
PLAIN_V = 10.5
PLAIN_FRESH_V = 0.3
FRESH_V = 0.030  # how much lower than ever before the supply must be to have stopped the amplifier
BEFORE_S = 0.300
REMOTE_BEFORE_S = 1.0
REMOTE_AFTER_S = 0.005
_AVERAGE_S = 0.002


@dataclass(frozen=True, slots=True)
class SupplyEvidence:
    """The supply around one stop of the output, averaged over 2 ms."""

    reference_v: float | None  # usual supply of the last minute: median of the seconds' upper quartiles
    at_stop_v: float  # last 2 ms before the stop
    lowest_v: float  # lowest within 300 ms before the stop
    lowest_before_s: float  # how long before the stop that was
    fell_before_s: float | None  # how long before the stop it last fell below 90 % of the usual supply
    after_v: float  # median from 10 to 50 ms after the stop
    lowest_after_v: float  # lowest within 20 ms after the stop
    survived_v: float | None  # lowest through which the output went on earlier than that in this run


@dataclass(frozen=True, slots=True)
class Cause:
    """Words for the cause, whether evidence carries them, and the evidence itself."""

    words: str
    is_evident: bool
    needs_a_cut: bool  # the evidence alone could be a coincidence: a note that ends while the supply is low
    in_time_order: tuple[str, ...]
    reasons: tuple[str, ...]


def measure_supply(
    supply: FloatArray, at: int, rate_hz: float, reference_v: float | None, survived_v: float | None
) -> SupplyEvidence | None:
    """Measure the supply around sample `at`.

    Parameters
    ----------
    supply : (n,) volts, of one unbroken run
    at : the output's last sample, index into `supply`
    rate_hz : samples a second
    reference_v, survived_v : what is known of this run so far; None: nothing yet

    Returns
    -------
    SupplyEvidence, or None where no sample lies before the stop.

    Gaps
    ----
    The caller passes one run only.
    """
    n_mean = max(1, round(_AVERAGE_S * rate_hz))
    first = max(0, at + 1 - round(BEFORE_S * rate_hz))
    before = supply[first : at + 1]
    if len(before) < n_mean:
        return None
    means = np.convolve(before, np.full(n_mean, 1.0 / n_mean), "valid")
    lowest = int(np.argmin(means))
    after = supply[at + 1 + round(0.010 * rate_hz) : at + 1 + round(0.050 * rate_hz)]
    soon = supply[at + 1 : at + 1 + round(0.020 * rate_hz)]
    if len(soon) >= n_mean:
        lowest_after_v = float(np.convolve(soon, np.full(n_mean, 1.0 / n_mean), "valid").min())
    else:
        lowest_after_v = float(means[-1])
    usual_v = reference_v if reference_v is not None else float(np.percentile(before, 75))
    fine = np.flatnonzero(means >= LOW_RATIO * usual_v)
    fell_before_s = None
    if means[-1] < LOW_RATIO * usual_v:
        fell_before_s = (len(means) - 1 - (int(fine[-1]) if len(fine) else 0)) / rate_hz
    return SupplyEvidence(
        reference_v=usual_v,
        at_stop_v=float(means[-1]),
        lowest_v=float(means[lowest]),
        lowest_before_s=(len(means) - 1 - lowest) / rate_hz,
        fell_before_s=fell_before_s,
        after_v=float(np.median(after)) if len(after) else float(means[-1]),
        lowest_after_v=lowest_after_v,
        survived_v=survived_v,
    )


def decide_cause(
    stop_s: float,
    supply: SupplyEvidence | None,
    edges: Sequence[Edge],
    remote_before_v: float | None = None,
    remote_low_s: float | None = None,
) -> Cause:
    """Say what the evidence carries, and no more.

    Parameters
    ----------
    stop_s : when the output stopped
    supply : what the supply did; None: no such channel
    edges : all changes of the remote line, by time
    remote_before_v, remote_low_s : the same from an analog remote channel; None: not logged, or it did not fall

    Returns
    -------
    Cause. `is_evident` is False for all that begins with "not decided".
    """
    order: list[tuple[float, str]] = [(stop_s, f"output stopped at {stop_s:.4f} s")]
    reasons: list[str] = []
    remote_s = _remote_drop_s(stop_s, edges) if remote_low_s is None else remote_low_s
    if remote_s is not None:
        order.append((remote_s, f"remote lead fell at {remote_s:.4f} s"))
    elif edges or remote_before_v is not None:
        reasons.append("the remote lead did not change")
    is_low = is_lost = False
    if supply is None:
        reasons.append("supply not judged: no supply channel")
    else:
        is_low, is_lost = _judge_supply(stop_s, supply, order, reasons)
    words, is_evident = _words(is_low, is_lost, remote_s is not None, supply)
    return Cause(
        words,
        is_evident,
        is_low and not _is_plainly_low(supply),
        tuple(text for _, text in sorted(order)),
        tuple(reasons),
    )


def _is_plainly_low(supply: SupplyEvidence | None) -> bool:
    if supply is None or supply.lowest_v > PLAIN_V:
        return False
    return supply.survived_v is None or supply.lowest_v < supply.survived_v - PLAIN_FRESH_V


def _words(is_low: bool, is_lost: bool, remote_fell: bool, supply: SupplyEvidence | None) -> tuple[str, bool]:
    if is_lost and remote_fell:
        return "not decided: remote lead and supply fell together", False
    if is_lost:
        return "supply lost at the terminals", True
    if remote_fell and is_low:
        return "not decided: remote lead fell while the supply was low", False
    if remote_fell:
        return "remote lead dropped", True
    if is_low:
        return "supply fell below a level", True
    if supply is None:
        return "not decided", False
    return "not decided", False


def _judge_supply(
    stop_s: float, supply: SupplyEvidence, order: list[tuple[float, str]], reasons: list[str]
) -> tuple[bool, bool]:
    """Whether the supply was low, and whether it was gone, noting the evidence in passing."""
    assert supply.reference_v is not None
    if min(supply.at_stop_v, supply.lowest_after_v) < LOST_RATIO * supply.reference_v:
        order.append((stop_s, f"supply at {min(supply.at_stop_v, supply.lowest_after_v):.2f} V around the stop"))
        return False, True
    if supply.lowest_v >= LOW_RATIO * supply.reference_v:
        reasons.append(f"supply was fine: {supply.lowest_v:.2f} V of usually {supply.reference_v:.2f} V")
        return False, False
    low_s = stop_s - supply.lowest_before_s
    if supply.fell_before_s is not None:
        fell_s = stop_s - supply.fell_before_s
        order.append((fell_s, f"supply below {LOW_RATIO * supply.reference_v:.2f} V from {fell_s:.4f} s"))
    order.append((low_s, f"supply lowest, {supply.lowest_v:.2f} V, at {low_s:.4f} s"))
    if supply.survived_v is not None and supply.lowest_v > supply.survived_v - FRESH_V:
        reasons.append(
            f"supply was low ({supply.lowest_v:.2f} V), but the output had gone on through {supply.survived_v:.2f} V"
        )
        return False, False
    reasons.append(f"supply was low: {supply.lowest_v:.2f} V of usually {supply.reference_v:.2f} V")
    return True, False


def _remote_drop_s(stop_s: float, edges: Sequence[Edge]) -> float | None:
    """When the remote line fell before the stop and had not come back by then."""
    before = [edge for edge in edges if edge.time_s <= stop_s + REMOTE_AFTER_S]
    if before and before[-1].level == 0 and before[-1].time_s >= stop_s - REMOTE_BEFORE_S:
        return before[-1].time_s
    return None
