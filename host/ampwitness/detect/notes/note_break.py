"""Whether a note that sounds breaks at an instant, or goes on with vibrato, tremolo or a filter that opens.

A hand or an oscillator moves pitch, level and partials smoothly; what is struck, or turned to another key, has a break.
So harmonics of one pitch, each with a smooth envelope of its own (phase and size), are fitted around the instant, and
once more with a break allowed there. What no smooth envelope describes, as where the level is pulled down by something
else and let up again, still is no beginning where the phases of all harmonics go on and the level rises slowly.

Gaps: the caller passes one run only.
Limits: modulation faster than some 8 Hz is no longer smooth; a swell of the same pitch that takes more than a period
and a fifth to rise, in phase by chance, goes on as the old note.
Source: least squares with Legendre's polynomials as envelopes; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, sqrt

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import BAND_STEP, Bands
from ampwitness.detect.notes.note_spectrum import measure_fundamentals
from ampwitness.types import FloatArray

_HALF_S, _HALF_PERIODS, _MOST_HALF_S, _HALF_STEP_S = 0.090, 3.5, 0.180, 0.018  # to either side that is looked at
_DEGREE = 5
_SOFT_S = 0.006  # to either side: what the band's filter leaves of a break
_HARMONICS, _HARMONICS_TO_HZ = 5, 215.0  # beyond, the band holds next to nothing
_RIDGE = 1e-9
_MOST_LEFT = 0.012  # of energy, that smooth envelopes leave of one note
_WORTH_RATIO = 12.0  # over what a break leaves: a smooth course gains less by one
_NOTHING_LEFT = 1e-4  # of energy: smooth beyond doubt
_NEAR_S, _FAR_S = 0.010, 0.095  # of the instant, to either side, for the pitch: a hand has moved little in it
_NEAR_PITCHES = 0.09  # within one and a half semitones of each other the pitch lies between
_CLEAR_RATIO, _FAR_PITCHES = 0.90, 0.45  # two clear pitches further apart are two notes, unless by a fifth: partials
_NEAR_FIFTH = 0.02
_NEAR_PITCH = 0.03  # half a semitone: whether phases go on is asked up to there
_SAME_PITCH, _SAME_LEFT = 0.01, 0.0025  # where the pitch does not turn, so little left is smooth though a break gains
_IN_PHASE, _SLOW_PERIODS, _LEAST_RISE = 0.97, 1.2, 10**0.15  # mean cosine; from 10 to 90 % of a rise; of power
_SLOW_S = 0.018  # the same of high notes: averaged over a period, what is struck takes 10 to 14 ms
_FALLS_AGAIN = 0.25  # of power, on its way up: no swell does
_BACK_PERIODS, _LOWEST_S, _HIGHEST_S = 5, 0.030, 0.120  # known ahead; behind, in which it is lowest, and highest
_PHASES_TO_HZ = 165.0
_KEPT_PHASE, _TURNS_OVER = 0.90, 0.05  # mean cosine of twice the angle, a semitone has 0.76; of the harmonics' size
_MOST_TURN_DEG, _N_TURNS = 6.0, 25  # of the fundamental in two periods, 0.8 % of its pitch; how many are tried
_ROWS_AT_ONCE = 32  # of them the waves under all envelopes stay near the processor

Places = npt.NDArray[np.intp]


class Breaks:
    """Tells instants of one run at which what sounds breaks from those at which it goes on smoothly.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, bands: Bands) -> None:
        self._bands = bands
        self._expected: dict[int, bool] = {}  # band samples; whether the level rises but little there
        self._around: dict[int, _Around | None] = {}

    def expect(self, onsets_slow: Sequence[float], are_weak: Sequence[bool]) -> None:
        """Name the instants (slow samples) that may be asked for, and whether the level rises but little there: they
        are measured together, once one is."""
        onsets = (round(onset / BAND_STEP) for onset in onsets_slow)
        self._expected, self._around = dict(zip(onsets, are_weak, strict=True)), {}

    def is_at(self, onset_slow: float) -> bool:
        """Whether there is a break at an instant that was named; also where no one pitch describes what sounds."""
        at, band, rate_hz = round(onset_slow / BAND_STEP), self._bands.band, self._bands.band_hz
        if at not in self._around:
            self._look_around([onset for onset in self._expected if onset >= at])
        around = self._around[at]
        if around is None:
            return True
        if around.is_near and swells_in_phase(band.values, at - band.first, rate_hz, around.pitch_hz):
            return False
        if around.are_two or not around.left <= _MOST_LEFT:  # as of nearly all that begins: of no break is asked
            return True
        if around.left < (_SAME_LEFT if around.stands else _NOTHING_LEFT):
            return False
        if around.left < most_left_in_phase(band.values, at - band.first, rate_hz, around.pitch_hz):
            return False
        return not loses_by_break(band.values, at - band.first, rate_hz, around.pitch_hz)

    def goes_through(self, since_slow: float, onset_slow: float) -> bool:
        """Whether one pitch under smooth envelopes describes what sounds since an instant on through another one (slow
        samples): then a moment's quiet between the two is the wave's own, once a period, and nothing stopped."""
        band, rate_hz = self._bands.band, self._bands.band_hz
        at, near, far = (round(s * rate_hz) for s in (onset_slow / BAND_STEP / rate_hz, _NEAR_S, _FAR_S))
        first = max(round(since_slow / BAND_STEP) + near, at - far)
        half = (at + far - first) // 2
        part = band.part(first, first + 2 * half + 1)
        if len(part) <= 2 * half or at - first < near:
            return False
        hz, _ = measure_fundamentals([part, band.part(at + near, at + far)], rate_hz)
        tried = [float(one) for one in hz if np.isfinite(one)]
        left = [_leave(part[None], np.array([one / rate_hz]), _reach(rate_hz, one)[1])[0] for one in tried]
        return bool(left) and min(left) < _SAME_LEFT

    def pitch_at(self, onset_slow: float) -> float:
        """Of what sounds around an instant that `is_at` was asked of, Hz; NaN: none is known."""
        around = self._around.get(round(onset_slow / BAND_STEP))
        return float("nan") if around is None else around.pitch_hz

    def _look_around(self, onsets: Sequence[int]) -> None:
        band, rate_hz = self._bands.band, self._bands.band_hz
        near, far = round(_NEAR_S * rate_hz), round(_FAR_S * rate_hz)
        spans = [span for onset in onsets for span in ((onset - far, onset - near), (onset + near, onset + far))]
        hz, explained = measure_fundamentals([band.part(*span) for span in spans], rate_hz)
        found = zip(onsets, hz.reshape(-1, 2).tolist(), explained.reshape(-1, 2).tolist(), strict=True)
        self._around = {onset: _Around.of(*pitches, *shares) for onset, pitches, shares in found}
        # What rises by much without the pitch standing still is struck: envelopes are asked of the rest.
        asked = [
            (onset, one)
            for onset, one in self._around.items()
            if one is not None and not one.are_two and (one.stands or self._expected[onset])
        ]
        at = np.array([onset for onset, _ in asked], dtype=np.intp) - band.first
        left = measure_left(band.values, at, rate_hz, np.array([one.pitch_hz for _, one in asked]))
        for (_, one), share in zip(asked, left.tolist(), strict=True):
            one.left = share


