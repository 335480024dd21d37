"""Half-cycles whose top follows the supply's ripple and sag: fitted once more with the ceiling's course taken off.

The first look fits flanks and a straight line. Where the supply moves within a half-cycle the line ends early, or a
bent top is taken for a part of the flanks: plateaus come out short, overdrive too small or too large. From the parts
that were seen a stretch's law of the ceiling is learned; where its course goes on along the output, or bends within the
plateau, the course is taken off the output and the same fit made of the rest.

Gaps: works inside one stretch, and not at its ends.
Limits: needs the supply, FEWEST plain plateaus and a ceiling that moves with it.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.bent.ceiling_course import Course, Law, follow_ceiling, learn_law
from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import find_plain
from ampwitness.detect.clips.measure.clip_describe import describe_fits
from ampwitness.detect.clips.measure.clip_fits import place_best_width
from ampwitness.detect.clips.measure.lobe_fit import LobeFit, describe_placed
from ampwitness.detect.clips.measure.plateau_windows import (
    SHORTEST_FLANK_S,
    WIDTHS,
    Windows,
    cut_windows,
    test_flatness,
)
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join, lies_on_plateau, touches_blocked
from ampwitness.detect.clips.table.clip_screen import Suspects, samples_around
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

FEWEST = 8
MOST_LEARNED = 160  # plateaus of one polarity that a stretch's law is learned from
MOVES_AMONG, MOVES_SHARE = 0.9, 0.015  # of its level, that a tenth of the plateaus tilt by at least
WIDEST_SPREAD = 0.006  # of the level: a law that knows it no better tells nothing
REACH_S = 0.032
LONGEST_S = 0.017
FURTHER_S, FURTHER_SHARE = 0.0004, 0.2  # of a plateau: so far beyond a corner the course is looked for
BENT_SD, BENT_SHARE = 3.0, 0.004  # of the noise, of the level: how far a course may leave a line
SOLID_S = 0.00075  # a plateau so long was seen; a clean crest has left its top so far from its middle
LOST_SHARE = 0.01  # of the level, that a crest may lie off the law's course
LAW_SHARE = 0.1  # of what a course moves, that the law may miss
ON_COURSE_SD, ON_COURSE_SHARE = 5.0, 0.003  # of the noise, of the level
MOST_MISFIT = 10.0
LEAST_OF_RUN = 0.8
AS_LONG = 0.9  # as what it stands in for, at least
FEWEST_ON_COURSE = 4  # samples
COURSE_SLOPE_S = 0.0005  # over which a course's slope and bend are taken
REFINED = 2  # times
FOLLOWED, FEWEST_FOR_SLOPE = 3, 8  # times that a run is followed on, by its own slope where so many samples show one
END_SAMPLES = 1  # of a run that corners round
AT_ONCE = 128  # rows


def follow_courses(sides: list[OneSide], found: list[Candidates]) -> list[Candidates]:
    """What all looks at a stretch found, with those half-cycles fitted anew whose ceiling moved within them."""
    if not sides or sides[0].stretch.supply_v is None or not found:
        return found
    table = join(found)
    out = []
    for side in sides:
        mine = table.take(table["sign"] == side.sign)
        again = _fit_again(side, mine)
        out += [mine] if again is None else _put_better(mine, again)
    return out


def _fit_again(side: OneSide, mine: Candidates) -> Candidates | None:
    """Rows of the half-cycles of one polarity that a moving ceiling bent, fitted anew; None where there are none."""
    plain = find_plain(mine) & stands_at_level(mine) & (mine["held_v"] == 0)
    if np.count_nonzero(plain) < FEWEST:
        return None
    chosen = mine.take(plain)
    moved = np.abs(chosen["tilt_v_per_s"]) * (chosen["stop_s"] - chosen["start_s"]) / chosen["level_v"]
    if np.quantile(moved, MOVES_AMONG) < MOVES_SHARE:
        return None
    law = _learn(side, chosen)
    if law is None:
        return None
    middle, offset_v = _seeds(side, mine, law)
    parts = [
        _fit(side, law, middle[k : k + AT_ONCE], offset_v[k : k + AT_ONCE]) for k in range(0, len(middle), AT_ONCE)
    ]
    rows = [part for part in parts if part is not None]
    return _without_doubles(join(rows)) if rows else None


def _learn(side: OneSide, plain: Candidates) -> Law | None:
    """How the ceiling moves with the supply: from the levels of plateaus, then from all samples along its course."""
    n_samples = len(side.stretch.output_v)
    some = plain.take(np.arange(0, len(plain), max(1, len(plain) // MOST_LEARNED)))
    start, stop = _corners(side, some)
    first = np.clip(np.ceil(start).astype(np.intp) + END_SAMPLES, 0, n_samples - 1)
    count = np.maximum(np.minimum(np.floor(stop).astype(np.intp) - END_SAMPLES + 1, n_samples) - first, 0)
    sample = np.repeat(first - np.cumsum(count) + count, count) + np.arange(int(count.sum()))
    law = _law_of(side, sample)
    middle = (start + stop) / 2
    for _ in range(REFINED):
        if law is None or law.spread_v > WIDEST_SPREAD * law.highest_v:
            return None
        seen = _along(side, law, middle, some["level_v"] - law.at(side.lagged, middle))
        if seen is None:
            return law
        rows, at = np.nonzero(_between(seen.before + END_SAMPLES, seen.after - END_SAMPLES, seen.up.shape[1]))
        law = _law_of(side, seen.first[rows] + at)
    return law


def _law_of(side: OneSide, sample: IntArray) -> Law | None:
    """What these samples say of the ceiling they lie on."""
    volts = side.sign * side.stretch.output_v[sample].astype(float)
    return learn_law(volts, np.concatenate(side.lagged.at(sample.astype(float)), axis=1))


def _corners(side: OneSide, rows: Candidates) -> tuple[FloatArray, FloatArray]:
    """Where plateaus start and stop, in samples of the stretch."""
    stretch = side.stretch
    start, stop = (rows[name] * stretch.rate_hz - stretch.first_index - stretch.phase for name in ("start_s", "stop_s"))
    return start, stop


def _between(before: IntArray, after: IntArray, n_points: int) -> BoolArray:
    """(n, n_points) what lies between two points of each row."""
    place = np.arange(n_points)
    return np.asarray((place > before[:, None]) & (place < after[:, None]))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Windows in which the output runs along the course: sign-turned volts (n, n_points), the first sample of each, the
    points before and behind the run, and what the ceiling lies above the law's."""

    course: Course
    first: IntArray
    up: npt.NDArray[np.float32]
    before: IntArray
    after: IntArray
    offset_v: FloatArray


