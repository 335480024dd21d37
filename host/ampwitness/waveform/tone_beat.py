"""Whether a tone beats: two lines so near that no spectrum of a second parts them, or one that swells evenly.

The spectrum around the strongest line is fitted as two lines, or as one with two even ones beside it, at any places:
lines of known shape are parted far below the width of their foot, as long as nothing else is there.

Gaps: takes one unbroken piece.
Limits: lines nearer than 1.5 / the piece's length are one: what is slower looks like a level that is turned. Beats of a
signal whose level changes by itself, or that sets in within the piece, are not found.
Source: least squares in the frequency domain on a grid that narrows; our choice, measured in
tests/waveform/test_tone_beat.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

FARTHEST_HZ = 6.0  # apart: beyond, a second's spectrum shows two lines
_LEAST_BINS = 1.5
_AROUND_HZ = 2.0  # of spectrum on either side beyond the farthest line
_LEFT_RATIO = 0.08  # of the weaker line's power: so much may be left
_HOPELESS_RATIO = 0.10  # of all power, that even the first places leave: 0.011 of it is their distance to the best
_EDGE_BINS = 0.02  # what lies at the edge of the grid lies beyond it
_FIRST_BINS, _STEP_BINS, _ROUNDS = 0.6, 0.25, 4
_ON_A_BIN = 1e-7  # so near, a place is moved off it: nothing is divided by zero

Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Beat:
    """Two lines, or what swells as two do: hertz of the stronger one, how far apart, the weaker in percent of it."""

    strong_hz: float
    apart_hz: float
    weaker_percent: float


def find_beat(volts: FloatArray, rate_hz: float, line_hz: float, least_percent: float = 10.0) -> Beat | None:
    """The beat of a tone; None where it is one line, or something else.

    Parameters
    ----------
    volts : (n,) of one unbroken piece, one to some seconds
    rate_hz : samples a second
    line_hz : about where its strongest line lies
    least_percent : of the stronger line; a weaker one is not looked for

    Returns
    -------
    Beat or None.

    Gaps
    ----
    None here.

    Limits
    ------
    See the module.
    """
    n = len(volts)
    bins_per_hz = n / rate_hz
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    spectrum = np.fft.rfft((volts - np.mean(volts)) * window) * (2 / n)
    reach = round((FARTHEST_HZ + _AROUND_HZ) * bins_per_hz)
    first, stop = max(2, round(line_hz * bins_per_hz) - reach), round(line_hz * bins_per_hz) + reach + 1
    bins = np.arange(first, min(stop, len(spectrum)))
    seen = spectrum[bins]
    if len(bins) < 4 * _LEAST_BINS:
        return None
    top = float(bins[int(np.argmax(np.abs(seen)))])
    if _is_one_line(bins, seen, top, least_percent):
        return None
    apart = np.arange(_LEAST_BINS, FARTHEST_HZ * bins_per_hz, _STEP_BINS)
    if not len(apart):
        return None
    two = _narrow(bins, seen, top, np.concatenate((-apart, apart)), is_even=False)
    if two is None:
        two = _narrow(bins, seen, top, apart, is_even=True)
    if two is None:
        return None
    at, distance, percent = two
    if percent < least_percent or abs(distance) < _LEAST_BINS + _EDGE_BINS:
        return None
    return Beat(at / bins_per_hz, abs(distance) / bins_per_hz, percent)


def _is_one_line(bins: npt.NDArray[np.int64], seen: Complex, top: float, least_percent: float) -> bool:
    """Whether one line leaves less than another one of so many percent would: most tones, and told at once."""
    places = top + np.arange(-_FIRST_BINS, _FIRST_BINS + 0.01, 0.05)
    shapes = _line_shapes(bins, places)
    size2 = np.sum(shapes * shapes, axis=1)
    held = np.abs(shapes @ seen) ** 2 / size2
    best = int(np.argmax(held))
    left = float(np.sum(np.abs(seen) ** 2)) - float(held[best])
    return left < 0.5 * (least_percent / 100) ** 2 * float(held[best])


def _narrow(
    bins: npt.NDArray[np.int64], seen: Complex, top: float, apart: FloatArray, is_even: bool
) -> tuple[float, float, float] | None:
    """The best place of the first line, how far off the other lies, how strong it is; None: that leaves too much."""
    firsts = top + np.arange(-_FIRST_BINS, _FIRST_BINS + 0.01, 0.2)
    step_first, step = 0.2, _STEP_BINS
    best = (top, float(apart[0]))
    whole = float(np.sum(np.abs(seen) ** 2))
    for _ in range(_ROUNDS):
        grid = np.stack(np.meshgrid(firsts, apart, indexing="ij"), axis=-1).reshape(-1, 2)
        grid = grid[np.abs(grid[:, 1]) >= _LEAST_BINS - 1e-9]
        left, _ = _left_over(bins, seen, grid, is_even)
        least = int(np.argmin(left))
        if left[least] > _HOPELESS_RATIO * whole:  # music, as a rule: no place nearby leaves so little
            return None
        best = (float(grid[least, 0]), float(grid[least, 1]))
        step_first, step = step_first / 3, step / 3
        firsts, apart = best[0] + step_first * np.arange(-3.0, 4.0), best[1] + step * np.arange(-3.0, 4.0)
    left, amplitudes = _left_over(bins, seen, np.array([best]), is_even)
    sizes = amplitudes[0]
    if is_even:
        strong, weak = float(sizes[0]), float(np.hypot(sizes[1], sizes[2]))
        if min(sizes[1], sizes[2]) < 0.5 * max(sizes[1], sizes[2]):
            return None
    else:
        strong, weak = float(sizes.max()), float(sizes.min())
    # A line's power in these bins: 3/8 of its square, as Hann's window leaves it.
    if strong <= 0 or float(left[0]) > _LEFT_RATIO * 0.375 * weak**2:
        return None
    place = best[0] if is_even or sizes[0] >= sizes[1] else best[0] + best[1]
    return place, best[1], 100 * weak / strong


def _left_over(
    bins: npt.NDArray[np.int64], seen: Complex, grid: FloatArray, is_even: bool
) -> tuple[FloatArray, FloatArray]:
    """(k,) power that lines at each of the places of the grid leave, and (k, lines) how strong they are."""
    places = [grid[:, 0], grid.sum(axis=1), *([grid[:, 0] - grid[:, 1]] if is_even else [])]
    shapes = _line_shapes(bins, np.stack(places, axis=1))
    normal = shapes @ shapes.transpose(0, 2, 1)
    normal += 1e-9 * np.eye(len(places))
    wanted = shapes @ np.stack((seen.real, seen.imag), axis=1)
    parts = np.linalg.solve(normal, wanted)
    left = float(np.sum(np.abs(seen) ** 2)) - np.einsum("klc,klc->k", parts, wanted)
    return np.asarray(left), np.asarray(np.hypot(parts[:, :, 0], parts[:, :, 1]))


def _line_shapes(bins: npt.NDArray[np.int64], places: FloatArray) -> FloatArray:
    """(..., bins) what lines of amplitude 1 at each place leave in bins under Hann's window, but for a factor
    exp(i pi place) that is the same for all bins of a line: its phase, which is free in any case.

    The window is three boxes, each exp(-i pi x) sinc(x) of the way x to the line. As bins are whole numbers,
    exponential and sine are the same for all of them, and the rest adds up to 1 / x (x^2 - 1).
    """
    at = np.where(np.abs(places - np.rint(places)) < _ON_A_BIN, places + _ON_A_BIN, places)
    off = bins - at[..., None]
    size = 0.5 / np.pi * np.sin(np.pi * at)
    return np.asarray(size[..., None] / (off * (off * off - 1.0)))
