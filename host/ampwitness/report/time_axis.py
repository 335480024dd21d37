"""The time axis of a picture, read as the clock that the words beside it use."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from ampwitness.units import LEAST_CLOCK_S, seconds_to_clock

MOST_TICKS = 9
_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400)


def label_time(axes: Axes, start_s: float, stop_s: float) -> None:
    """Name the time axis of a picture from `start_s` to `stop_s` of a recording: seconds, or 3:20 and 1:03:20.

    A finding is told as 1:03:20.5 in every text, so a picture beyond the first minute counts likewise. Pictures of a
    few seconds keep plain seconds: their ticks lie closer than a second.
    """
    length_s = stop_s - start_s
    if stop_s <= LEAST_CLOCK_S or length_s < MOST_TICKS:
        axes.set_xlabel("time in the recording (s)")
        return
    fits = [step_s for step_s in _STEPS_S if length_s / step_s <= MOST_TICKS]
    step_s = fits[0] if fits else 86_400 * int(np.ceil(length_s / 86_400 / MOST_TICKS))
    ticks_s = np.arange(np.ceil(start_s / step_s), np.floor(stop_s / step_s) + 1) * step_s
    axes.set_xticks(ticks_s, [_clock(float(tick_s)) for tick_s in ticks_s])
    axes.set_xlabel("time in the recording (h:min:s)" if stop_s >= 3600 else "time in the recording (min:s)")


def _clock(time_s: float) -> str:
    """The clock of a whole second, without its milliseconds."""
    return (
        "0:00"
        if time_s == 0
        else seconds_to_clock(time_s).removesuffix(".000")
        if time_s >= 60
        else f"0:{time_s:02.0f}"
    )
