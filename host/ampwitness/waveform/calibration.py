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


def kept_calibrations(hello: Hello) -> tuple[Calibration, ...]:
    """The measured calibrations that the board itself keeps and says in its hello; none from a board without."""
    return tuple(
        Calibration(
            role=kept.role,
            gain_v_per_code=kept.gain_v_per_code,
            offset_v=kept.offset_v,
            gain_uncertainty_ratio=(
                RESISTOR_TOLERANCE if kept.gain_uncertainty_ratio is None else kept.gain_uncertainty_ratio
            ),
            offset_uncertainty_v=kept.uncertainty_v,
            made_on=kept.made_on,
            source=f"kept on the board, measured with {kept.meter}",
        )
        for kept in hello.calibration
    )


def calibrations_for(
    hello: Hello, measured: Mapping[str, Calibration] | Iterable[Calibration] | None
) -> dict[str, Calibration]:
    """The calibration to use for each role: a given measured one, else the one kept on the board, else the nominal one.

    A measured one that cannot belong to the channel's design (its input network has been changed since) is not used.

    Parameters
    ----------
    hello : the session's hello
    measured : by role, or any collection of calibrations, or None

    Returns
    -------
    role -> Calibration for every channel of the hello.
    """
    chosen = {calibration.role: calibration for calibration in nominal_calibrations(hello)}
    channels = {channel.role: channel for channel in hello.channels}
    given = () if measured is None else measured.values() if isinstance(measured, Mapping) else measured
    for calibration in (*kept_calibrations(hello), *given):
        channel = channels.get(calibration.role)
        if channel is not None and is_of_this_design(calibration, channel):
            chosen[calibration.role] = calibration
    return chosen


def is_of_this_design(calibration: Calibration, channel: Channel) -> bool:
    """Whether a measured calibration can belong to a channel of this design: within a fifth of its nominal gain.

    Other input networks differ by far more; a sound board by a few per cent at most.
    """
    return abs(calibration.gain_v_per_code / channel.gain_v_per_code - 1.0) < 0.2


def scaled(calibration: Calibration, factor_ratio: float, why: str) -> Calibration:
    """The calibration of a divider whose true ratio is `factor_ratio` times the one assumed; 0 V keeps its code."""
    return replace(
        calibration,
        gain_v_per_code=calibration.gain_v_per_code * factor_ratio,
        offset_v=calibration.offset_v * factor_ratio,
        source=f"{calibration.source}; {why}",
    )
