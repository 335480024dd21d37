"""Where noise comes from: the same quiet output with inputs shorted and connected, engine off, idle and raised.

What is heard only with the source connected comes in by the signal leads or the source; what stays with shorted inputs
comes by the supply or is the amplifier's own. What follows the engine is the alternator's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from ampwitness.waveform.noise_lines import HANN_BINS, LINE_RATIO, RESOLUTION_S, NoiseLine, QuietOutput

Inputs = Literal["shorted", "connected"]
Engine = Literal["off", "idle", "raised"]
Condition = tuple[Inputs, Engine]
Origin = Literal["supply-borne", "ground loop or source", "source", "the amplifier itself", "not told apart"]
ORDER: tuple[Condition, ...] = (
    ("shorted", "off"), ("shorted", "idle"), ("shorted", "raised"),
    ("connected", "off"), ("connected", "idle"), ("connected", "raised"),
)  # fmt: skip
SAME_RATIO = 0.006  # two frequencies this close are one line: between two spectra of 1 s, and an engine that breathes
SHARED_LEAST = 0.6  # coherence from which the supply's ripple counts as in the output. Our choice
LOUDER_RATIO = 2.0  # so much more with the source connected counts as more: 6 dB. Our choice
MAINS_HZ = (50.0, 60.0)
SWITCHING_FROM_HZ = 1_500.0
OFFSET_ODD_V = 0.1  # DC at a loudspeaker that is worth a look: common practice, no source
FLOOR_SIGMAS = 3.0

CAUTION = (
    "Power off before a plug is changed at the amplifier's inputs. Exhaust extraction with the engine running; hands, "
    "hair and leads clear of belts and fans. Volume and gain stay as they are."
)


@dataclass(frozen=True, slots=True)
class Source:
    """One kind of noise: what it is, where it comes from, how loud, and why we say so."""

    what: Literal["alternator whine", "hum", "switching noise", "line", "hiss", "offset"]
    origin: Origin
    frequency_hz: float | None
    level_v: float
    words: str


@dataclass(frozen=True, slots=True)
class NoiseVerdict:
    """sources: loudest first. sensitivity_v: what the board itself adds over the band, rms; quieter is not judged."""

    sources: tuple[Source, ...]
    not_judged: tuple[str, ...]
    sensitivity_v: float
    line_sensitivity_v: float


def instruction(condition: Condition, before: Condition | None = None) -> str:
    """What to do before a run, with what could hurt; `before`: the run that it follows, None for the first."""
    inputs, engine = condition
    said = []
    if before is None or before[0] != inputs:
        change = (
            "shorting plugs into its input sockets" if inputs == "shorted" else "plugs out and the source connected"
        )
        said.append(f"Engine and amplifier off, {change}, amplifier on again")
    else:
        said.append("Inputs stay shorted" if inputs == "shorted" else "The source stays connected")
    if inputs == "connected":
        said.append("source switched on, playing nothing")
    run = {
        "off": "engine off",
        "idle": "engine idling (exhaust led outside, hands clear of belts and fans)",
        "raised": "engine held at about twice idle speed",
    }
    return "; ".join([*said, run[engine]]) + "."


# What to look at, by kind and origin: common practice, no source.
_NEXT: Mapping[tuple[str, str], str] = {
    ("alternator whine", "ground loop or source"): (
        "bring the grounds of source and amplifier to one point, and lead the signal cables away from supply cables"
    ),
    ("alternator whine", "supply-borne"): (
        "look at the amplifier's ground point and supply leads under load (ampwitness check-supply)"
    ),
    ("hum", "ground loop or source"): "take mains chargers and supplies off source and battery, one at a time",
    ("hum", "the amplifier itself"): "take a mains charger off the battery; if it stays, it is the amplifier's own",
    ("hiss", "the amplifier itself"): "set the gain lower (ampwitness set-gain): unused gain only lifts hiss",
    ("hiss", "source"): "raise the source's level and lower the gain by as much (ampwitness set-gain)",
    ("offset", "the amplifier itself"): (
        "measure it again with a meter before a loudspeaker is connected: direct current heats a voice coil"
    ),
}
_NEXT_LINE = "switch consumers off one at a time (converters, lights, fans, chargers) and see which one takes it away"


def next_steps(verdict: NoiseVerdict) -> list[str]:
    """What to do about what was found, the loudest first; empty: nothing."""
    steps = []
    for source in verdict.sources:
        if source.origin == "not told apart":
            steps.append("make the runs with shorted inputs too: without them it is not told where this comes from")
        else:
            steps.append(_NEXT.get((source.what, source.origin), _NEXT_LINE))
    return list(dict.fromkeys(steps))


def board_floor(
    gain_v_per_code: Sequence[float], averaging: int, noise_lsb: float, band_hz: tuple[float, float], rate_hz: float
) -> float:
    """Rms volts that the board adds in a band to an output of one or two terminals: its converter's noise, averaged.

    Parameters
    ----------
    gain_v_per_code : of each terminal; averaging : conversions a scan; noise_lsb : of one conversion
    band_hz : what is looked at; rate_hz : scans a second. The noise is even over half the rate before the input filter
        is undone, which lifts its upper end: the figure is the lower bound
    """
    everywhere = sum((gain * noise_lsb) ** 2 for gain in gain_v_per_code) / averaging
    return math.sqrt(everywhere * (band_hz[1] - band_hz[0]) / (rate_hz / 2))


def line_floor(sensitivity_v: float, band_hz: tuple[float, float]) -> float:
    """Rms volts that a line must reach to stand out of the board's own noise, `sensitivity_v` over `band_hz`."""
    density = sensitivity_v**2 / (band_hz[1] - band_hz[0])
    return math.sqrt(LINE_RATIO * HANN_BINS / RESOLUTION_S * density)


