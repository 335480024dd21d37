"""The supply under one note: before, lowest, at the end, recovery, ripple."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.types import FloatArray

SMOOTH_S = 0.002
BEFORE_S = 0.250
LEAST_BEFORE_S = 0.030
SETTLED_V = 0.020
UNSETTLED_S = 0.050
RECOVERY_S = 3.0
_RECOVERY_STEP_S = 0.002
_LOWEST_HALF_S = (0.001, 0.0014, 0.002, 0.0028, 0.004, 0.0057, 0.008, 0.0113, 0.016)
_LEAST_WIDE_S = 0.020


def smooth(supply: FloatArray, rate_hz: float) -> FloatArray:
    """Moving parabola over 2 ms: takes the noise out of a minimum without filling it up.

    Returns
    -------
    (n,) volts; within 1 ms of either end the mean parabola there is not taken and the values are NaN.

    Source
    ------
    Savitzky and Golay's smoothing by least squares, second order.
    """
    half = max(1, round(0.5 * SMOOTH_S * rate_hz))
    out = np.full(len(supply), np.nan)
    if len(supply) > 2 * half:
        u = np.arange(-half, half + 1, dtype=float)
        s0, s2, s4 = float(len(u)), float(np.sum(u**2)), float(np.sum(u**4))
        taps = (s4 - s2 * u**2) / (s0 * s4 - s2 * s2)
        out[half : len(supply) - half] = np.convolve(supply, taps, "valid")
    return out


def widen_lowest(supply: FloatArray, at: int, rate_hz: float) -> tuple[float, float]:
    """The lowest value of the moving parabola, taken again over the longest span on which a parabola fits.

    The lowest of many noisy values lies below the true one; averaging longer, where the supply is smooth enough to
    allow it, takes that away.

    Parameters
    ----------
    supply : (n,) volts around the lowest value
    at : where it was found, index into `supply`

    Returns
    -------
    Volts, and the span that was averaged, seconds: 20 to 32 ms where a parabola fits that long, 2 ms otherwise.

    Gaps
    ----
    The caller passes one run only.

    Limits
    ------
    A second, equally deep and shorter trough within the span is levelled only as far as the noise hides it.
    """
    steps = np.diff(supply, 2)
    noise_v = 1.4826 * float(np.median(np.abs(steps))) / np.sqrt(6.0) + 1e-6 if len(steps) else 1e-6
    volts, span_s = float(supply[at]), 0.0
    shortest: tuple[float, float] | None = None
    for half_s in _LOWEST_HALF_S:
        half = max(2, round(half_s * rate_hz))
        if at - half < 0 or at + half >= len(supply):
            break
        u = np.arange(-half, half + 1) / half
        columns = np.stack((np.ones(len(u)), u, u * u), axis=1)
        part = supply[at - half : at + half + 1]
        weights = np.linalg.solve(columns.T @ columns, columns.T @ part)
        left_v = float(np.sqrt(np.mean((part - columns @ weights) ** 2)))
        # More than noise left, or a value the shorter span contradicts: the supply does not follow a parabola here.
        if shortest is not None and (left_v > 1.15 * noise_v or abs(weights[0] - volts) > 4.0 * noise_v):
            break
        volts, span_s = float(weights[0]), 2 * half / rate_hz
        shortest = shortest or (volts, span_s)
    if span_s >= _LEAST_WIDE_S or shortest is None:
        return volts, span_s
    return shortest


@dataclass(frozen=True, slots=True)
class Before:
    """The supply ahead of a note."""

    volts: float | None
    looked_s: float
    is_settled: bool
    why_not: str | None


def measure_before(supply: FloatArray, rate_hz: float, since_last_s: float) -> Before:
    """Median of the supply ahead of a note.

    Parameters
    ----------
    supply : (n,) volts up to the onset, at most the last 250 ms of the run
    since_last_s : how long before the onset the last note ended; 0 where it was still sounding

    Returns
    -------
    Before; `volts` None where fewer than 30 ms lie before the onset. Where another note was still sounding, or the
    supply still moved, it is the mean of the last 50 ms instead.
    """
    n = len(supply) - round(0.001 * rate_hz)
    if n < LEAST_BEFORE_S * rate_hz:
        return Before(None, max(0.0, n / rate_hz), False, "less than 30 ms of supply before the onset")
    quiet = round((since_last_s - 0.005) * rate_hz)
    last = supply[max(0, n - round(UNSETTLED_S * rate_hz)) : n]
    if quiet < LEAST_BEFORE_S * rate_hz:
        return Before(float(last.mean()), len(last) / rate_hz, False, "another note was still sounding")
    part = supply[max(0, n - quiet) : n]
    third = max(1, len(part) // 3)
    drift_v = abs(float(np.median(part[-third:])) - float(np.median(part[:third])))
    if drift_v > SETTLED_V:
        why_not = f"the supply moved by {1000 * drift_v:.0f} mV within the {1000 * len(part) / rate_hz:.0f} ms before"
        return Before(float(last.mean()), len(last) / rate_hz, False, why_not)
    return Before(float(np.median(part)), len(part) / rate_hz, True, None)


def fit_recovery(supply: FloatArray, rate_hz: float) -> tuple[float | None, str]:
    """Time constant with which the supply comes back after a note.

    Parameters
    ----------
    supply : (n,) volts from the note's end to the next onset, 3 s at most

    Returns
    -------
    Time constant in seconds, or None, and words that say how it was got or why not.
    """
    step = max(1, round(_RECOVERY_STEP_S * rate_hz))
    n = len(supply) // step
    if n < 10:
        return None, "less than 20 ms between the end of the note and the next onset"
    y = supply[: n * step].reshape(n, step).mean(axis=1)
    t = (np.arange(n) + 0.5) * step / rate_hz
    noise_v = float(np.median(np.abs(np.diff(y)))) * 1.05 + 1e-6
    least_s, most_s = 1.5 * step / rate_hz, 0.5 * t[-1]
    if most_s <= least_s:
        return None, "too little time to the next onset"
    grid = np.geomspace(least_s, most_s, 40)
    for _ in range(3):
        left_all, rise_all = _fit_exponentials(t, y, grid)
        best = int(np.argmin(left_all))
        low, high = grid[max(0, best - 1)], grid[min(len(grid) - 1, best + 1)]
        left, rise_v = float(left_all[best]), float(rise_all[best])
        tau_s = float(grid[best])
        grid = np.geomspace(low, high, 15)
    if rise_v < max(0.020, 5.0 * noise_v):
        return None, f"the supply rose by only {1000 * max(rise_v, 0.0):.0f} mV after the note"
    flat = float(np.sum((y - y.mean()) ** 2))
    if left > 0.1 * flat:
        return None, "the supply did not come back as one exponential"
    if tau_s > 0.97 * most_s:
        return None, "the recovery was not over before the next onset"
    return tau_s, f"one exponential over {t[-1]:.2f} s, rise {rise_v:.3f} V"


def _fit_exponentials(t: FloatArray, y: FloatArray, taus_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of y = end - rise * exp(-t / tau) for each tau: squares left, and rise at the first point."""
    waves = np.exp(-t[None, :] / taus_s[:, None])
    n, s1, s2 = float(len(t)), waves.sum(axis=1), np.sum(waves * waves, axis=1)
    level = y - y.mean()
    b1 = waves @ level
    spread = np.maximum(s2 - s1 * s1 / n, 1e-12)
    slope = b1 / spread
    left = np.maximum(float(level @ level) - slope * b1, 0.0)
    return left, -slope * waves[:, 0]


def measure_ripple(supply: FloatArray, rate_hz: float, frequency_hz: float) -> float | None:
    """Peak-to-peak volts of the supply's sine at `frequency_hz`, over whole periods; None below three of them."""
    period = rate_hz / frequency_hz
    n_periods = int(len(supply) / period)
    if n_periods < 3:
        return None
    part = supply[len(supply) - round(n_periods * period) :]
    t = np.arange(len(part)) / rate_hz
    angle = 2 * np.pi * frequency_hz * t
    columns = np.stack((np.ones(len(t)), t - t.mean(), np.cos(angle), np.sin(angle)), axis=1)
    weights = np.linalg.lstsq(columns, part, rcond=None)[0]
    return 2.0 * float(np.hypot(weights[2], weights[3]))
