"""A measured calibration: known volts against the codes that a channel read, a straight line, and its uncertainty.

    volts = gain * code + offset

The line is fitted to the points by least squares, each weighted by the variance of what it was read with. The meter's
share that is proportional to the reading is the same at every point: it tilts the line as a whole and cannot be seen in
the residuals, so it is added to the gain's uncertainty afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import Block, Calibration, Channel
from ampwitness.waveform.adc_correction import CENTRE_CODE, NOMINAL_ADC, AdcModel, correct_counts, make_correction
from ampwitness.waveform.calibration import (
    ADC_OFFSET_LSB,
    N_CODES,
    REFERENCE_TOLERANCE,
    REFERENCE_V,
    RESISTOR_TOLERANCE,
)

# What is left of the converter's unevenness after its correction, as it stands in a mean over seconds: limit, LSB.
CONVERTER_LIMIT_LSB = 2.0
LEAST_SPAN_CODES = 200  # points closer together than this say next to nothing about the gain
STRAIGHT_SIGMAS = 4.0  # a residual beyond so many standard uncertainties is a wrong number, not bad luck
MOVED_SIGMAS_LSB = 8.0  # a channel whose sixteenths of the reading differ by more was not held still


class ContradictionError(ValueError):
    """The points cannot belong to this channel, or not to one straight line. The text says which and what to do."""


@dataclass(frozen=True, slots=True)
class StillReading:
    """What a channel read while its terminal was held at one voltage.

    mean_code : corrected code of the converter, its mean
    scatter_lsb : standard deviation of single samples
    moved_lsb : largest difference between the means of sixteenths of the reading
    n_samples : how many samples the mean rests on
    n_at_rail : conversions that stood at a rail of the converter
    """

    role: str
    mean_code: float
    scatter_lsb: float
    moved_lsb: float
    n_samples: int
    n_at_rail: int

    @property
    def code_uncertainty_lsb(self) -> float:
        """Standard uncertainty of the mean: noise, and what the converter's correction leaves."""
        noise = self.scatter_lsb / math.sqrt(max(1, self.n_samples / 8))  # samples 8 apart count as independent
        return math.hypot(noise, CONVERTER_LIMIT_LSB / math.sqrt(3))


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """A known voltage at a terminal, how well it is known, and what the channel read.

    known_uncertainty_v : standard uncertainty of the part that differs from point to point (the meter's last digit)
    """

    known_v: float
    known_uncertainty_v: float
    mean_code: float
    code_uncertainty_lsb: float


@dataclass(frozen=True, slots=True)
class CalibrationFit:
    """A calibration with what a person needs to judge it.

    residual_v : what each point lies above the line, volts, in the order of the points
    gain_off_ratio, zero_off_v : measured against the design
    gain_limit_ratio, zero_limit_v : what the parts' tolerances allow at worst
    """

    calibration: Calibration
    residual_v: tuple[float, ...]
    gain_off_ratio: float
    gain_limit_ratio: float
    zero_off_v: float
    zero_limit_v: float


def read_still(blocks: Iterable[Block], adc: AdcModel | None = NOMINAL_ADC) -> tuple[StillReading, ...]:
    """Mean corrected code of every channel over a stream in which the terminals stood still.

    Parameters
    ----------
    blocks : of one session
    adc : the converter's model for the correction; None: none

    Returns
    -------
    One reading a channel, in scan order; none where there are no samples.

    Gaps
    ----
    Samples on both sides of a gap count alike: nothing is joined, only averaged.

    Limits
    ------
    A mean of a terminal that moves is a number all the same: look at `moved_lsb`.

    Source
    ------
    Our choice, measured in tests/waveform/test_calibration_fit.py.
    """
    kept = [block for block in blocks if len(block.counts)]
    if not kept:
        return ()
    hello = kept[0].hello
    correction = make_correction(adc, hello.averaging, float(hello.counts_per_code))
    readings = []
    for column, channel in enumerate(hello.channels):
        codes = np.concatenate(
            [correct_counts(np.ascontiguousarray(block.counts[:, column]), correction) for block in kept]
        ).astype(np.float64)
        parts = [part.mean() for part in np.array_split(codes, 16) if len(part)]
        readings.append(
            StillReading(
                role=channel.role,
                mean_code=float(codes.mean()) + CENTRE_CODE,
                scatter_lsb=float(codes.std()),
                moved_lsb=float(max(parts) - min(parts)),
                n_samples=len(codes),
                n_at_rail=int(sum(block.at_rail[:, column].sum() for block in kept)),
            )
        )
    return tuple(readings)


def design_limits(channel: Channel) -> tuple[float, float]:
    """How far a sound channel may be off its design at worst.

    Parameters
    ----------
    channel : as the hello describes it

    Returns
    -------
    (gain as a ratio, reading of a terminal at 0 V in volts): every part at the end of its tolerance at once.

    Source
    ------
    The derivatives are those of `nominal_calibration`; the tolerances are stated there. Our choice: worst case, not
    root sum of squares, so that a sound board is never refused.
    """
    k = channel.gain_v_per_code * N_CODES / REFERENCE_V
    r_up = max(0.0, -channel.offset_v / REFERENCE_V)
    r_down = max(0.0, k - 1.0 - r_up)
    gain = ((r_up + r_down) + r_up + r_down) / k * RESISTOR_TOLERANCE + REFERENCE_TOLERANCE
    zero = REFERENCE_V * r_up * RESISTOR_TOLERANCE * (1 / k + abs(1 - r_up / k) + r_down / k)
    return gain, zero + ADC_OFFSET_LSB * channel.gain_v_per_code


