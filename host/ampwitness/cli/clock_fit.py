"""How the board's ticks ran against the host's clock: fitted, reported, and never applied to anything."""

from __future__ import annotations

import math
from dataclasses import dataclass

SHORTEST_S = 5.0  # below, the port's delays are as large as what is to be seen


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Straight line through (board seconds, host seconds) of one session.

    `board_fast_ppm` above 0: the board counts more scans than its nominal rate, by the host's clock. `scatter_s` is the
    standard deviation of the receive times about the line, `uncertainty_ppm` the standard uncertainty that follows.
    """

    session_id: str
    n_points: int
    span_s: float
    board_fast_ppm: float
    uncertainty_ppm: float
    scatter_s: float


class ClockFitter:
    """Least squares over running sums; memory does not grow with the recording."""

    def __init__(self, session_id: str) -> None:
        self.session_id = session_id
        self._n = 0
        self._first_board_s = self._last_board_s = 0.0
        self._first_late_s = 0.0
        self._mean_x = self._mean_y = 0.0
        self._sum_xx = self._sum_xy = self._sum_yy = 0.0

    def add(self, board_s: float, host_s: float) -> None:
        """One frame's end: board seconds of the session, and when the host received it (Unix seconds)."""
        late_s = host_s - board_s  # the slope of this is tiny, so that nothing is lost to rounding
        if self._n == 0:
            self._first_board_s, self._first_late_s = board_s, late_s
        self._last_board_s = board_s
        x, y = board_s - self._first_board_s, late_s - self._first_late_s
        self._n += 1
        dx, dy = x - self._mean_x, y - self._mean_y
        self._mean_x += dx / self._n
        self._mean_y += dy / self._n
        self._sum_xx += dx * (x - self._mean_x)
        self._sum_xy += dx * (y - self._mean_y)
        self._sum_yy += dy * (y - self._mean_y)

    def fit(self) -> ClockFit | None:
        """The line, or None when the session is too short to say anything."""
        span_s = self._last_board_s - self._first_board_s
        if self._n < 4 or span_s < SHORTEST_S:
            return None
        slope = self._sum_xy / self._sum_xx
        rest = max(0.0, self._sum_yy - slope * self._sum_xy)
        scatter_s = math.sqrt(rest / (self._n - 2))
        return ClockFit(
            session_id=self.session_id,
            n_points=self._n,
            span_s=span_s,
            board_fast_ppm=-1e6 * slope,
            uncertainty_ppm=1e6 * scatter_s / math.sqrt(self._sum_xx),
            scatter_s=scatter_s,
        )