@dataclass(slots=True)
class _Around:
    """What sounds around an instant."""

    pitch_hz: float
    stands: bool  # the pitch, clearly
    is_near: bool  # it may: what is pulled down by much is no clear tone, and whether its phases go on shows it
    are_two: bool  # clear pitches so far from each other that they are two notes
    left: float = np.nan  # share of the energy that smooth envelopes leave

    @classmethod
    def of(cls, before_hz: float, behind_hz: float, before_ratio: float, behind_ratio: float) -> _Around | None:
        """By the pitch on each side and how much of it that explains; None: no pitch (NaN) is there on one side."""
        turn = abs(behind_hz / before_hz - 1.0)
        if turn != turn:
            return None
        is_clear = min(before_ratio, behind_ratio) >= _CLEAR_RATIO
        if turn < _NEAR_PITCHES:
            pitch_hz = sqrt(before_hz * behind_hz)
        elif abs(max(before_hz, behind_hz) / min(before_hz, behind_hz) - 1.5) < _NEAR_FIFTH:
            pitch_hz = max(before_hz, behind_hz)  # where partials come and go, the second is taken for a third
        else:
            pitch_hz = before_hz if before_ratio >= behind_ratio else behind_hz
        stands = is_clear and turn < _SAME_PITCH
        return cls(pitch_hz, stands, turn < _NEAR_PITCH, is_clear and _NEAR_PITCHES <= turn <= _FAR_PITCHES)


