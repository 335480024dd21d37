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
from functools import lru_cache
from math import sqrt

import numpy as np

from ampwitness.detect.notes.note_decimate import BAND_STEP, Bands
from ampwitness.detect.notes.note_spectrum import Pitch, measure_pitches
from ampwitness.types import FloatArray

_HALF_S, _HALF_PERIODS, _MOST_HALF_S = 0.090, 3.5, 0.180  # to either side that is looked at
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
_SAME_PITCH, _SAME_LEFT = 0.01, 0.0025  # where the pitch does not turn, so little left is smooth though a break gains
_IN_PHASE, _SLOW_PERIODS, _LEAST_RISE = 0.97, 1.2, 10**0.15  # mean cosine; from 10 to 90 % of a rise; of power
_BACK_PERIODS, _LOWEST_S, _HIGHEST_S = 5, 0.030, 0.120  # known ahead; behind, in which it is lowest, and highest
_PHASES_TO_HZ = 165.0


class Breaks:
    """Tells instants of one run at which what sounds breaks from those at which it goes on smoothly.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, bands: Bands) -> None:
        self._bands = bands
        self._expected: list[int] = []  # band samples
        self._around: dict[int, tuple[Pitch | None, Pitch | None]] = {}

    def expect(self, onsets_slow: Sequence[float]) -> None:
        """Name the instants (slow samples) that may be asked for: their pitches are measured together."""
        self._expected, self._around = [round(onset / BAND_STEP) for onset in onsets_slow], {}

    def is_at(self, onset_slow: float) -> bool:
        """Whether there is a break at an instant that was named; also where no one pitch describes what sounds."""
        at, band, rate_hz = round(onset_slow / BAND_STEP), self._bands.band, self._bands.band_hz
        if at not in self._around:
            onsets = [onset for onset in self._expected if onset >= at]
            near, far = round(_NEAR_S * rate_hz), round(_FAR_S * rate_hz)
            spans = [span for onset in onsets for span in ((onset - far, onset - near), (onset + near, onset + far))]
            found = iter(measure_pitches([band.part(*span) for span in spans], rate_hz))
            self._around = {onset: (next(found), next(found)) for onset in onsets}
        before, behind = self._around[at]
        if before is None or behind is None:
            return True
        turn = abs(behind.frequency_hz / before.frequency_hz - 1.0)
        is_clear = min(before.explained_ratio, behind.explained_ratio) >= _CLEAR_RATIO
        if is_clear and turn < _SAME_PITCH:
            pitch_hz = sqrt(before.frequency_hz * behind.frequency_hz)
            if swells_in_phase(band.values, at - band.first, rate_hz, pitch_hz):
                return False
        if is_clear and _NEAR_PITCHES <= turn <= _FAR_PITCHES:
            return True
        if turn < _NEAR_PITCHES:
            pitch_hz = sqrt(before.frequency_hz * behind.frequency_hz)
        else:
            pitch_hz = max(before, behind, key=lambda pitch: pitch.explained_ratio).frequency_hz
        smooth_left = _SAME_LEFT if is_clear and turn < _SAME_PITCH else _NOTHING_LEFT
        return not goes_on_smoothly(band.values, at - band.first, rate_hz, pitch_hz, smooth_left)


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
    top = rise.max()
    if top < _LEAST_RISE * rise[0]:
        return True
    tenth, most = (int(np.argmax(rise >= rise[0] + share * (top - rise[0]))) for share in (0.1, 0.9))
    return most - tenth >= _SLOW_PERIODS * period


def goes_on_smoothly(
    band: FloatArray, at: int, rate_hz: float, pitch_hz: float, smooth_left: float = _NOTHING_LEFT
) -> bool:
    """Whether one note sounds on both sides of an instant, and nothing breaks there.

    Parameters
    ----------
    band : (n,) volts of the bass band
    at : the instant, its sample
    rate_hz, pitch_hz : of the band, of what sounds
    smooth_left : share of the energy that smooth envelopes may leave whatever a break gains
    """
    half = round(min(max(_HALF_S, _HALF_PERIODS / pitch_hz), _MOST_HALF_S) * rate_hz)
    if at < half or at + half >= len(band):
        return False
    part = band[at - half : at + half + 1]
    n_harmonics = max(1, min(_HARMONICS, int(_HARMONICS_TO_HZ / pitch_hz)))
    turn = np.exp(2j * np.pi * pitch_hz / rate_hz * np.arange(-half, half + 1))
    waves = np.cumprod(np.broadcast_to(turn, (n_harmonics, len(turn))), axis=0)
    waves = np.concatenate((waves.real, waves.imag))
    envelopes = _envelopes(half, max(1, round(_SOFT_S * rate_hz)))
    explained = _explain(part, envelopes[: _DEGREE + 1], waves)
    left = 1.0 - float(explained.sum())
    if not left <= _MOST_LEFT:  # as of nearly all that begins: a break is not asked for
        return False
    if left < smooth_left:
        return True
    broken = _explain(part, envelopes, waves)[len(explained) :]
    return left < _WORTH_RATIO * max(left - float(broken.sum()), 1e-12)


def _explain(part: FloatArray, envelopes: FloatArray, waves: FloatArray) -> FloatArray:
    """Share of the energy that each wave under each envelope explains beside those before it; NaN of silence."""
    rows = np.empty((len(envelopes) * len(waves) + 1, len(part)))
    np.multiply(envelopes[:, None, :], waves[None, :, :], out=rows[:-1].reshape(len(envelopes), len(waves), -1))
    rows[-1] = part
    gram = rows @ rows.T
    total = float(gram[-1, -1])
    if total <= 0.0:
        return np.full(len(rows) - 1, np.nan)
    ridge = np.full(len(gram), _RIDGE * np.trace(gram[:-1, :-1]) / (len(gram) - 1))
    ridge[-1] = 1e-12 * total
    gram[np.diag_indices(len(gram))] += ridge
    # The last row of the factor holds what each row of the fit explains beside those before it.
    explained: FloatArray = np.linalg.cholesky(gram)[-1, :-1] ** 2 / total
    return explained


@lru_cache(maxsize=128)
def _envelopes(half: int, soft: int) -> FloatArray:
    """(degree + 3, 2 half + 1): smooth ones, then a step in the middle and a bend there."""
    at = np.arange(-half, half + 1)
    smooth = np.polynomial.legendre.legvander(at / half, _DEGREE).T
    step = 0.5 - 0.5 * np.cos(np.pi * np.clip((at + soft) / (2.0 * soft), 0.0, 1.0))
    return np.concatenate((smooth, step[None, :], (step * at / half)[None, :]))
