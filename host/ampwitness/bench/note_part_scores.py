"""What is true of a note besides onset, pitch and sag, from the drawn signals, and how far off the detector is.

Energy: the output's squares less those of its mean, over the note's own time. Ripple: peak to peak of the supply's sine
at twice the note's frequency over whole periods in the note's last 0.4 s, a straight line beside it, by least squares.
Slope: from 10 to 90 % of the deepest fall within the note's first second, of the supply through a parabola over 2 ms.
All three from the models' signals at their own rate, without logger. Attack: onset to where the drawn envelope first
reaches 90 % of its largest value, in closed form.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench import event_signals
from ampwitness.bench.event_signals import MODEL_RATE_HZ, EventCase, Samples, moving_parabola
from ampwitness.bench.truth import TrueNote
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.types import Finding

MATCH_S = 0.040
RIPPLE_S = 0.400
LEAST_FALL_V = 0.050
LEAST_RIPPLE_V = 0.010


@dataclass(slots=True)
class PartScore:
    """Errors of one family: ratios for energy and slope, volts for ripple, seconds for the attack."""

    energy_ratio: list[float] = field(default_factory=list)
    ripple_v: list[float] = field(default_factory=list)
    ripple_ratio: list[float] = field(default_factory=list)  # where it is large enough to be asked in per cent
    slope_ratio: list[float] = field(default_factory=list)
    attack_s: list[float] = field(default_factory=list)
    n_slope_missing: int = 0


def true_energy(output_v: Samples, note: TrueNote) -> float:
    """Squared volts times seconds, over the note's own time."""
    span = output_v[round(note.begins_s * MODEL_RATE_HZ) : round(note.stop_s * MODEL_RATE_HZ)]
    return float(np.sum((span - span.mean()) ** 2)) / MODEL_RATE_HZ


def true_ripple(supply_v: Samples, note: TrueNote) -> float | None:
    """Volts peak to peak; None below three periods."""
    period_s = 0.5 / note.pitch_hz
    n_periods = int(min(RIPPLE_S, note.stop_s - note.begins_s) / period_s)
    if n_periods < 3:
        return None
    stop = round(note.stop_s * MODEL_RATE_HZ)
    part = supply_v[stop - round(n_periods * period_s * MODEL_RATE_HZ) : stop]
    at = np.arange(len(part)) / MODEL_RATE_HZ
    turn = 2 * np.pi * at / period_s
    columns = np.stack((np.cos(turn), np.sin(turn), np.ones(len(part)), at), axis=1)
    weights = np.linalg.lstsq(columns, part, rcond=None)[0]
    return float(2 * np.hypot(weights[0], weights[1]))


def true_slope(supply_v: Samples, note: TrueNote) -> float | None:
    """Volts a second, negative; None where the supply fell by less than 50 mV."""
    first = round(note.begins_s * MODEL_RATE_HZ)
    stop = round(min(note.stop_s, note.begins_s + 1.0) * MODEL_RATE_HZ)
    smooth = moving_parabola(supply_v[max(0, first - 480) : stop + 480])[min(480, first) :][: stop - first]
    before_v = note.supply_before_v
    fall_v = before_v - float(smooth.min())
    if fall_v < LEAST_FALL_V:
        return None
    ten, ninety = (int(np.argmax(smooth <= before_v - share * fall_v)) for share in (0.1, 0.9))
    if ninety <= ten:
        return None
    return float(smooth[ninety] - smooth[ten]) / (ninety - ten) * MODEL_RATE_HZ


def score_parts(case: EventCase, score: PartScore, attacks_s: Sequence[float] | None = None) -> None:
    """Match one case's findings with its notes and add up.

    `attacks_s`: the true ones, a note each in order; None: not scored.
    """
    detector = NoteDetector()
    for window in iter_windows_from_arrays(case.volts, case.rate_hz, window_s=10.0):
        detector.push(window)
    found = detector.finish().findings
    assert case.truth is not None
    for place, note in enumerate(case.truth.notes):
        near = [f for f in found if abs(f.start_s - note.begins_s) < MATCH_S]
        if not near:
            continue
        best = min(near, key=lambda f: abs(f.start_s - note.begins_s))
        if attacks_s is not None:
            said_s = best.measured["attack_s"]
            if isinstance(said_s, float):
                score.attack_s.append(said_s - attacks_s[place])
        if case.model_supply is not None and case.model_output is not None:
            _score_one(best, note, case.model_output, case.model_supply, score)


def _score_one(found: Finding, note: TrueNote, output_v: Samples, supply_v: Samples, score: PartScore) -> None:
    energy = found.measured["energy_v2s"]
    if isinstance(energy, float):
        score.energy_ratio.append(energy / true_energy(output_v, note) - 1.0)
    ripple_v, said_v = true_ripple(supply_v, note), found.measured["ripple_v"]
    if ripple_v is not None and isinstance(said_v, float):
        score.ripple_v.append(said_v - ripple_v)
        if ripple_v >= LEAST_RIPPLE_V:
            score.ripple_ratio.append(said_v / ripple_v - 1.0)
    slope, said_slope = true_slope(supply_v, note), found.measured["sag_slope_v_per_s"]
    if slope is not None:
        if isinstance(said_slope, float):
            score.slope_ratio.append(said_slope / slope - 1.0)
        else:
            score.n_slope_missing += 1


def _swells(seed: int) -> tuple[EventCase, list[float]]:
    """Half a cosine reaches 90 % of its height at acos(-0.8) / pi of its length."""
    case = event_signals.slow_attack_case(seed)
    share = float(np.arccos(-0.8) / np.pi)
    return case, [share * attack_s for attack_s in case.attacks_s]


def _tones(seed: int) -> tuple[EventCase, list[float]]:
    case = event_signals.tones_case(seed)
    return case, [0.9 * attack_s for attack_s in case.attacks_s]


PART_FAMILIES: tuple[tuple[str, Callable[[int], tuple[EventCase, list[float] | None]]], ...] = (
    ("tones of 1 s", _tones),
    ("bass line, mixed", lambda s: (event_signals.music_case(s, kinds=("plucked", "held", "drum")), None)),
    ("bass line, clipped", lambda s: (event_signals.music_case(s, kinds=("plucked", "held", "drum"), loud=True), None)),
    ("swelling over 40 to 300 ms", _swells),
)


def _spread(values: Sequence[float], scale: float, unit: str) -> str:
    if not values:
        return "-"
    sizes = np.abs(np.asarray(values)) * scale
    return f"{np.median(sizes):.2f} / {np.percentile(sizes, 90):.2f} {unit}"


def print_parts(seeds: range) -> None:
    """Table of energy, ripple, slope and attack."""
    print("parts of notes: errors are median / 90th percentile of the absolute error")
    for name, make in PART_FAMILIES:
        score = PartScore()
        for seed in seeds:
            case, attacks_s = make(seed)
            score_parts(case, score, attacks_s)
        print(
            f"{name:34s} energy {_spread(score.energy_ratio, 100, '%')} | ripple at twice the pitch "
            f"{_spread(score.ripple_v, 1e3, 'mV')}, of 10 mV and more {_spread(score.ripple_ratio, 100, '%')} | slope "
            f"{_spread(score.slope_ratio, 100, '%')}, {score.n_slope_missing} of "
            f"{score.n_slope_missing + len(score.slope_ratio)} not told | attack {_spread(score.attack_s, 1e3, 'ms')}"
        )
