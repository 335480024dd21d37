"""Who cut a crest off, asked of the source's own waves, where they were logged beside the output.

What lies between the two is learned (`source_path`). In a plateau of the output the source goes on to rise, if the
amplifier cut it off; it is as flat there, if it came so.

Gaps: a plateau in a stretch whose source was not logged throughout is not asked about.
Limits: what the output's flanks beside a plateau leave unexplained is all that is known of hum and noise: where the
crest above a plateau is not well above that, nothing is said.
Source: our choice, measured by `python -m ampwitness.bench.witness_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.source_path import MOST_GAIN, BoolArray, SourcePath, expected_volts, learn_path
from ampwitness.detect.clips.table.clip_candidates import NOT_ASKED, OPEN, Candidates, says
from ampwitness.detect.clips.table.clip_stream import MARGIN_S, Stretch
from ampwitness.types import FloatArray, Segment

CORNER_S = 0.0002  # beside a plateau: neither flank nor plateau
FLANK_S = 0.0015  # to either side, at least; else as long as the plateau
AROUND_S, AROUND_STEP_S = 0.02, 0.0005  # by what the gain now is told: volume may be turned
MIDDLE = 0.6  # of a plateau, in which the crest is highest,
MIDDLE_RISE = 0.88  # and on the average so high, of all of it, where it is a parabola
LEAST_ERROR = 0.001  # of the plateau's level
ROUND_ERRORS, ROUND_SHARE = 5.0, 0.3  # the source rises so many errors, and by so much of the crest
UNEVEN_ERRORS = 4.0
FLAT_ERRORS, FLAT_SHARE = 3.0, 0.2  # no more: it is flat, ...
TOLD_ERRORS = 8.0  # ... if the crest would stand out so well, ...
EVEN_ERRORS, EVEN_SHARE = 1.5, 0.08  # ... and if it is even as well: in music some rise here, and fall there
LEAN_SHARE = 0.25  # what is less plain, yet speaks against one of the two
FEWEST_BESIDE = 6  # samples of flanks
AT_ONCE = 2000


@dataclass(frozen=True, slots=True)
class _Beside:
    """A stretch with what its path makes of the source, and the samples on no plateau."""

    output_v: npt.NDArray[np.float32]
    expected_v: FloatArray
    is_free: BoolArray
    rate_hz: float


class SourceBeside:
    """The source's samples until the output's plateaus are found, and what they tell of those.

    Memory: the samples of the stretches that wait.
    """

    def __init__(self) -> None:
        self._pieces: list[Segment] = []
        self._path: SourcePath | None = None

    def push(self, source: Segment) -> None:
        """The next samples, as long as the output's."""
        volts = np.asarray(source.volts, dtype=np.float32)
        self._pieces.append(Segment(source.start_s, source.rate_hz, volts))

    def note(self, stretch: Stretch, tables: list[Candidates]) -> None:
        """Put into each row's `source_says` what the source shows beside it."""
        source_v = self._volts(stretch)
        if source_v is None or not any(len(table) for table in tables):
            return
        rate_hz = stretch.rate_hz
        ends = [
            tuple(table[name] * rate_hz - stretch.first_index - stretch.phase for name in ("start_s", "stop_s"))
            for table in tables
        ]
        is_free = _free_of(ends, len(source_v), CORNER_S * rate_hz)
        path = learn_path(stretch.output_v, source_v, rate_hz, is_free) or self._path
        self._path = path
        if path is None:
            return
        is_near = ~_free_of(ends, len(source_v), AROUND_S * rate_hz, longest=1.0)
        beside = _Beside(stretch.output_v, expected_volts(path, source_v, is_near), is_free, rate_hz)
        for table, (start, stop) in zip(tables, ends, strict=True):
            told = [
                _ask(beside, table.take(rows), start[rows], stop[rows])
                for at in range(0, len(table), AT_ONCE)
                for rows in [np.arange(at, min(at + AT_ONCE, len(table)))]
            ]
            table.columns["source_says"] = np.concatenate([np.zeros(0), *told])

    def forget(self, looked_s: float) -> None:
        """Let go of what only stretches that end by `looked_s` asked for."""
        self._pieces = [piece for piece in self._pieces if piece.stop_s > looked_s - 2 * MARGIN_S]

    def _volts(self, stretch: Stretch) -> npt.NDArray[np.float32] | None:
        """(n,) beside the output's samples; None where not all were logged."""
        n, first_s = len(stretch.output_v), float(stretch.time_s(0.0))
        volts, is_there = np.zeros(n, dtype=np.float32), np.zeros(n, dtype=bool)
        for piece in self._pieces:
            at = round((piece.start_s - first_s) * stretch.rate_hz)
            if piece.rate_hz == stretch.rate_hz and at < n and at + len(piece.volts) > 0:
                rows = slice(max(at, 0), at + len(piece.volts))
                volts[rows], is_there[rows] = piece.volts[max(-at, 0) : n - at], True
        return volts if is_there.all() else None


