"""What the remote lead did around a stop, in words, and whether it may have stopped the output.

Gaps: none here.
Limits: see `cutout_remote`, which measures it.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from ampwitness.detect.cutouts.cutout_measure import REMOTE_LOW_V, Stop
from ampwitness.detect.cutouts.cutout_remote import SAG_RATIO

WITH_SOURCE_S, DATED_S = 0.002, 0.001  # output and source end together; an analog lead is dated to its step
SANK_S, SANK_LEAST_V = 0.1, 1.0  # a remote lead that still stands so high so long behind its fall sank


def judge_remote(stop: Stop, events: list[tuple[float, str]], reasons: list[str], open_: list[str]) -> bool:
    """Whether the remote lead fell and may have stopped the output; adds to events, reasons and what is left open."""
    events += [(time_s, "remote lead fell and came back") for time_s in stop.remote_flickers_s]
    if stop.remote_flickers_s and stop.remote_back_s is not None:
        n, before_s = len(stop.remote_flickers_s), stop.start_s - stop.remote_back_s
        often = "once" if n == 1 else f"{n} times"
        reasons.append(f"the remote lead had fallen {often}, and was back {1e3 * before_s:.0f} ms before")
    if stop.remote_fell_s is not None:
        events.append(
            (stop.remote_fell_s, f"remote lead fell below {REMOTE_LOW_V:.0f} V" if _sank(stop) else "remote lead fell")
        )
        if _sank(stop):
            reasons.append(
                f"the remote lead sank slowly, and stood at {stop.remote_at_stop_v:.1f} V when the output stopped, "
                f"{stop.start_s - stop.remote_fell_s:.2f} s behind its fall below {REMOTE_LOW_V:.0f} V"
            )
        if not stop.remote_was_ignored:
            return True
        reasons.append("the remote lead fell, but the output came back while it was still low")
    elif stop.remote_sag_v is not None and stop.remote_sag_s is not None:
        events.append((stop.remote_sag_s, f"remote lead below {100 * SAG_RATIO:.0f} % of usual"))
        reasons.append(f"the remote lead sagged to {stop.remote_sag_v:.1f} V of usually {stop.remote_usual_v:.1f} V")
    elif stop.remote_after_s is not None and stop.last_sound_s is not None:
        events.append((stop.remote_after_s, "remote lead fell"))
        reasons.append(
            f"the remote lead fell {1e3 * (stop.remote_after_s - stop.last_sound_s):.0f} ms behind the last sound, as "
            "where a player goes off that feeds both"
        )
    elif stop.remote_is_known and not stop.remote_flickers_s and stop.common_fall is None:
        while_off = " before it, only while the output was off" if stop.remote_rose_s is not None else ""
        reasons.append(f"the remote lead did not fall{while_off}")
    elif not stop.remote_is_known:
        open_.append("remote lead dropped (not logged)")
    return False


def went_with_source(stop: Stop) -> bool:
    """Whether the output ended with its source while the remote lead still stood, which then fell as well.

    No amplifier mutes ahead of its remote lead: where source and lead go off together it is the source that ended it.
    """
    fell_s, source_s = stop.remote_fell_s, stop.source_stop_s
    if fell_s is None or source_s is None or stop.source_back_s is not None:
        return False
    behind_s = stop.start_s - source_s
    is_together = -WITH_SOURCE_S <= behind_s <= max(WITH_SOURCE_S, stop.start_uncertainty_s)
    return is_together and fell_s >= source_s - DATED_S


def _sank(stop: Stop) -> bool:
    """Whether an analog remote lead had been on its way down for a while."""
    fell_s, volts = stop.remote_fell_s, stop.remote_at_stop_v
    return fell_s is not None and volts is not None and stop.start_s - fell_s > SANK_S and volts > SANK_LEAST_V
