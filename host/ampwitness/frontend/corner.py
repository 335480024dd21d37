"""One low-pass corner and one capacitor for all inputs and all modes, chosen on figures that can be printed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from types import ModuleType

from ampwitness.errors import UsageError
from ampwitness.frontend.network import InputNetwork
from ampwitness.frontend.preferred import values_between
from ampwitness.frontend.settling import carried_over_codes

# Undoing the low-pass raises the noise at the band's edge by the loss there: our choice of what is still worth it.
LOSS_MOST_DB = 7.0
EFFECTIVE_BITS = 8.7  # of the converter, its datasheet's figure (seen in digests)
CONVERTER_ERROR_CODES = 4096 / (2**EFFECTIVE_BITS * math.sqrt(12))  # rms, IEEE 1241's definition: 2.84
# Our choice: what the multiplexer carries over stays below half of the converter's own error.
CARRIED_OVER_MOST_CODES = CONVERTER_ERROR_CODES / 2
RESIDUE_HZ = 250_000.0  # switching residue of class-D outputs: 250 kHz and up, common practice, no source
_BANDWIDTH_LEAST_HZ = 100.0
_BOLTZMANN_J_PER_K = 1.380649e-23  # exact, SI
ROOM_K = 300.15


@dataclass(frozen=True, slots=True)
class BoardRates:
    """What the board's modes mean for the inputs: how often a channel is visited and where its samples fold."""

    n_channels: int
    visit_s: float
    fastest_rate_hz: float


@dataclass(frozen=True, slots=True)
class CornerFigures:
    """Figures of one candidate. `refusal` is empty for one that can be had."""

    corner_hz: float
    farad: float
    parallel_ohm: float
    band_loss_db: float
    residue_loss_db: float
    carried_over_codes: float
    refusal: str


@dataclass(frozen=True, slots=True)
class CornerChoice:
    """The corner taken and what was compared."""

    bandwidth_hz: float
    chosen: CornerFigures
    candidates: tuple[CornerFigures, ...]


def board_rates(config: ModuleType) -> BoardRates:
    """Rates of the modes in a board_config."""
    n = len(config.CHANNELS)
    modes = config.MODES.values()
    return BoardRates(
        n_channels=n,
        visit_s=float(min(Fraction(n * mode["cycles"], config.ADC_CLOCK_HZ) for mode in modes)),
        fastest_rate_hz=float(
            max(Fraction(config.ADC_CLOCK_HZ, mode["cycles"] * n * mode["averaging"]) for mode in modes)
        ),
    )


def choose_corner(bandwidth_hz: float, rates: BoardRates) -> CornerChoice:
    """The lowest E24 frequency whose loss at the wanted bandwidth can still be undone.

    Lower keeps more switching residue out; higher loses less at the band's edge. The capacitor is the smallest of
    series E6 whose source impedance lets the converter settle: a small capacitor means large resistors, which load the
    source least and pass the least current into the clamp.

    Raises
    ------
    UsageError : a bandwidth that no mode of the board can sample
    """
    nyquist_hz = rates.fastest_rate_hz / 2
    if not math.isfinite(bandwidth_hz) or not _BANDWIDTH_LEAST_HZ <= bandwidth_hz <= nyquist_hz:
        raise UsageError(
            f"--bandwidth {bandwidth_hz:g} Hz: give {_BANDWIDTH_LEAST_HZ:g} to {nyquist_hz:g} Hz, half the rate of the "
            "board's fastest mode; what lies above folds back and cannot be told apart"
        )
    lowest_hz = bandwidth_hz / math.sqrt(10 ** (LOSS_MOST_DB / 10) - 1)
    near_hz = values_between(lowest_hz / 2.2, lowest_hz * 2.6, 24)[::3]
    taken_hz = next(hz for hz in values_between(lowest_hz, lowest_hz * 1.2, 24))
    candidates = tuple(_figures(hz, bandwidth_hz, rates) for hz in sorted({*near_hz, taken_hz}))
    chosen = next(one for one in candidates if one.corner_hz == taken_hz)
    return CornerChoice(bandwidth_hz, chosen, candidates)


def thermal_noise_v(farad: float) -> float:
    """Noise of all resistors behind a capacitor, rms over all frequencies: sqrt(k T / C), at 27 degrees C."""
    return math.sqrt(_BOLTZMANN_J_PER_K * ROOM_K / farad)


def _figures(corner_hz: float, bandwidth_hz: float, rates: BoardRates) -> CornerFigures:
    for farad in values_between(1e-9, 2.2e-6, 6):
        network = _lone_network(corner_hz, farad)
        codes = carried_over_codes(network, rates.visit_s)
        if codes <= CARRIED_OVER_MOST_CODES:
            break
    loss_db = network.loss_db(bandwidth_hz)
    refusal = f"loses more than {LOSS_MOST_DB:g} dB at {bandwidth_hz:g} Hz" if loss_db > LOSS_MOST_DB else ""
    return CornerFigures(corner_hz, farad, network.parallel_ohm, loss_db, network.loss_db(RESIDUE_HZ), codes, refusal)


def _lone_network(corner_hz: float, farad: float) -> InputNetwork:
    return InputNetwork("", 1 / (2 * math.pi * corner_hz * farad), None, None, farad, 1.0)