def _same(a_hz: float, b_hz: float) -> bool:
    return abs(a_hz - b_hz) <= max(1.5, SAME_RATIO * a_hz)


def _line_at(run: QuietOutput | None, hz: float) -> NoiseLine | None:
    if run is None:
        return None
    near = [line for line in run.lines if _same(line.frequency_hz, hz)]
    return max(near, key=lambda line: line.level_v, default=None)


def _is_mains(hz: float) -> bool:
    return any(abs(hz - mains * round(hz / mains)) < 0.7 and 1 <= round(hz / mains) <= 10 for mains in MAINS_HZ)


def _origin(shorted: QuietOutput | None, hz: float, level_v: float, from_supply: bool) -> tuple[Origin, str]:
    """Where a line of the connected run comes from, by the run with shorted inputs under the same engine."""
    if shorted is None:
        return "not told apart", "without the run with shorted inputs, ground loop and pickup are not told apart"
    line = _line_at(shorted, hz)
    left_v = line.level_v if line is not None else 0.0
    if left_v * LOUDER_RATIO >= level_v:
        where: Origin = "supply-borne" if from_supply else "the amplifier itself"
        return where, f"it stays with shorted inputs ({1e3 * left_v:.1f} mV)"
    return "ground loop or source", f"with shorted inputs it falls to {1e3 * left_v:.1f} mV"


def conclude_noise(
    runs: Mapping[Condition, QuietOutput],
    *,
    sensitivity_v: float,
    line_sensitivity_v: float,
    offset_uncertainty_v: float,
) -> NoiseVerdict:
    """What the comparison of the runs says.

    Parameters
    ----------
    runs : what was measured, by condition; any may be missing
    sensitivity_v, line_sensitivity_v : rms that the board itself adds over the band, and that a line must reach
    offset_uncertainty_v : standard uncertainty of the output at 0 V, by its calibration

    Returns
    -------
    NoiseVerdict.
    """
    sources: list[Source] = []
    not_judged: list[str] = []
    if not any(inputs == "shorted" for inputs, _ in runs):
        not_judged.append("No run with shorted inputs: ground loop, source and pickup are not told apart.")
    if not any(engine != "off" for _, engine in runs):
        not_judged.append("No run with the engine on: alternator whine is not judged.")
    lines = [line for run in runs.values() for line in run.lines]
    if lines and all(line.shared is None for line in lines):
        not_judged.append("No supply channel: lines are not compared with its ripple.")
    # Connected runs first: they hold everything. What the source's hiss hides there may show with shorted inputs.
    for condition, run in sorted(runs.items(), key=lambda item: item[0][0] == "shorted"):
        for line in run.lines:
            if line.level_v >= line_sensitivity_v:
                source = _judge_line(runs, condition, line)
                if not any(_is_known(source, known) for known in sources):
                    sources.append(source)
    least_offset_v = max(OFFSET_ODD_V, 2 * offset_uncertainty_v)
    if least_offset_v > OFFSET_ODD_V:
        not_judged.append(f"An offset under {least_offset_v:.2f} V is not judged: the board's zero is not calibrated.")
    sources += _judge_floor(runs, sensitivity_v) + _judge_offset(runs, least_offset_v)
    sources.sort(key=lambda source: -source.level_v)
    return NoiseVerdict(tuple(sources), tuple(not_judged), sensitivity_v, line_sensitivity_v)


