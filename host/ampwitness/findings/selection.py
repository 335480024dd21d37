"""Which moments a report shows enlarged. Nothing here measures; it only ranks what was found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.finding_list import FindingList
from ampwitness.findings.wording import find_worst, measure_gravity
from ampwitness.types import Finding, FloatArray, Interval

AROUND_CLIP_S = 0.06
AROUND_NOTE_S = 0.4
AROUND_DIP_S = 0.5
AROUND_CUTOUT_S = 0.5
MAX_CUTOUTS_SHOWN = 6
MAX_LISTED = 200  # of a kind: a day of clips would make a page nobody can open; the JSON holds more
AROUND_WAVE_S = 0.04
LONGEST_WAVE_S = 0.16
# not a moment whose single waves would tell anything
SPREAD_KINDS = ("setting", "check", "reading", "drift", "gap", "knee")
# what makes one of a kind worse than another, tried in this order; else its length
WORSE: dict[str, tuple[str, ...]] = {
    "clip": ("overdrive_db", "flat_s"),
    "note": ("sag_own_v", "sag_v", "level_v"),
    "dip": ("depth_v",),
    "cutout": ("outage_s",),
    "drift": ("change_db",),
    "tone": ("level_v",),
    "knee": ("knee_v",),
}


def choose_cutouts(findings: Sequence[Finding], most: int) -> tuple[Finding, ...]:
    """The most serious cut-outs, at most so many, in order of time."""
    cutouts = sorted(FindingList.of(findings).of_kind("cutout"), key=measure_gravity, reverse=True)
    return tuple(sorted(cutouts[:most], key=lambda cutout: cutout.start_s))


def choose_enlarged(findings: Sequence[Finding]) -> tuple[tuple[Finding, Interval], ...]:
    """The findings that deserve a picture of their own, each with the span of recording time to show.

    Worst clip, worst sag under a note, deepest dip, and of the cut-outs the MAX_CUTOUTS_SHOWN most serious in order of
    time (the page says how many more there are). A cut-out longer than three seconds shows its beginning.
    """
    chosen: list[tuple[Finding, Interval]] = []
    for kind, around_s in (("clip", AROUND_CLIP_S), ("note", AROUND_NOTE_S), ("dip", AROUND_DIP_S)):
        worst = find_worst(findings, kind)
        if worst is not None:
            stop_s = min(worst.stop_s, worst.start_s + 4.0)
            chosen.append((worst, Interval(max(0.0, worst.start_s - around_s), stop_s + around_s)))
    for cutout in choose_cutouts(findings, MAX_CUTOUTS_SHOWN):
        stop_s = min(cutout.stop_s, cutout.start_s + 3.0)
        span = Interval(max(0.0, cutout.start_s - AROUND_CUTOUT_S), stop_s + AROUND_CUTOUT_S)
        chosen.append((cutout, span))
    return tuple(chosen)


def rank_places(findings: FindingList, most: int | None = None) -> npt.NDArray[np.intp]:
    """Places of findings of one kind, the worst first; those alike in order of time. At most `most` of them."""
    keys = WORSE.get(findings.kinds[0] if findings else "", ())
    if most is not None and len(findings) > 4 * most > 0:  # of half a million each array of all counts
        column = _to_rank(findings, keys[0] if keys else "")
        near = np.flatnonzero(column <= np.partition(column, most - 1)[most - 1])
        if len(near) < len(findings):
            return near[rank_places(findings.take(near), most)]
    columns = [_to_rank(findings, ""), *(_to_rank(findings, key) for key in reversed(keys))]
    return np.lexsort(columns)[:most]


def find_worst_places(findings: FindingList, first: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Of findings of one kind in stretches, which begin at the places `first`: the place of each stretch's worst."""
    keys = WORSE.get(findings.kinds[0] if findings else "", ())
    column = _to_rank(findings, keys[0] if keys else "")
    ends = [*first[1:].tolist(), len(findings)]
    spans = list(zip(first.tolist(), ends, strict=True))
    worst = np.array([a + int(np.argmin(column[a:b])) for a, b in spans], dtype=np.intp)
    if all(np.count_nonzero(column[a:b] == column[at]) == 1 for (a, b), at in zip(spans, worst.tolist(), strict=True)):
        return worst
    del column
    place = np.empty(len(findings), dtype=np.intp)  # several as bad by that alone: by all that tells them apart
    place[rank_places(findings)] = np.arange(len(findings))
    return np.array([a + int(np.argmin(place[a:b])) for a, b in spans], dtype=np.intp)


