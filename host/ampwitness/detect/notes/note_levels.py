"""The level of the bass band, and the places at which a note may begin: where it rises, or its pitch turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import LEVEL_S
from ampwitness.detect.notes.note_jumps import JUMP_RATIO, measure_jumps
from ampwitness.types import FloatArray

RISE_RATIO = 10 ** (1.5 / 10)  # of power: 1.5 dB
TURN_OCTAVES = 0.022
LEAP_OCTAVES = 0.12  # so far no pitch turns that does not begin anew, wherever it leads
GIVES_WAY_OCTAVES = 0.25  # as far does it turn where what fades away gives way to something else
_STILL_LOUD_RATIO, _BACK_WIDTHS = 0.15, 3  # of power, that sounds behind such a place; spans ahead of the turn
_CENTRE_S, _RIPPLE_S = 0.060, 0.012
_STOOD_RATIO, _STAYS_RATIO = 0.35, 1.0  # of a turn, that the pitch may move in the 60 ms before and behind
_PEAK_S = 0.040
_APART_S = 0.050
_FAINT_RATIO, _FAINT_LATER_RATIO = 0.50, 0.15  # of power
# Of power: a soft note behind a loud one is no rise over 50 ms, but stirs over what was left of that for a moment.
_FALLS_RATIO, _STIRS_RATIO, _STIRS_S = 0.25, 10.0, (0.030, 0.008)
_FADES_RATIO = 0.40  # of power: what turns its pitch keeps its level for a while, what fades away turns too

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Levels:
    """Mean squares of the band over 50 ms, one a band sample: before it, from it on, and around it (volts squared)."""

    before: FloatArray
    ahead: FloatArray
    around: FloatArray

    def part(self, span: slice) -> Levels:
        """Those of some samples."""
        return Levels(self.before[span], self.ahead[span], self.around[span])


def measure_levels(band: FloatArray, rate_hz: float) -> Levels:
    """Mean squares over 50 ms; beyond the ends the band counts as silent.

    Parameters
    ----------
    band : (n,) volts
    """
    width = max(2, round(LEVEL_S * rate_hz))
    sums = np.concatenate((np.zeros(width + 1), np.cumsum(band * band)))
    sums = np.concatenate((sums, np.full(width, sums[-1])))
    mean = np.maximum(sums[width:] - sums[:-width], 0.0) / width  # entry j: the `width` samples up to j, not with it
    n = len(band)
    half = width - width // 2
    return Levels(mean[:n], mean[width : width + n], mean[half : half + n])


def find_places(
    band: FloatArray, levels: Levels, rate_hz: float, first: int, stop: int, noise_v: float, floor_v: float
) -> list[tuple[int, bool]]:
    """Samples first to stop of the band at which a note may begin, in order, and whether it is a turn of the pitch."""
    width, reach = round(_CENTRE_S * rate_hz), round(_PEAK_S * rate_hz)
    margin = min(first, reach + 1)
    rise = (levels.ahead + 1e-12) / (levels.before + noise_v * noise_v)
    is_loud = levels.ahead >= floor_v * floor_v
    octaves = _smooth(measure_octaves(band, width), round(_RIPPLE_S * rate_hz))
    turn = np.zeros(len(band))
    turn[width : len(octaves)] = np.abs(octaves[width:] - octaves[:-width])
    later = levels.ahead[min(len(band) - 1, round(_APART_S * rate_hz)) :]
    later = np.concatenate((later, np.zeros(len(band) - len(later))))
    keeps = np.minimum(levels.ahead, later) >= _FADES_RATIO * levels.before
    # What only ends leaves less, and no pitch.
    goes_on = (levels.ahead >= _FAINT_RATIO * levels.before) & (later >= _FAINT_LATER_RATIO * levels.before)
    turn = np.where(is_loud & (levels.before >= floor_v * floor_v), turn, 0.0)
    falls = is_loud & (levels.ahead < _FALLS_RATIO * levels.before)
    inside = slice(first - margin, stop + margin)
    stands = goes_on & is_loud & (rise < RISE_RATIO) & (levels.before >= floor_v * floor_v)
    jumps_by = measure_jumps(band, levels.around, stands, rate_hz, noise_v)
    rises, leaps, ways, turns, stirs, jumps = (
        peaks + first - margin
        for peaks in _find_peaks(
            (
                (np.where(is_loud, rise, 0.0)[inside], RISE_RATIO),
                (np.where(goes_on, turn, 0.0)[inside], LEAP_OCTAVES),
                (np.where(goes_on, 0.0, turn)[inside], GIVES_WAY_OCTAVES),
                (np.where(keeps, turn, 0.0)[inside], TURN_OCTAVES),
                (np.where(falls, _measure_stirs(band, rate_hz, noise_v), 0.0)[inside], _STIRS_RATIO),
                (jumps_by[inside], JUMP_RATIO),
            ),
            reach,
        )
    )
    leaps = leaps[_lead_somewhere(octaves, leaps, width, np.inf)]
    ways = _begin(octaves, ways, width)
    ways = ways[levels.ahead[ways] >= _STILL_LOUD_RATIO * levels.before[ways]]
    turns = turns[_lead_somewhere(octaves, turns, width, _STAYS_RATIO)]
    apart = round(_APART_S * rate_hz)
    leaps = _far_from(leaps, np.concatenate((rises, turns)), apart)
    ways = _far_from(ways, np.concatenate((rises, leaps)), apart)
    stirs = _far_from(stirs, np.concatenate((rises, leaps, ways)), apart)
    turns = _far_from(turns, np.concatenate((rises, ways, stirs)), apart)
    jumps = _far_from(jumps, np.concatenate((rises, leaps, ways, stirs, turns)), apart)
    struck = np.concatenate((rises, leaps, ways, stirs, jumps)).tolist()
    places = [(i, False) for i in struck] + [(i, True) for i in turns.tolist()]
    return sorted(place for place in places if first <= place[0] < stop)


def _measure_stirs(band: FloatArray, rate_hz: float, noise_v: float) -> FloatArray:
    """How much more moves shortly behind each sample than right ahead of it, of power: slopes, as the high-pass leaves
    a slow tail of what was let go."""
    ahead, before = (round(span_s * rate_hz) for span_s in _STIRS_S)
    out = np.zeros(len(band))
    n = len(band) - ahead - before + 1
    if n > 0:
        slope = np.empty(len(band))
        slope[1:-1], slope[0], slope[-1] = band[2:] - band[:-2], 2.0 * (band[1] - band[0]), 2.0 * (band[-1] - band[-2])
        sums = _running_sums(np.square(slope, out=slope))
        quiet_v2 = (sums[before : before + n] - sums[:n]) / before + noise_v * noise_v
        out[before : before + n] = (sums[before + ahead :] - sums[before:-ahead]) / (ahead * quiet_v2)
    return out


def measure_octaves(band: FloatArray, width: int) -> FloatArray:
    """(n - width + 1,) logarithm of the frequency of the stretch of `width` samples from each sample on, in octaves.

    The energy operator x[n]^2 - x[n-1] x[n+1] of a sine, dying or not, has no ripple: that of the difference signal
    over that of the signal gives the frequency over stretches that hold no whole number of periods.
    Source: Maragos, Kaiser and Quatieri's energy separation (second form), from memory; tested on sines.
    """
    n = len(band)
    if n < 2 * width + 8:
        return np.zeros(max(0, n - width + 1))
    operator, slope_operator = apply_energy_operator(band)

    sums = (_running_sums(operator), _running_sums(slope_operator))
    return octaves_of(*(one[width:] - one[:-width] for one in sums))


def _running_sums(values: FloatArray) -> FloatArray:
    """(n + 1,) sums of all values ahead of each."""
    out = np.zeros(len(values) + 1)
    np.cumsum(values, out=out[1:])
    return out


def apply_energy_operator(band: FloatArray) -> tuple[FloatArray, FloatArray]:
    """That of a signal and that of its difference signal, as `measure_octaves` has them: (..., n) each, 0 at the first
    and the last one or two samples."""
    operator, slope, slope_operator = (np.zeros(band.shape) for _ in range(3))
    operator[..., 1:-1] = band[..., 1:-1] ** 2 - band[..., :-2] * band[..., 2:]
    slope[..., 1:-1] = band[..., 2:] - band[..., :-2]
    slope_operator[..., 2:-2] = slope[..., 2:-2] ** 2 - slope[..., 1:-3] * slope[..., 3:-1]
    return operator, slope_operator


def octaves_of(operator: FloatArray, slope_operator: FloatArray) -> FloatArray:
    """The frequency's logarithm from the sums of both operators over the same stretches."""
    ratio = np.maximum(slope_operator, 0.0) / np.maximum(4.0 * operator, 1e-12)
    octaves: FloatArray = np.log2(np.maximum(np.arcsin(np.sqrt(np.minimum(ratio, 1.0))), 1e-3))
    return octaves


