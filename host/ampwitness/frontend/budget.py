"""How far a reading may be off, part by part: worst case, root of the sum of squares, and what temperature adds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ampwitness.frontend.corner import CONVERTER_ERROR_CODES, thermal_noise_v
from ampwitness.frontend.network import InputNetwork


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Limits of the parts. Each names where its number comes from.

    resistor_ratio : 1 %, metal film, as sold
    capacitor_ratio : 10 %, the common film or ceramic class
    reference_ratio : 2 %, the board's 3.3 V regulator is the converter's reference; common practice, no source
    resistor_per_k : 100 ppm/K, the loosest class of metal film (data sheets offer 15 to 100)
    reference_per_k : 100 ppm/K; common practice, no source
    temperature_k : 40 K either way of the 25 degrees C of calibration: a vehicle from -15 to 65
    offset_codes : the converter's own offset; common practice, no source
    leakage_a : pin and clamp diodes together, hot: 1 uA of the pin (its datasheet, from memory), 80 nA of a low-leakage
        diode at 150 degrees C (data sheets)
    """

    resistor_ratio: float = 0.01
    capacitor_ratio: float = 0.10
    reference_ratio: float = 0.02
    resistor_per_k: float = 100e-6
    reference_per_k: float = 100e-6
    temperature_k: float = 40.0
    offset_codes: float = 3.0
    leakage_a: float = 1.08e-6


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One cause: its limit of gain (of the difference of two readings) and of the reading at 0 V."""

    cause: str
    gain_ratio: float
    offset_v: float


@dataclass(frozen=True, slots=True)
class ErrorBudget:
    """All causes of one network, and their sums. `rss` treats limits as independent; `standard` divides it by sqrt 3.

    drift_gain_ratio, drift_offset_v : what the temperature span alone adds, all parts apart as far as they can go
    noise_v : one conversion, converter and resistors together, at the terminal, rms
    """

    lines: tuple[BudgetLine, ...]
    drift_gain_ratio: float
    drift_offset_v: float
    noise_v: float

    @property
    def worst_gain_ratio(self) -> float:
        return sum(line.gain_ratio for line in self.lines)

    @property
    def worst_offset_v(self) -> float:
        return sum(line.offset_v for line in self.lines)

    @property
    def rss_gain_ratio(self) -> float:
        return math.sqrt(sum(line.gain_ratio**2 for line in self.lines))

    @property
    def rss_offset_v(self) -> float:
        return math.sqrt(sum(line.offset_v**2 for line in self.lines))

    @property
    def standard_gain_ratio(self) -> float:
        """Standard uncertainty: limits taken as evenly spread (JCGM 100:2008, 4.3.7)."""
        return self.rss_gain_ratio / math.sqrt(3)

    @property
    def standard_offset_v(self) -> float:
        """As `standard_gain_ratio`, for the reading at 0 V."""
        return self.rss_offset_v / math.sqrt(3)


def error_budget(network: InputNetwork, tolerances: Tolerances) -> ErrorBudget:
    """What each part may take from gain and zero of an uncalibrated input.

    Source
    ------
    With shares g = R/top, b = R/up, d = R/down (g + b + d = 1): the gain goes with g, whose relative derivatives by
    top, up, down are g - 1, b, d. The reading at 0 V goes with V b / g, whose derivatives are those of b over g:
    V (b/g) times g, b - 1, d. The reference cancels at 0 V, as bias and converter share it. Our own derivation; the
    tests hold it to parts moved one at a time.
    """
    shares = _shares(network)
    at_zero_v = network.reference_v * shares["up"] / shares["top"]
    lines = [
        BudgetLine(
            f"{name} resistor, {100 * tolerances.resistor_ratio:g} %",
            tolerances.resistor_ratio * gain,
            tolerances.resistor_ratio * at_zero_v * zero,
        )
        for name, gain, zero in _sensitivities(shares)
    ]
    lines += [
        BudgetLine(f"reference, {100 * tolerances.reference_ratio:g} %", tolerances.reference_ratio, 0.0),
        BudgetLine(
            f"converter offset, {tolerances.offset_codes:g} codes",
            0.0,
            tolerances.offset_codes * network.volts_per_code,
        ),
        # A current I into the pin lifts it by I R, which reads as I R / g = I top.
        BudgetLine(f"leakage, {1e6 * tolerances.leakage_a:.3g} uA hot", 0.0, tolerances.leakage_a * network.top_ohm),
    ]
    resistor = tolerances.resistor_per_k * tolerances.temperature_k
    sensitivities = _sensitivities(shares)
    return ErrorBudget(
        lines=tuple(lines),
        drift_gain_ratio=resistor * sum(gain for _, gain, _ in sensitivities)
        + tolerances.reference_per_k * tolerances.temperature_k,
        drift_offset_v=resistor * at_zero_v * sum(zero for _, _, zero in sensitivities),
        noise_v=math.hypot(
            CONVERTER_ERROR_CODES * network.volts_per_code, thermal_noise_v(network.farad) / network.gain_ratio
        ),
    )


def _shares(network: InputNetwork) -> dict[str, float]:
    ohm = {"top": network.top_ohm, "up": network.up_ohm, "down": network.down_ohm}
    return {name: 0.0 if value is None else network.parallel_ohm / value for name, value in ohm.items()}


def _sensitivities(shares: dict[str, float]) -> list[tuple[str, float, float]]:
    """(part, of the gain, of the reading at 0 V) for the parts that are fitted, without sign."""
    gain = {"top": 1 - shares["top"], "up": shares["up"], "down": shares["down"]}
    zero = {"top": shares["top"], "up": 1 - shares["up"], "down": shares["down"]}
    return [(name, gain[name], zero[name]) for name, share in shares.items() if share]


@dataclass(frozen=True, slots=True)
class SourceLoading:
    """What the input does to a line-level source.

    source_ohm : assumed output impedance
    drop_db : how much lower the source's level becomes
    dc_v : DC volts that the bias puts on a source that passes DC
    coupled_peak_v : largest peak that fits where the source ends in a coupling capacitor: the terminal then floats to
        the bias's own volts
    coupled_corner_hz : where a source behind coupled_farad begins to lose level into this input
    """

    source_ohm: float
    drop_db: float
    dc_v: float
    coupled_peak_v: float
    coupled_corner_hz: float
    coupled_farad: float


def source_loading(network: InputNetwork, source_ohm: float = 1000.0, coupled_farad: float = 10e-6) -> SourceLoading:
    """Loading of a source of this output impedance, and of one behind a coupling capacitor of this size.

    The defaults are high for an output impedance and common for an output capacitor: common practice, no source.
    """
    whole_ohm = source_ohm + network.input_ohm
    return SourceLoading(
        source_ohm=source_ohm,
        drop_db=20 * math.log10(whole_ohm / network.input_ohm),
        dc_v=network.open_v * source_ohm / whole_ohm,
        coupled_peak_v=max(0.0, min(network.high_v - network.open_v, network.open_v - network.low_v)),
        coupled_corner_hz=1 / (2 * math.pi * coupled_farad * whole_ohm),
        coupled_farad=coupled_farad,
    )
