"""Whether a ground went around a stop: its own channel jumped, battery and supply did, or both terminals of the output.

Gaps: none here.
Limits: all volts are relative to the logger's reference; seen from elsewhere than the amplifier's own ground its plus
side stands where it was when that ground goes. A reference that was not typed may be the amplifier's ground.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from ampwitness.detect.cutouts.cutout_low import LATE_S
from ampwitness.detect.cutouts.cutout_measure import Stop

GROUND_JUMP_V = 1.5  # a ground lead drops tenths of a volt; the input's range ends between 2 and 3.3 V
AMPLIFIER_GROUND = "amplifier ground"


def is_elsewhere(reference: str | None) -> bool:
    """Whether the volts are known to count from somewhere else than the amplifier's own ground."""
    return reference not in (None, AMPLIFIER_GROUND)


def was_lifted(stop: Stop) -> bool:
    """Whether both terminals of the output had jumped up together before it stopped."""
    late_s = stop.start_s + max(stop.start_uncertainty_s, LATE_S)
    return stop.lift_s is not None and stop.lift_s <= max(late_s, stop.stop_s)  # a note may have begun to fade before


def judge_ground(
    stop: Stop,
    events: list[tuple[float, str]],
    reasons: list[str],
    open_: list[str],
    is_lost: bool,
    reference: str | None,
) -> bool:
    """Whether a ground went: its own channel jumped, or battery and supply jumped together."""
    usual_v = stop.supply.reference_v if stop.supply is not None else 12.0
    if stop.ground_jump_v is not None:
        if abs(stop.ground_jump_v) > GROUND_JUMP_V:
            reasons.append(f"ground jumped by {stop.ground_jump_v:.2f} V")
            events.append((stop.ground_jump_s or stop.start_s, "ground jumped"))
            return True
        reasons.append(f"ground stayed within {abs(stop.ground_jump_v):.2f} V")
        return False
    if was_lifted(stop) and not is_lost and reference != AMPLIFIER_GROUND:
        seen = f"as seen from the {reference}" if reference is not None else "wherever the logger's ground was clipped"
        reasons.append(
            f"both terminals of the output jumped up together, by {stop.lift_v:.1f} V {seen}, and the supply did not: "
            "the amplifier was lifted as a whole"
        )
        events.append((stop.lift_s or stop.start_s, f"both output terminals jumped up by {stop.lift_v:.1f} V"))
        if reference is None:
            open_.append(
                "another fault, if the logger's ground was clipped to the amplifier's own: where it was is not typed"
            )
        return True
    if is_lost and is_elsewhere(reference):
        # Without its ground the amplifier would be lifted, and its plus terminal would stay where it was.
        reasons.append(f"seen from the {reference} the plus side itself fell: not the amplifier's ground")
        if stop.battery_jump_v is not None and stop.battery_jump_v < -0.5 * usual_v:
            reasons.append(f"the battery fell with it, by {-stop.battery_jump_v:.1f} V: lost in front of both")
            open_ += ["the battery itself disconnected", "the logger's own ground clip"]
        return False
    if stop.battery_jump_v is not None and is_lost:
        if stop.battery_jump_v < -0.5 * usual_v:
            reasons.append(f"battery and supply fell together, by {-stop.battery_jump_v:.1f} V: a common jump")
            open_.append("the battery itself disconnected")
            return True
        reasons.append("the battery stayed: lost between battery and amplifier, plus side")
        return False
    why = "no ground channel"
    if is_elsewhere(reference):
        why += f", and seen from the {reference} the supply does not show it"
    elif reference is not None:
        why += f", and all volts count from the {reference}"
    open_.append(f"ground lost (not judged: {why})")
    return False