def fit_calibration(
    channel: Channel, points: Sequence[CalibrationPoint], *, meter_ratio: float, made_on: str, meter: str
) -> CalibrationFit:
    """The straight line through two or more points, checked against the design and against itself.

    Parameters
    ----------
    channel : as the hello describes it: the design
    points : at least two, LEAST_SPAN_CODES apart
    meter_ratio : standard uncertainty of the meter's own gain, as a ratio
    made_on : ISO date
    meter : the meter, in the user's words

    Returns
    -------
    CalibrationFit.

    Raises
    ------
    ContradictionError : too few or too close points, points off a line, or a line that the design's parts cannot give.

    Gaps
    ----
    Points are means; there is no time in them.

    Limits
    ------
    Two points have no residuals: a wrong number at one of them shows only against the design.

    Source
    ------
    Weighted least squares, JCGM 100:2008 H.3 for the line and 4.3.7 for limits; held against scipy in
    tests/waveform/test_calibration_fit.py.
    """
    codes = np.array([point.mean_code for point in points])
    known_v = np.array([point.known_v for point in points])
    if len(points) < 2 or np.ptp(codes) < LEAST_SPAN_CODES:
        span_v = LEAST_SPAN_CODES * channel.gain_v_per_code
        raise ContradictionError(
            f"{channel.role}: needs two points at least {span_v:.2g} V apart, has {len(points)}. Take another at a "
            "clearly different voltage."
        )
    sigma_v = np.array(
        [
            math.hypot(point.known_uncertainty_v, channel.gain_v_per_code * point.code_uncertainty_lsb)
            for point in points
        ]
    )
    weight = sigma_v**-2.0
    centre = float(np.sum(weight * codes) / weight.sum())
    level = float(np.sum(weight * known_v) / weight.sum())
    spread = float(np.sum(weight * (codes - centre) ** 2))
    gain = float(np.sum(weight * (codes - centre) * (known_v - level)) / spread)
    residual_v = known_v - (level + gain * (codes - centre))
    gain_ratio = math.hypot(spread**-0.5 / channel.gain_v_per_code, meter_ratio)
    gain_limit, zero_limit = design_limits(channel)
    gain_off = gain / channel.gain_v_per_code - 1.0
    at_zero_code = -channel.offset_v / channel.gain_v_per_code  # where the design reads 0 V
    zero_off = level + gain * (at_zero_code - centre)
    zero_sigma = math.sqrt(1 / weight.sum() + (at_zero_code - centre) ** 2 / spread)
    _refuse_bent(channel, points, residual_v, sigma_v)
    if abs(gain_off) > gain_limit + 3 * gain_ratio:
        raise ContradictionError(
            f"{channel.role}: the points make one code {gain * 1e3:.3f} mV, the design says "
            f"{channel.gain_v_per_code * 1e3:.3f} mV: {100 * gain_off:+.1f} %, and its parts allow "
            f"{100 * gain_limit:.1f} %. Look for a wrong resistor, a lead on another channel, or a mistyped voltage."
        )
    if abs(zero_off) > zero_limit + 3 * zero_sigma:
        raise ContradictionError(
            f"{channel.role}: where the design reads 0 V the points say {zero_off:+.3f} V, and its parts allow "
            f"{zero_limit:.3f} V. Look for a lead off its terminal, a wrong bias resistor, or a mistyped voltage."
        )
    calibration = Calibration(
        role=channel.role,
        gain_v_per_code=gain,
        offset_v=level - gain * centre,
        gain_uncertainty_ratio=gain_ratio,
        offset_uncertainty_v=zero_sigma,
        made_on=made_on,
        source=f"measured at {len(points)} points from {known_v.min():.4g} to {known_v.max():.4g} V with {meter}",
    )
    return CalibrationFit(
        calibration, tuple(float(v) for v in residual_v), gain_off, gain_limit, float(zero_off), zero_limit
    )


def _refuse_bent(
    channel: Channel,
    points: Sequence[CalibrationPoint],
    residual_v: npt.NDArray[np.float64],
    sigma_v: npt.NDArray[np.float64],
) -> None:
    """Refuse points that do not lie on one line within what they were read with."""
    if len(points) < 3:
        return
    worst = int(np.argmax(np.abs(residual_v) / sigma_v))
    if abs(residual_v[worst]) > STRAIGHT_SIGMAS * sigma_v[worst]:
        raise ContradictionError(
            f"{channel.role}: the points do not lie on one line. The one at {points[worst].known_v:.4g} V is "
            f"{1e3 * residual_v[worst]:+.0f} mV off, and {1e3 * STRAIGHT_SIGMAS * sigma_v[worst]:.0f} mV would be much."
            " Take that point again."
        )
