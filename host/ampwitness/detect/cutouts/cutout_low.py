"""What the supply did around a stop: gone, too high, low, falling, back in time; each with the reason in words.

Gaps: none here.
Limits: volts are relative to the logger's reference: a ground that went looks like a supply that did.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`. The 10.5 V: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_later import went_on_later
from ampwitness.detect.cutouts.cutout_measure import LEFT_RATIO, LOST_RATIO, NEAR_S, OverVoltage, Stop, SupplyEvidence
from ampwitness.detect.cutouts.cutout_outlived import LOW_RATIO
from ampwitness.detect.cutouts.cutout_over import is_over
from ampwitness.units import fixed, seconds_to_clock

# Volts of a 12 V supply; of others in proportion (`SupplyEvidence.of_12_v`). Lower than separate amplifiers commonly
# stand, and lower by this than ever before: needs no cut in mid-cycle.
PLAIN_V = 10.5
PLAIN_FRESH_V = 0.3
DEEP_RATIO = 0.95  # of the usual supply: what is this near to it has not fallen
HIGH_V = 11.8  # a weak battery at rest gives as much: what lets go there would never play with the engine off
# What let go at a level comes back at a higher one: by so much, and not at the supply it had right behind the stop.
HYSTERESIS_V, SAME_V = 0.5, 0.1
CHARGED_V, RESTED_V, RESTED_LOW_V = 12.95, (12.0, 12.95), 11.0  # charged, at rest, at rest under loud bass
GOING_V_PER_S, GOING_V = 10.0, 0.2  # a capacitor that is left alone falls so fast; so much lower right behind the stop
FRESH_V = 0.030  # how much lower than ever before the supply must be to have stopped the amplifier
PAST_S = 0.030
BACK_S = 0.030  # a supply that was back so long before the stop did not cause it
# From a quarter of its depth to nine tenths within this (2 ms of it are the averaging), so long before the stop, and
# back by so much of its depth 10 to 50 ms behind it.
SURGE_FALL_S, SURGE_BEFORE_S, BACK_DEPTH_RATIO = 0.005, 0.015, 0.7
OWN_RATIO = 1.4  # of the deepest fall that the output went on through
LEAST_AT_LEVEL = 2  # other stops at that supply or a higher one: a guard that has acted there acts
AT_LEVEL_V = 0.15
LATE_S = 0.001
LATE_FALL_S = 0.0002  # a fall to half that takes longer is told with its beginning
BATTERY_RATIO = 0.25  # of the supply's fall: what the battery gave of it
# No sound lead has ten times the resistance of its battery: it is at fault then, however much current there was.
BETWEEN_RATIO = 0.1
NEW_LOW_S = 0.005  # a new low so close ahead of a stop


def judge_supply(stop: Stop, events: list[tuple[float, str]], reasons: list[str]) -> tuple[bool, bool]:
    """Whether the supply was gone, and whether it was low."""
    supply = stop.supply
    if supply is None:
        reasons.append(f"supply not judged: {why_no_supply(stop)}")
        return False, False
    at_stop_v = min(supply.at_stop_v, supply.lowest_after_v)
    if at_stop_v < LOST_RATIO * supply.reference_v and came_first(supply.lost_s, stop):
        events += _list_losses(stop, supply)
        reasons.append(f"supply at {fixed(at_stop_v, 2)} V around the stop")
        return True, False
    if stop.over is not None:
        _tell_over(stop, stop.over, supply.reference_v, events, reasons)
        return False, False
    if supply.lowest_v >= LOW_RATIO * supply.reference_v and not is_deep(stop) and not stop.n_new_lows:
        if fell_unseen(stop):
            reasons.append(
                f"supply fell to {fixed(stop.unseen_lowest_v or 0.0, 2)} V of usually {supply.reference_v:.2f} V while "
                "the source was silent, lower than the output had gone on through yet"
            )
            return False, True
        reasons.append(f"supply was fine: {supply.lowest_v:.2f} V of usually {supply.reference_v:.2f} V")
        return False, False
    if supply.fell_before_s is not None:
        limit_v = LOW_RATIO * supply.reference_v
        said = f"supply below {limit_v:.2f} V, {100 * LOW_RATIO:.0f} % of usual"
        events.append((stop.stop_s - supply.fell_before_s, said))
    low_s = stop.stop_s - supply.lowest_before_s
    events.append((low_s, f"supply lowest around the stop, {supply.lowest_v:.2f} V"))
    excuse = _excuse_by_output(stop, supply) or _excuse_by_level(supply)
    if excuse:
        reasons.append(excuse)
        return False, False
    reasons.append(f"supply was low: {supply.lowest_v:.2f} V of usually {supply.reference_v:.2f} V")
    if stop.n_new_lows:
        reasons.append(
            f"lower than it ever was before, and {stop.n_new_lows} more stops came right at new lows within "
            f"{AT_LEVEL_V:.2f} V of it"
        )
    if battery_stood(stop):
        reasons.append(
            f"the battery held {stop.battery_lowest_v or 0.0:.2f} V meanwhile: the volts were lost between battery and "
            "amplifier"
        )
    if stop.n_at_level:
        reasons.append(f"{stop.n_at_level} more stops came at that supply or a higher one")
    return False, True


def _list_losses(stop: Stop, supply: SupplyEvidence) -> list[tuple[float, str]]:
    """When the supply was gone, and when it had lost contact before."""
    lost_s = supply.lost_s if supply.lost_s is not None else stop.start_s
    fell = []
    if supply.lost_from_s is not None and lost_s - supply.lost_from_s > LATE_FALL_S:
        fell = [(supply.lost_from_s, f"supply fell below {100 * LEFT_RATIO:.0f} % of usual")]
    if supply.lost_last_s is not None and supply.lost_last_s - lost_s > NEAR_S:
        return [*fell, (lost_s, "supply lost contact for the first time"), (supply.lost_last_s, "supply gone")]
    return [*fell, (lost_s, "supply gone")]


def _tell_over(
    stop: Stop, over: OverVoltage, usual_v: float, events: list[tuple[float, str]], reasons: list[str]
) -> None:
    """What a supply that had risen did, or that it did not stop the output."""
    if not is_over(stop):
        reasons.append(
            f"supply had risen to {over.highest_v:.1f} V, which did not stop it: the output came back at "
            f"{stop.supply_at_return_v or 0.0:.1f} V"
        )
        return
    before_s = max(stop.start_s - over.since_s, 0.0)
    events.append((over.since_s, f"supply rose above {over.limit_v:.1f} V"))
    events.append((over.highest_s, f"supply highest before the stop, {over.highest_v:.1f} V"))
    reasons.append(
        f"supply had risen to {over.highest_v:.1f} V of usually {usual_v:.2f} V, above "
        f"{over.limit_v:.1f} V since {1e3 * before_s:.0f} ms before: higher than the output had gone on through yet"
    )


def _excuse_by_output(stop: Stop, supply: SupplyEvidence) -> str:
    """Why a low supply did not stop the output, by when that stopped, sounded on and came back; empty: it may have."""
    low = f"supply was low ({supply.lowest_v:.2f} V)"
    if supply.fell_before_s is not None:
        fell_after_s = stop.stop_s - supply.fell_before_s - stop.start_s
        if fell_after_s > stop.start_uncertainty_s + LATE_S:
            return f"{low} only once the output had stopped"
    if was_survived(stop) and not _is_at_level(stop):
        survived_v = supply.survived_v or 0.0
        return f"{low}, but that does not explain it: the output had gone on through {survived_v:.2f} V before"
    if went_on_later(stop):
        return f"{low}, but later the output went on through lower ones, each as long"
    if supply.rose_before_s is not None and supply.rose_before_s > BACK_S:
        back_ms = 1e3 * supply.rose_before_s
        return f"supply had been low ({supply.lowest_v:.2f} V), but was back {back_ms:.0f} ms before"
    if supply.outlived_s > 0 and stop.n_at_level < LEAST_AT_LEVEL:
        return f"{low}, but the output sounded for {supply.outlived_s:.1f} s at that"
    back_v = stop.supply_at_return_v if stop.resume_s is not None else None
    if back_v is not None and back_v < min(supply.lowest_v + HYSTERESIS_V, supply.after_v + SAME_V):
        return f"{low}, but the output came back at {back_v:.2f} V"
    if stop.n_silent:
        return (
            f"{low}, but something sounded on, {stop.off_rms_v:.2f} V rms, where {stop.n_silent} other stops at a low "
            "supply left silence: it had not let go"
        )
    return ""


def _excuse_by_level(supply: SupplyEvidence) -> str:
    """Why a low supply did not stop the output, as a battery at rest gives as little; empty: it may have."""
    if supply.lowest_v > supply.of_12_v(HIGH_V):
        return f"supply fell to {supply.lowest_v:.2f} V of {supply.reference_v:.2f} V, as much as a battery at rest"
    rested_v = tuple(supply.of_12_v(volts) for volts in RESTED_V)
    has_stopped = supply.reference_v > supply.of_12_v(CHARGED_V) and rested_v[0] < supply.after_v < rested_v[1]
    if has_stopped and supply.lowest_v > supply.of_12_v(RESTED_LOW_V):
        return (
            f"supply fell from {supply.reference_v:.2f} to {supply.after_v:.2f} V as when an engine stops; its lowest, "
            f"{supply.lowest_v:.2f} V, is what a battery at rest gives under such a load"
        )
    return ""


def was_survived(stop: Stop) -> bool:
    """Whether the output had gone on through as low a supply, if only for an instant."""
    supply = stop.supply
    if supply is None or supply.survived_v is None or supply.held_lower:
        return False
    return supply.lowest_step_v > supply.survived_v - FRESH_V


def _is_at_level(stop: Stop) -> bool:
    """Whether others stopped at that supply or a higher one, and none as low ever lasted as long as a guard may wait:
    what it went on through for an instant does not exclude the level then."""
    supply = stop.supply
    if supply is None or stop.n_at_level < LEAST_AT_LEVEL:
        return False
    return supply.held_v is None or supply.lowest_v < supply.held_v - FRESH_V


def why_no_supply(stop: Stop) -> str:
    """Why nothing is known of the supply at a stop."""
    if stop.supply_lead_off_s is None and "supply_around_return_v" in stop.extra:
        return "the output came back while the supply still read nothing, which therefore had not stopped it"
    if stop.supply_lead_off_s is None and stop.stood_at_first:
        return "the steady volts stood there when the data began, and nothing was seen of the time before"
    if stop.supply_lead_off_s is None:
        return "no supply channel"
    return f"the logger's own supply lead was off since {seconds_to_clock(stop.supply_lead_off_s)}"


def battery_stood(stop: Stop) -> bool:
    """Whether the battery was logged and gave little of what the supply fell by."""
    return _battery_gave(stop) < BATTERY_RATIO


def is_lost_between(stop: Stop) -> bool:
    """Whether a battery that was logged gave next to nothing of what the supply fell by: a contact or lead that is bad
    at any current."""
    return _battery_gave(stop) < BETWEEN_RATIO


def _battery_gave(stop: Stop) -> float:
    """What the battery gave of the supply's fall; infinite where that is not known."""
    supply = stop.supply
    if supply is None or stop.battery_lowest_v is None or supply.lowest_v >= supply.reference_v:
        return np.inf
    return (supply.reference_v - stop.battery_lowest_v) / (supply.reference_v - supply.lowest_v)