def swells_in_phase(band: FloatArray, at: int, rate_hz: float, pitch_hz: float) -> bool:
    """Whether all harmonics of a pitch go on in phase through an instant, and the level behind it rises slowly or not.

    Parameters
    ----------
    band : (n,) volts of the bass band
    at : the instant, its sample
    rate_hz, pitch_hz : of the band, of what sounds on both sides
    """
    period = max(4, round(rate_hz / pitch_hz))
    n, lowest = 2 * period, round(_LOWEST_S * rate_hz)
    highest = min(round(_HIGHEST_S * rate_hz), len(band) - at - period)  # less where the data end
    if at < _BACK_PERIODS * period or highest < max(n, lowest):
        return False
    turn = 2 * np.pi * pitch_hz / rate_hz * np.arange(1, max(1, min(_HARMONICS, int(_PHASES_TO_HZ / pitch_hz))) + 1)
    weighted = band[at - n : at + n].reshape(2, n) * np.hanning(n + 2)[1:-1]
    before, behind = weighted @ np.exp(-1j * turn * np.arange(n)[:, None])
    crossed = behind * np.conj(before * np.exp(1j * turn * n))
    if not crossed.real.sum() >= _IN_PHASE * np.abs(crossed).sum() > 0.0:
        return False
    squares = np.concatenate(([0.0], np.cumsum(np.square(band[at - n : at + highest + period]))))
    level = squares[period:] - squares[:-period]
    low = int(np.argmin(level[: n + lowest]))
    rise = level[low:]
    # What falls again to a quarter was struck: how slowly the next one comes says nothing of it.
    falls = rise < _FALLS_AGAIN * np.maximum.accumulate(rise)
    if falls.any():
        rise = rise[: int(np.argmax(falls))]
    top = rise.max()
    if top < _LEAST_RISE * rise[0]:
        return True
    tenth, most = (int(np.argmax(rise >= rise[0] + share * (top - rise[0]))) for share in (0.1, 0.9))
    return most - tenth >= max(_SLOW_PERIODS * period, _SLOW_S * rate_hz)


def most_left_in_phase(band: FloatArray, at: int, rate_hz: float, pitch_hz: float) -> float:
    """What smooth envelopes may leave where all harmonics keep their phases from 4 periods ahead of an instant to 4
    behind it, but for half turns: what swells and fades passes zero, and spectra then mistake its pitch. More where one
    does turn over: what is struck out of phase leaves much. 0 where phases do not go on, as where the pitch turns."""
    n = 2 * max(4, round(rate_hz / pitch_hz))
    if at < 2 * n or at + 2 * n > len(band):
        return 0.0
    numbers = np.arange(1, max(1, min(_HARMONICS, int(_PHASES_TO_HZ / pitch_hz))) + 1)
    turn = 2 * np.pi * pitch_hz / rate_hz * numbers
    weighted = band[at - 2 * n : at + 2 * n].reshape(4, n) * np.hanning(n + 2)[1:-1]
    lines = (weighted @ np.exp(-1j * turn * np.arange(n)[:, None])) * np.exp(-1j * turn * n * np.arange(4)[:, None])
    crossed = lines[1:] * np.conj(lines[:-1])
    size = np.maximum(np.abs(crossed), 1e-30)
    doubled = crossed * crossed / size  # of twice the angle: half turns count as none
    # The pitch is only nearly known: the same small turn from each span to the next, of each harmonic by its number.
    turned = np.exp(-2j * np.radians(_MOST_TURN_DEG) * np.linspace(-1.0, 1.0, _N_TURNS)[:, None] * numbers)
    shares = (turned @ doubled.T).real / size.sum(axis=1)
    if not shares.min(axis=1).max() >= _KEPT_PHASE:
        return 0.0
    turns_over = size[1][crossed[1].real < 0.0].sum() >= _TURNS_OVER * size[1].sum()
    return _MOST_LEFT if turns_over else _SAME_LEFT


def measure_left(band: FloatArray, at: Places, rate_hz: float, pitch_hz: FloatArray) -> FloatArray:
    """(k,) share of the energy around each instant that harmonics under smooth envelopes leave; NaN where too little is
    known to either side, or silence. Together, as most of one by itself is calls.

    Parameters
    ----------
    band : (n,) volts of the bass band
    at : (k,) the instants, their samples
    rate_hz, pitch_hz : of the band, of what sounds at each
    """
    halves, numbers = np.array([_reach(rate_hz, hz) for hz in pitch_hz.tolist()], dtype=np.intp).reshape(-1, 2).T
    is_known = (at >= halves) & (at + halves < len(band))
    left = np.full(len(at), np.nan)
    for half, n_harmonics in sorted(set(zip(halves.tolist(), numbers.tolist(), strict=True))):
        rows = np.flatnonzero(is_known & (halves == half) & (numbers == n_harmonics))
        for first in range(0, len(rows), _ROWS_AT_ONCE):
            some = rows[first : first + _ROWS_AT_ONCE]
            parts = band[at[some, None] + np.arange(-half, half + 1)]
            left[some] = _leave(parts, pitch_hz[some] / rate_hz, n_harmonics)
    return left


