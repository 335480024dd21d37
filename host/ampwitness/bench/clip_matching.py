"""Found clips beside true flats, half-cycle by half-cycle.

The rule. A half-cycle of the wanted output is one item of truth: its flats of one polarity together. It is counted
where its longest unbroken flat lasts `shortest_flat_s` or more, in the overdrive band of that flat, and it is hit where
any finding of its polarity overlaps any of its flats, each widened by 0.2 ms at both ends. A finding that overlaps no
flat at all (of any length) is false. A finding that overlaps only flats that are not scored (soft ones below 0.25 dB)
counts neither for nor against; so does one on material with square tops of its own that does not blame the amplifier.
Precision = right / (right + false). Half-cycles in spans that the detector reports as not judged are left out, and
their number is printed.
Errors are those of the finding that overlaps a flat of the half-cycle most: against the earliest start, the latest stop
and the largest overdrive of all flats that it overlaps; what it is named is compared with the flat under most of it.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench.amplifier_flats import TrueFlat
from ampwitness.bench.clip_cases import ScoredCase
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import Finding, NotJudged

Band = tuple[float, float]
BANDS_DB: tuple[Band, ...] = ((0.0, 0.1), (0.1, 0.25), (0.25, 1.0), (1.0, 99.0))
MARGIN_S = 0.0002
_Overlap = tuple[float, Finding, list[TrueFlat]]  # common seconds, the finding, all flats it overlaps


@dataclass(slots=True)
class Tally:
    """Sums over cases. Errors are absolute."""

    n_true: Counter[Band] = field(default_factory=Counter)
    n_hit: Counter[Band] = field(default_factory=Counter)
    n_right: int = 0
    n_false: int = 0
    n_ignored: int = 0
    n_left_out: int = 0
    start_error_s: list[float] = field(default_factory=list)
    stop_error_s: list[float] = field(default_factory=list)
    overdrive_error_db: list[float] = field(default_factory=list)
    interval_holds: list[bool] = field(default_factory=list)
    origins: Counter[tuple[str, str]] = field(default_factory=Counter)  # (true, named)
    ceilings: Counter[tuple[str, str]] = field(default_factory=Counter)
    seconds: float = 0.0
    detect_s: float = 0.0
    missed: list[tuple[str, TrueFlat]] = field(default_factory=list)
    invented: list[tuple[str, Finding]] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        for name in ("n_true", "n_hit", "origins", "ceilings"):
            getattr(self, name).update(getattr(other, name))
        for name in ("n_right", "n_false", "n_ignored", "n_left_out", "seconds", "detect_s"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in (
            "start_error_s", "stop_error_s", "overdrive_error_db", "interval_holds", "missed", "invented",
        ):  # fmt: skip
            getattr(self, name).extend(getattr(other, name))


def score_case(case: ScoredCase, shortest_flat_s: float, window_s: float = 10.0) -> Tally:
    """Take a case through the board and the detector, and match what it found."""
    tally = Tally(seconds=case.stimulus.duration_s)
    detector = ClippingDetector()
    for window in case.windows(window_s):
        begun = time.perf_counter()
        detector.push(window)
        tally.detect_s += time.perf_counter() - begun
    begun = time.perf_counter()
    result = detector.finish()
    tally.detect_s += time.perf_counter() - begun
    match(case, result.findings, result.coverage.not_judged, shortest_flat_s, tally)
    return tally


def match(
    case: ScoredCase,
    findings: Iterable[Finding],
    not_judged: Iterable[NotJudged],
    shortest_flat_s: float,
    tally: Tally,
) -> None:
    """Add what was found in a case to a tally, by the rule above."""
    findings, spans = list(findings), list(not_judged)
    for polarity in ("positive", "negative"):
        flats = [flat for flat in case.flats if flat.polarity == polarity]
        found = [finding for finding in findings if finding.measured["polarity"] == polarity]
        overlaps = _match_findings(case, flats, found, tally)
        _match_half_cycles(case, flats, overlaps, spans, shortest_flat_s, tally)


def named_origin(finding: Finding) -> str:
    """ "amplifier", "source" or "undecided"."""
    named = finding.measured.get("origin") or finding.evidence.get("where")
    return str(named) if named in ("amplifier", "source") else "undecided"


def named_ceiling(finding: Finding) -> str:
    """ "rail", "current", "undecided", or "not said"."""
    return str(finding.measured.get("ceiling") or "not said")


def _match_findings(
    case: ScoredCase, flats: Sequence[TrueFlat], found: Sequence[Finding], tally: Tally
) -> dict[int, list[_Overlap]]:
    """Sort findings into right, false and neither; those that are right by the half-cycles they lie on."""
    starts = np.array([flat.start_s for flat in flats])
    stops = np.array([flat.stop_s for flat in flats])
    overlaps: dict[int, list[_Overlap]] = {}
    for finding in found:
        touched = np.flatnonzero((starts < finding.stop_s + MARGIN_S) & (stops > finding.start_s - MARGIN_S)).tolist()
        if not touched:
            if case.has_square_tops and named_origin(finding) != "amplifier":
                tally.n_ignored += 1
            else:
                tally.n_false += 1
                tally.invented.append((case.name, finding))
            continue
        if not any(flats[k].is_scored for k in touched):
            tally.n_ignored += 1
            continue
        tally.n_right += 1
        on = [flats[k] for k in touched]
        for half in {flat.half_cycle for flat in on}:
            common_s = max(
                min(flat.stop_s, finding.stop_s) - max(flat.start_s, finding.start_s)
                for flat in on
                if flat.half_cycle == half
            )
            overlaps.setdefault(half, []).append((common_s, finding, on))
    return overlaps


def _match_half_cycles(
    case: ScoredCase,
    flats: Sequence[TrueFlat],
    overlaps: dict[int, list[_Overlap]],
    spans: Sequence[NotJudged],
    shortest_flat_s: float,
    tally: Tally,
) -> None:
    """Count the half-cycles, hit and missed."""
    halves: dict[int, list[TrueFlat]] = {}
    for flat in flats:
        if flat.is_scored:
            halves.setdefault(flat.half_cycle, []).append(flat)
    for half, members in halves.items():
        longest = max(members, key=lambda flat: flat.flat_s)
        if longest.flat_s < shortest_flat_s:
            continue
        if any(span.start_s < longest.stop_s and span.stop_s > longest.start_s for span in spans):
            tally.n_left_out += 1
            continue
        band = next(band for band in BANDS_DB if band[0] <= longest.overdrive_db < band[1])
        tally.n_true[band] += 1
        if half not in overlaps:
            tally.missed.append((case.name, longest))
            continue
        tally.n_hit[band] += 1
        _, finding, on = max(overlaps[half], key=lambda entry: entry[0])
        _measure(finding, on, tally)


def _measure(finding: Finding, on: Sequence[TrueFlat], tally: Tally) -> None:
    overdrive_db = max(flat.overdrive_db for flat in on)
    tally.start_error_s.append(abs(finding.start_s - min(flat.start_s for flat in on)))
    tally.stop_error_s.append(abs(finding.stop_s - max(flat.stop_s for flat in on)))
    tally.overdrive_error_db.append(abs(float(finding.measured["overdrive_db"] or 0.0) - overdrive_db))
    low, high = finding.measured.get("overdrive_low_db"), finding.measured.get("overdrive_high_db")
    if low is not None and high is not None:
        tally.interval_holds.append(float(low) <= overdrive_db <= float(high))
    under = max(on, key=lambda flat: min(flat.stop_s, finding.stop_s) - max(flat.start_s, finding.start_s))
    tally.origins[(under.origin, named_origin(finding))] += 1
    tally.ceilings[(under.ceiling if under.origin == "amplifier" else "none", named_ceiling(finding))] += 1