def is_deep(stop: Stop) -> bool:
    """Whether the supply was as low as amplifiers let go at, though it is not high usually: lower than ever before."""
    supply = stop.supply
    if supply is None or supply.lowest_v > min(supply.of_12_v(PLAIN_V), DEEP_RATIO * supply.reference_v):
        return False
    return supply.survived_v is not None and supply.lowest_v < supply.survived_v - FRESH_V


def is_new_low(stop: Stop) -> bool:
    """Whether the wave was cut in mid-cycle, into silence, right when the supply was lower than it ever was before."""
    supply = stop.supply
    if supply is None or supply.survived_v is None or stop.source == "stopped" or not stop.is_truncated:
        return False
    is_low = supply.lowest_v < min(DEEP_RATIO * supply.reference_v, supply.of_12_v(HIGH_V))
    is_new = supply.lowest_step_v < supply.survived_v - FRESH_V
    return is_low and is_new and supply.lowest_before_s <= NEW_LOW_S


def fell_unseen(stop: Stop) -> bool:
    """Whether the supply fell so low while the source was silent, and with it the output."""
    supply, lowest_v = stop.supply, stop.unseen_lowest_v
    if supply is None or lowest_v is None or lowest_v > min(LOW_RATIO * supply.reference_v, supply.of_12_v(PLAIN_V)):
        return False
    return supply.survived_v is None or lowest_v < supply.survived_v - FRESH_V