def _leave(parts: FloatArray, turns: FloatArray, n_harmonics: int) -> FloatArray:
    """`measure_left` of parts (k, n) of one length, by pitches in turns a sample.

    What is alike on both sides of the middle and what is opposite are fitted apart, as neither has a share in the
    other: half as many unknowns from half as many samples, a quarter of the work.
    """
    k, half = len(turns), parts.shape[1] // 2
    ahead, behind = parts[:, half::-1], parts[:, half:]
    sides = np.stack((behind + ahead, behind - ahead), axis=1) * np.sqrt(0.5)
    sides[:, :, 0] = parts[:, half, None] * (1.0, 0.0)
    envelopes = _half_envelopes(half)
    even, odd = envelopes[0::2, None, :], envelopes[1::2, None, :]
    waves = _make_waves(turns, 0, half, n_harmonics)
    cosines, sines = waves[:, None, :n_harmonics], waves[:, None, n_harmonics:]
    n_each = even.shape[0] * n_harmonics
    rows = np.empty((k, 2, 2 * n_each + 1, half + 1))
    shape = (k, n_each, half + 1)
    for side, pair in enumerate(((even, odd), (odd, even))):
        rows[:, side, :n_each] = (pair[0] * cosines).reshape(shape)
        rows[:, side, n_each:-1] = (pair[1] * sines).reshape(shape)
    rows[:, :, -1] = sides
    explained = _explain(rows.reshape(2 * k, -1, half + 1)).reshape(k, -1).sum(axis=1)
    energy = np.einsum("ij,ij->i", parts, parts)
    return np.where(energy > 0.0, 1.0 - explained / np.maximum(energy, 1e-300), np.nan)


def loses_by_break(band: FloatArray, at: int, rate_hz: float, pitch_hz: float) -> bool:
    """Whether a break at an instant explains so little more than smooth envelopes that there is none; as
    `measure_left`, of one instant that is known well enough."""
    half, n_harmonics = _reach(rate_hz, pitch_hz)
    waves = _make_waves(np.array([pitch_hz / rate_hz]), -half, half, n_harmonics)[0]
    under = (_envelopes(half, max(1, round(_SOFT_S * rate_hz)))[:, None, :] * waves).reshape(-1, 2 * half + 1)
    part = band[at - half : at + half + 1]
    explained = _explain(np.concatenate((under, part[None]))[None])[0] / (part @ part)
    n_smooth = 2 * n_harmonics * (_DEGREE + 1)
    left = 1.0 - float(explained[:n_smooth].sum())
    return left < _WORTH_RATIO * max(left - float(explained[n_smooth:].sum()), 1e-12)


def _reach(rate_hz: float, pitch_hz: float) -> tuple[int, int]:
    """Samples to either side that are looked at, and how many harmonics."""
    # In few steps, as those of one length are fitted together.
    n_steps = ceil(min(max(_HALF_S, _HALF_PERIODS / pitch_hz), _MOST_HALF_S) / _HALF_STEP_S)
    half = n_steps * round(_HALF_STEP_S * rate_hz)
    return half, max(1, min(_HARMONICS, int(_HARMONICS_TO_HZ / pitch_hz)))


def _make_waves(turns: FloatArray, first: int, last: int, n_harmonics: int) -> FloatArray:
    """(k, 2 n_harmonics, n) cosines and sines of pitches in turns a sample, from sample first to last."""
    turn = np.exp(2j * np.pi * turns[:, None] * np.arange(first, last + 1))
    waves = np.cumprod(np.broadcast_to(turn[:, None, :], (len(turns), n_harmonics, turn.shape[1])), axis=1)
    return np.concatenate((waves.real, waves.imag), axis=1)


def _explain(rows: FloatArray) -> FloatArray:
    """(k, m) energy of each last row of (k, m + 1, n) that each of the m before it explains beside those before."""
    gram = rows @ rows.transpose(0, 2, 1)
    place = np.arange(gram.shape[1] - 1)
    gram[:, place, place] += _RIDGE * gram[:, place, place].mean(axis=1)[:, None]
    gram[:, -1, -1] = 2.0 * gram[:, -1, -1] + 1.0  # not asked for, and so surely large enough
    # The last row of the factor holds what each row of the fit explains beside those before it.
    out: FloatArray = np.linalg.cholesky(gram)[:, -1, :-1] ** 2
    return out


@lru_cache(maxsize=128)
def _envelopes(half: int, soft: int) -> FloatArray:
    """(degree + 3, 2 half + 1): smooth ones, then a step in the middle and a bend there."""
    at = np.arange(-half, half + 1)
    smooth = np.polynomial.legendre.legvander(at / half, _DEGREE).T
    step = 0.5 - 0.5 * np.cos(np.pi * np.clip((at + soft) / (2.0 * soft), 0.0, 1.0))
    return np.concatenate((smooth, step[None, :], (step * at / half)[None, :]))


@lru_cache(maxsize=128)
def _half_envelopes(half: int) -> FloatArray:
    """(degree + 1, half + 1): the smooth ones from the middle on; each sample counts for the two it stands for."""
    counts = np.full(half + 1, np.sqrt(2.0))  # samples that lie on both sides
    counts[0] = 1.0
    return np.asarray(_envelopes(half, 1)[: _DEGREE + 1, half:] * counts)
