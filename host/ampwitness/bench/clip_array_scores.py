"""Clipping scored on arrays of volts, without the board: quick, for choosing the detector's numbers.

`python -m ampwitness.bench.clip_array_scores`. The scores that count are those of clip_scores.py.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench import clip_signals
from ampwitness.bench.clip_signals import ClipCase, TrueClip
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import Finding, FloatArray

BANDS_DB = ((0.0, 0.1), (0.1, 0.25), (0.25, 1.0), (1.0, 99.0))


@dataclass(slots=True)
class Score:
    """Sums over cases."""

    n_true: dict[tuple[float, float], int] = field(default_factory=lambda: dict.fromkeys(BANDS_DB, 0))
    n_hit: dict[tuple[float, float], int] = field(default_factory=lambda: dict.fromkeys(BANDS_DB, 0))
    n_found: int = 0
    n_false: int = 0
    n_source: int = 0
    seconds: float = 0.0
    cost_s: float = 0.0
    start_error_s: list[float] = field(default_factory=list)
    stop_error_s: list[float] = field(default_factory=list)
    overdrive_error_db: list[float] = field(default_factory=list)
    missed: list[TrueClip] = field(default_factory=list)
    invented: list[Finding] = field(default_factory=list)


def score_case(case: ClipCase, score: Score, shortest_flat_s: float, window_s: float = 10.0) -> Score:
    """Run the detector on a case and add what it found to the score."""
    roles = {"output": case.output_v} if case.supply_v is None else {"output": case.output_v, "supply": case.supply_v}
    detector = ClippingDetector()
    begun = time.perf_counter()
    for window in iter_windows_from_arrays(roles, case.rate_hz, window_s=window_s):
        detector.push(window)
    result = detector.finish()
    score.cost_s += time.perf_counter() - begun
    score.seconds += case.duration_s
    score.n_found += len(result.findings)
    for polarity in ("positive", "negative"):
        true = [clip for clip in case.clips if clip.polarity == polarity]
        found = [finding for finding in result.findings if finding.measured["polarity"] == polarity]
        _match(true, found, score, shortest_flat_s)
    score.n_source += sum(finding.evidence["where"] == "source" for finding in result.findings)
    return score


def _match(true: list[TrueClip], found: list[Finding], score: Score, shortest_flat_s: float) -> None:
    """A finding that overlaps a true clip, or comes within 0.2 ms of it, is right."""
    starts = np.array([clip.start_s for clip in true])
    stops = np.array([clip.stop_s for clip in true])
    hit = np.zeros(len(true), dtype=bool)
    for finding in found:
        over = np.flatnonzero((starts < finding.stop_s + 0.0002) & (stops > finding.start_s - 0.0002))
        if not len(over):
            score.n_false += 1
            score.invented.append(finding)
            continue
        hit[over] = True
        if len(over) == 1 and true[over[0]].stop_s - true[over[0]].start_s >= shortest_flat_s:
            clip = true[over[0]]
            score.start_error_s.append(abs(finding.start_s - clip.start_s))
            score.stop_error_s.append(abs(finding.stop_s - clip.stop_s))
            score.overdrive_error_db.append(abs(float(finding.measured["overdrive_db"] or 0) - clip.overdrive_db))
    for clip, was_hit in zip(true, hit, strict=True):
        if clip.stop_s - clip.start_s < shortest_flat_s:
            continue
        band = next(band for band in BANDS_DB if band[0] <= clip.overdrive_db < band[1])
        score.n_true[band] += 1
        score.n_hit[band] += int(was_hit)
        if not was_hit:
            score.missed.append(clip)


def make_case(
    family: str,
    seed: int,
    *,
    seconds: float = 20.0,
    rate_hz: float = 8000.0,
    rail_v: float = 30.0,
    drive_db: float = 3.0,
    rail: str = "fixed",
    with_supply: bool = True,
    softness: float = 0.0,
    source_db: float | None = None,
) -> ClipCase:
    """Make one case: a family of drive signals through an amplifier onto the logger.

    rail: "fixed", "following" (scales with a sagging supply) or "loaded" (sinks and ripples with the output's size)
    drive_db : peak of the wanted output over the rail at a supply at rest; negative is clean
    source_db : the drive is first clipped by this much in the source; the amplifier then stays under its rail
    """
    rng = np.random.default_rng([seed, sum(map(ord, family))])
    high_hz = rate_hz * clip_signals.OVERSAMPLING
    drive = getattr(clip_signals, family)(rng, seconds, high_hz)
    level: FloatArray
    supply = clip_signals.sagging_supply(rng, drive, high_hz, sag_v=2.0)
    if source_db is not None:
        top = float(np.max(np.abs(drive))) * 10 ** (-source_db / 20)
        level = np.repeat(rng.uniform(0.4, 0.95, int(seconds / 2) + 1), int(2 * high_hz))[: len(drive)]
        clips = clip_signals.true_clips(drive, top, top, high_hz)
        volts = np.clip(drive, -top, top) / top * level * rail_v
        return ClipCase(
            f"{family} clipped in the source", rate_hz, clip_signals.log(rng, volts),
            clip_signals.log_supply(rng, supply) if with_supply else None, clips,
        )  # fmt: skip
    wanted = drive * rail_v * 10 ** (drive_db / 20)
    if rail == "following":
        level = rail_v / 13.6 * supply
    elif rail == "loaded":
        level = rail_v * (1 - 0.06 * np.convolve(np.abs(drive), np.ones(800) / 800, "same")) * supply / 13.6
    else:
        level = np.full_like(drive, rail_v)
    clips = clip_signals.true_clips(wanted, level, level * 0.985, high_hz)
    volts = clip_signals.amplify(wanted, level, level * 0.985, softness)
    name = f"{family} {drive_db:+.1f} dB, {rail} rail {rail_v:g} V"
    return ClipCase(
        name,
        rate_hz,
        clip_signals.log(rng, volts),
        clip_signals.log_supply(rng, supply) if with_supply else None,
        clips,
    )


def describe(name: str, score: Score) -> str:
    """One line of the table."""
    bands = " ".join(
        f"{100 * score.n_hit[b] / score.n_true[b]:6.2f}%({score.n_true[b]:5d})" if score.n_true[b] else " " * 14
        for b in BANDS_DB
    )
    errors = "-" * 8
    if score.start_error_s:
        over = np.percentile(score.overdrive_error_db, [50, 90])
        start = np.percentile(score.start_error_s, 90)
        stop = np.percentile(score.stop_error_s, 90)
        errors = f"over {over[0]:.3f}/{over[1]:.3f} dB  start {1e3 * start:.3f} stop {1e3 * stop:.3f} ms"
    precision = 100 * (1 - score.n_false / score.n_found) if score.n_found else float("nan")
    speed = score.cost_s / max(score.seconds, 1e-9) * 86400
    return (
        f"{name:46s} {bands} false {score.n_false:4d} prec {precision:6.2f}% {errors}"
        f" source {score.n_source} in {score.seconds:.0f} s, a day costs {speed:.0f} s"
    )


def tables(which: str, seeds: range, seconds: float) -> list[tuple[str, Score]]:
    """Run all cases of the families in `which` ("tuning" or "scoring")."""
    families = clip_signals.TUNING if which == "tuning" else clip_signals.SCORING
    rows = []
    for family in families:
        for label, options in (
            ("clean", {"drive_db": -0.3}),
            ("fixed", {"drive_db": 4.0}),
            ("light", {"drive_db": 0.6}),
            ("following", {"drive_db": 6.0, "rail": "following"}),
            ("following, no supply", {"drive_db": 6.0, "rail": "following", "with_supply": False}),
            ("loaded", {"drive_db": 6.0, "rail": "loaded"}),
            ("10 V", {"drive_db": 4.0, "rail_v": 10.0}),
            ("source", {"source_db": 4.0}),
        ):
            score = Score()
            for seed in seeds:
                score_case(make_case(family, seed, seconds=seconds, **options), score, 0.0005)
            rows.append((f"{family} {label}", score))
    return rows


def main() -> None:
    """Print the score table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", choices=["tuning", "scoring"], default="tuning")
    parser.add_argument("--seeds", type=int, default=2, help="how many seeds a case")
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=20.0, help="length of each case")
    parser.add_argument("--missed", action="store_true", help="list what was missed and invented")
    args = parser.parse_args()
    print(
        f"recall by overdrive: {', '.join(f'{low:g}...{high:g} dB' for low, high in BANDS_DB)}; flats of 0.5 ms or more"
    )
    for name, score in tables(args.which, range(args.first_seed, args.first_seed + args.seeds), args.seconds):
        print(describe(name, score))
        if args.missed:
            for clip in score.missed[:10]:
                print(
                    f"    missed {clip.polarity} {clip.start_s:.4f} s,"
                    f" flat {1e3 * (clip.stop_s - clip.start_s):.2f} ms, {clip.overdrive_db:.2f} dB"
                )
            for finding in score.invented[:10]:
                print(f"    invented {finding.start_s:.4f} {dict(finding.measured)} {dict(finding.evidence)}")


if __name__ == "__main__":
    main()
