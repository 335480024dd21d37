"""From one stretch of output to what might be a clipped half-cycle, and what surely is none.

Gaps: half-cycles cut off by a gap are counted, not tested.
Limits: see `clip_screen` and `clip_measure`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.clip_describe import measure_full
from ampwitness.detect.clips.measure.clip_measure import measure_suspects
from ampwitness.detect.clips.measure.overdrive import measure_liveliness
from ampwitness.detect.clips.short.clip_bulk import ShortWay, Split
from ampwitness.detect.clips.table.clip_candidates import (
    Candidates,
    HighCrests,
    Look,
    OneSide,
    View,
    join,
    lies_on_plateau,
)
from ampwitness.detect.clips.table.clip_screen import (
    Crests,
    Suspects,
    find_crests,
    find_suspects,
    no_suspects,
    samples_around,
)
from ampwitness.detect.clips.table.clip_stream import LaggedMeans, Stretch, highest_of
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

LOWEST_CREST_IN_NOISE = 15.0
NOISY_SHARE = 0.5  # of the highest value: crests that stand no higher in noise tell nothing by their shape
PILE_SHARE, LOWEST_PILE_V = 0.8, 0.5
CREST_STEP_S = 0.25  # one highest unclipped crest is kept for each of these
CUT_REACH_S = 0.05
CUT_SHARE = 0.85  # a segment's end above this share of the highest value beside it cuts a half-cycle off


@dataclass(frozen=True, slots=True)
class Screened:
    """What the cheap look at a stretch found: its crests, what might be plateaus on them, which crests stay long near
    their height, and the spans that a gap cut off. `view` None: no crest that tells anything."""

    view: View | None
    crests: Crests
    suspects: Suspects
    looks_full: npt.NDArray[np.bool_]
    cut: list[tuple[float, float]]
    split: Split | None = None  # where most crests went the short way


def screen(
    stretch: Stretch, noise_v: float, blocked: npt.NDArray[np.bool_] | None, short_way: ShortWay | None = None
) -> Screened:
    """Find suspects in a stretch.

    Parameters
    ----------
    stretch : samples with margins
    noise_v : noise of one sample
    blocked : (n_samples,) True where the logger's own converter was at its rail; None: nowhere
    short_way : for crests at a ceiling that is proven; None: all go the long way
    """
    volts = stretch.output_v
    cut = _cut_off(stretch)
    lowest_v = LOWEST_CREST_IN_NOISE * noise_v
    highest_v = highest_of(volts)
    # In full-range music most of what looks like noise is music: no fit says anything, but crests may pile up.
    is_noisy = lowest_v > NOISY_SHARE * highest_v
    if is_noisy:
        lowest_v = max(PILE_SHARE * highest_v, LOWEST_PILE_V)
    crests = find_crests(volts, stretch.rate_hz, lowest_v, blocked)
    crests = crests.take((crests.sample >= stretch.own_first) & (crests.sample < stretch.own_last))
    if not len(crests):
        return Screened(None, crests, no_suspects(), np.zeros(0, dtype=bool), cut)
    view = View(stretch, LaggedMeans(stretch), noise_v, blocked, measure_liveliness(volts, stretch.rate_hz))
    if is_noisy:
        return Screened(view, crests, no_suspects(), np.ones(len(crests), dtype=bool), cut)
    split = None if short_way is None else short_way.split(view, crests)
    if split is None:
        return Screened(view, crests, *find_suspects(volts, stretch.rate_hz, crests, noise_v), cut)
    looks_full = np.zeros(len(crests), dtype=bool)
    far = crests.take(split.goes_long)
    suspects, looks_full[split.goes_long] = find_suspects(volts, stretch.rate_hz, far, noise_v)
    return Screened(view, crests, suspects, looks_full, cut, split)


def without_supply(screened: Screened) -> Screened:
    """The same without the supply's samples where most crests went the short way: none of what is done with the rest
    asks for them, and they would take as much memory as the output. Means over a millisecond stay."""
    view = screened.view
    if view is None or screened.split is None:
        return screened
    view.lagged.forget_sums()
    return replace(screened, view=replace(view, stretch=replace(view.stretch, supply_v=None)))


def with_supply(view: View) -> Stretch:
    """A stretch that was looked at `without_supply`, with the supply as its means know it."""
    stretch = view.stretch
    return replace(stretch, supply_v=view.lagged.supply_by_means(len(stretch.output_v)))


def look_at(stretch: Stretch, noise_v: float, blocked: npt.NDArray[np.bool_] | None) -> Look:
    """Find candidates in one stretch; parameters as for `screen`."""
    (look,) = look_at_all([screen(stretch, noise_v, blocked)])
    return look


def look_at_all(screened: list[Screened]) -> list[Look]:
    """Find candidates in stretches that were screened, of both polarities."""
    at = [k for k, one in enumerate(screened) if one.view is not None]
    views = [view for one in screened if (view := one.view) is not None]
    fitted: list[Candidates | None] = [None] * len(screened)
    # What the short way leaves of dense music is short and rings: no other beginning makes such fits better.
    tries_again = not all(split is not None and split.is_noisy for split in (one.split for one in screened))
    suspects = [screened[k].suspects for k in at]
    for k, rows in zip(at, measure_suspects(views, suspects, tries_again=tries_again), strict=True):
        fitted[k] = rows
    return [_look(one, rows) for one, rows in zip(screened, fitted, strict=True)]


def _look(screened: Screened, fitted: Candidates | None) -> Look:
    """What one stretch shows, with the rows of what was fitted in it."""
    view, crests = screened.view, screened.crests
    if view is None:
        return Look([], [], screened.cut, [])
    parts = []
    free = np.ones(len(crests), dtype=bool)
    split, fitted_all = screened.split, fitted
    if split is not None:
        parts.append(split.rows)
        free &= ~lies_on_plateau(view.stretch, crests, split.rows)
        fitted = split.long_rows(fitted)
    if fitted is not None:
        parts.append(fitted)
        free &= ~lies_on_plateau(view.stretch, crests, fitted)
    full = measure_full(view, crests.take(screened.looks_full & free))
    if full is not None:
        parts.append(full)
        free &= ~lies_on_plateau(view.stretch, crests, full)
    others = crests.take(free)
    table = join(parts)
    asked = crests if split is None else crests.take(split.asked_again & free)
    sides = [
        OneSide(view, sign, table.take(table["sign"] == sign), asked.take(asked.sign == sign)) for sign in (1.0, -1.0)
    ]
    highest = [_highest(view.stretch, view.lagged, others)] if len(others) else []
    return Look(parts, highest, screened.cut, sides, fitted_all)


def _cut_off(stretch: Stretch) -> list[tuple[float, float]]:
    """Spans of half-cycles that the segment's first or last sample cuts off near its crest."""
    reach = round(CUT_REACH_S * stretch.rate_hz)
    volts, n = stretch.output_v, len(stretch.output_v)
    spans = []
    for is_end, piece, at_start in (
        (stretch.is_first, volts[:reach], True),
        (stretch.is_last, volts[::-1][:reach], False),
    ):
        if not is_end or not len(piece):
            continue
        up = piece * np.sign(piece[0])
        if up[0] < CUT_SHARE * np.max(np.abs(piece)) or up[0] <= 0:
            continue
        falls = np.flatnonzero(up < up[0] / 2)
        length = int(falls[0]) if len(falls) else len(up)
        first, last = (0, length) if at_start else (n - length, n)
        spans.append((float(stretch.time_s(float(first))), float(stretch.time_s(float(last)))))
    return spans