def _along(side: OneSide, law: Law, middle: FloatArray, offset_v: FloatArray) -> _Seen | None:
    """Where the output runs along the course around these samples; what is no run is left out."""
    stretch, rate_hz = side.stretch, side.stretch.rate_hz
    course = follow_ceiling(law, side.lagged, rate_hz, middle, round(REACH_S * rate_hz))
    n_points = course.volts.shape[1]
    inside = (course.first >= 0) & (course.first + n_points <= len(stretch.output_v))
    course, middle, offset_v = course.take(inside), middle[inside], offset_v[inside]
    if not len(middle):
        return None
    first = course.first.astype(np.intp)
    up = samples_around(stretch.output_v, first, 0, n_points - 1) * np.float32(side.sign)
    at_middle_v = course.at(middle)
    near_v = np.maximum(ON_COURSE_SD * side.noise_v, ON_COURSE_SHARE * (at_middle_v + offset_v))[:, None]
    near_v = near_v + LAW_SHARE * np.abs(course.volts - at_middle_v[:, None])
    above_v = up - course.volts
    at = np.round(middle).astype(np.intp) - first
    before, after = _run(np.abs(above_v - offset_v[:, None]) > near_v, at)
    for _ in range(FOLLOWED):
        line_v = _line_through(above_v, before, after)
        further = _run(np.abs(above_v - line_v) > near_v, at)
        longer = further[1] - further[0] > after - before
        before, after = np.where(longer, further[0], before), np.where(longer, further[1], after)
    length = after - before - 1
    rows = np.flatnonzero((length >= FEWEST_ON_COURSE) & (length <= LONGEST_S * rate_hz))
    if not len(rows):
        return None
    return _Seen(course.take(rows), first[rows], up[rows], before[rows], after[rows], offset_v[rows])


