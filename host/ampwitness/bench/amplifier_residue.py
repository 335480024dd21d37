"""What is left of a switching amplifier's carrier when the board has looked at it.

The carrier (some hundred kHz) is far above any stimulus rate. The converter looks at the input network's output at
evenly spaced instants, so the carrier folds down to its distance from the nearest multiple of the conversion rate of a
channel; the input's low-pass has taken it down as at the carrier's own frequency. Added here is the folded tone,
stronger by what the low-pass takes from it at the folded frequency: the conversions come out the same.

Limits: one carrier, no side bands but those of the carrier's own wandering; folded tones above 0.45 of the stimulus
rate are left out (the board's averaging takes them down by 30 dB and more anyway).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray


def fold_hz(carrier_hz: npt.ArrayLike, conversion_rate_hz: float) -> FloatArray:
    """Where frequencies appear after sampling, 0 to half of the conversion rate."""
    carrier = np.asarray(carrier_hz, dtype=np.float64)
    return np.asarray(np.abs(carrier - conversion_rate_hz * np.round(carrier / conversion_rate_hz)))


def folded_residue(
    carrier_hz: FloatArray, peak_v: FloatArray, rate_hz: float, conversion_rate_hz: float, corner_hz: float
) -> FloatArray:
    """Tone to add to the terminals so that the board reads what a carrier would have left.

    Parameters
    ----------
    carrier_hz : (n,) the carrier, which may wander with the level
    peak_v : (n,) its peak at the terminals
    rate_hz : stimulus samples a second
    conversion_rate_hz : conversions a second of one channel, before averaging
    corner_hz : first-order low-pass of the input network
    """
    multiple = round(float(np.mean(carrier_hz)) / conversion_rate_hz)
    shifted_hz = carrier_hz - multiple * conversion_rate_hz
    phase = 2 * np.pi * np.cumsum(shifted_hz) / rate_hz
    through = np.sqrt((1 + (shifted_hz / corner_hz) ** 2) / (1 + (carrier_hz / corner_hz) ** 2))
    is_shown = np.abs(shifted_hz) < 0.45 * rate_hz
    return np.asarray(np.where(is_shown, peak_v * through * np.sin(phase), 0.0))
