"""Notes that swell: where their rise, carried back, leaves nothing.

A swell drowns in the noise, or in the first departure's threshold, for its first milliseconds. Its beginning is where a
power of time times the partials of the note's pitch fits the first part of the rise best, averaged over those that fit
it nearly as well: an extrapolation, which says where the rise would have left zero, not where it was first heard.

Gaps: the caller passes one run only.
Limits: a rise that has no beginning (an exponential out of the noise) is dated where the noise lets go of it; one
that starts with a power above the third, late.
Source: least squares over a grid of beginnings and powers; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import BAND_LOW_HZ
from ampwitness.types import FloatArray

LEAST_ATTACK_S = 0.030  # as it is measured, which is good to 10 ms
BEFORE_S = 0.130  # of the band, that is kept ahead of the onset as it was found
_BACK_S, _AHEAD_S = 0.090, 0.024  # to either side of which the beginning is looked for
_QUIET_S = 0.010  # of silence, that must lie ahead of where it is looked for
_STEP_S = 0.001
_POWERS = (1.0, 1.5, 2.0, 3.0)
_SUDDEN_S = (0.001, 0.006, 0.015)  # rises that then stand: what they fit better was no swell, whatever came later
_HARMONICS_TO_HZ, _HEARD_RATIO = 215.0, 0.05  # beyond, the band holds next to nothing
_RISE_SHARE = 0.15  # of the peak, up to which the rise is looked at
_PEAK_WITHIN_S = 0.400
_MOST_LEFT = 0.25  # rms of what the fit leaves, of that of the rise
_QUIET_SHARE = 0.06  # of the peak, that may sound before
_UNHEARD_SHARE = 0.010  # of the peak: rms beyond the noise's, that the fit may leave ahead of the onset as found
_LEAST_LEFT = 1e-5  # of energy: what is left below that tells no beginnings apart


def date_swell(
    band: FloatArray, onset: int, rate_hz: float, pitch_hz: float, partials_v: Sequence[float] = ()
) -> float | None:
    """Where a swell begins.

    Parameters
    ----------
    band : (n,) volts of the bass band, from up to `BEFORE_S` before the onset on, without what sounded before
    onset : its sample, as it was found
    rate_hz, pitch_hz : of the band, of the note
    partials_v : heights of the note's fundamental and harmonics

    Returns
    -------
    Sample number with a fraction, or None where the rise is none that a power of time describes, or not out of silence.
    """
    width = max(2, round(rate_hz / pitch_hz))
    band = band - _fit_settling(band, onset, rate_hz)
    level = np.sqrt(2.0 * np.convolve(band * band, np.ones(width) / width, "same"))
    behind = level[onset : onset + round(_PEAK_WITHIN_S * rate_hz)]
    if len(behind) == 0:
        return None
    peak = float(behind.max())
    loud = np.flatnonzero(behind > _RISE_SHARE * peak)
    first = max(round(_QUIET_S * rate_hz), onset - round(_BACK_S * rate_hz))
    if not len(loud) or first >= onset:
        return None
    quiet = float(np.sqrt(np.mean(band[:first] ** 2)))
    if quiet > _QUIET_SHARE * peak:
        return None
    rise = band[: onset + max(int(loud[0]), width)]
    at = np.arange(len(rise))
    waves = _make_waves(at, pitch_hz / rate_hz, _find_heard(partials_v, pitch_hz))
    begins = np.arange(first, min(onset + _AHEAD_S * rate_hz, len(rise) - 4), _STEP_S * rate_hz)
    if len(begins) < 3:  # too short to show a rise
        return None
    since = np.maximum(at[None, :] - begins[:, None], 0.0) / rate_hz
    gained = np.stack([_explain(since**power, waves, rise) for power in _POWERS])
    power, place = np.unravel_index(int(np.argmax(gained)), gained.shape)
    total, most = float(rise @ rise), float(gained[power, place])
    if max(float(_explain(np.minimum(since / s, 1.0), waves, rise).max()) for s in _SUDDEN_S) > most:
        return None
    if total - most > _MOST_LEFT**2 * total or place in (0, len(begins) - 1):
        return None
    ahead = slice(int(begins[place]), onset)
    left = _leave(since[place] ** _POWERS[power] * waves, rise)[ahead]
    if len(left) > 1 and float(np.sqrt(np.mean(left * left))) > quiet + _UNHEARD_SHARE * peak:
        return None  # a rise that would have been heard there, and was not
    return _weigh(begins, np.maximum(1.0 - gained / total, _LEAST_LEFT), len(rise) - first)


def _fit_settling(band: FloatArray, onset: int, rate_hz: float) -> FloatArray:
    """(n,) what the band's high-pass does by itself behind a note that ended: the swing that explains what lies ahead
    of the onset best. It sounds at no pitch, and is as high as the first part of a soft rise."""
    turn = -np.sqrt(0.5) * (1 - 1j) * 2 * np.pi * BAND_LOW_HZ / rate_hz  # a pole of its filter
    swing = np.exp(turn * np.arange(len(band)))
    columns = np.stack((swing.real, swing.imag), axis=1)
    weights = np.linalg.lstsq(columns[:onset], band[:onset], rcond=None)[0]
    return np.asarray(columns @ weights)


def _find_heard(partials_v: Sequence[float], pitch_hz: float) -> FloatArray:
    """Numbers of the partials that the band holds. All of them are described: what is left of one that is not would
    be a part of the rise."""
    heard = [1] + [k for k, v in enumerate(partials_v, 1) if k > 1 and v > _HEARD_RATIO * max(partials_v)]
    return np.array([k for k in heard if k == 1 or k * pitch_hz < _HARMONICS_TO_HZ], dtype=float)


def _make_waves(at: npt.NDArray[np.intp], turns: float, numbers: FloatArray) -> FloatArray:
    """(2 k, n) cosines and sines at samples (n,) of the partials (k,) of a pitch in turns a sample."""
    turn = 2 * np.pi * turns * numbers[:, None] * at
    return np.concatenate((np.cos(turn), np.sin(turn)))


def _leave(columns: FloatArray, rise: FloatArray) -> FloatArray:
    """What columns (m, n) leave of the rise (n,) where they fit it best."""
    best = np.linalg.lstsq(columns.T, rise, rcond=None)[0]
    return np.asarray(rise - best @ columns)


def _weigh(begins: FloatArray, left: FloatArray, n: int) -> float:
    """The mean of beginnings (k,), each weighed by how likely it makes the rise: by what it leaves (powers, k), in
    noise of a strength that is not known. The best alone is often early, by a steeper power's chance."""
    weights = (left / left.min()) ** (-0.5 * n)
    return float((weights @ begins).sum() / weights.sum())


def _explain(shape: FloatArray, waves: FloatArray, rise: FloatArray) -> FloatArray:
    """Energy of the rise (n,) that each row of envelopes (k, n) times a sum of waves (m, n) explains."""
    columns = shape[:, None, :] * waves
    gram = np.matmul(columns, columns.transpose(0, 2, 1))
    size = np.einsum("kii->k", gram)
    gram += (1e-9 * size + 1e-30)[:, None, None] * np.eye(len(waves))
    right = columns @ rise
    out: FloatArray = np.einsum("ki,ki->k", right, np.linalg.solve(gram, right[:, :, None])[:, :, 0])
    return np.where(size > 1e-10, out, 0.0)
