"""Where the logger's own supply lead seems off: the output plays on, longer than any amplifier does from what it
stores, while its supply reads nothing. What reads nothing then is the lead, and the supply is not judged.

Gaps: a span ends at a gap; where the lead is off behind it as well, another begins there.
Limits: it takes six tenths of a second of sound to show. A clip that loses contact for less is told as a dip, and a
rest of the programme meanwhile as a supply that was lost, unless the output was back before the supply.
Source: 0.3 s: the capacitors of an amplifier's own rails carry loud bass for a tenth of a second or two (30 J at 100 W;
common practice, no source).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps

GONE_V = 3.0  # no amplifier is fed with less
STORED_S = 0.3  # so long it may play loud without a supply
LEAST_LOUD_S = 0.3  # of sound behind that, and
LOUD_RATIO = 0.5  # as loud as this, of nearly the highest swing of the three seconds before
_LEAST_SWING_V = 1.0
_BIN, _BEFORE_BINS, _HIGH_PERCENT = 50, 60, 90  # steps; bins
_BEFORE_S, _BEHIND_S = 0.06, 0.35  # of a stop: so far its evidence on the supply reaches


@dataclass(frozen=True, slots=True)
class LeadOff:
    """From when to when the supply read nothing, and for how long of that the output was heard to play on."""

    start_s: float
    stop_s: float
    played_s: float


class SupplyLeadWatch:
    """Follows supply and output, block by block; `found` grows by each span in which the lead was off."""

    def __init__(self, found: list[LeadOff]) -> None:
        self._found = found
        self._swings_v: deque[float] = deque(maxlen=_BEFORE_BINS)
        self._since_s: float | None = None
        self._to_s = 0.0  # of the last bin without a supply
        self._played_s = 0.0  # since then, up to the last loud bin
        self._loud_s = 0.0
        self._n_gone = 0  # steps without a supply at the end of the last bin

    def advance(self, run: RunSteps, start: int, limit: int) -> None:
        """Look at the steps from `start` to `limit`."""
        n = (limit - start) // _BIN
        if "supply" not in run or n == 0:
            return
        stop = start + n * _BIN
        high, low = (run.steps(name, start, stop).reshape(n, _BIN) for name in ("high", "low"))
        swing_v = high.max(axis=1) - low.min(axis=1)
        is_there = run.steps("supply", start, stop).reshape(n, _BIN) >= GONE_V
        is_gone = np.logical_not(is_there.any(axis=1))
        if self._since_s is None and not is_gone.any():
            self._swings_v.extend(swing_v[-_BEFORE_BINS:].tolist())
            self._n_gone = int(np.argmax(is_there[-1, ::-1]))
            return
        bin_s = _BIN * run.step_s
        for place in range(n):
            time_s = run.time_s(start + place * _BIN)
            if is_gone[place]:
                if self._since_s is None:
                    self._since_s = time_s - self._n_gone * run.step_s
                self._see(float(swing_v[place]), time_s, bin_s)
                continue
            if self._since_s is not None:
                self._to_s = time_s + int(np.argmax(is_there[place])) * run.step_s
                self.end()
            self._swings_v.append(float(swing_v[place]))
            self._n_gone = int(np.argmax(is_there[place, ::-1]))

    def end(self) -> None:
        """The supply is there again, or the run is over."""
        if self._since_s is not None and self._loud_s >= LEAST_LOUD_S:
            self._found.append(LeadOff(self._since_s, self._to_s, self._played_s))
        self._since_s, self._loud_s, self._played_s, self._n_gone = None, 0.0, 0.0, 0

    def _see(self, swing_v: float, time_s: float, bin_s: float) -> None:
        """Count a bin without a supply."""
        assert self._since_s is not None
        usual_v = float(np.percentile(self._swings_v, _HIGH_PERCENT)) if self._swings_v else 0.0
        self._to_s = time_s + bin_s
        if time_s - self._since_s >= STORED_S and swing_v >= max(LOUD_RATIO * usual_v, _LEAST_SWING_V):
            self._loud_s += bin_s
            self._played_s = self._to_s - self._since_s


def forget_supply(stop: Stop, spans: Sequence[LeadOff]) -> bool:
    """Take away what the supply says of a stop at which the logger's own lead was off, or behind which the output came
    back while the supply still read nothing: that had not stopped it. Whether it was so."""
    if stop.extra.get("supply_around_return_v", GONE_V) < GONE_V and stop.supply is not None:
        stop.supply, stop.over, stop.lows_v = None, None, None
        return True
    for span in spans:
        if span.start_s - _BEFORE_S < stop.start_s < span.stop_s + _BEHIND_S:
            stop.supply, stop.over, stop.lows_v, stop.supply_lead_off_s = None, None, None, span.start_s
            return True
    return False