def _highest(stretch: Stretch, lagged: LaggedMeans, crests: Crests) -> HighCrests:
    """The highest of the crests in each step of time, by polarity."""
    time_s = np.asarray(stretch.time_s(crests.sample.astype(float)))
    step = np.floor(time_s / CREST_STEP_S) * 2 + (crests.sign > 0)
    begins = np.concatenate(([True], np.diff(step) != 0))  # by polarity and time: those of a step stand together
    highest_v = np.maximum.reduceat(crests.level_v, np.flatnonzero(begins))
    group = np.cumsum(begins) - 1
    first = np.flatnonzero(crests.level_v == highest_v[group])
    first = first[np.diff(group[first], prepend=-1) > 0]
    first = first[np.argsort(step[first], kind="stable")]
    supply, output = lagged.at(crests.sample[first].astype(float))
    peak_v = _between_samples(stretch.output_v, crests.sample[first], crests.sign[first])
    return HighCrests(crests.sign[first], time_s[first], crests.level_v[first], peak_v, supply, output)


def _between_samples(volts: npt.NDArray[np.float32], sample: IntArray, sign: FloatArray) -> FloatArray:
    """Heights of crests by a parabola through the highest of five samples and its neighbours."""
    around = samples_around(volts, sample, 2) * sign[:, None]
    at = 1 + np.argmax(around[:, 1:4], axis=1)
    rows = np.arange(len(sample))
    before, top, after = (around[rows, at + k].astype(float) for k in (-1, 0, 1))
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(top + np.minimum((after - before) ** 2 / (8 * bend), bend / 4))
