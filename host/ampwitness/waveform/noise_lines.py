"""What a quiet output still holds: its floor, its steady lines, its offset, and which lines the supply's ripple shares.

Spectra and coherence are Welch's averaged periodograms (scipy.signal): pieces of RESOLUTION_S with a Hann window, half
overlapped. A line is a bin that stands out of the median of its neighbourhood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.signal import coherence, welch

from ampwitness.types import FloatArray

RESOLUTION_S = 1.0  # length of a piece: lines 3 Hz apart are told apart
LOWEST_HZ, HIGHEST_SHARE = 15.0, 0.42  # of the scan rate: beyond it the input filter has been undone too far
LINE_RATIO = 12.0  # of the neighbourhood's median power: 1 in 10^5 bins of noise reaches it with ten pieces. Our choice
NEIGHBOURHOOD_HZ = 41.0
LINE_BINS = 2  # a Hann line spreads over so many bins to either side
MAX_LINES = 40
HANN_BINS = 1.5  # noise bandwidth of the Hann window in bins


@dataclass(frozen=True, slots=True)
class NoiseLine:
    """A steady tone in the noise.

    frequency_hz : interpolated between bins
    level_v : rms at the terminals
    supply_v : rms of the supply's ripple at the same frequency; None: not recorded
    shared : coherence with the supply there, 0 ... 1; None: not recorded
    """

    frequency_hz: float
    level_v: float
    supply_v: float | None
    shared: float | None


@dataclass(frozen=True, slots=True)
class QuietOutput:
    """One run. floor_v: rms of everything in the band that is no line; total_v: with the lines; offset_v: mean.

    n_pieces : how many pieces were averaged; band_hz : what was looked at
    """

    floor_v: float
    total_v: float
    offset_v: float
    lines: tuple[NoiseLine, ...]
    ripple_hz: tuple[float, ...]  # the supply's own lines, strongest first
    n_pieces: int
    band_hz: tuple[float, float]


def measure_quiet(output_v: FloatArray, supply_v: FloatArray | None, rate_hz: float) -> QuietOutput:
    """Measure an output that plays nothing.

    Parameters
    ----------
    output_v, supply_v : (n,) volts, the same unbroken scans; supply_v None: not recorded
    rate_hz : scans a second

    Returns
    -------
    QuietOutput.

    Raises ValueError for less than four pieces of RESOLUTION_S, or arrays of different lengths.

    Gaps
    ----
    Takes one unbroken run; a gap belongs between two calls.

    Limits
    ------
    Lines closer than three bins are one. A line that wanders by more than a bin (an engine that hunts) is spread and
    reads low. Coherence of unrelated noise is about one over the number of pieces: `shared` below that says nothing.

    Source
    ------
    Welch 1967 as in scipy.signal; held against a plain computation in tests/noise/test_noise_lines.py.
    """
    n = round(RESOLUTION_S * rate_hz)
    if len(output_v) < 4 * n:
        raise ValueError(f"{len(output_v) / rate_hz:.1f} s are too short: at least {4 * RESOLUTION_S:g} s are needed")
    if supply_v is not None and len(supply_v) != len(output_v):
        raise ValueError("output and supply must be the same scans")
    output = np.asarray(output_v, dtype=np.float64)
    hz, power = welch(output, rate_hz, nperseg=n, scaling="density")
    low, high = LOWEST_HZ, HIGHEST_SHARE * rate_hz
    peaks = _find_lines(hz, power, low, high)
    shared = ripple = None
    ripple_hz: tuple[float, ...] = ()
    if supply_v is not None:
        supply = np.asarray(supply_v, dtype=np.float64)
        _, shared = coherence(output, supply, rate_hz, nperseg=n)
        _, ripple = welch(supply, rate_hz, nperseg=n, scaling="density")
        found = _find_lines(hz, ripple, low, high)
        ripple_hz = tuple(_line_hz(hz, ripple, k) for k in found)
    lines = tuple(
        NoiseLine(
            _line_hz(hz, power, k),
            _line_rms(hz, power, k),
            None if ripple is None else _line_rms(hz, ripple, k),
            None if shared is None else float(shared[k]),
        )
        for k in peaks
    )
    band = (hz >= low) & (hz <= high)
    total = float(np.sqrt(np.sum(power[band]) * hz[1]))
    quiet = power.copy()
    neighbourhood = _neighbourhood(power, hz)
    for k in peaks:
        near = slice(max(0, k - LINE_BINS), k + LINE_BINS + 1)
        quiet[near] = neighbourhood[near] / MEDIAN_OF_MEAN
    n_pieces = 2 * (len(output) // n) - 1
    return QuietOutput(
        float(np.sqrt(np.sum(quiet[band]) * hz[1])),
        total,
        float(output.mean()),
        lines,
        ripple_hz,
        n_pieces,
        (low, high),
    )


# The median over neighbouring bins of an averaged periodogram lies a little under its mean; for ten pieces or more the
# difference stays below 3 % of the power.
MEDIAN_OF_MEAN = 0.97


def _neighbourhood(power: npt.NDArray[np.float64], hz: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    width = round(NEIGHBOURHOOD_HZ / hz[1]) | 1
    return np.asarray(median_filter(power, size=width, mode="nearest"), dtype=np.float64)


def _find_lines(
    hz: npt.NDArray[np.float64], power: npt.NDArray[np.float64], low_hz: float, high_hz: float
) -> list[int]:
    """Bins of lines, strongest first; each the highest within LINE_BINS."""
    floor = _neighbourhood(power, hz)
    candidates = np.flatnonzero((power > LINE_RATIO * floor) & (hz >= low_hz) & (hz <= high_hz))
    kept: list[int] = []
    for k in candidates[np.argsort(-power[candidates])]:
        if all(abs(int(k) - other) > 2 * LINE_BINS for other in kept):
            kept.append(int(k))
        if len(kept) == MAX_LINES:
            break
    return kept


def _line_hz(hz: npt.NDArray[np.float64], power: npt.NDArray[np.float64], k: int) -> float:
    """Peak of a parabola through three logarithms."""
    a, b, c = np.log(power[k - 1 : k + 2] + 1e-300)
    bend = a - 2 * b + c
    return float(hz[k] + (0.5 * (a - c) / bend if bend < 0 else 0.0) * hz[1])


def _line_rms(hz: npt.NDArray[np.float64], power: npt.NDArray[np.float64], k: int) -> float:
    """Rms of the line: the power of its bins above the neighbourhood's."""
    near = slice(max(0, k - LINE_BINS), k + LINE_BINS + 1)
    floor = float(_neighbourhood(power, hz)[k])
    return float(np.sqrt(max(0.0, float(np.sum(power[near] - floor)) * hz[1])))
