"""Scores of the note, dip and cut-out detectors on drawn material: `python -m ampwitness.bench.event_scores`."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench import event_signals
from ampwitness.bench.cutout_signals import CUTOUT_CLASSES, make_cutout_case
from ampwitness.bench.event_signals import EventCase
from ampwitness.bench.note_over_music import print_over_music
from ampwitness.bench.note_part_scores import print_parts
from ampwitness.bench.note_unusual import UNUSUAL_FAMILIES
from ampwitness.bench.truth import TrueNote
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.result import Detector
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.types import Finding

MATCH_S = 0.040
LONG_NOTE_S = 0.9


@dataclass(slots=True)
class NoteScore:
    """What was found of the true notes, and how far off."""

    n_true: int = 0
    n_matched: int = 0
    n_invented: int = 0
    n_octave: int = 0
    n_no_pitch: int = 0
    onset_s: list[float] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)
    cents_long: list[float] = field(default_factory=list)
    sag_v: list[float] = field(default_factory=list)
    sag_raw_v: list[float] = field(default_factory=list)
    stop_s: list[float] = field(default_factory=list)
    seconds: float = 0.0
    cost_s: float = 0.0
    remarks: list[str] = field(default_factory=list)


def detect(detector: Detector, case: EventCase, window_s: float = 10.0) -> tuple[Finding, ...]:
    """Run one detector over a case."""
    for window in iter_windows_from_arrays(case.volts, case.rate_hz, window_s=window_s, edges=case.edges):
        detector.push(window)
    return tuple(detector.finish().findings)


def score_notes(case: EventCase, score: NoteScore, label: str = "") -> None:
    """Match the findings of one case with its notes and add up."""
    began = time.perf_counter()
    found = list(detect(NoteDetector(), case))
    score.cost_s += time.perf_counter() - began
    score.seconds += len(case.volts["output"]) / case.rate_hz
    true = case.truth.notes if case.truth is not None else ()
    score.n_true += len(true)
    for note in true:
        near = [f for f in found if abs(f.start_s - note.begins_s) < MATCH_S]
        if not near:
            score.remarks.append(f"{label}: missed {note.begins_s:.3f} s, {note.pitch_hz:.1f} Hz")
            continue
        best = min(near, key=lambda f: abs(f.start_s - note.begins_s))
        found.remove(best)
        score.n_matched += 1
        score.onset_s.append(best.start_s - note.begins_s)
        score.stop_s.append(best.stop_s - note.stop_s)
        _score_pitch(score, label, note, best)
        if best.measured["sag_v"] is not None:
            score.sag_v.append(float(best.measured["sag_v"]) - _averaged_sag(case, note))
            score.sag_raw_v.append(float(best.measured["sag_v"]) - note.sag_v)
        if abs(best.start_s - note.begins_s) > 0.002:
            score.remarks.append(
                f"{label}: onset off {1e3 * (best.start_s - note.begins_s):.2f} ms at {note.begins_s:.3f} s"
            )
    score.n_invented += len(found)
    for extra in found:
        score.remarks.append(
            f"{label}: invented {extra.start_s:.3f} to {extra.stop_s:.3f} s,"
            f" {extra.measured['pitch_hz'] or 0.0:.1f} Hz, {extra.measured['level_v']:.3f} V"
            f", {extra.evidence['onset_basis']}"
        )


def _score_pitch(score: NoteScore, label: str, note: TrueNote, found: Finding) -> None:
    if found.measured["pitch_hz"] is None:
        score.n_no_pitch += 1
        score.remarks.append(f"{label}: no pitch {note.begins_s:.3f} s, {note.pitch_hz:.1f} Hz")
        return
    cents = 1200 * np.log2(float(found.measured["pitch_hz"]) / note.pitch_hz)
    if abs(cents) > 600:
        score.n_octave += 1
        score.remarks.append(
            f"{label}: octave {note.begins_s:.3f} s, {note.pitch_hz:.1f} Hz: {found.measured['pitch_hz']}"
        )
    score.cents.append(cents)
    if note.stop_s - note.begins_s >= LONG_NOTE_S:
        score.cents_long.append(cents)


def _averaged_sag(case: EventCase, note: TrueNote) -> float:
    """True sag with the lowest value averaged as the detector says it does: a moving parabola over 2 ms."""
    if case.model_supply is None:
        return note.sag_v
    rate_hz = event_signals.MODEL_RATE_HZ
    first, last = round(note.start_s * rate_hz), round(note.stop_s * rate_hz)
    span = case.model_supply[max(0, first - 480) : last + 480]
    smoothed = event_signals.moving_parabola(span)
    inside = smoothed[min(480, first) : min(480, first) + last - first]
    return note.supply_before_v - float(inside.min())


def _spread(values: Iterable[float], scale: float) -> str:
    sizes = np.abs(np.asarray(list(values))) * scale
    if not len(sizes):
        return "    -         "
    return f"{np.median(sizes):6.2f} /{np.percentile(sizes, 90):7.2f}"


def describe_notes(name: str, score: NoteScore) -> str:
    """One line of the table."""
    return (
        f"{name:34s} {score.n_matched:4d}/{score.n_true:4d} invented {score.n_invented:3d} octave {score.n_octave:2d}"
        f" no pitch {score.n_no_pitch:2d}"
        f" | onset ms {_spread(score.onset_s, 1e3)}"
        f" | cents {_spread(score.cents, 1)}, 1 s {_spread(score.cents_long, 1)}"
        f" | sag mV {_spread(score.sag_v, 1e3)}, of the instant {_spread(score.sag_raw_v, 1e3)}"
        f" | {86400 * score.cost_s / max(score.seconds, 1e-9):5.0f} s a day"
    )


NOTE_FAMILIES: tuple[tuple[str, Callable[[int], EventCase]], ...] = (
    ("tones of 1 s", event_signals.tones_case),
    ("tones of 1 s, 25 kS/s less band", lambda s: event_signals.tones_case(s, rate_hz=24000)),
    ("strong 2nd harmonic", lambda s: event_signals.tones_case(s, second_harmonic=2.0)),
    ("plucked", lambda s: event_signals.music_case(s, kinds=("plucked",))),
    ("held", lambda s: event_signals.music_case(s, kinds=("held",))),
    ("drums", lambda s: event_signals.music_case(s, kinds=("drum",))),
    ("bass line, mixed", lambda s: event_signals.music_case(s, kinds=("plucked", "held", "drum"))),
    ("bass line, clipped", lambda s: event_signals.music_case(s, kinds=("plucked", "held", "drum"), loud=True)),
    ("struck again, same pitch", lambda s: event_signals.restruck_case(s, "same")),
    ("legato", lambda s: event_signals.restruck_case(s, "legato")),
    ("overlapping", lambda s: event_signals.restruck_case(s, "overlap")),
    ("swelling over 40 to 300 ms", event_signals.slow_attack_case),
    *UNUSUAL_FAMILIES,
    ("silence", lambda s: event_signals.noise_case(s, "silence", 0.0)),
    ("white noise 1 V", lambda s: event_signals.noise_case(s, "white", 1.0)),
    ("pink noise 0.1 V", lambda s: event_signals.noise_case(s, "pink", 0.1)),
    ("pink noise 3 V", lambda s: event_signals.noise_case(s, "pink", 3.0)),
    ("noise of 25 to 90 Hz, 3 V", lambda s: event_signals.noise_case(s, "band", 3.0)),
    ("voice 0.3 V", lambda s: event_signals.noise_case(s, "speech", 0.3)),
    ("voice 5 V", lambda s: event_signals.noise_case(s, "speech", 5.0)),
)


def print_notes(seeds: range, remarks: int) -> None:
    """Table of the note detector."""
    print("notes: errors are median / 90th percentile of the absolute error")
    for name, make in NOTE_FAMILIES:
        score = NoteScore()
        for seed in seeds:
            score_notes(make(seed), score, f"seed {seed}")
        print(describe_notes(name, score))
        for remark in score.remarks[:remarks]:
            print("      " + remark)

    print_over_music(seeds)
    print_parts(seeds)
    _print_recoveries(seeds)
    _print_speed(seeds[0])


def _print_recoveries(seeds: range) -> None:
    """How far off the time constants of supplies are that return as one exponential, alone or beside a slow rise."""
    for has_slow, name in ((0.0, "alone"), (1.0, "beside a slow rise")):
        off: list[float] = []
        n_asked = 0
        for seed in range(10 * seeds[0], 10 * seeds[0] + 10 * len(seeds)):
            case = event_signals.recovery_case(seed)
            if case.extra["has_slow_part"] != has_slow:
                continue
            n_asked += 1
            found = [f for f in detect(NoteDetector(), case) if f.measured["recovery_s"] is not None]
            if found:
                off.append(float(found[0].measured["recovery_s"] or 0.0) / case.extra["recovery_s"] - 1.0)
        print(f"recovery time constant, {name}: {len(off)} of {n_asked} given, off by % {_spread(off, 100)}")


def _print_speed(seed: int) -> None:
    """CPU time on dense music, the best of five."""
    seconds = 300.0
    case = event_signals.dense_music(seed, seconds)
    windows = list(iter_windows_from_arrays(case.volts, case.rate_hz, window_s=10.0))
    costs_s = []
    for _ in range(5):
        detector = NoteDetector()
        began_s = time.process_time()
        for window in windows:
            detector.push(window)
        n_found = len(detector.finish().findings)
        costs_s.append(time.process_time() - began_s)
    cost_ms = 1000 * min(costs_s) / seconds
    print(
        f"speed on dense music, {n_found} of {len(case.notes)} notes: {cost_ms:.3f} ms CPU a second of recording,"
        f" {86.4 * cost_ms:.0f} s a day; {1e6 * min(costs_s) / max(n_found, 1):.0f} us a note"
    )


def print_dips(seeds: range) -> None:
    """Table of the dip detector."""
    start_s: list[float] = []
    stop_s: list[float] = []
    residual_v: list[float] = []
    n_true = n_matched = n_found = 0
    for seed in seeds:
        for nominal in (True, False):
            case = event_signals.dips_case(seed, declare_nominal=nominal)
            found = list(detect(DipDetector(case.nominal_supply_v), case))
            assert case.truth is not None
            n_true += len(case.truth.dips)
            n_found += len(found)
            for dip in case.truth.dips:
                near = [f for f in found if abs(f.start_s - dip.start_s) < 0.02 and abs(f.stop_s - dip.stop_s) < 0.02]
                if near:
                    n_matched += 1
                    start_s.append(near[0].start_s - dip.start_s)
                    stop_s.append(near[0].stop_s - dip.stop_s)
                    residual_v.append(float(near[0].measured["residual_v"] or 0.0) - dip.residual_v)
    print(
        f"dips: {n_matched}/{n_true} of {n_found} found | start ms {_spread(start_s, 1e3)}"
        f" | stop ms {_spread(stop_s, 1e3)} | residual mV {_spread(residual_v, 1e3)}"
    )


def print_cutouts(seeds: range, remarks: int) -> None:
    """Confusion matrix of the cut-out detector, and how far off start and end are."""
    start_s: list[float] = []
    end_s: list[float] = []
    print("cut-outs: true class, then how often each answer was given")
    n_right = n_all = 0
    notes: list[str] = []
    for name in CUTOUT_CLASSES:
        answers: dict[str, int] = {}
        for seed in seeds:
            case, start_true_s, stop_true_s, wanted = make_cutout_case(name, seed)
            found = detect(CutoutDetector(is_continuous=name.startswith("continuous")), case)
            others = [f for f in found if start_true_s is None or abs(f.start_s - start_true_s) > 0.02]
            hit = [f for f in found if f not in others]
            answer = str(hit[0].measured["cause"]) if hit else "none"
            if others:
                answer += " + invented"
                notes += [f"{name} seed {seed}: invented {f.start_s:.3f} s {f.measured['cause']}" for f in others]
            if hit and start_true_s is not None:
                start_s.append(hit[0].start_s - start_true_s)
                if stop_true_s is not None:
                    end_s.append(hit[0].stop_s - stop_true_s)
            answers[answer] = answers.get(answer, 0) + 1
            n_all += 1
            n_right += answer.startswith(wanted) and not others
            if not answer.startswith(wanted):
                notes.append(f"{name} seed {seed}: {answer}, wanted {wanted}; true start {start_true_s}")
        print(f"  {name:34s} " + "; ".join(f"{n} x {a}" for a, n in sorted(answers.items(), key=lambda x: -x[1])))
    print(f"cut-outs right: {n_right}/{n_all} | start ms {_spread(start_s, 1e3)} | end ms {_spread(end_s, 1e3)}")
    for note in notes[:remarks]:
        print("      " + note)


def main() -> None:
    """Print the score tables of notes, dips and cut-outs."""
    parser = argparse.ArgumentParser(prog="python -m ampwitness.bench.event_scores", description=main.__doc__)
    parser.add_argument("--what", choices=["all", "notes", "dips", "cutouts"], default="all")
    parser.add_argument("--seeds", type=int, default=4, help="how many seeds a family (4)")
    parser.add_argument("--first-seed", type=int, default=1000, help="seeds below 100 were tuned on (1000)")
    parser.add_argument("--remarks", type=int, default=0, help="how many misses and inventions to list a family (0)")
    asked = parser.parse_args()
    chosen = range(asked.first_seed, asked.first_seed + asked.seeds)
    if asked.what in ("all", "notes"):
        print_notes(chosen, asked.remarks)
    if asked.what in ("all", "dips"):
        print_dips(chosen)
    if asked.what in ("all", "cutouts"):
        print_cutouts(chosen, asked.remarks)


if __name__ == "__main__":
    main()
