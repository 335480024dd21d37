"""Scores of the cut-out detector, every class and what is none: `python -m ampwitness.bench.cutout_scores`."""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench import cutout_drawn, cutout_faults, cutout_material, cutout_more
from ampwitness.bench.cutout_material import NONE, RATE_HZ, CutoutCase
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import CRANKING
from ampwitness.detect.cutouts.cutout_cranking import settle_cranking
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.types import Finding

NEAR_S = 0.06
_SETS = {"usual": cutout_material, "more": cutout_more, "faults": cutout_faults, "drawn": cutout_drawn}


@dataclass(slots=True)
class Score:
    """What a set of cases came to."""

    n: int = 0
    n_right: int = 0
    start_abrupt_s: list[float] = field(default_factory=list)
    start_slow_s: list[float] = field(default_factory=list)
    end_s: list[float] = field(default_factory=list)
    n_order: int = 0
    n_order_right: int = 0
    n_return: int = 0
    n_return_right: int = 0
    n_protection: int = 0
    n_protection_right: int = 0
    level_off_v: list[float] = field(default_factory=list)
    n_slow_held: int = 0  # slow starts that lie within what was said of them
    n_sure: int = 0  # told of with high confidence
    n_sure_wrong: int = 0
    n_level_held: int = 0  # levels of letting go that lie in their interval
    remarks: list[str] = field(default_factory=list)


def find_cutouts(case: CutoutCase, window_s: float = 10.0) -> tuple[tuple[Finding, ...], dict[str, object]]:
    """The detector's findings on a case, cranking told apart as the whole analysis does."""
    cutouts, dips, history = CutoutDetector(is_continuous=case.is_continuous), DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays(case.volts, RATE_HZ, window_s=window_s, edges=case.edges, lost=case.lost):
        for part in (cutouts, dips, history):
            part.push(window)
    result = cutouts.finish()
    states = find_engine_states(history.finish(), dips.finish().findings)
    return settle_cranking(result.findings, states.cranking, CRANKING, states.started), dict(result.summary)


def score_case(name: str, seed: int, score: Score) -> str:
    """Score one case; return the answer in words."""
    case = next(module for module in _SETS.values() if name in module.CLASSES).make_case(name, seed)
    found, summary = find_cutouts(case)
    score.n += 1
    if case.wanted == NONE:
        causes = [str(f.measured["cause"]) for f in found]
        is_right = all(c.startswith(_by_itself(case)) for c in causes)
        is_right &= not (case.lost and found)
        answer = "none" if not causes else "; ".join(sorted(set(causes)))
        score.n_right += is_right
        if not is_right:
            score.remarks.append(f"{name} seed {seed}: {answer} at {[round(f.start_s, 3) for f in found]}")
        return answer
    hits = [min(found, key=lambda f: abs(f.start_s - s), default=None) for s in case.start_s]
    hits = [
        h if h is not None and abs(h.start_s - s) < NEAR_S else None for h, s in zip(hits, case.start_s, strict=True)
    ]
    invented = [f for f in found if f not in hits]
    if case.pauses:
        invented = [f for f in invented if not str(f.measured["cause"]).startswith(_by_itself(case))]
    invented = [f for f in invented if not any(abs(f.start_s - s) < 2 * NEAR_S for s in case.unheard_s)]
    answers = [str(h.measured["cause"]) if h is not None else "none" for h in hits]
    sure = [h for h in hits if h is not None and h.measured["confidence"] == "high"]
    score.n_sure += len(sure)
    is_wrong = [not str(h.measured["cause"]).startswith(tuple(case.wanted.split("|"))) for h in sure]
    score.n_sure_wrong += sum(is_wrong)
    is_right = all(a.startswith(tuple(case.wanted.split("|"))) for a in answers) and not invented
    score.n_right += is_right
    if not is_right:
        extra = [(round(f.start_s, 3), str(f.measured["cause"])) for f in invented]
        score.remarks.append(f"{name} seed {seed}: {answers}, wanted {case.wanted} at {case.start_s}; invented {extra}")
    for hit, start_s, stop_s in zip(hits, case.start_s, case.stop_s, strict=True):
        if hit is not None:
            _score_times(name, seed, case, hit, start_s, stop_s, score)
    if case.level_v is not None and isinstance(learned := summary.get("under_voltage"), dict):
        score.level_off_v.append(learned["level_v"] - case.level_v)
        low_v, high_v = learned["interval_v"]
        score.n_level_held += bool(low_v <= case.level_v <= high_v)
    return " + invented".join([" / ".join(sorted(set(answers))), ""][: 2 if invented else 1])


def _by_itself(case: CutoutCase) -> tuple[str, ...]:
    """What may be said of a programme that stops by itself; that its source stopped, where that is logged."""
    said = ("not decided: the signal may have paused",)
    return (*said, "signal stopped at the source") if case.pauses and "source" in case.volts else said


