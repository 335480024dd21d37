"""Scores of the clipping detector on signals with truth, all through the board.

`python -m ampwitness.bench.clip_scores`
Without options a quick look (under 90 s); `--full` gives every case more time and seeds; `--hours` plays clean material
only as long as asked for. How a finding is matched with a true half-cycle stands in clip_matching.py, what is true in
amplifier_flats.py, what is played in clip_sets.py (with the seeds that are scored and those kept for tuning).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import chi2

from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import BANDS_DB, Tally, score_case

SHORTEST_FLAT_S = {"full-25k": 0.00025}  # all others: 0.5 ms
TITLES = {
    "bass": "bass at 8 kS/s, half-cycles with a flat of 0.5 ms or more",
    "full-8k": "full-range music at 8 kS/s, flats of 0.5 ms or more",
    "full-25k": "full-range music at 25 kS/s, flats of 0.25 ms or more",
    "hostile": "hostile, at 8 kS/s",
    "stages": "amplifiers less obliging than a static clip, at 8 kS/s",
    "unusual": "amplifiers and sources that the other sets lack, at 8 kS/s",
    "clean": "clean material, at 8 kS/s",
}
QUICK_S = {"bass": 8.0, "full-8k": 8.0, "full-25k": 6.0, "hostile": 8.0, "stages": 8.0, "unusual": 8.0, "clean": 240.0}
FULL_S = {
    "bass": 40.0,
    "full-8k": 40.0,
    "full-25k": 30.0,
    "hostile": 40.0,
    "stages": 30.0,
    "unusual": 30.0,
    "clean": 6 * 3600.0,
}
FULL_SEEDS = 4


@dataclass(frozen=True, slots=True)
class Line:
    """One figure beside its goal. `is_met` None: a figure without a goal, or without material."""

    what: str
    figure: str
    goal: str = ""
    is_met: bool | None = None

    def text(self) -> str:
        """The line as printed."""
        verdict = {True: "met", False: "NOT MET", None: ""}[self.is_met]
        return f"  {self.what:44s} {self.figure:34s} {self.goal:18s} {verdict}".rstrip()


def _at_least(what: str, n_good: int, n_all: int, goal_percent: float | None) -> Line:
    if not n_all:
        return Line(what, "no material")
    percent = 100 * n_good / n_all
    figure = f"{percent:.2f} % ({n_good} of {n_all})"
    if goal_percent is None:
        return Line(what, figure)
    return Line(what, figure, f">= {goal_percent:g} %", percent >= goal_percent)


def _at_most(what: str, value: float, unit: str, goal: float | None, digits: int = 3) -> Line:
    figure = f"{value:.{digits}f} {unit}"
    return Line(what, figure) if goal is None else Line(what, figure, f"<= {goal:g} {unit}", value <= goal)


def false_bound_per_hour(n_false: int, hours: float) -> float:
    """One-sided 95 % upper bound of a Poisson rate: chi-square of 2 (n + 1) at 0.95, over two hours' worth."""
    return float(chi2.ppf(0.95, 2 * (n_false + 1)) / 2 / hours)


def recall_lines(tally: Tally, goals: Mapping[int, float]) -> list[Line]:
    """Recall by band (goals by the band's place) and over all."""
    lines = []
    for place, band in enumerate(BANDS_DB):
        name = f"recall, {band[0]:g} to {band[1]:g} dB" if band[1] < 99 else f"recall, above {band[0]:g} dB"
        lines.append(_at_least(name, tally.n_hit[band], tally.n_true[band], goals.get(place)))
    lines.append(_at_least("recall, all", tally.n_hit.total(), tally.n_true.total(), goals.get(-1)))
    return lines


def error_lines(tally: Tally, start_s: float | None, overdrive_db: tuple[float, float] | None) -> list[Line]:
    """Errors of start, stop and overdrive, and how often the stated interval holds the truth."""
    if not tally.start_error_s:
        return [Line("errors", "nothing was found")]
    start, stop = (np.percentile(errors, [50, 90]) for errors in (tally.start_error_s, tally.stop_error_s))
    over = np.percentile(tally.overdrive_error_db, [50, 90])
    median_goal, p90_goal = overdrive_db or (None, None)
    lines = [
        _at_most("start error, median", 1e3 * float(start[0]), "ms", None),
        _at_most("start error, p90", 1e3 * float(start[1]), "ms", None if start_s is None else 1e3 * start_s),
        _at_most("stop error, p90", 1e3 * float(stop[1]), "ms", None),
        _at_most("overdrive error, median", float(over[0]), "dB", median_goal),
        _at_most("overdrive error, p90", float(over[1]), "dB", p90_goal),
    ]
    if tally.interval_holds:
        lines.append(
            _at_least("overdrive interval holds the truth", sum(tally.interval_holds), len(tally.interval_holds), 90.0)
        )
    else:
        lines.append(Line("overdrive interval holds the truth", "not stated by the detector", ">= 90 %", False))
    return lines