def _seeds(side: OneSide, mine: Candidates, law: Law) -> tuple[FloatArray, FloatArray]:
    """Samples on half-cycles that are worth another fit, and by how much the ceiling lies off the law's there."""
    stretch, noise_v = side.stretch, side.noise_v
    volts, rate_hz = stretch.output_v, stretch.rate_hz

    def height(sample: FloatArray) -> FloatArray:
        at = np.clip(np.round(sample), 0, len(volts) - 1).astype(np.intp)
        return np.asarray(side.sign * volts[at], dtype=float)

    def course(sample: FloatArray) -> FloatArray:
        return law.at(side.lagged, sample)

    start, stop = _corners(side, mine)
    level_v, middle = mine["level_v"], (start + stop) / 2
    there_v = course(middle)
    offset_v = level_v - there_v
    further = np.maximum(FURTHER_S * rate_hz, FURTHER_SHARE * (stop - start))
    near_v = np.maximum(ON_COURSE_SD * noise_v, ON_COURSE_SHARE * level_v)

    def goes_on(sample: FloatArray) -> BoolArray:
        beyond_v = course(sample)
        off_v = np.abs(height(sample) - beyond_v - offset_v)
        return np.asarray(off_v <= near_v + LAW_SHARE * np.abs(beyond_v - there_v))

    bow_v = np.abs(there_v - (course(start) + course(stop)) / 2)
    is_bent = bow_v > np.maximum(BENT_SD * noise_v, BENT_SHARE * level_v)
    worth = (is_bent | goes_on(start - further) | goes_on(stop + further)) & stands_at_level(mine)
    # Crests that no look took for clipped, or of whose tops but a corner was seen, though they stand on the course.
    long = mine.take(stop - start >= SOLID_S * rate_hz)
    crest = side.crests.sample[~lies_on_plateau(stretch, side.crests, long)].astype(float)
    above_v = height(crest) - course(crest)
    near_v = ON_COURSE_SD * noise_v + ON_COURSE_SHARE * height(crest)
    on_course = np.abs(above_v) <= np.maximum(near_v, LOST_SHARE * height(crest))
    crest, above_v, near_v = crest[on_course], above_v[on_course], near_v[on_course]
    stays = [
        np.abs(height(at) - course(at) - above_v) <= near_v
        for at in (crest - SOLID_S * rate_hz, crest + SOLID_S * rate_hz)
    ]
    crest, above_v = (column[stays[0] | stays[1]] for column in (crest, above_v))
    seeds = np.concatenate((middle[worth], crest))
    offsets_v = np.concatenate((offset_v[worth], above_v))
    order = np.argsort(seeds, kind="stable")
    return seeds[order], offsets_v[order]


def _fit(side: OneSide, law: Law, middle: FloatArray, offset_v: FloatArray) -> Candidates | None:
    """Rows of half-cycles around these samples, fitted with the ceiling's course taken off."""
    seen = _along(side, law, middle, offset_v)
    if seen is None:
        return None
    n, n_points = seen.up.shape
    length = seen.after - seen.before - 1
    centre = seen.first + (seen.before + seen.after) / 2
    level_v = seen.course.at(centre)
    flat = (seen.up - (seen.course.volts - level_v[:, None])).astype(np.float32)
    peak_v = np.where(_between(seen.before, seen.after, n_points), seen.up, 0).max(axis=1)
    origin = np.arange(n) * n_points - seen.first  # of the windows in a row, from samples of the stretch
    suspects = Suspects(
        np.ones(n), centre + origin, length / 2, level_v + seen.offset_v, np.ones(n),
        (np.round(centre) + origin).astype(np.intp),
    )  # fmt: skip
    windows = cut_windows(flat.reshape(-1), side.stretch.rate_hz, suspects, side.noise_v)
    return _describe(side, seen.course, windows, origin, centre, peak_v, length)


def _describe(
    side: OneSide, course: Course, windows: Windows, origin: IntArray, centre: FloatArray, peak_v: FloatArray,
    length: IntArray,
) -> Candidates | None:  # fmt: skip
    """Fit what was cut out, and put the course back."""
    rate_hz, n_points = side.stretch.rate_hz, course.volts.shape[1]
    first = windows.middle - windows.n_left * windows.averaged
    last = windows.middle + (windows.n_right + 1) * windows.averaged
    place = np.arange(len(windows)) * n_points
    good = (first >= place) & (last <= place + n_points) & ~windows.is_cut
    good &= ~touches_blocked(side.blocked, first - origin, last - origin)
    rows = np.flatnonzero(good)
    if not len(rows):
        return None
    windows, course = windows.take(rows), course.take(rows)
    origin, centre, peak_v, length = origin[rows], centre[rows], peak_v[rows], length[rows]
    noise_v = np.full(len(rows), side.noise_v)
    shortest = SHORTEST_FLANK_S * rate_hz / windows.averaged
    wide, narrow = windows.narrowed(WIDTHS[0], shortest), windows.narrowed(WIDTHS[1], shortest)
    test = test_flatness(narrow)
    narrow_gain = np.nan_to_num((test.smooth_rss_v2 - test.flat_rss_v2) / np.maximum(
        noise_v**2 / narrow.averaged, test.flat_rss_v2 / np.maximum(test.n_points - 10, 2)
    ))  # fmt: skip
    placed = place_best_width(
        wide, narrow, windows.centre - windows.half, windows.centre + windows.half, noise_v,
        np.ones(len(rows), dtype=bool),
    )  # fmt: skip
    fit, level_v = _with_course(describe_placed(placed), course, origin, centre, rate_hz)
    windows = replace(windows, sign=np.full(len(rows), side.sign), crest=windows.crest - origin, level_v=peak_v)
    table = describe_fits(side.view, windows, fit, narrow_gain, 0.0)
    table.columns["level_v"] = level_v
    table.columns["on_course"] = np.ones(len(table))
    keep = (table["is_coarse"] == 0) & (table["misfit"] <= MOST_MISFIT) & (table["n_top"] >= LEAST_OF_RUN * length)
    return table.take(keep) if keep.any() else None


