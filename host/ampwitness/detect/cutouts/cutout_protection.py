"""Which protection a stop is consistent with, where supply, remote lead and source leave only the amplifier itself.

Gaps: see Limits.
Limits: "consistent with" says no more; a fault inside the amplifier looks the same. Behind a gap, as in a reduced copy,
it is not known how long it was loud before.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from ampwitness.detect.cutouts.cutout_measure import Stop

PEAK_RATIO = 0.8
COMMON_SHARE = 0.10  # what a wave reaches more often than this says nothing when it stops there
RARE_SHARE = 0.02  # what it reaches no more often than this is a peak, whatever louder passages there were
UPPER_SHARE = 0.20  # with a quick return and no heat before, the upper part of the wave will do
HEAT_S, HEAT_SEEN_S = 30.0, 60.0  # loud for so long of the last minute
SLOW_RETURN_S = 5.0
QUICK_S = 3.0
COOLED_RAMP_S = 0.15

OVER_CURRENT = "consistent with over-current"
THERMAL = "consistent with thermal"
AGAINST_DC = "consistent with a guard against DC"
EITHER = "over-current or thermal not told apart"


def name_protection(stop: Stop) -> str:
    """Against DC: steady volts before. Over-current: an instant at a peak. Thermal: long heat and a slow return."""
    if stop.dc_v is not None:
        return AGAINST_DC
    if "n_breaks" in stop.extra:
        return OVER_CURRENT  # nothing cools within milliseconds
    if stop.surge_ratio is not None:
        return OVER_CURRENT
    outage_s = stop.end_s - stop.start_s
    at_peak = stop.at_level_ratio >= PEAK_RATIO or stop.level_share <= RARE_SHARE
    is_quick = stop.resume_s is not None and outage_s < QUICK_S
    at_peak |= is_quick and stop.is_again
    is_cold = stop.heat_s < HEAT_S <= stop.heat_known_s  # behind a gap it may have been hot before
    at_peak |= is_quick and is_cold and stop.level_share <= UPPER_SHARE
    is_rare = stop.level_share < COMMON_SHARE
    was_hot = stop.heat_s >= HEAT_S
    is_slow = outage_s >= SLOW_RETURN_S
    if was_hot and is_slow and not (at_peak and is_rare):
        return THERMAL
    if at_peak and (is_cold or not is_slow):
        return OVER_CURRENT
    return EITHER


def is_cooling(stop: Stop) -> bool:
    """Whether it came back slowly behind long heat and seconds of silence, as what cools down does."""
    ramp_s = stop.return_ramp_s
    return name_protection(stop) == THERMAL and ramp_s is not None and ramp_s >= COOLED_RAMP_S


def list_protection_reasons(stop: Stop) -> list[str]:
    """What speaks for one protection or another, a phrase each."""
    out = [
        f"it stopped at {100 * stop.at_level_ratio:.0f} % of the highest level of the last ten seconds, which the wave "
        f"reaches in {100 * stop.level_share:.0f} % of the time",
        f"{stop.heat_s:.0f} s of the last minute were loud",
    ]
    if stop.heat_known_s < HEAT_S:
        out[-1] = f"only {stop.heat_known_s:.0f} s are known behind a gap: whether it was hot is not judged"
    if "n_breaks" in stop.extra:
        n, break_s = int(stop.extra["n_breaks"]), stop.extra["break_s"]
        return [*out, f"it broke off {n} times in a row, for {1e3 * break_s:.0f} ms each: it tries again at once"]
    if stop.n_cooling:
        out.append(
            f"{stop.n_cooling} more stops came so behind long heat and ended as slowly, as where something cools down"
        )
    if stop.surge_ratio is not None:
        out.append(
            f"its current rose {stop.surge_ratio:.1f} times as far as in the three seconds before, more than output "
            "explains: a short in load or leads does that"
        )
    if stop.is_again:
        out.append("the stop before it was at a peak")
    if stop.resume_s is None:
        out.append("latched: it did not come back in the recording")
    elif stop.remote_rose_s is not None:
        out.append("it came back only after the remote lead was switched off and on, as where a protection latches")
    elif stop.n_before_10_s + stop.n_after_10_s:
        out.append(f"retrying: {stop.n_before_10_s + stop.n_after_10_s + 1} stops within ten seconds")
    else:
        out.append(f"it came back by itself after {stop.end_s - stop.start_s:.2f} s")
    return out