def _is_known(new: Source, known: Source) -> bool:
    """Whether a line was told already from another run: at the same frequency, or as whine, which moves."""
    if new.what != known.what or new.frequency_hz is None or known.frequency_hz is None:
        return False
    return new.what == "alternator whine" or _same(new.frequency_hz, known.frequency_hz)


def _is_whine(runs: Mapping[Condition, QuietOutput], condition: Condition, line: NoiseLine) -> bool:
    """Whether a line sounds with the engine alone, in step with the supply's ripple."""
    inputs, engine = condition
    if engine == "off" or _line_at(runs.get((inputs, "off")), line.frequency_hz) is not None:
        return False
    in_ripple = any(_same(line.frequency_hz, ripple) for ripple in runs[condition].ripple_hz)
    return in_ripple and (line.shared or 0.0) >= SHARED_LEAST


def _engine_words(runs: Mapping[Condition, QuietOutput], inputs: Inputs) -> str:
    """Whether the loudest whine moved between idle and raised; nothing where one of the two has none to compare."""
    loudest: list[NoiseLine] = []
    for engine in ("idle", "raised"):
        run = runs.get((inputs, engine))
        whines = [line for line in run.lines if _is_whine(runs, (inputs, engine), line)] if run is not None else []
        if not whines:
            return ""
        loudest.append(max(whines, key=lambda line: line.level_v))
    idle_hz, raised_hz = (line.frequency_hz for line in loudest)
    if _same(idle_hz, raised_hz):
        return "; it did not move with the engine's speed, so look at other consumers that run with the engine too"
    return f"; it moved with the engine's speed, from {idle_hz:.0f} Hz idling to {raised_hz:.0f} Hz raised"


def _judge_line(runs: Mapping[Condition, QuietOutput], condition: Condition, line: NoiseLine) -> Source:
    inputs, engine = condition
    hz = line.frequency_hz
    run = runs[condition]
    in_ripple = any(_same(hz, ripple) for ripple in run.ripple_hz) and (line.shared or 0.0) >= SHARED_LEAST
    shorted = run if inputs == "shorted" else runs.get(("shorted", engine))
    if _is_whine(runs, condition, line):
        origin, why = _origin(shorted, hz, line.level_v, from_supply=True)
        words = (
            f"{hz:.0f} Hz, {1e3 * line.level_v:.1f} mV with the engine {engine}, and the supply ripples at the same "
            f"frequency (coherence {line.shared:.2f}); {why}{_engine_words(runs, inputs)}"
        )
        return Source("alternator whine", origin, hz, line.level_v, words)
    what: Literal["hum", "switching noise", "line"] = "line"
    if _is_mains(hz):
        what = "hum"
    elif hz >= SWITCHING_FROM_HZ:
        what = "switching noise"
    origin, why = _origin(shorted, hz, line.level_v, from_supply=in_ripple)
    return Source(what, origin, hz, line.level_v, f"{hz:.1f} Hz, {1e3 * line.level_v:.1f} mV, engine {engine}; {why}")


def _judge_floor(runs: Mapping[Condition, QuietOutput], sensitivity_v: float) -> list[Source]:
    """The hiss between the lines: whose it is."""
    connected, shorted = runs.get(("connected", "off")), runs.get(("shorted", "off"))
    found = []

    def above(run: QuietOutput) -> float:
        return math.sqrt(max(0.0, run.floor_v**2 - sensitivity_v**2))

    if shorted is not None and shorted.floor_v > FLOOR_SIGMAS * sensitivity_v:
        words = (
            f"{1e3 * above(shorted):.1f} mV with shorted inputs, the logger's {1e3 * sensitivity_v:.1f} mV taken off"
        )
        found.append(Source("hiss", "the amplifier itself", None, above(shorted), words))
    if connected is not None and connected.floor_v > FLOOR_SIGMAS * sensitivity_v:
        if shorted is None:
            words = f"{1e3 * above(connected):.1f} mV; without shorted inputs source and amplifier are not parted"
            found.append(Source("hiss", "not told apart", None, above(connected), words))
        elif connected.floor_v > LOUDER_RATIO * shorted.floor_v:
            words = f"{1e3 * above(connected):.1f} mV with the source, {1e3 * shorted.floor_v:.1f} mV without"
            found.append(Source("hiss", "source", None, above(connected), words))
    return found


def _judge_offset(runs: Mapping[Condition, QuietOutput], least_v: float) -> list[Source]:
    worst = max(runs.values(), key=lambda run: abs(run.offset_v), default=None)
    if worst is None or abs(worst.offset_v) < least_v:
        return []
    words = f"{worst.offset_v:+.3f} V of direct current at the output; as exact as the calibration of zero"
    return [Source("offset", "the amplifier itself", None, abs(worst.offset_v), words)]
