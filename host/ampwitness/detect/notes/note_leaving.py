"""Whether nothing begins at an instant, but one of two notes that sound together ends there.

What leaves when one of two notes ends is a fall at its own lines, while the lines of the other keep size and phase. So
both notes' lines are fitted ahead of the instant, those of what sounds behind it are fitted there, and both are carried
to the instant: line by line what is behind may have fallen; what else is in it is new.

Gaps: the caller passes one run only.
Limits: asked where one pitch explains what sounds behind; of three notes at once at least two must be told apart. Where
the one that ends shares a strong line with the other, as an octave below it does, that line turns, and may be taken for
new. A note struck again softer in phase, as another ends, goes on as the old one.
Source: least squares of sines under envelopes along a line; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import History
from ampwitness.detect.notes.note_spectrum import measure_fundamentals
from ampwitness.types import FloatArray

_BEFORE_S, _SETTLES_S, _AHEAD_S, _LEAST_S = 0.300, 0.008, 0.250, 0.070  # ahead of the sounding note, and since
_OFF_S, _BEHIND_S, _LEAST_BEHIND_S = 0.004, 0.170, 0.080  # of the instant
_FALLS_S = (0.010, 0.030, 0.050, 0.070, 0.090)  # so long may what ends still be heard
_CLEAR_RATIO, _ALONE_RATIO, _SAME_PITCH = 0.85, 0.95, 0.02  # explained; of pitch
_LEFT_BEHIND, _LEFT_AHEAD, _THIRD_FROM = 0.003, 0.010, 0.010  # of energy
_LINES, _LINES_TO_HZ, _APART_HZ = 5, 200.0, 1.0
_RIDGE = 1e-7
_SURELY = 1.1  # what the ridge may leave more
_NEW = 0.25  # of the energy behind: with less nothing begins


Instant = tuple[float, int]  # where something may begin, and up to where may be looked, band samples
ComplexArray = npt.NDArray[np.complexfloating]


def _behind(band: History, rate_hz: float, onset: float, known_to: int) -> tuple[int, FloatArray]:
    """What sounds behind an instant, and the band sample at which it begins."""
    first = round(onset)
    at = first + round(_FALLS_S[0] * rate_hz)
    return at, band.part(at, min(first + round(_BEHIND_S * rate_hz), known_to))


def find_clear(band: History, rate_hz: float, places: Sequence[Instant]) -> dict[Instant, float]:
    """Of many instants, with onset and known_to as for `only_ends`, those behind which one pitch explains what sounds,
    with that pitch; all at once, as one by one it took as long as all else about notes."""
    parts = [_behind(band, rate_hz, *place)[1] for place in places]
    pitches, explained = measure_fundamentals(parts, rate_hz)
    return {
        place: float(hz)
        for place, part, hz, share in zip(places, parts, pitches, explained, strict=True)
        if len(part) >= _LEAST_BEHIND_S * rate_hz and share >= _CLEAR_RATIO
    }


def only_ends(band: History, rate_hz: float, since: int, onset: float, known_to: int, hz: float) -> int | None:
    """From which band sample on what sounded on ahead of an instant, beside something that ends there, sounds alone;
    None: something begins there, or it is not known.

    Parameters
    ----------
    band : of the bass
    rate_hz : its rate
    since : band sample at which what sounds began, while what is older rang on
    onset : the instant, band samples
    known_to : band sample up to which may be looked
    hz : of what sounds behind the instant, as `find_clear` has it
    """
    off, first = round(_OFF_S * rate_hz), round(onset)
    begin = max(since + round(_SETTLES_S * rate_hz), first - round(_AHEAD_S * rate_hz))
    older = band.part(since - round(_BEFORE_S * rate_hz), since - off)
    ahead = band.part(begin, first - off)
    behind_at, behind = _behind(band, rate_hz, onset, known_to)
    if min(len(older), len(ahead)) < _LEAST_S * rate_hz:
        return None
    alone = _carry_back(behind, (behind_at - onset) / rate_hz, rate_hz, list_lines([hz]))
    if alone is None:
        return None
    (old_hz, ahead_hz), (_, explained_ahead) = measure_fundamentals([older, ahead], rate_hz)
    if not np.isfinite(old_hz):
        return None
    # One note alone, between the two in pitch, gives way: lines on both sides of its own would explain it.
    if explained_ahead >= _ALONE_RATIO and len(_told_apart([hz, old_hz, ahead_hz])) > len(_told_apart([hz, old_hz])):
        return None
    then, skipped = alone
    before = _carry_forth(ahead, (begin - onset) / rate_hz, rate_hz, _told_apart([hz, old_hz]))
    if before is None:
        return None
    before = before[: len(then)]
    size = np.maximum(np.square(np.abs(before)), 1e-12)
    goes_on = np.clip((then * before.conj()).real / size, 0.0, 1.0)
    new = np.square(np.abs(then - goes_on * before)).sum()
    return behind_at + skipped if new < _NEW * np.square(np.abs(then)).sum() else None


def _carry_back(behind: FloatArray, at_s: float, rate_hz: float, hz: FloatArray) -> tuple[ComplexArray, int] | None:
    """Lines at the instant of what sounds behind it once the other is gone, and the samples until then; None: something
    else sounds. `at_s`: of the first sample behind the instant."""
    skips = [round((falls_s - _FALLS_S[0]) * rate_hz) for falls_s in _FALLS_S]
    skips = [skipped for skipped in skips if len(behind) - skipped >= _LEAST_BEHIND_S * rate_hz]
    # What the lines leave of a part they leave of all that holds it: most have something else in their last part.
    _, least = fit_lines(behind[skips[-1] :], at_s + skips[-1] / rate_hz, rate_hz, hz)
    if least @ least > _SURELY * _LEFT_BEHIND * (behind @ behind):
        return None
    for skipped in skips:
        part = behind[skipped:]
        lines, left = fit_lines(part, at_s + skipped / rate_hz, rate_hz, hz)
        if left @ left <= _LEFT_BEHIND * (part @ part):
            return lines, skipped
    return None


def _carry_forth(ahead: FloatArray, at_s: float, rate_hz: float, pitches: list[float]) -> ComplexArray | None:
    """The same from ahead of it, of two notes, or three where two leave one; None: they do not explain it."""
    lines, left = fit_lines(ahead, at_s, rate_hz, list_lines(pitches))
    whole = ahead @ ahead
    if left @ left > _THIRD_FROM * whole:
        third = float(measure_fundamentals([left], rate_hz)[0][0])
        if not np.isfinite(third) or len(_told_apart([*pitches, third])) == len(pitches):
            return None
        lines, left = fit_lines(ahead, at_s, rate_hz, list_lines([*pitches, third]))
    return lines if left @ left <= _LEFT_AHEAD * whole else None


def _told_apart(pitches: Sequence[float]) -> list[float]:
    """Pitches without those that are nearly an earlier one."""
    kept: list[float] = []
    for hz in pitches:
        if all(abs(hz / other - 1.0) > _SAME_PITCH for other in kept):
            kept.append(hz)
    return kept


def list_lines(pitches: Sequence[float]) -> FloatArray:
    """Frequencies of all lines that the band holds, those of the first pitch first, each once."""
    hz: list[float] = []
    for pitch in pitches:
        for number in range(1, _LINES + 1):
            line = number * pitch
            if line <= _LINES_TO_HZ and all(abs(line - other) > _APART_HZ for other in hz):
                hz.append(line)
    return np.array(hz)


def fit_lines(part: FloatArray, at_s: float, rate_hz: float, hz: FloatArray) -> tuple[ComplexArray, FloatArray]:
    """(lines,) size and phase at the instant, and (n,) what is left of the part, whose first sample lies `at_s` behind
    it. Size and phase may change along a line."""
    at, n = at_s + np.arange(len(part)) / rate_hz, len(hz)
    waves = np.empty((len(part), 4 * n))
    turn = 2 * np.pi * at[:, None] * hz
    np.cos(turn, out=waves[:, :n])
    np.sin(turn, out=waves[:, n : 2 * n])
    np.multiply(waves[:, : 2 * n], (at / _AHEAD_S)[:, None], out=waves[:, 2 * n :])
    products = waves.T @ waves
    diagonal = products.reshape(-1)[:: 4 * n + 1]
    diagonal += _RIDGE * diagonal.sum() / (4 * n)
    heights = np.linalg.solve(products, waves.T @ part)
    return heights[:n] - 1j * heights[n : 2 * n], part - waves @ heights
