"""What stood at the output once it had stopped, or under what it played: steady volts, volts of its own that sank, a
hum; and a supply that went only then. In words, with the time where there is one.

Gaps: none here.
Limits: see `cutout_dc`, `cutout_bias`, `cutout_hum`, which measure it.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from ampwitness.detect.cutouts.cutout_measure import OFF_S, Stop
from ampwitness.units import fixed

DC_V = 1.5
STEADY_RATIO = 0.3  # of steady volts: no more rms on them. Bass under a pause has 0.6 and more

LOST = "supply lost at the terminals"
STUCK = "output stuck at DC"
UNDER = "output stuck at DC under what plays"
_IN_SOURCE = {None: "", True: ", as in the source", False: ", not the source"}


def is_stuck(stop: Stop) -> bool:
    """Whether the output rests at steady volts away from where it was; a low note that plays on is not steady, nor are
    volts of its own that die away, whatever they pass on their way to nothing."""
    if stop.sank_to_v is not None and abs(stop.sank_to_v) < DC_V:
        return False
    is_moved = abs(stop.rest_v - stop.rest_before_v) > max(DC_V, 0.04 * stop.peak_v) and abs(stop.rest_v) > DC_V
    return is_moved and stop.rests_steadily and stop.off_rms_v < STEADY_RATIO * abs(stop.rest_v)


def tell_what_stood(
    words: str, stop: Stop, events: list[tuple[float, str]], reasons: list[str], *, was_lost: bool
) -> None:
    """Add to events and reasons what stood at the output.

    words : the cause; was_lost : the supply was gone when it stopped, which is told already
    """
    reasons += _tell_steady_volts(words, stop)
    if stop.dc_v is not None and stop.dc_since_s is not None:
        events.append((stop.dc_since_s, f"steady volts at the output, {stop.dc_v:.1f} V"))
        reasons.append(f"it carried {stop.dc_v:.1f} V of DC for {1e3 * (stop.start_s - stop.dc_since_s):.0f} ms before")
    if words == LOST and not was_lost:
        events.append((stop.start_s + OFF_S, "supply gone later"))
        lowest_v = stop.supply_lowest_off_v or 0.0
        reasons.append(f"with the output off the supply went on falling, to {fixed(lowest_v, 2)} V")
    if stop.sank_from_v is not None and stop.sank_to_v is not None:
        how = "fell at once" if stop.is_gone_at_once else "sank"
        reasons.append(
            f"it played about {stop.sank_from_v:.1f} V of its own, which {how} to {stop.sank_to_v:.1f} V: its stage "
            "was switched off, as no pause or mute does"
        )
    if stop.hum is not None and stop.hum.mains_hz is None:
        reasons.append(
            f"from then on the output followed the source no more, which played on: {stop.hum.rms_v:.2f} V rms of "
            "something else were heard"
        )
    elif stop.hum is not None:
        reasons.append(
            f"from then on nothing but hum of the mains ({stop.hum.mains_hz} Hz and its multiples, "
            f"{stop.hum.rms_v:.2f} V rms) was heard, which was not there before{_IN_SOURCE[stop.hum.is_in_source]}: an "
            "open signal lead picks up such hum"
        )


def _tell_steady_volts(words: str, stop: Stop) -> list[str]:
    if words == UNDER and stop.is_from_first:
        why = "stands" if stop.rest_v < 0 else "that plays on volts of its own goes"
        return [
            f"steady volts, {stop.rest_v:.1f} V, stood under what played from the first second on, and no output stage "
            f"{why} below its ground by itself: dangerous to the speaker, though it may sound as ever"
        ]
    if words == UNDER:
        return [
            f"steady volts, {stop.rest_v:.1f} V of usually {stop.rest_before_v:.1f} V, stood under what played on: "
            "dangerous to the speaker, though it may sound as ever"
        ]
    if words == STUCK:
        since = " from the first moment seen" if stop.stood_at_first else ""
        return [f"the output rested at {stop.rest_v:.1f} V{since}, dangerous to the speaker"]
    if is_stuck(stop):
        return [
            f"the output rested at {stop.rest_v:.1f} V as the logger sees it, lifted with the whole amplifier: measure "
            "across the speaker's terminals before it is switched on again, as steady volts there burn the speaker"
        ]
    return []