def _free_of(ends: list[tuple[FloatArray, ...]], n: int, reach: float, longest: float = 0.0) -> BoolArray:
    """(n,) samples that lie on no plateau and not within reach of one; or, with `longest`, of so many of its lengths"""
    steps = np.zeros(n + 1)
    for start, stop in ends:
        around = np.maximum(reach, longest * (stop - start))
        np.add.at(steps, np.clip(np.floor(start - around), 0, n).astype(np.intp), 1)
        np.add.at(steps, np.clip(np.ceil(stop + around) + 1, 0, n).astype(np.intp), -1)
    return np.asarray(np.cumsum(steps)[:n] == 0)


def _ask(beside: _Beside, table: Candidates, start: FloatArray, stop: FloatArray) -> FloatArray:
    """(n,) what the source says, a place in SOURCE_SAYS, of plateaus between samples `start` and `stop`."""
    told = np.full(len(table), float(NOT_ASKED))
    reach = np.maximum(FLANK_S * beside.rate_hz, stop - start) + CORNER_S * beside.rate_hz + (stop - start) / 2
    size = 2 ** np.ceil(np.log2(reach))  # those of like lengths together
    for half in np.unique(size).tolist():
        rows = np.flatnonzero(size == half)
        told[rows] = _ask_alike(beside, table.take(rows), start[rows], stop[rows], int(half))
    return told


def _ask_alike(beside: _Beside, table: Candidates, start: FloatArray, stop: FloatArray, half: int) -> FloatArray:
    """`_ask` of plateaus that are seen with `half` samples to either side of their middle."""
    middle, length = (start + stop) / 2, stop - start
    at, there = _around(middle, np.arange(-half, half + 1), len(beside.output_v))
    sign = table["sign"][:, None]
    gain = _gain_now(beside, middle)[:, None]
    rise_v = sign * (gain * beside.expected_v[at] - beside.output_v[at])  # but for a line
    place = at - middle[:, None]
    reach = length / 2 + np.maximum(FLANK_S * beside.rate_hz, length) + CORNER_S * beside.rate_hz
    flank = there & beside.is_free[at] & (np.abs(place) <= reach[:, None])
    n = flank.sum(axis=1)
    level, slope = _line(place, rise_v, flank)
    rise_v -= level[:, None] + slope[:, None] * place
    error_v = np.sqrt(np.sum(rise_v**2, axis=1, where=flank) / np.maximum(n - 2, 1))
    error_v = np.hypot(np.maximum(error_v, table["noise_v"]), LEAST_ERROR * table["level_v"])
    core = there & (np.abs(place) <= np.maximum(MIDDLE * length / 2, 0.6)[:, None])
    risen_v = np.sum(rise_v, axis=1, where=core) / np.maximum(core.sum(axis=1), 1)
    spread_v2 = np.sum(rise_v**2, axis=1, where=core) / np.maximum(core.sum(axis=1), 1) - risen_v**2
    uneven_v = np.sqrt(np.maximum(spread_v2, 0))
    crest_v = MIDDLE_RISE * (table["crest_v"] - table["level_v"])
    told = _judge(risen_v, uneven_v, error_v, crest_v)
    return np.where((n >= FEWEST_BESIDE) & core.any(axis=1), told, float(OPEN))