def _score_times(
    name: str, seed: int, case: CutoutCase, hit: Finding, start_s: float, stop_s: float | None, score: Score
) -> None:
    error_s = hit.start_s - start_s
    (score.start_abrupt_s if case.is_abrupt else score.start_slow_s).append(error_s)
    doubt_s = float(hit.measured["start_uncertainty_s"] or 0.0)
    score.n_slow_held += not case.is_abrupt and abs(error_s) <= doubt_s
    limit_s = 0.005 if case.is_abrupt else 0.015
    if abs(error_s) > limit_s:
        score.remarks.append(f"{name} seed {seed}: start off by {1e3 * error_s:.1f} ms")
    if stop_s is not None:
        score.end_s.append(hit.stop_s - stop_s)
        if abs(hit.stop_s - stop_s) > 0.02:
            score.remarks.append(f"{name} seed {seed}: end off by {1e3 * (hit.stop_s - stop_s):.1f} ms")
    if case.order:
        score.n_order += 1
        named = [
            (e["time_s"], next((w for w in case.order if str(e["what"]).startswith(w)), None))
            for e in hit.evidence["events"]
        ]
        order = [w for _, w in sorted((t, w) for t, w in named if w is not None)]
        is_right = tuple(order) == case.order
        score.n_order_right += is_right
        if not is_right:
            score.remarks.append(f"{name} seed {seed}: order {named}, wanted {case.order}")
    if case.returned is not None and hit.measured["recovered"]:
        score.n_return += 1
        how = str(hit.measured["returned"])
        got = "thump" if "thump" in how else "ramp" if how.startswith("over") else "at once"
        score.n_return_right += got == case.returned
        if got != case.returned:
            score.remarks.append(f"{name} seed {seed}: returned {how}, wanted {case.returned}")
    if case.protection is not None:
        score.n_protection += 1
        score.n_protection_right += hit.evidence["protection"] == case.protection
        if hit.evidence["protection"] != case.protection:
            score.remarks.append(
                f"{name} seed {seed}: {hit.evidence['protection']}, wanted {case.protection}: {hit.evidence['reasons']}"
            )


def _within(values: list[float], limit_s: float) -> str:
    sizes = np.abs(values)
    if not len(sizes):
        return "-"
    return (
        f"median {1e3 * np.median(sizes):.2f} ms, p90 {1e3 * np.percentile(sizes, 90):.2f}, "
        f"p99 {1e3 * np.percentile(sizes, 99):.2f}; "
        f"within {1e3 * limit_s:.1f} ms: {int(np.sum(sizes <= limit_s))}/{len(sizes)}"
    )


def run_scores(first_seed: int, n_seeds: int, names: list[str]) -> tuple[Score, dict[str, Counter[str]]]:
    """Score all classes over some seeds."""
    score, table = Score(), {name: Counter[str]() for name in names}
    for name in names:
        for seed in range(first_seed, first_seed + n_seeds):
            table[name][score_case(name, seed, score)] += 1
    return score, table


def main() -> None:
    """Print the confusion matrix and the errors of times."""
    parser = argparse.ArgumentParser(prog="python -m ampwitness.bench.cutout_scores", description=main.__doc__)
    parser.add_argument("--seeds", type=int, default=12, help="seeds a class (12: 312 recordings)")
    parser.add_argument("--first-seed", type=int, default=5000, help="seeds below 1000 were tuned on (5000)")
    parser.add_argument("--only", default="", help="classes whose name holds this")
    parser.add_argument("--more", action="store_true", help="those of `cutout_more` instead: other material")
    parser.add_argument("--faults", action="store_true", help="those of `cutout_faults` instead: easily mistaken")
    parser.add_argument("--drawn", action="store_true", help="those of `cutout_drawn` instead: as an examiner draws")
    parser.add_argument("--remarks", type=int, default=0, help="how many misses to list (0)")
    asked = parser.parse_args()
    chosen = _SETS[next((name for name in ("faults", "more", "drawn") if getattr(asked, name)), "usual")]
    names = [name for name in chosen.CLASSES if asked.only in name]
    score, table = run_scores(asked.first_seed, asked.seeds, names)
    print(
        f"cut-outs, seeds {asked.first_seed} to {asked.first_seed + asked.seeds - 1}: class, then how often each answer"
    )
    for name, answers in table.items():
        print(f"  {name:30s} " + "; ".join(f"{n} x {a}" for a, n in answers.most_common()))
    print(f"right: {score.n_right}/{score.n} recordings (goal 98 %: {score.n_right / max(score.n, 1):.1%})")
    print(f"named with high confidence: {score.n_sure}, of which wrong: {score.n_sure_wrong} (goal: none)")
    print(f"start, abrupt: {_within(score.start_abrupt_s, 0.005)} (goal 5 ms)")
    print(f"start, slow:   {_within(score.start_slow_s, 0.0125)} (goal half a cycle: 12.5 ms of 40 Hz)")
    print(f"               within what is said of them: {score.n_slow_held}/{len(score.start_slow_s)} (95 %)")
    print(f"end:           {_within(score.end_s, 0.005)}")
    print(f"order of events right: {score.n_order_right}/{score.n_order} (goal 99 %)")
    print(
        f"how it returned right: {score.n_return_right}/{score.n_return}; "
        f"kind of protection right: {score.n_protection_right}/{score.n_protection}"
    )
    if score.level_off_v:
        off_v = 1e3 * np.abs(score.level_off_v)
        held = f"within its 95 % interval: {score.n_level_held}/{len(off_v)}"
        print(f"level of letting go: median off by {np.median(off_v):.0f} mV, most {off_v.max():.0f} mV; {held}")
    for remark in score.remarks[: asked.remarks]:
        print("    " + remark)


if __name__ == "__main__":
    main()