def _to_rank(findings: FindingList, key: str) -> FloatArray:
    """(n,) the lower the worse by a measured number, or without one by length: the longest first."""
    if not key:
        out = findings.stop_s
        return np.subtract(findings.start_s, out, out=out)
    column = findings.values(key)  # its own to change
    np.negative(np.abs(column, out=column), out=column)
    column[~np.isfinite(column)] = 1.0
    return column


def find_bursts(
    start_s: FloatArray, stop_s: FloatArray, near_s: float, most: int
) -> tuple[npt.NDArray[np.intp], FloatArray, float]:
    """Gather spans that follow one another closely; where that leaves more than `most`, wider gaps are bridged.

    Parameters
    ----------
    start_s, stop_s : (n,) seconds, by start; at least one
    near_s : spans less than this apart are one burst
    most : how many bursts at most

    Returns
    -------
    (m,) place of the first span of each burst, (m,) where each burst ends in seconds, and `near_s` as it came to be.
    """
    reached_s = np.maximum.accumulate(stop_s)
    gaps_s = start_s[1:] - reached_s[:-1]
    is_first = np.ones(len(start_s), dtype=bool)
    while np.count_nonzero(np.greater(gaps_s, near_s, out=is_first[1:])) >= most:
        near_s *= 2
    first = np.flatnonzero(is_first)
    return first, reached_s[np.append(first[1:], len(start_s)) - 1], near_s


def choose_listed(findings: Sequence[Finding], most: int = MAX_LISTED) -> dict[str, tuple[tuple[int, Finding], ...]]:
    """The worst `most` of each kind, in order of time, each with its number: its place among all findings, from 1."""
    listed = FindingList.of(findings)
    chosen = {}
    for kind in listed.kinds:
        of_kind = listed.of_kind(kind)
        if len(of_kind) > most:
            of_kind = of_kind.take(np.sort(rank_places(of_kind, most)))
        chosen[kind] = tuple(zip(of_kind.numbers.tolist(), of_kind, strict=True))
    return chosen


def choose_waves(findings: Sequence[Finding], most: int) -> tuple[Interval, ...]:
    """Spans of the listed findings whose single waves a page shows, the worst of every kind first, without overlap.

    Parameters
    ----------
    findings : all of an analysis
    most : how many findings, at most; neighbours share a span
    """
    listed = FindingList.of(findings)
    ranked = [
        (of_kind := listed.of_kind(kind)).take(rank_places(of_kind, min(most, MAX_LISTED)))
        for kind in listed.kinds
        if kind not in SPREAD_KINDS
    ]
    depth = max((len(of_kind) for of_kind in ranked), default=0)
    in_turn = [of_kind[place] for place in range(depth) for of_kind in ranked if place < len(of_kind)][:most]
    merged: list[Interval] = []
    for finding in sorted(in_turn, key=lambda f: f.start_s):
        start_s = max(0.0, finding.start_s - AROUND_WAVE_S)
        stop_s = min(finding.stop_s, finding.start_s + LONGEST_WAVE_S) + AROUND_WAVE_S
        if merged and start_s <= merged[-1].stop_s:
            merged[-1] = Interval(merged[-1].start_s, max(merged[-1].stop_s, stop_s))
        else:
            merged.append(Interval(start_s, stop_s))
    return tuple(merged)
