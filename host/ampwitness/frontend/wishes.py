"""From what an installer knows to the volts that each input must hold. Absurd wishes end in one sentence here."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ampwitness.errors import UsageError

# Our choice: an amplifier that gives a power at its rated supply has higher rails when idle and on a higher supply;
# power goes with the square of volts, so a quarter more volts is half as much power again.
IDLE_RAIL_MARGIN_RATIO = 1.25
# Our choices: beyond these the input network of this board is the wrong thing.
_OUTPUT_LEAST_V, _OUTPUT_MOST_V = 2.0, 200.0
_LINE_LEAST_V, _LINE_MOST_V = 0.5, 20.0
_SMALL_LEAST_V, _SMALL_MOST_V = 0.1, 10.0
_SUPPLY_MOST_V = 60.0
_SENSOR_V = 5.0  # a generic Hall clamp's output

# Highest supply that is still to be measured, not just survived: a little above the jump start of 12 V vehicles
# (ISO 16750-2:2010, 24 V for 60 s, seen in waveform libraries), the overvoltage of 24 V vehicles (36 V for 60 min,
# from memory).
DEFAULT_SUPPLY_V = {12: 24.4, 24: 36.0}
# With these the design gives the networks in firmware/board_config.py, part by part, except SMALL, which there reaches
# equally far both ways; tests/frontend holds it.
DEFAULT_RAIL_V, DEFAULT_LINE_VRMS, DEFAULT_SMALL_V = 61.0, 3.8, 2.0


@dataclass(frozen=True, slots=True)
class Wish:
    """Volts at one kind of terminal that must lie inside the range, whatever the parts' tolerances.

    name : of the network in board_config
    roles : inputs that get it
    low_v, high_v : wanted range at the terminal
    why : in words, for the person and for the comment in board_config
    is_on_supply : the lead belongs on the vehicle's supply or on an output fed from it; others only by mistake
    """

    name: str
    roles: tuple[str, ...]
    low_v: float
    high_v: float
    why: str
    is_on_supply: bool


def checked(name: str, value: float, least: float, most: float, unit: str) -> float:
    """The value if it is a number in least..most; otherwise UsageError, one sentence with what can be had."""
    if not math.isfinite(value) or not least <= value <= most:
        raise UsageError(f"{name} {value:g} {unit}: give a number from {least:g} to {most:g} {unit}")
    return value


def speaker_wish(
    *,
    rail_v: float | None = None,
    output_v: float | None = None,
    power_w: float | None = None,
    load_ohm: float | None = None,
    is_bridged: bool = True,
) -> Wish:
    """Range of a speaker terminal from one thing that is known about the amplifier.

    Parameters
    ----------
    rail_v : internal rail; a terminal lies between minus and plus this much, whatever the topology
    output_v : largest peak between the two terminals
    power_w, load_ohm : rated power into a load, both or neither; the peak of a sine of this power, and a quarter
    is_bridged : each terminal carries half of output_v, around 0 V (two rails) or around half the rail (one rail)

    Raises
    ------
    UsageError : not exactly one thing given, or nothing an amplifier has
    """
    if (power_w is None) != (load_ohm is None):
        raise UsageError("--power needs --ohm and --ohm needs --power: watts into ohms give volts, one alone does not")
    if sum(known is not None for known in (rail_v, output_v, power_w)) != 1:
        raise UsageError("give one of --rail, --output-volts, or --power with --ohm: they say the same in three ways")
    roles = ("out_p", "out_n")
    if rail_v is not None:
        checked("--rail", rail_v, _OUTPUT_LEAST_V, _OUTPUT_MOST_V, "V")
        why = f"a terminal swings between -{rail_v:g} and +{rail_v:g} V at most"
        return Wish("SPEAKER", roles, -rail_v, rail_v, why, True)
    if power_w is not None and load_ohm is not None:
        checked("--power", power_w, 1, 20_000, "W")
        checked("--ohm", load_ohm, 0.1, 100, "ohm")
        output_v = IDLE_RAIL_MARGIN_RATIO * math.sqrt(2 * power_w * load_ohm)
        known_as = f"{power_w:g} W into {load_ohm:g} ohm and rails a quarter higher when idle"
        if not _OUTPUT_LEAST_V <= output_v <= _OUTPUT_MOST_V:
            raise UsageError(
                f"{known_as} are {output_v:.3g} V peak: this input network is for "
                f"{_OUTPUT_LEAST_V:g} to {_OUTPUT_MOST_V:g} V; check the watts and the ohms"
            )
    else:
        assert output_v is not None
        checked("--output-volts", output_v, _OUTPUT_LEAST_V, _OUTPUT_MOST_V, "V")
        known_as = f"{output_v:g} V peak"
    if not is_bridged:
        return Wish("SPEAKER", roles, -output_v, output_v, f"single-ended output, {known_as}", True)
    why = f"bridged output, {known_as} between the terminals: each around 0 V or around half a single rail"
    return Wish("SPEAKER", roles, -output_v / 2, output_v, why, True)


def supply_wish(system_v: int, high_v: float | None = None) -> Wish:
    """Range of a supply lead, from 0 V up. high_v None: what the system's standard asks to work through."""
    if system_v not in DEFAULT_SUPPLY_V:
        raise UsageError(
            f"--system {system_v}: there are 12 and 24 V vehicles; high-voltage systems are not for this board"
        )
    chosen_v = DEFAULT_SUPPLY_V[system_v] if high_v is None else high_v
    checked("--supply-high", chosen_v, 0.75 * system_v, _SUPPLY_MOST_V, "V")
    why = f"0 to {chosen_v:g} V" + (
        ", a 12 V vehicle's jump start included" if system_v == 12 and chosen_v >= 24 else ""
    )
    return Wish("SUPPLY", ("supply", "battery", "remote"), 0.0, chosen_v, why, True)


def line_wish(line_vrms: float) -> Wish:
    """Range of a line-level source of this many volts rms, a sine."""
    checked("--line-vrms", line_vrms, _LINE_LEAST_V, _LINE_MOST_V, "V rms")
    peak_v = math.sqrt(2) * line_vrms
    return Wish("LINE", ("source",), -peak_v, peak_v, f"line level, {line_vrms:g} V rms: +-{peak_v:.2f} V peak", False)


def small_wish(small_v: float) -> Wish:
    """Range for drops and ground leads, both ways around 0 V."""
    checked("--small", small_v, _SMALL_LEAST_V, _SMALL_MOST_V, "V")
    return Wish("SMALL", ("ground",), -small_v, small_v, f"drops along a lead, +-{small_v:g} V", False)


def sensor_wish() -> Wish:
    """Range of a generic Hall clamp's output."""
    return Wish("CLAMP", ("current",), 0.0, _SENSOR_V, f"a generic Hall clamp's output, 0 to {_SENSOR_V:g} V", False)


def default_wishes(system_v: int = 12) -> list[Wish]:
    """What is designed when nothing is known: the board's own ranges."""
    return [
        speaker_wish(rail_v=DEFAULT_RAIL_V),
        supply_wish(system_v),
        line_wish(DEFAULT_LINE_VRMS),
        small_wish(DEFAULT_SMALL_V),
        sensor_wish(),
    ]