def is_past(stop: Stop) -> bool:
    """Whether the output sounded on behind the lowest supply for longer than guards usually wait."""
    return stop.supply is not None and stop.supply.lowest_before_s > PAST_S


def is_surge(stop: Stop) -> bool:
    """Whether the supply fell at once, together with the output, and was back at once: a surge of current does that
    as well, and a short at the output makes one."""
    supply = stop.supply
    if supply is None or supply.fall_s is None or fell_unseen(stop):
        return False
    if stop.n_at_level >= LEAST_AT_LEVEL:
        return False
    if supply.survived_v is not None and supply.reference_v - supply.lowest_v < OWN_RATIO * (
        supply.reference_v - supply.survived_v
    ):
        return False  # the programme pulls it about as far by itself
    is_steep = supply.fall_s <= SURGE_FALL_S and supply.fall_before_s <= SURGE_BEFORE_S
    return is_steep and supply.after_v > supply.lowest_v + BACK_DEPTH_RATIO * (supply.reference_v - supply.lowest_v)


def went_on_falling(stop: Stop) -> bool:
    """Whether the supply sank to nothing once the output was off: no consumer pulls it so far, a lost lead does."""
    supply, lowest_v = stop.supply, stop.supply_lowest_off_v
    return supply is not None and lowest_v is not None and lowest_v < LOST_RATIO * supply.reference_v


def was_going(stop: Stop) -> bool:
    """Whether the supply was falling when the output stopped, and went on to though nothing pulled at it any more."""
    supply = stop.supply
    is_falling = supply is not None and supply.slope_v_per_s < -GOING_V_PER_S
    return is_falling and supply is not None and supply.after_v < supply.at_stop_v - GOING_V


def stayed_down(stop: Stop) -> bool:
    """Whether the supply did not rise when the amplifier's own current ended, nor later while the output was off."""
    supply = stop.supply
    if supply is None or fell_unseen(stop) or supply.after_v >= supply.at_stop_v + SAME_V:
        return False
    return stop.supply_highest_off_v < supply.at_stop_v + HYSTERESIS_V


def is_plainly_low(stop: Stop) -> bool:
    """Whether the supply was lower than amplifiers commonly stand, and by far lower than ever before."""
    supply = stop.supply
    if supply is None or supply.lowest_v > supply.of_12_v(PLAIN_V):
        return False
    return supply.survived_v is None or supply.lowest_v < supply.survived_v - PLAIN_FRESH_V


def came_first(event_s: float | None, stop: Stop) -> bool:
    """Whether something that befell the supply may have stopped the output."""
    return event_s is None or event_s <= stop.stop_s + NEAR_S