def precision_line(tally: Tally, goal_percent: float) -> Line:
    """Precision over scored findings."""
    return _at_least("precision", tally.n_right, tally.n_right + tally.n_false, goal_percent)


def origin_lines(tally: Tally) -> list[Line]:
    """Whether the place of clipping was named right, where it can be known and where it cannot."""
    named = tally.origins
    n_source = sum(n for (true, _), n in named.items() if true == "source")
    n_amplifier = sum(n for (true, _), n in named.items() if true == "amplifier")
    n_either = sum(n for (true, _), n in named.items() if true == "either")
    return [
        _at_least("source clipping found, named so", named[("source", "source")], n_source, 95.0),
        _at_least("amplifier clipping named so", named[("amplifier", "amplifier")], n_amplifier, None),
        _at_least("  wrongly put down to the source", named[("amplifier", "source")], n_amplifier, None),
        _at_least("nothing can tell: answered undecided", named[("either", "undecided")], n_either, None),
    ]


def ceiling_lines(tally: Tally) -> list[Line]:
    """Which kind of ceiling was named."""
    lines = []
    for true, other in (("rail", "current"), ("current", "rail")):
        n = sum(count for (was, _), count in tally.ceilings.items() if was == true)
        lines.append(_at_least(f"ceiling is a {true}: named so", tally.ceilings[(true, true)], n, None))
        lines.append(_at_least("  named undecided", tally.ceilings[(true, "undecided")], n, None))
        lines.append(_at_least(f"  named a {other}", tally.ceilings[(true, other)], n, None))
    n_said = sum(count for (_, named), count in tally.ceilings.items() if named != "not said")
    lines.append(Line("ceiling kind stated", f"{n_said} of {tally.ceilings.total()}", "all", _all(n_said, tally)))
    return lines


def _all(n_said: int, tally: Tally) -> bool | None:
    return n_said == tally.ceilings.total() if tally.ceilings else None


def lines_of(name: str, tally: Tally) -> list[Line]:
    """All lines of a set."""
    if name == "bass":
        lines = [*recall_lines(tally, {0: 95.0, 1: 99.0, 2: 99.0, 3: 99.0}), precision_line(tally, 99.8)]
        lines += error_lines(tally, 0.0001, (0.05, 0.25))
    elif name in ("full-8k", "full-25k"):
        lines = [*recall_lines(tally, {-1: 95.0 if name == "full-8k" else 99.5}), precision_line(tally, 98.0)]
        lines += error_lines(tally, None, None)
    elif name in ("hostile", "unusual"):
        lines = [*recall_lines(tally, {-1: 97.0 if name == "hostile" else 90.0}), precision_line(tally, 98.0)]
        lines += [*error_lines(tally, None, None), *origin_lines(tally)]
    elif name == "stages":
        lines = [*recall_lines(tally, {-1: 90.0}), precision_line(tally, 95.0)]
        lines += [*error_lines(tally, None, None), *ceiling_lines(tally), *origin_lines(tally)[1:3]]
    else:
        lines = _clean_lines(tally)
    lines.append(
        Line(
            "detector's cost",
            f"{1e3 * tally.detect_s / max(tally.seconds, 1e-9):.1f} ms a second of signal",
            f"({tally.seconds:.0f} s played)",
        )
    )
    if tally.n_ignored or tally.n_left_out:
        lines.append(
            Line("left out", f"{tally.n_ignored} findings, {tally.n_left_out} half-cycles not judged or at an end")
        )
    return lines


def _clean_lines(tally: Tally) -> list[Line]:
    hours = tally.seconds / 3600
    rate, bound = tally.n_false / hours, false_bound_per_hour(tally.n_false, hours)
    return [
        Line("false findings", f"{tally.n_false} in {hours:.2f} h"),
        _at_most("false findings an hour", rate, "/h", 0.5),
        _at_most("  95 % upper bound (Poisson)", bound, "/h", None),
        Line("clean hours played", f"{hours:.2f} h", ">= 6 h", hours >= 5.999),
    ]