def _judge(risen_v: FloatArray, uneven_v: FloatArray, error_v: FloatArray, crest_v: FloatArray) -> FloatArray:
    """(n,) places in SOURCE_SAYS, from how far the source rises in the middle of plateaus, how unevenly, the error
    of either, and how far the crest would have gone, all V."""
    told = np.full(len(risen_v), says("anything"))
    is_still = (risen_v < FLAT_ERRORS * error_v) & (uneven_v < np.maximum(EVEN_ERRORS * error_v, EVEN_SHARE * crest_v))
    is_told = crest_v > TOLD_ERRORS * error_v
    told[is_still & is_told & (risen_v < LEAN_SHARE * crest_v)] = says("not round")
    told[(risen_v > FLAT_ERRORS * error_v) & (risen_v > LEAN_SHARE * crest_v)] = says("not flat")
    is_small = np.abs(risen_v) < np.minimum(FLAT_ERRORS * error_v, FLAT_SHARE * crest_v)
    told[is_still & is_told & is_small] = says("flat")
    # In music the crest is not known so well: one that rises and is far from even is no flat.
    is_high = (risen_v > ROUND_SHARE * crest_v) | (uneven_v > UNEVEN_ERRORS * error_v)
    told[(risen_v > ROUND_ERRORS * error_v) & is_high] = says("round")
    return told


def _gain_now(beside: _Beside, middle: FloatArray) -> FloatArray:
    """(n,) times what the path makes of the source, around each plateau: a hum's bend left out."""
    step, most = max(1, round(AROUND_STEP_S * beside.rate_hz)), round(AROUND_S * beside.rate_hz)
    at, there = _around(middle, np.arange(-most, most + 1, step), len(beside.output_v))
    free = (there & beside.is_free[at]).astype(float)
    place = (at - middle[:, None]) / most
    columns = [beside.expected_v[at], np.ones_like(place), place, place**2]
    seen_v = beside.output_v[at]
    products = np.array([[np.sum(a * b * free, axis=1) for b in columns] for a in columns]).transpose(2, 0, 1)
    target = np.array([np.sum(a * seen_v * free, axis=1) for a in columns]).T
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", products), 1e-12))
    normal = products / (scale[:, :, None] * scale[:, None, :]) + 1e-6 * np.eye(len(columns))
    gain = np.linalg.solve(normal, (target / scale)[:, :, None])[:, 0, 0] / scale[:, 0]
    return np.where(free.sum(axis=1) > 2 * len(columns), np.clip(gain, 1 / MOST_GAIN, MOST_GAIN), 1.0)


def _around(middle: FloatArray, steps: npt.NDArray[np.intp], n: int) -> tuple[npt.NDArray[np.intp], BoolArray]:
    """(m, steps) samples around each middle, and which of them exist."""
    at = np.round(middle).astype(np.intp)[:, None] + steps
    return np.clip(at, 0, n - 1), (at >= 0) & (at < n)


def _line(x: FloatArray, y: FloatArray, chosen: BoolArray) -> tuple[FloatArray, FloatArray]:
    """(n,) level at 0 and slope of the line through the chosen points of each row."""
    n = np.maximum(chosen.sum(axis=1), 1)
    mean_x, mean_y = (np.sum(v, axis=1, where=chosen) / n for v in (x, y))
    off = x - mean_x[:, None]
    slope = np.sum(off * y, axis=1, where=chosen) / np.maximum(np.sum(off**2, axis=1, where=chosen), 1e-9)
    return mean_y - slope * mean_x, slope
