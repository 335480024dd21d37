"""From codes to volts at the terminals, and how far that can be trusted.

Until a board has been calibrated, the figures are those of its parts: the hello's nominal gain and offset, with
uncertainties from the tolerances below. A measured calibration replaces them role by role: everything downstream takes
a mapping role -> Calibration.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from ampwitness.types import Calibration, Channel, Hello

# Limits of the parts; their standard uncertainty is that of an even spread between the limits, limit / sqrt(3)
# (type B evaluation, JCGM 100:2008, 4.3.7).
RESISTOR_TOLERANCE = 0.01  # common metal film, stated in the hardware notes
REFERENCE_TOLERANCE = 0.02  # the board's 3.3 V regulator is the converter's reference; common practice, no source
REFERENCE_V = 3.3
N_CODES = 4096
ADC_OFFSET_LSB = 3.0  # limit of the converter's own offset; common practice, no source


def nominal_calibration(channel: Channel) -> Calibration:
    """Calibration of one channel from the nominal values of its parts.

    Parameters
    ----------
    channel : as the hello describes it

    Returns
    -------
    Calibration. `gain_uncertainty_ratio` is that of differences of volts; `offset_uncertainty_v` that of the reading of
    a terminal at 0 V (which is what shows as a false DC offset), both standard (one sigma).

    Source
    ------
    With top, up and down resistors of equal tolerance, r_u = top/up, r_d = top/down, k = 1 + r_u + r_d:
    gain = V_ref k / 4096, offset = -V_ref r_u, so the two ratios follow from the hello. Derivatives: our own.
    """
    resistor = RESISTOR_TOLERANCE / math.sqrt(3)
    reference = REFERENCE_TOLERANCE / math.sqrt(3)
    k = channel.gain_v_per_code * N_CODES / REFERENCE_V
    r_up = max(0.0, -channel.offset_v / REFERENCE_V)
    r_down = max(0.0, k - 1.0 - r_up)
    by_parts = math.sqrt((r_up + r_down) ** 2 + r_up**2 + r_down**2) / k * resistor
    # Reading at 0 V: V_ref r_u [ (1/k) top - (1 - r_u/k) up + (r_d/k) down ]; the reference cancels, as bias and
    # converter share it.
    at_zero = REFERENCE_V * r_up * resistor * math.sqrt((1 / k) ** 2 + (1 - r_up / k) ** 2 + (r_down / k) ** 2)
    converter = ADC_OFFSET_LSB / math.sqrt(3) * channel.gain_v_per_code
    return Calibration(
        role=channel.role,
        gain_v_per_code=channel.gain_v_per_code,
        offset_v=channel.offset_v,
        gain_uncertainty_ratio=math.hypot(by_parts, reference),
        offset_uncertainty_v=math.hypot(at_zero, converter),
        made_on=None,
        source="nominal values of 1 % resistors and the board's 3.3 V reference",
    )


def nominal_calibrations(hello: Hello) -> tuple[Calibration, ...]:
    """Nominal calibrations of all channels of a hello, in channel order."""
    return tuple(nominal_calibration(channel) for channel in hello.channels)


def calibrations_for(
    hello: Hello, measured: Mapping[str, Calibration] | Iterable[Calibration] | None
) -> dict[str, Calibration]:
    """The calibration to use for each role: the measured one where there is one, else the nominal one.

    Parameters
    ----------
    hello : the session's hello
    measured : by role, or any collection of calibrations, or None

    Returns
    -------
    role -> Calibration for every channel of the hello.
    """
    chosen = {calibration.role: calibration for calibration in nominal_calibrations(hello)}
    if measured is not None:
        listed = measured.values() if isinstance(measured, Mapping) else measured
        chosen.update({calibration.role: calibration for calibration in listed if calibration.role in chosen})
    return chosen


def scaled(calibration: Calibration, factor_ratio: float, why: str) -> Calibration:
    """The calibration of a divider whose true ratio is `factor_ratio` times the one assumed; 0 V keeps its code."""
    return replace(
        calibration,
        gain_v_per_code=calibration.gain_v_per_code * factor_ratio,
        offset_v=calibration.offset_v * factor_ratio,
        source=f"{calibration.source}; {why}",
    )