def _smooth(values: FloatArray, width: int) -> FloatArray:
    """Mean over `width` (made odd) around each value: partials make the operator ripple with the note's period."""
    half, n = width // 2, len(values)
    padded = np.empty(n + 2 * half if n else 0)
    if n:
        padded[:half], padded[half : half + n], padded[half + n :] = values[0], values, values[-1]
    sums = _running_sums(padded)
    out: FloatArray = (sums[2 * half + 1 :] - sums[: -2 * half - 1]) / (2 * half + 1)
    return out


def _far_from(places: Places, others: Places, apart: int) -> Places:
    if not len(places) or not len(others):
        return places
    others = np.sort(others)
    behind = np.searchsorted(others, places)
    far = places - others[np.maximum(behind - 1, 0)] > apart
    far |= behind == 0
    out: Places = places[
        far & ((others[np.minimum(behind, len(others) - 1)] - places > apart) | (behind == len(others)))
    ]
    return out


def _lead_somewhere(octaves: FloatArray, turns: Places, width: int, stays_ratio: float) -> npt.NDArray[np.bool_]:
    """Whether turns lead from a pitch that stood to one that stays: noise turns all the time.

    What lies beyond the ends is taken to stand.
    """
    last = max(0, len(octaves) - 1)
    earlier, before, behind, later = (
        octaves[np.minimum(np.maximum(turns + k * width, 0), last)] for k in (-2, -1, 0, 1)
    )
    turn = np.abs(behind - before)
    moved = np.where(turns >= 2 * width, np.abs(before - earlier), 0.0)
    moves_on = np.where(turns + width <= last, np.abs(later - behind), 0.0)
    out: npt.NDArray[np.bool_] = (moved <= _STOOD_RATIO * turn) & (moves_on <= stays_ratio * turn)
    return out