def score_set(
    name: str,
    seeds: range,
    seconds: float,
    audio: Path | None = None,
    on_case: Callable[[str, Tally], None] = lambda case, tally: None,
    first_chunk: int = 0,
) -> Tally:
    """Score a set: `seconds` a case and seed, or in all for "clean". `on_case` hears of each case as it is done."""
    total = Tally()
    shortest_s = SHORTEST_FLAT_S.get(name, 0.0005)
    if name == "clean":
        for case in clip_sets.iter_clean(seconds, first_chunk, audio):
            tally = score_case(case, shortest_s)
            on_case(case.name, tally)
            total.add(tally)
        return total
    for recipe in clip_sets.recipes(name, audio):
        sum_of_case = Tally()
        for seed in seeds:
            sum_of_case.add(score_case(clip_sets.make(name, recipe, seed, seconds, audio), shortest_s))
        on_case(recipe, sum_of_case)
        total.add(sum_of_case)
    return total


def case_text(case: str, tally: Tally) -> str:
    """One case on one line."""
    bands = " ".join(f"{tally.n_hit[band]:4d}/{tally.n_true[band]:<4d}" for band in BANDS_DB)
    errors = ""
    if tally.start_error_s:
        over = np.percentile(tally.overdrive_error_db, [50, 90])
        start = 1e3 * np.percentile(tally.start_error_s, 90)
        errors = f" start {start:.3f} ms over {over[0]:.3f}/{over[1]:.3f} dB"
    return f"    {case:46s} {bands} false {tally.n_false:3d}{errors}"


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(
        description=__doc__.partition("\n")[0] if __doc__ else None,
        epilog="example: python -m ampwitness.bench.clip_scores --sets hostile stages --cases",
    )
    parser.add_argument("--sets", nargs="+", choices=list(TITLES), default=list(TITLES))
    parser.add_argument("--full", action="store_true", help="longer cases, more seeds, six hours of clean material")
    parser.add_argument("--hours", type=float, help="hours of clean material")
    parser.add_argument("--seconds", type=float, help="length of each case")
    parser.add_argument("--seeds", type=int, help="how many seeds a case")
    parser.add_argument("--first-seed", type=int, help="first seed instead of the scored ones")
    parser.add_argument("--tuning", action="store_true", help="seeds kept for tuning instead of the scored ones")
    parser.add_argument("--audio", type=Path, help="folder of recorded sounds to play too (see clip_material.py)")
    parser.add_argument("--cases", action="store_true", help="a line a case")
    parser.add_argument("--missed", type=int, default=0, metavar="N", help="list N missed and N invented a set")
    args = parser.parse_args()
    first = (clip_sets.TUNING_SEEDS if args.tuning else clip_sets.SCORED_SEEDS)[0]
    first = first if args.first_seed is None else args.first_seed
    seeds = range(first, first + (args.seeds or (FULL_SEEDS if args.full else 1)))
    begun = time.perf_counter()
    for name in args.sets:
        seconds = args.seconds or (FULL_S if args.full else QUICK_S)[name]
        if name == "clean":
            seconds = 3600 * args.hours if args.hours else (FULL_S if args.full else QUICK_S)[name]
            print(f"{TITLES[name]}; chunks of {clip_sets.CLEAN_CHUNK_S:g} s from seed {clip_sets.CLEAN_SEEDS[0]}")
        else:
            print(f"{TITLES[name]}; {seconds:g} s a case, seeds {seeds[0]} to {seeds[-1]}")
        done = [0]

        def tell(case: str, tally: Tally, done: list[int] = done) -> None:
            done[0] += 1
            if args.cases or (tally.n_false and not tally.n_true):
                print(case_text(case, tally), flush=True)
            elif sys.stderr.isatty():
                print(f"\r{done[0]} cases, {time.perf_counter() - begun:.0f} s ", end="", file=sys.stderr, flush=True)

        tally = score_set(name, seeds, seconds, args.audio, tell)
        print("\n".join(line.text() for line in lines_of(name, tally)))
        _list_errors(tally, args.missed)
    print(f"{time.perf_counter() - begun:.0f} s in all")


def _list_errors(tally: Tally, n: int) -> None:
    for case, flat in tally.missed[:n]:
        print(
            f"    missed in {case}: {flat.polarity} {flat.start_s:.4f} s, {1e3 * flat.flat_s:.2f} ms,"
            f" {flat.overdrive_db:.2f} dB, {flat.ceiling}, {flat.origin}"
        )
    for case, finding in tally.invented[:n]:
        print(f"    invented in {case}: {finding.start_s:.4f} s {dict(finding.measured)} {dict(finding.evidence)}")


if __name__ == "__main__":
    main()
