"""What the watches share that follow one run beside the search for stops: each takes a stop once it is over.

Gaps: only one unbroken run is looked at.
Limits: none of its own.
"""

from __future__ import annotations

from collections.abc import Callable

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps


class WatchBeside:
    """Follows one run; at most one stop is open.

    Parameters
    ----------
    run : the run; it grows while it is followed
    measure : called with a stop and the steps known, to measure what was around it
    take_stop : called with each stop once it is over
    """

    def __init__(self, run: RunSteps, measure: Callable[[Stop, int], None], take_stop: Callable[[Stop], None]) -> None:
        self._run, self._measure, self._take_stop = run, measure, take_stop
        self._stop: Stop | None = None
