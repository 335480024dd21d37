"""Where the output may have stopped: it goes quiet for 50 ms, and its wave held up to the end, or something else calls.

Gaps: only one unbroken run is looked at.
Limits: a fall of less than 20 dB, and what never swung by 0.3 V, is no candidate.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_lift import may_be_lifted
from ampwitness.detect.cutouts.cutout_measure import OFF_S, REMOTE_LOW_V, count_batteries
from ampwitness.detect.cutouts.cutout_remote import BEHIND_STEPS, SANK_BEFORE_S, STAYED_BEFORE_S
from ampwitness.detect.cutouts.cutout_source import plays_again
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge, FloatArray

Steps = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

RECENT_S = 0.500  # the level before is the highest swing within this span
RECENT_CONTINUOUS_S = 5.0
FALL_DB = 26.0  # the level falls by at least this much
LEAST_FALL_DB = 20.0  # a weak signal, of which more than the other is lost in the logger's noise
LEAST_PEAK_V = 0.30  # what is weaker than this is not called a signal
BIN = 10  # steps
N_OFF = round(OFF_S * 1000)
_FALL_RATIO, _LEAST_FALL_RATIO = 10 ** (-FALL_DB / 20), 10 ** (-LEAST_FALL_DB / 20)
_NOISE_V = 0.12  # swing of what the logger's noise may hold
_COARSE = 1.26  # three of the five bins hold at most this much more rms than all of them
_LONG_OFF, _DEEP_RATIO = 150, 10 ** (-9 / 20)  # steps; what fell by 9 dB more need not be quiet for as long
_LEVEL_BINS = 50  # half a second, over which the level of a signal that never pauses is taken
_TRIED_CONTINUOUS = 300  # steps: so long may a slow mute take from the looser measure of quiet to the exact one
_BACK = 20  # steps: so far ahead of a coarse one may the stop lie
_HELD_RATIO = 0.12  # of the swing before, in the last 10 ms: less is a note that faded, unless other evidence calls
_LAST_RATIO = 0.22  # the last 5 ms, of the 25 ms before them
_ABRUPT_RATIO = 0.25
_OVER_NOISE = 2.0  # of the highest of 35 ms of noise: a lone spike of it is no wave
_POP_STEPS = 8
_PLAIN_V = 10.6  # of a 12 V supply
_SANK_STEPS = round(1000 * SANK_BEFORE_S)


class CandidateSearch:
    """Looks at one run block by block.

    Parameters
    ----------
    run : the run; it grows while it is followed
    is_continuous : any silence is a stop
    edges : changes of the remote line so far, by time; grows too
    """

    def __init__(self, run: RunSteps, is_continuous: bool, edges: Sequence[Edge]) -> None:
        self._run, self._is_continuous, self._edges = run, is_continuous, edges
        self.n_recent = round((RECENT_CONTINUOUS_S if is_continuous else RECENT_S) * 1000) // BIN
        self.swing_v: dict[int, float] = {}  # of each candidate of the last block, the swing before it
        self._was_quiet = False
        self._ahead: dict[int, float] = {}  # swing before those that lie in the block to come

    def find(self, start: int, on_since: int, limit: int, known: int) -> Steps:
        """Steps from `start` to `limit` behind which the output goes quiet and that deserve a closer look.

        It has sounded since step `on_since`; those up to `known` may be looked at. Notes `swing_v` of each.
        """
        found = self._ahead | self._find_from(start, on_since, limit, known)
        # Each belongs to the block in which it lies, not to that of the coarse step from which it was found.
        self._ahead = {at: swing_v for at, swing_v in found.items() if at >= limit}
        self.swing_v = {at: swing_v for at, swing_v in found.items() if start <= at < limit}
        return np.array(sorted(self.swing_v), dtype=np.int64)

    def _find_from(self, start: int, on_since: int, limit: int, known: int) -> dict[int, float]:
        """The same from the coarse steps of one block, with the swing before each."""
        run, first = self._run, self._run.first
        begin = max(first, (max(on_since, start - self.n_recent * BIN)) // BIN * BIN)
        n_bins = (known - begin) // BIN
        if n_bins < 4:
            return {}
        shape, part = (n_bins, BIN), slice(begin - first, begin - first + n_bins * BIN)
        tops, bottoms = over_bins(np.maximum, run["high"][part]), over_bins(np.minimum, run["low"][part])
        size = self.n_recent + 1
        up, down = highest_of_last(tops, size), -highest_of_last(-bottoms, size)
        swing = 0.5 * (up - down).astype(np.float64)
        # First in steps of 10 ms: behind a quiet step lie three whole bins that are quiet, if by a looser measure.
        ones = np.ones(BIN, dtype=np.float32)
        mean = (run["mean"][part].reshape(shape) @ ones).astype(np.float64) / BIN
        square = (run["square"][part].reshape(shape) @ ones).astype(np.float64) / BIN
        m3, s3 = ((v[1:-2] + v[2:-1] + v[3:]) / 3 for v in (mean, square))
        level = np.minimum(swing, _loudest_level(mean, square, size)) if self._is_continuous else swing
        is_quiet = 2.0 * (s3 - m3**2) < (_COARSE * _quiet_v(level[:-3])) ** 2
        is_quiet &= swing[:-3] >= LEAST_PEAK_V
        lead = (start - begin) // BIN if start > begin else 0
        rising = is_quiet & ~np.concatenate(([self._was_quiet if lead == 0 else False], is_quiet[:-1]))
        if 0 < lead < len(rising):  # a last piece may be too short for a bin of its own
            rising[lead] = is_quiet[lead] and not self._was_quiet
        last = min((limit - begin) // BIN, len(is_quiet)) - 1
        if last >= lead:
            self._was_quiet = bool(is_quiet[last])
        # What begins just ahead of the block's end may be quiet only from a bin behind that on.
        bins = np.flatnonzero(rising[lead : last + 1 + _BACK // BIN]) + lead
        at = self._place(bins * BIN + begin, level[bins], known)
        kept = (at >= 0) & ((bins <= last) | (at < limit))
        at, bins = at[kept], bins[kept]
        if len(at) and not self._is_continuous:
            deserves = self._deserves(at, swing[bins], known)
            at, bins = at[deserves], bins[deserves]
        return dict(zip(at.tolist(), swing[bins].tolist(), strict=True))

    def _place(self, coarse: Steps, level: FloatArray, known: int) -> Steps:
        """The first step near each coarse one behind which 50 ms are quiet; -1: none."""
        run, first = self._run, self._run.first
        if not len(coarse):
            return coarse
        # A step's own end blurs a sudden stop, hence three steps of grace.
        grace, n_tried = 3, _TRIED_CONTINUOUS if self._is_continuous else 60
        n_long = _LONG_OFF if self._is_continuous else N_OFF
        rows = coarse[:, None] + np.arange(-_BACK, n_tried - _BACK + n_long)[None, :] - first
        inside = (rows >= 0) & (rows < known - first)
        rows = np.clip(rows, 0, known - first - 1)
        pad = np.zeros((len(coarse), 1))
        m1 = np.concatenate((pad, np.cumsum(run["mean"][rows], axis=1, dtype=np.float64)), axis=1)
        m2 = np.concatenate((pad, np.cumsum(run["square"][rows], axis=1, dtype=np.float64)), axis=1)

        def swings(n: int) -> FloatArray:
            mean = (m1[:, n : n_tried + n] - m1[:, grace : n_tried + grace]) / (n - grace)
            square = (m2[:, n : n_tried + n] - m2[:, grace : n_tried + grace]) / (n - grace)
            return np.where(inside[:, :n_tried] & inside[:, n - 1 : n_tried + n - 1], 2.0 * (square - mean**2), np.inf)

        ratio = _DEEP_RATIO if self._is_continuous else 1.0  # noise of few hertz stands low for moments by itself
        is_quiet = swings(N_OFF) < _quiet_v(level[:, None], ratio) ** 2
        if self._is_continuous:
            is_quiet |= swings(n_long) < _quiet_v(level[:, None]) ** 2
        return np.asarray(np.where(is_quiet.any(axis=1), coarse - _BACK + np.argmax(is_quiet, axis=1), -1))

    def _deserves(self, at: Steps, swing: FloatArray, known: int) -> Flags:
        """Whether the wave held up to the end, or something else calls for a closer look: all candidates at once."""
        run = self._run
        first = run.first
        n = known - first
        rows = np.clip(at[:, None] + np.arange(-20, 60)[None, :] - first, 0, n - 1)
        high, low, mean = run["high"][rows], run["low"][rows], run["mean"][rows]
        rest = mean[:, -35:].mean(axis=1)[:, None]
        noise = 0.5 * (high[:, -35:].max(axis=1) - low[:, -35:].min(axis=1))[:, None]
        size = np.maximum(high - rest, rest - low)
        is_loud = size > np.maximum(0.02 * swing[:, None], _OVER_NOISE * noise)
        last = size.shape[1] - 1 - np.argmax(is_loud[:, ::-1], axis=1)
        around = np.clip(last[:, None] + np.arange(-29, 1)[None, :], 0, size.shape[1] - 1)
        sizes = np.take_along_axis(size, around, axis=1)
        held = sizes[:, -10:].max(axis=1) > _HELD_RATIO * swing
        held &= sizes[:, -5:].max(axis=1) > _LAST_RATIO * sizes[:, :-5].max(axis=1)
        before_rest = mean[:, :20].mean(axis=1)
        held |= (np.abs(rest[:, 0]) > 1.0) & (np.abs(rest[:, 0] - before_rest) > 1.0)  # it rests elsewhere
        # A pop dies away on one side of rest.
        sides = np.take_along_axis(mean - rest, around[:, -_POP_STEPS - 1 : -1], axis=1)
        held |= (np.abs(np.sign(sides).sum(axis=1)) == _POP_STEPS) & is_loud.any(axis=1)
        for role in ("supply", "remote", "ground", "battery"):
            if role in run:
                held |= self._side_moved(role, at, known, sizes[:, -13:].max(axis=1) > _ABRUPT_RATIO * swing)
        for place in np.flatnonzero(~held).tolist():
            held[place] = may_be_lifted(run, int(at[place]))
        if "source" in run:
            source = run["source_square"]
            after = source[np.clip(at[:, None] + np.arange(5, 50)[None, :] - first, 0, n - 1)].mean(axis=1)
            before = source[np.clip(at[:, None] + np.arange(-300, -10)[None, :] - first, 0, n - 1)].mean(axis=1)
            held |= (before > 1e-4) & (after > 0.2 * before)
            held |= plays_again(run, at, known)
        for edge, after in zip(self._edges, [*self._edges[1:], None], strict=False):
            if edge.level == 0:
                edge_at = (edge.time_s - run.start_s) / run.step_s
                rose_at = np.inf if after is None else (after.time_s - run.start_s) / run.step_s
                since = at - edge_at
                held |= (since > -BEHIND_STEPS) & (
                    (since < 1000) | ((since < STAYED_BEFORE_S / run.step_s) & (at < rose_at))
                )
        return np.asarray(held)

    def _side_moved(self, role: str, at: Steps, known: int, is_abrupt: Flags) -> Flags:
        """Whether another channel moved by a lot around each candidate."""
        run = self._run
        n = known - run.first
        until = BEHIND_STEPS if role == "remote" else 50
        values = run[role][np.clip(at[:, None] + np.arange(-300, until, 5)[None, :] - run.first, 0, n - 1)]
        if role == "ground":
            return np.asarray(values.max(axis=1) - values.min(axis=1) > 1.0)
        lowest = values.min(axis=1)
        moved = lowest < 0.6 * values.max(axis=1)
        if role == "remote":  # a lead that sinks slowly was high a while ago, and need not have moved since
            longer = run[role][np.clip(at[:, None] + np.arange(-_SANK_STEPS, 0, 50)[None, :] - run.first, 0, n - 1)]
            moved |= (values[:, 59] < REMOTE_LOW_V) & (longer.max(axis=1) > REMOTE_LOW_V)
        if role == "supply":  # a supply that merely sags asks for an abrupt stop beside it
            moved |= is_abrupt & (lowest < _PLAIN_V * count_batteries(values.max(axis=1)))
        return np.asarray(moved)


def _quiet_v(swing: FloatArray, ratio: float = 1.0) -> FloatArray:
    """Swing below which the output counts as quiet, of the swing before it; `ratio`: of the usual fall."""
    return np.asarray(np.maximum(ratio * _FALL_RATIO * swing, np.minimum(_LEAST_FALL_RATIO * swing, _NOISE_V)))


def _loudest_level(mean: FloatArray, square: FloatArray, size: int) -> FloatArray:
    """(n,) what a tone of the power of the loudest half second within the last `size` bins would swing by.

    Noise has crests far above its rms: a level that counts from them calls it silent while it plays on.
    """
    n = np.minimum(np.arange(len(mean)) + 1, _LEVEL_BINS)
    sums = (np.cumsum(np.concatenate((np.zeros(_LEVEL_BINS), v))) for v in (mean, square))
    m, s = ((c[_LEVEL_BINS:] - c[:-_LEVEL_BINS]) / n for c in sums)
    return np.sqrt(highest_of_last(2.0 * np.maximum(s - m**2, 0.0), size))


def over_bins(function: np.ufunc, steps: FloatArray) -> FloatArray:
    """(n / BIN,) a reduction of each bin of whole bins of steps: column by column, as rows so short are slow."""
    out = steps[::BIN].copy()
    for at in range(1, BIN):
        function(out, steps[at::BIN], out=out)
    return out


def highest_of_last(values: FloatArray, n: int) -> FloatArray:
    """(m,) the highest of each value and the n - 1 ahead of it, as far as there are any."""
    out, reach = values.copy(), 1
    while reach < n:  # of twice as many, again and again
        step = min(reach, n - reach)
        np.maximum(out[step:], out[:-step].copy(), out=out[step:])
        reach += step
    return out