def _with_course(
    fit: LobeFit, course: Course, origin: IntArray, centre: FloatArray, rate_hz: float
) -> tuple[LobeFit, FloatArray]:
    """A fit of what was left of the output, with the course put back; its level is midway between the corners' then.
    Beside it the level in the plateau's middle."""
    start, stop = fit.start - origin, fit.stop - origin
    middle, reach = (start + stop) / 2, COURSE_SLOPE_S * rate_hz
    at_start, at_stop = course.at(start), course.at(stop)
    base_v = fit.level_v - course.at(centre)
    bend = (course.bend(start, reach) + course.bend(stop, reach)) / 2
    level_v = base_v + course.at(middle)
    back = replace(
        fit,
        start=start,
        stop=stop,
        level_v=base_v + (at_start + at_stop) / 2,
        tilt_v=fit.tilt_v + (at_stop - at_start) / np.maximum(stop - start, 1e-9),
        slope_left_v=fit.slope_left_v + course.slope(start, reach),
        slope_right_v=fit.slope_right_v - course.slope(stop, reach),
        curvature_v=fit.curvature_v - bend,
    )
    return back, level_v


def _line_through(above_v: FloatArray, before: IntArray, after: IntArray) -> FloatArray:
    """(n, n_points) a line through each row's points between two of them; short runs are given no slope."""
    place = np.arange(above_v.shape[1])
    inside = _between(before, after, above_v.shape[1])
    n = np.maximum(inside.sum(axis=1), 1)
    x = (place - ((before + after) / 2)[:, None]) * inside
    mean = (above_v * inside).sum(axis=1) / n
    slope = (above_v * x).sum(axis=1) / np.maximum((x**2).sum(axis=1), 1e-9) * (n >= FEWEST_FOR_SLOPE)
    return np.asarray(mean[:, None] + slope[:, None] * (place - ((before + after) / 2)[:, None]))


def _run(off: BoolArray, middle: IntArray) -> tuple[IntArray, IntArray]:
    """The points before and after each row's middle at which it is off its course first; its middle if it is there."""
    n, n_points = off.shape
    rows = np.arange(n)
    place = np.arange(n_points)
    off = off.copy()
    is_off = off[rows, middle]
    off[:, 0] = off[:, -1] = True
    before = np.max(np.where(off & (place <= middle[:, None]), place, 0), axis=1)
    after = np.min(np.where(off & (place >= middle[:, None]), place, n_points - 1), axis=1)
    return np.where(is_off, middle, before), np.where(is_off, middle, after)


def _without_doubles(rows: Candidates) -> Candidates:
    """By start, of rows that overlap the longest: several seeds may lie on one half-cycle."""
    order = np.argsort(-rows["n_top"], kind="stable")
    order = order[np.argsort(rows["start_s"][order], kind="stable")]
    rows = rows.take(order)
    of = np.cumsum(np.concatenate(([True], rows["start_s"][1:] >= np.maximum.accumulate(rows["stop_s"])[:-1])))
    best = np.lexsort((-rows["n_top"], of))
    return rows.take(np.sort(best[np.concatenate(([True], np.diff(of[best]) > 0))]))


def _put_better(old: Candidates, new: Candidates) -> list[Candidates]:
    """Both tables without those half-cycles that the other shows better; `new` is sorted and does not overlap."""
    at = np.searchsorted(new["start_s"], old["stop_s"]) - 1
    overlaps = (at >= 0) & (new["stop_s"][np.maximum(at, 0)] > old["start_s"])
    rows = np.flatnonzero(overlaps)
    of = at[rows]
    is_whole = new["n_top"][of] >= AS_LONG * old["n_top"][rows]
    stays = np.zeros(len(new), dtype=bool)
    stays[of[~is_whole | (new["gain"][of] < old["gain"][rows])]] = True
    overlaps[rows] = ~stays[of]
    return [old.take(~overlaps), new.take(~stays)]
