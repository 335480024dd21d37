"""A ceiling that sinks within a note, as a supply at a limit of its own lets it: tops that bow, spike and fall.

Such half-cycles are cut off by decibels, yet no line fits their tops and no level is common to them. What tells them is
that they stand broad, one after another, while their tops sink and their flanks do not: the drive goes on, the ceiling
comes down. A square note that fades keeps its shape, flanks and all.

Gaps: works inside one stretch.
Limits: bass only; needs FEWEST sunk half-cycles in a row; nothing under LEAST_DB. The corners are read to 0.2 ms, the
overdrive as if flanks were a sine's.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import SUNK
from ampwitness.detect.clips.ceiling.clip_plain import find_plain
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join
from ampwitness.detect.clips.table.clip_rows import liveliness_of, rows_of
from ampwitness.detect.clips.table.clip_screen import Crests, run_lengths, samples_around
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

REACH_S, NEAR_S = 0.02, 0.005  # most half-cycles end within the second
FOOT_SHARE, WAIST_SHARE, HEAD_SHARE = 0.15, 0.5, 0.85  # of the top
BROAD = 0.74  # above the head for so much of the time above the waist; a sine 0.53, cut off by 3 dB 0.78
MIDDLE = 0.6  # of a half-cycle's width: where its top is read
ROUGHEST = 0.25  # of the top: how far its middle may leave it
LEAST_DB = 2.0
CHAIN_S = 0.1  # at most, from one half-cycle to the next of its polarity
FEWEST = 3
PACE, LARGEST_JUMP = 0.06, 0.3  # of the period, of the level
SUNK_SHARE = 0.85  # of the highest top of the chain
STEEPER = 1.2  # by so much more the tops have sunk than the flanks,
FLANKS_KEEP = 1.2  # which stay as steep as under the highest top, to this factor
LEAST_COVERED = 0.6
LIVELIEST = 0.1  # in full-range music a chord changes its shape as it fades: its parts fade at paces of their own
CORNER_SD_S = 2e-4


def find_sunk(side: OneSide) -> Candidates | None:
    """Rows for half-cycles under a ceiling that sinks, where a stretch shows some."""
    if liveliness_of(side) > LIVELIEST:
        return None
    broad = _measure(side, side.crests)
    if broad is None:
        return None
    level = broad.level_v
    is_sunk = np.zeros(len(level), dtype=bool)
    flank = (broad.slope_left + broad.slope_right) / 2
    step_s = np.diff((broad.start + broad.stop) / 2) / side.stretch.rate_hz
    # One note: an even pace, and no top that stands far from the one before.
    uneven = np.abs(np.diff(step_s)) > PACE * step_s[1:]
    jumps = np.abs(np.diff(level)) > LARGEST_JUMP * level[:-1]
    ends = np.concatenate(([True], (step_s > CHAIN_S) | jumps | np.concatenate(([False], uneven)), [True]))
    edges = np.flatnonzero(ends)
    for first, last in pairwise(edges):
        if last - first <= FEWEST:
            continue
        top = first + int(np.argmax(level[first:last]))
        leaves = np.abs(np.log(flank[top:last] / flank[top])) > np.log(FLANKS_KEEP)
        chain = np.arange(top, top + int(np.argmax(np.append(leaves, True))))
        steeper = (flank[chain] / flank[top]) / (level[chain] / level[top]) >= STEEPER
        if np.count_nonzero(steeper & (level[chain] <= SUNK_SHARE * level[top])) >= FEWEST:
            is_sunk[chain] = True
    is_sunk &= 20 * np.log10(broad.crest_v / level) >= LEAST_DB
    if not is_sunk.any():
        return None
    return fitted_where_plain(side, rows_of(side, *broad.take(is_sunk), CORNER_SD_S, sunk=SUNK))


def fitted_where_plain(side: OneSide, rows: Candidates, mark: str = "sunk", value: float = SUNK) -> Candidates:
    """The same half-cycles as the fit saw them, where it saw the whole of a plateau plainly."""
    return measured_before(rows, side.candidates.take(find_plain(side.candidates)), mark, value)


def measured_before(rows: Candidates, plain: Candidates, mark: str, value: float) -> Candidates:
    """Rows, in place of which those of others stand that lie over their middles and most of their length, marked."""
    middle_s = (rows["start_s"] + rows["stop_s"]) / 2
    order = np.argsort(plain["start_s"], kind="stable")
    at = np.maximum(np.searchsorted(plain["start_s"][order], middle_s, side="right") - 1, 0)
    if not len(order):
        return rows
    row = order[at]
    covers = (plain["start_s"][row] <= middle_s) & (plain["stop_s"][row] >= middle_s)
    covers &= plain["n_top"][row] >= LEAST_COVERED * rows["n_top"]
    fitted = plain.take(row[covers])
    fitted.columns[mark] = np.full(len(fitted), value)
    return join([rows.take(~covers), fitted])


def _measure(side: OneSide, crests: Crests) -> _Broad | None:
    """By time, the crests that crown a broad half-cycle; each half-cycle once."""
    stretch = side.stretch
    if side.blocked is not None:
        crests = crests.take(~side.blocked[crests.sample])
    if len(crests) < FEWEST:
        return None
    crests = crests.take(np.argsort(crests.sample))
    near, reach = (round(x * stretch.rate_hz) for x in (NEAR_S, REACH_S))
    top = _look(side, crests, near)
    far = np.flatnonzero(~top.inside)
    wide = _look(side, crests.take(far), reach)
    for name in _Top.__slots__:
        getattr(top, name)[far] = getattr(wide, name)
    # Several crests of one top: the first of them stands for it.
    place, is_broad = crests.sample + top.middle, top.is_broad
    is_broad[1:] &= ~(is_broad[:-1] & (np.diff(place) < 0.5 * top.width[1:]))
    rows = np.flatnonzero(is_broad)
    if len(rows) < FEWEST:
        return None
    crests = crests.take(rows)
    return _describe(side, crests, top.level[rows], reach, top.middle[rows])


class _Broad(NamedTuple):
    """(n,) each, as `rows_of` takes them: corners in samples, volts sign-turned, slopes a sample."""

    start: FloatArray
    stop: FloatArray
    level_v: FloatArray
    crest_v: FloatArray
    slope_left: FloatArray
    slope_right: FloatArray
    peak_v: FloatArray

    def take(self, rows: BoolArray) -> _Broad:
        return _Broad(*(column[rows] for column in self))


@dataclass(frozen=True, slots=True)
class _Top:
    """(n,) each: whether a half-cycle ends within what was looked at, whether it is broad, its middle from its crest
    and its width in samples, its level."""

    inside: BoolArray
    is_broad: BoolArray
    middle: FloatArray
    width: FloatArray
    level: FloatArray


def _window(side: OneSide, crests: Crests, reach: int) -> npt.NDArray[np.float32]:
    """(n, 2 * reach + 1) samples around each crest, turned to its polarity."""
    window = samples_around(side.stretch.output_v, crests.sample, reach)
    window *= np.float32(side.sign)
    return window


def _look(side: OneSide, crests: Crests, reach: int) -> _Top:
    """How broad half-cycles are that end within so many samples. In single precision: these are large arrays."""
    window = _window(side, crests, reach)
    left, right = run_lengths(window, reach, (WAIST_SHARE * crests.level_v).astype(np.float32))
    inside = (left < reach - 1) & (right < reach - 1)
    middle, width = (right - left) / 2, left + right
    level, is_broad = np.zeros(len(crests)), np.zeros(len(crests), dtype=bool)
    rows = np.flatnonzero(inside)
    if not len(rows):
        return _Top(inside, is_broad, middle, width, level)
    window = window[rows] if len(rows) < len(window) else window
    half = (width[rows] / 2).astype(np.float32)[:, None]
    off = np.abs(np.arange(-reach, reach + 1, dtype=np.float32) - middle[rows].astype(np.float32)[:, None])
    centre = off <= np.float32(MIDDLE) * half
    mean = np.einsum("ij,ij->i", window, centre.astype(np.float32)) / np.count_nonzero(centre, axis=1)
    level[rows] = mean
    above = (window >= (HEAD_SHARE * mean).astype(np.float32)[:, None]) & (off <= half)
    n_head = above.shape[1] - np.argmax(above[:, ::-1], axis=1) - np.argmax(above, axis=1)
    broad = np.flatnonzero((n_head >= BROAD * width[rows]) & (n_head >= 4))
    off_v = np.abs(window[broad] - mean[broad].astype(np.float32)[:, None]) * centre[broad]
    rough = off_v.max(axis=1, initial=0) > ROUGHEST * mean[broad]
    is_broad[rows[broad[~rough]]] = True
    return _Top(inside, is_broad, middle, width, level)


def _describe(side: OneSide, crests: Crests, level: FloatArray, reach: int, middle: FloatArray) -> _Broad:
    """Corners, flanks and what they promise; `middle`: of each half-cycle, in samples from its crest."""
    place = crests.sample + np.round(middle).astype(np.intp)
    turned = samples_around(side.stretch.output_v, place, reach)
    turned *= np.float32(side.sign)
    head_left, foot_left = (_falls_to(turned[:, reach::-1], x * level) for x in (HEAD_SHARE, FOOT_SHARE))
    head_right, foot_right = (_falls_to(turned[:, reach:], x * level) for x in (HEAD_SHARE, FOOT_SHARE))
    rise = (HEAD_SHARE - FOOT_SHARE) * level
    slope_left = rise / np.maximum(foot_left - head_left, 0.5)
    slope_right = rise / np.maximum(foot_right - head_right, 0.5)
    rest = (1 - HEAD_SHARE) * level
    start, stop = place - head_left + rest / slope_left, place + head_right - rest / slope_right
    slope = (slope_left + slope_right) / 2
    crest = np.maximum(sine_crest(slope, np.maximum(stop - start, 0.1), level), level)
    return _Broad(start, stop, level, crest, slope_left, slope_right, crests.level_v)


def _falls_to(outward: FloatArray, floor_v: FloatArray) -> FloatArray:
    """(n,) how far outward each row falls through its floor first, between samples."""
    above = outward >= floor_v[:, None]
    above[:, 0], above[:, -1] = True, False
    at = np.argmin(above, axis=1) - 1
    rows = np.arange(len(outward))
    high, low = outward[rows, at], outward[rows, at + 1]
    return np.asarray(at + np.clip((high - floor_v) / np.maximum(high - low, 1e-9), 0, 1))
