"""Which tones play, by the last second: the one that was asked for, and the strongest beside it.

A tenth of a second, which the level line shows, cannot part tones that lie near each other: their beat makes it tone,
no tone and distortion by turns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.tone_fit import MAIN_LOBE_BINS, tone_window

SAME_TONE_RATIO = 0.05  # a player's pitch is nearer than this
_LEAST_BEFORE = 0.5  # a peak of its own: between it and the strongest line the spectrum falls to this part of it
_N_PEAKS = 12  # strongest ones that are looked at
_SAME_BINS = 2.0
_LOUDEST_HARMONIC = 1.5  # over its order: a square wave's reach 1, the second of a half-wave's 0.85


@dataclass(frozen=True, slots=True)
class Heard:
    """Lines of the last second: rms volts and hertz; 0.0 where there is none."""

    tone_v: float  # at the tone that was asked for
    other_v: float  # the strongest that is neither it nor a harmonic of it
    other_hz: float

    @property
    def other_percent(self) -> float:
        """The other one against the tone; endless where the tone is not there."""
        if self.other_v == 0.0:
            return 0.0
        return 100 * self.other_v / self.tone_v if self.tone_v else float("inf")

    def is_near(self, before: Heard | None, bin_hz: float) -> bool:
        """The other tone was there before: what only seems one where a level jumps does not stay in its place."""
        return before is not None and before.other_v > 0 and abs(before.other_hz - self.other_hz) < _SAME_BINS * bin_hz


@lru_cache(maxsize=8)
def _window(n: int) -> tuple[npt.NDArray[np.float64], float]:
    window = tone_window(n)
    window.flags.writeable = False
    return window, float(window.sum())


def find_lines(volts: FloatArray, rate_hz: float, tone_hz: float) -> Heard:
    """Look for a tone and for the strongest other one.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment, half a second or a second
    rate_hz : samples a second
    tone_hz : the tone that was asked for

    Returns
    -------
    Heard.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    Lines nearer than five bins (5 Hz in a second) are one. A tone beyond half the sample rate shows where it folds to.

    Source
    ------
    Local peaks of a spectrum by a four-term window, each with a valley before it: our choice,
    tests/set_gain/test_tone_lines.py.
    """
    n = len(volts)
    window, total = _window(n)
    centred = volts - float(window @ volts) / total
    spectrum = np.abs(np.fft.rfft(centred * window)) * np.sqrt(2) / total
    bin_hz = rate_hz / n
    peaks = _peaks(spectrum)
    if not peaks:
        return Heard(0.0, 0.0, 0.0)
    lines = [(_place(spectrum, at) * bin_hz, float(spectrum[at])) for at in peaks]
    near_hz = max(SAME_TONE_RATIO * tone_hz, 1.5 * bin_hz)
    tone_at_hz, tone_v = max(
        (line for line in lines if abs(line[0] - tone_hz) <= near_hz), key=lambda line: line[1], default=(tone_hz, 0.0)
    )
    others = [line for line in lines if not _is_harmonic(line, tone_at_hz, tone_v, MAIN_LOBE_BINS * bin_hz)]
    other_hz, other_v = max(others, key=lambda line: line[1], default=(0.0, 0.0))
    return Heard(tone_v, other_v, other_hz)


def _is_harmonic(line: tuple[float, float], tone_hz: float, tone_v: float, within_hz: float) -> bool:
    """It lies at a whole multiple, and is no louder than any clipping makes it."""
    hz, level_v = line
    order = max(1, round(hz / tone_hz))
    is_loud = order > 1 and level_v > _LOUDEST_HARMONIC / order * tone_v
    return abs(hz - order * tone_hz) < within_hz and not is_loud


def _peaks(spectrum: npt.NDArray[np.float64]) -> list[int]:
    """Places of the strongest peaks that stand by themselves, the strongest first."""
    inner = spectrum[1:-1]
    is_peak = (inner > spectrum[:-2]) & (inner >= spectrum[2:])
    is_peak[:2] = False
    places = np.flatnonzero(is_peak) + 1
    places = places[np.argsort(spectrum[places])[::-1]][:_N_PEAKS]
    if not len(places):
        return []
    strongest = int(places[0])
    kept = [strongest]
    for at in map(int, places[1:]):
        low, high = sorted((strongest, at))
        if spectrum[low : high + 1].min() < _LEAST_BEFORE * spectrum[at]:
            kept.append(at)
    return kept


def _place(spectrum: npt.NDArray[np.float64], at: int) -> float:
    """The peak's place in bins, by a parabola through three logarithms."""
    left, middle, right = np.log(np.maximum(spectrum[at - 1 : at + 2], 1e-12))
    curve = left - 2 * middle + right
    return at + (0.5 * float(left - right) / float(curve) if curve < 0 else 0.0)
