"""A note that is let go right ahead of the next: what departs first is its own fall, and no beginning.

Gaps: the caller passes one run only.
Limits: a fall that the next note cuts off at more than a third of its height is taken for that note's beginning.
Source: least squares over a table of falls along a line, half a cosine and an exponential; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

_LINE, _COSINE, _EXPONENTIAL = range(3)
_SPANS_MS = {
    _LINE: (1.0, 3.0, 6.0, 9.0, 12.0, 15.0, 19.0, 24.0, 30.0, 38.0),
    _COSINE: (4.0, 8.0, 12.0, 16.0, 20.0, 26.0, 34.0),
    _EXPONENTIAL: (1.5, 2.5, 4.0, 6.0, 9.0, 13.0),
}
_KIND = np.array([kind for kind, spans in _SPANS_MS.items() for _ in spans])
_SPAN = np.array([span for spans in _SPANS_MS.values() for span in spans])
_BEGINS = np.arange(-10, 4)  # slow samples, from the departure as it was seen
_LET_GO = 0.35  # of its height, that a note must have fallen to
_LEAST_LATER = 3  # slow samples
_LEAST_CARRIED = 0.5  # of the limit, that what falls must reach as it goes on
_MOST_LEFT = 0.05  # of the energy that departs, that the fall does not explain
_ALIKE = 2  # slow samples: of falls that explain as much time to within these the best is taken
_FINER_BEGINS = np.arange(-1.0, 1.01, 0.5)  # slow samples
_FINER_SPANS = 1.05 ** np.arange(-4.0, 4.01)
_BEGINS_AHEAD = -int(_BEGINS[0])
_SOON = 10  # slow samples from the departure on, within which what a fall does not explain mostly shows
_ALMOST = 1.0 + 1e-6  # sums are taken in another order
_PLACES_AT_ONCE = 1024  # so few stay near the processor
_ROWS_AT_ONCE = 128

Places = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


def _fall(since: FloatArray, kind: int, span: FloatArray) -> FloatArray:
    """Height by slow samples since a fall of one kind began."""
    share = np.maximum(since, 0.0) / span
    if kind == _EXPONENTIAL:
        return np.asarray(np.exp(-share))
    line = np.minimum(share, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * line) if kind == _COSINE else 1.0 - line)


@lru_cache(maxsize=4)
def _list_falls(n: int) -> FloatArray:
    """(falls, 2 n) heights of each fall, of which the middle column is the one at which it begins."""
    since = np.arange(2.0 * n) - n
    return np.concatenate([_fall(since, kind, np.array(spans)[:, None]) for kind, spans in _SPANS_MS.items()])


@lru_cache(maxsize=4)
def _list_first_heights(n: int) -> tuple[FloatArray, Flags]:
    """(3, beginnings, falls) heights of falls right behind the departure, and (beginnings, 3) whether they began."""
    since = np.arange(_LEAST_LATER) - _BEGINS[:, None]
    return np.ascontiguousarray(_list_falls(n)[:, n + since].transpose(2, 1, 0)), since >= 0


def carry_falls(
    volts: FloatArray, carried: FloatArray, departs: Places, limit_v: FloatArray
) -> tuple[FloatArray, Places, FloatArray]:
    """What is left of each row when what sounded falls instead of going on, where that explains what departs first.

    Parameters
    ----------
    volts, carried : (k, n) slow samples, and what sounded before, carried on
    departs : (k,) sample at which the two part
    limit_v : (k,) what may be left

    Returns
    -------
    (k, n) volts less what falls; (k,) the sample at which something else begins to show, 0 where no fall explains what
    departs; (k,) rms of what is left ahead of it.
    """
    k, n = volts.shape
    left, later, left_v = np.zeros((k, n)), np.zeros(k, dtype=np.intp), np.zeros(k)
    # What goes on far below the limit shows no more where it falls.
    asked = np.flatnonzero(np.maximum(carried.max(axis=1), -carried.min(axis=1)) > _LEAST_CARRIED * limit_v)
    may_begin = _may_fall(volts[asked], carried[asked], departs[asked], limit_v[asked])
    rows = np.flatnonzero(may_begin.any(axis=1))
    for first in range(0, len(rows), _ROWS_AT_ONCE):
        some = rows[first : first + _ROWS_AT_ONCE]
        at, begins = asked[some], may_begin[some]
        left[at], later[at], left_v[at] = _carry_some(
            volts[at], carried[at], departs[at], limit_v[at], begins, _list_falls(n)
        )
    return left, later, left_v


def _may_fall(volts: FloatArray, carried: FloatArray, departs: Places, limit_v: FloatArray) -> Flags:
    """(k, beginnings) whether any fall may begin there: whatever its shape, what sounded keeps its sign and never grows
    again, and between its beginning and what shows behind it hardly anything is left. Four of five rows go by that."""
    n = volts.shape[1]
    out, goes_on = _may_fall_within(volts, carried, departs, limit_v, _SOON)
    some = np.flatnonzero(goes_on)  # of most a few samples tell
    if len(some):
        wide = n - int(departs[some].min())
        out[some] = _may_fall_within(volts[some], carried[some], departs[some], limit_v[some], wide)[0]
    return out


def _may_fall_within(
    volts: FloatArray, carried: FloatArray, departs: Places, limit_v: FloatArray, wide: int
) -> tuple[Flags, Flags]:
    """The same, as far as so many samples from the departure on tell, and (k,) whether those behind may tell more."""
    k, n = volts.shape
    number = departs[:, None] + np.arange(-_BEGINS_AHEAD, wide)
    is_there = (number >= 0) & (number < n)
    near = np.minimum(np.maximum(number, 0), n - 1)
    near += np.arange(k)[:, None] * n
    v, c = volts.reshape(-1)[near], carried.reshape(-1)[near]
    parted = np.where(is_there, v - c, 0.0)
    # Up to each sample, ahead of it: what parted, from the earliest beginning on, is the most that a fall explains.
    parted *= parted
    most_left = _ALMOST * _MOST_LEFT * (np.cumsum(parted, axis=1) - parted)[:, _BEGINS_AHEAD:]
    v, c, is_there = v[:, _BEGINS_AHEAD:], c[:, _BEGINS_AHEAD:], is_there[:, _BEGINS_AHEAD:]
    v, c = np.where(c < 0.0, -v, v), np.abs(c)
    outside = np.maximum(np.maximum(v - c, -v), 0.0)
    outside *= outside
    size = np.maximum(c, 1e-30)
    low, high = (v - limit_v[:, None]) / size, (v + limit_v[:, None]) / size  # the heights within the limit
    out = np.zeros((k, len(_BEGINS)), dtype=bool)
    is_open = np.zeros(k, dtype=bool)
    for place in np.flatnonzero(_BEGINS >= 0).tolist():
        begin = int(_BEGINS[place])
        if begin + 1 >= v.shape[1]:
            is_open[:] = True
            continue
        least = np.minimum(np.minimum.accumulate(high[:, begin:], axis=1), 1.0)
        follows = (low[:, begin:] <= least + 1e-9) & (least >= 0.0) & is_there[:, begin:]
        goes_on = np.logical_and.accumulate(follows, axis=1)
        lost = np.cumsum(outside[:, begin:], axis=1)
        # The first sample that shows is at or behind the next one, and all of those between follow.
        ends = (lost[:, :-1] <= most_left[:, begin + 1 :]) & goes_on[:, :-1] & is_there[:, begin + 1 :]
        out[:, place] = ends[:, max(0, _LEAST_LATER - begin - 1) :].any(axis=1)
        is_open |= goes_on[:, -1] & ~out[:, place]
    out[:, _BEGINS < 0] = out[:, _BEGINS == 0]
    return out, is_open


def _carry_some(
    volts: FloatArray,
    carried: FloatArray,
    departs: Places,
    limit_v: FloatArray,
    may_begin: Flags,
    falls: FloatArray,
) -> tuple[FloatArray, Places, FloatArray]:
    k, n = volts.shape
    begins = np.maximum(departs[:, None] + _BEGINS[None, :], 0)
    out, out_at, out_v = np.zeros((k, n)), np.zeros(k, dtype=np.intp), np.zeros(k)
    row, column = _follow_at_first(volts, carried, departs, begins, limit_v, may_begin, falls)
    if not len(row):
        return out, out_at, out_v
    explains = _explain_soon(
        volts, carried, departs[row] - begins[row, column // len(falls)], (row, column), departs, limit_v, falls
    )
    row, column = row[explains], column[explains]
    begin, fall = begins[row, column // len(falls)], column % len(falls)
    # One line a fall that is still in question, in order of row, beginning and fall.
    number = np.arange(n)
    strides = (falls.strides[0], falls.strides[1], falls.strides[1])
    shifted = np.lib.stride_tricks.as_strided(falls, (len(falls), n + 1, n), strides, writeable=False)
    heights = shifted[fall, n - begin]
    left = volts[row] - heights * carried[row]
    is_behind = number >= begin[:, None]
    shows = (np.abs(left) > limit_v[row, None]) & is_behind
    at = np.argmax(shows, axis=1)  # 0 where nothing ever shows: no departure either
    is_fall = (heights[np.arange(len(at)), at] <= _LET_GO) & (at >= departs[row] + _LEAST_LATER)
    row, column, begin, fall, left, at = (values[is_fall] for values in (row, column, begin, fall, left, at))
    inside = (number >= begin[:, None]) & (number < at[:, None])
    lost = np.where(inside, left, 0.0)
    lost2 = np.einsum("jk,jk->j", lost, lost)
    parted = np.where(inside, (volts - carried)[row], 0.0)
    is_fall = lost2 <= _MOST_LEFT * np.einsum("jk,jk->j", parted, parted)
    at = np.where(is_fall, at, 0)
    latest = np.zeros(k, dtype=np.intp)
    np.maximum.at(latest, row, at)
    share = np.full((k, begins.shape[1] * len(falls)), np.inf)
    is_late = is_fall & (at >= latest[row] - _ALIKE)
    place = np.full(share.shape, -1, dtype=np.intp)
    share[row, column] = np.where(is_late, lost2 / np.maximum(at - begin, 1), np.inf)
    place[row, column] = np.arange(len(row))
    known = np.flatnonzero(latest > 0)
    if len(known):
        best = place[known, np.argmin(share[known], axis=1)]
        begin, at, fall = begin[best], at[best], fall[best]
        fine = _refine(volts[known], carried[known], begin, at, _KIND[fall], _SPAN[fall])
        is_behind = number >= begin[:, None]
        above = (np.abs(fine) > limit_v[known, None]) & is_behind
        at = np.where(above.any(axis=1), np.argmax(above, axis=1), at)
        inside = is_behind & (number < at[:, None])
        out[known], out_at[known] = fine, at
        out_v[known] = np.sqrt(
            np.einsum("ij,ij,ij->i", fine, fine, inside.astype(float)) / np.maximum(inside.sum(axis=1), 1)
        )
    return out, out_at, out_v


def _follow_at_first(
    volts: FloatArray,
    carried: FloatArray,
    departs: Places,
    begins: Places,
    limit_v: FloatArray,
    may_begin: Flags,
    falls: FloatArray,
) -> tuple[Places, Places]:
    """Rows, and numbers of beginning and fall in them, that are followed right behind the departure and where the fall
    is last above `_LET_GO`: nothing else can explain what departs, and what does not is most."""
    n = volts.shape[1]
    near = np.minimum(departs[:, None] + np.arange(_LEAST_LATER), n - 1)
    v, c = (np.take_along_axis(values, near, axis=1) for values in (volts, carried))
    heights, has_begun = _list_first_heights(n)
    # What would begin ahead of the first sample begins with it, as another does that is tried.
    row, begin = np.nonzero(may_begin & (departs[:, None] + _BEGINS >= 0))
    follows = np.ones((len(row), len(falls)), dtype=bool)
    for later in range(_LEAST_LATER):
        left = np.abs(v[row, later, None] - heights[later, begin] * c[row, later, None])
        follows &= (left <= limit_v[row, None]) | ~has_begun[begin, later, None]
    pair, fall = np.nonzero(follows)
    row, column = row[pair], begin[pair] * len(falls) + fall
    # Above `_LET_GO` nothing may show: tried where it comes to that, and half way.
    high = np.count_nonzero(falls[:, n:] > _LET_GO, axis=1) - 1
    for part in (1, 2):
        fall = column % len(falls)
        begin, ahead = begins[row, column // len(falls)], high[fall] // part
        at = begin + ahead
        inside = np.minimum(at, n - 1)
        left = volts[row, inside] - falls[fall, n + ahead] * carried[row, inside]
        follows = (np.abs(left) <= limit_v[row]) & (at < n)
        row, column = row[follows], column[follows]
    return row, column


def _explain_soon(
    volts: FloatArray,
    carried: FloatArray,
    since: Places,
    places: tuple[Places, Places],
    departs: Places,
    limit_v: FloatArray,
    falls: FloatArray,
) -> Flags:
    """Whether falls, by row and column, may explain what departs, as far as the first samples behind the departure
    tell: as few as that, since nearly all that follow it show something else there. `since`: beginning to departure."""
    row, column = places
    ahead, n = _BEGINS_AHEAD, volts.shape[1]
    wide = ahead + _SOON
    number = departs[:, None] + np.arange(-ahead, _SOON)
    near = np.clip(number, 0, n - 1)
    v, c = (np.take_along_axis(values, near, axis=1) for values in (volts, carried))
    # By how long ago it began, and by fall: the heights in these samples.
    latest = int(_BEGINS[-1])
    heights = np.stack([falls[:, n + ago - ahead : n + ago + _SOON] for ago in range(-latest, ahead + 1)])
    began = np.arange(wide) >= (ahead - np.arange(-latest, ahead + 1))[:, None]
    most_v = np.where(number < n, limit_v[:, None], np.inf)
    parted = v - c
    out = np.ones(len(row), dtype=bool)
    for first in range(0, len(row), _PLACES_AT_ONCE):
        some = slice(first, first + _PLACES_AT_ONCE)
        at_row, ago, fall = row[some], since[some] + latest, column[some] % len(falls)
        height = heights[ago, fall]
        left = v[at_row] - height * c[at_row]
        shows = (np.abs(left) > most_v[at_row]) & began[ago]
        at = np.argmax(shows, axis=1)
        place = np.arange(len(at))
        is_shown = shows[place, at]
        # Nearly all show too early; what is lost until then is asked of the rest.
        is_late = is_shown & (height[place, at] <= _LET_GO) & (at >= ahead + _LEAST_LATER)
        out[some] = ~is_shown
        late = np.flatnonzero(is_late)
        inside = began[ago[late]] & (np.arange(wide) < at[late, None])
        lost2, most2 = (np.square(values * inside).sum(axis=1) for values in (left[late], parted[at_row[late]]))
        out[first + late] = lost2 <= _ALMOST * _MOST_LEFT * most2
    return out


def _refine(
    volts: FloatArray,
    carried: FloatArray,
    begin: Places,
    stop: Places,
    kind: npt.NDArray[np.intp],
    span: FloatArray,
) -> FloatArray:
    """What the best of the falls near one leaves between its beginning and `stop`, (k, n)."""
    k, n = volts.shape
    number, out = np.arange(n), np.empty((k, n))
    for one in _SPANS_MS:  # of each kind by itself: its shape alone is asked for
        rows = np.flatnonzero(kind == one)
        if not len(rows):
            continue
        begins = np.repeat(begin[rows, None] + _FINER_BEGINS, len(_FINER_SPANS), axis=1)[:, :, None]
        spans = np.tile(span[rows, None] * _FINER_SPANS, (1, len(_FINER_BEGINS)))[:, :, None]
        left = volts[rows, None, :] - _fall(number - begins, one, spans) * carried[rows, None, :]
        inside = (number >= begin[rows, None] - 1) & (number < stop[rows, None])
        best = np.argmin(np.einsum("ijk,ijk,ik->ij", left, left, inside.astype(float)), axis=1)
        out[rows] = left[np.arange(len(rows)), best]
    return out