def _begin(octaves: FloatArray, turns: Places, width: int) -> Places:
    """Where pitches that had stood give way, by where they have turned most; those that had not stood are left out."""
    back = _BACK_WIDTHS * width
    turns = turns[(turns >= 2 * back) & (turns < len(octaves))]
    if not len(turns):
        return turns
    course = octaves[turns[:, None] + np.arange(-2 * back, 1)[None, :]]
    # np.median takes twice as long.
    middle = np.partition(course[:, :back], (back // 2 - 1, back // 2), axis=1)
    stood = middle[:, back // 2] if back % 2 else 0.5 * (middle[:, back // 2 - 1] + middle[:, back // 2])
    moved = np.abs(course - stood[:, None]) > TURN_OCTAVES
    # The last time that it stood for the span over which pitch is known.
    still = np.cumsum(moved, axis=1, dtype=np.int16)
    still = (still[:, width:] - still[:, :-width] == 0)[:, : 2 * back - width + 1]
    last = still.shape[1] - 1 - np.argmax(still[:, ::-1], axis=1)
    out: Places = (turns - 2 * back + last + 2 * width)[still.any(axis=1)]
    return np.unique(out)


def _find_peaks(asked: Sequence[tuple[FloatArray, float]], reach: int) -> list[Places]:
    """Of each signal the indices at or above what is asked for that are the largest within `reach` to either side (the
    first of equals). All signals together, one behind the other: most of a call's time goes into setting it up."""
    found = []
    for values, least in asked:
        high = 1 + np.flatnonzero(values[1:-1] >= least)  # few
        found.append(high[(values[high] > values[high - 1]) & (values[high] >= values[high + 1])])
    heights = np.concatenate([values[hits] for hits, (values, _) in zip(found, asked, strict=True)])
    begins = np.cumsum([0, *(len(values) + reach for values, _ in asked[:-1])])
    hits = np.concatenate([some + begin for some, begin in zip(found, begins.tolist(), strict=True)])
    kept = np.ones(len(hits), dtype=bool)
    for shift in range(1, len(hits)):
        near = hits[shift:] - hits[:-shift] <= reach
        if not near.any():
            break
        is_first = heights[:-shift] >= heights[shift:]
        kept[shift:] &= ~(near & is_first)
        kept[:-shift] &= ~near | is_first
    stops = np.cumsum([len(some) for some in found])
    return [some[kept[stop - len(some) : stop]] for some, stop in zip(found, stops.tolist(), strict=True)]
