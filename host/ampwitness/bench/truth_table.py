"""What was found beside what was true: the table that the demo and the end-to-end tests are judged by."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ampwitness.bench.truth import TrueClip, TrueCutout, TrueDip, TrueNote, Truth
from ampwitness.types import Calibration, Finding, Interval

MUST_FIND_OVERDRIVE_DB = 1.0
TIME_LIMIT_S = 0.010
SAG_LIMIT_V = 0.050


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One line of the table. `worst` is the largest error of those matched, against `limit`; None: not applicable."""

    what: str
    n_true: int
    n_right: int
    n_missed: int
    n_invented: int
    worst: float | None
    limit: float | None
    unit: str

    @property
    def is_right(self) -> bool:
        """Nothing missed, nothing invented, no error over the limit."""
        fits = self.worst is None or self.limit is None or self.worst <= self.limit
        return self.n_missed == 0 and self.n_invented == 0 and fits


def _overlaps(finding: Finding, start_s: float, stop_s: float) -> bool:
    return finding.start_s < stop_s and finding.stop_s > start_s


def _worst(errors: Sequence[float]) -> float | None:
    return max(errors, default=None)


def _time_error_s(finding: Finding, start_s: float, stop_s: float) -> float:
    return max(abs(finding.start_s - start_s), abs(finding.stop_s - stop_s))


def _judge_clips(clips: Sequence[TrueClip], found: Sequence[Finding]) -> list[TruthRow]:
    heavy = [clip for clip in clips if clip.overdrive_db >= MUST_FIND_OVERDRIVE_DB]
    time_errors_s: list[float] = []
    n_missed = 0
    for clip in heavy:
        matches = [
            finding
            for finding in found
            if finding.measured["polarity"] == clip.polarity and _overlaps(finding, clip.start_s, clip.stop_s)
        ]
        if matches:
            time_errors_s.append(min(_time_error_s(finding, clip.start_s, clip.stop_s) for finding in matches))
        else:
            n_missed += 1
    invented = _invented(clips, found)
    light = len(clips) - len(heavy)
    n_light_found = sum(
        any(
            finding.measured["polarity"] == clip.polarity and _overlaps(finding, clip.start_s, clip.stop_s)
            for finding in found
        )
        for clip in clips
        if clip.overdrive_db < MUST_FIND_OVERDRIVE_DB
    )
    n_heavy = len(heavy)
    return [
        TruthRow(
            f"clips of {MUST_FIND_OVERDRIVE_DB:g} dB and more", n_heavy, n_heavy - n_missed, n_missed, len(invented),
            _worst(time_errors_s), TIME_LIMIT_S, "s",
        ),
        # Lighter clips are shown, not demanded: how light a clip can be seen depends on noise and length.
        TruthRow("  lighter clips (for information)", light, n_light_found, 0, 0, None, None, ""),
    ]  # fmt: skip


def _invented(clips: Sequence[TrueClip], found: Sequence[Finding]) -> list[Finding]:
    """Those found that touch no true clip of their polarity."""
    return [
        finding
        for finding in found
        if not any(
            clip.polarity == finding.measured["polarity"] and _overlaps(finding, clip.start_s, clip.stop_s)
            for clip in clips
        )
    ]


def _judge_clean(clips: Sequence[TrueClip], clean: Interval, found: Sequence[Finding]) -> TruthRow:
    """What is found to begin a little before the true clip that ends the passage is that clip, seen early."""
    invented = [f for f in _invented(clips, found) if _overlaps(f, clean.start_s, clean.stop_s)]
    n_true = sum(clip.start_s < clean.stop_s and clip.stop_s > clean.start_s for clip in clips)
    return TruthRow("clips in the clean passage", n_true, n_true, 0, len(invented), None, None, "")


def _pair(
    truths: Sequence[tuple[float, float]], found: Sequence[Finding], onset_s: Callable[[Finding], float]
) -> list[Finding | None]:
    """The nearest unused finding to each true start, if within 0.1 s: each finding answers one truth only."""
    unused = list(found)
    paired: list[Finding | None] = []
    for start_s, _ in truths:
        nearest = min(unused, key=lambda finding: abs(onset_s(finding) - start_s), default=None)
        if nearest is not None and abs(onset_s(nearest) - start_s) <= 0.1:
            unused.remove(nearest)
            paired.append(nearest)
        else:
            paired.append(None)
    return paired


def _start_s(finding: Finding) -> float:
    return finding.start_s


def _judge_notes(notes: Sequence[TrueNote], found: Sequence[Finding]) -> list[TruthRow]:
    paired = _pair([(note.start_s, note.stop_s) for note in notes], found, _start_s)
    pairs = [(note, finding) for note, finding in zip(notes, paired, strict=True) if finding is not None]
    n_missed = len(notes) - len(pairs)
    n_invented = len(found) - len(pairs)
    onset_errors_s = [abs(finding.start_s - note.start_s) for note, finding in pairs]
    sags = [(note, finding.measured["sag_v"]) for note, finding in pairs]
    sag_errors_v = [abs(float(sag_v) - note.sag_v) for note, sag_v in sags if isinstance(sag_v, int | float)]
    n_unjudged = len(sags) - len(sag_errors_v)
    return [
        TruthRow(
            "bass notes: onset", len(notes), len(pairs), n_missed, n_invented, _worst(onset_errors_s), TIME_LIMIT_S, "s"
        ),
        TruthRow(
            "bass notes: sag", len(notes), len(sag_errors_v), n_missed + n_unjudged, 0, _worst(sag_errors_v),
            SAG_LIMIT_V, "V",
        ),
    ]  # fmt: skip


def _judge_dips(
    dips: Sequence[TrueDip], found: Sequence[Finding], calibrations: Sequence[Calibration]
) -> list[TruthRow]:
    paired = _pair([(dip.start_s, dip.stop_s) for dip in dips], found, _start_s)
    pairs = [(dip, finding) for dip, finding in zip(dips, paired, strict=True) if finding is not None]
    n_missed, n_invented = len(dips) - len(pairs), len(found) - len(pairs)
    time_errors_s = [_time_error_s(finding, dip.start_s, dip.stop_s) for dip, finding in pairs]
    residual_errors_v = [abs(float(finding.measured["residual_v"] or 0.0) - dip.residual_v) for dip, finding in pairs]
    # A residual is an absolute voltage, so it can be no better than the calibration it rests on: twice its stated
    # standard uncertainty must hold the truth. Differences (sag) do not get this allowance.
    highest_v = max((dip.residual_v for dip in dips), default=0.0)
    stated_v = [
        2 * math.hypot(c.gain_uncertainty_ratio * highest_v, c.offset_uncertainty_v)
        for c in calibrations
        if c.role == "supply"
    ]
    residual_limit_v = round(max([SAG_LIMIT_V, *stated_v]), 3)
    return [
        TruthRow("supply dips: times", len(dips), len(pairs), n_missed, n_invented, _worst(time_errors_s),
                 TIME_LIMIT_S, "s"),
        TruthRow("supply dips: residual (nominal)", len(dips), len(pairs), n_missed, 0, _worst(residual_errors_v),
                 residual_limit_v, "V"),
    ]  # fmt: skip


def _judge_cutouts(cutouts: Sequence[TrueCutout], found: Sequence[Finding]) -> list[TruthRow]:
    paired = _pair([(cutout.start_s, cutout.stop_s) for cutout in cutouts], found, _start_s)
    pairs = [(cutout, finding) for cutout, finding in zip(cutouts, paired, strict=True) if finding is not None]
    start_errors_s = [abs(finding.start_s - cutout.start_s) for cutout, finding in pairs]
    # An amplifier may be on again before anything plays: its return shows with the next sound.
    n_missed = len(cutouts) - len(pairs)
    return [
        TruthRow("cut-outs: start", len(cutouts), len(pairs), n_missed, len(found) - len(pairs),
                 _worst(start_errors_s), TIME_LIMIT_S, "s"),
    ]  # fmt: skip


def find_clean_passage(truth: Truth, duration_s: float) -> Interval:
    """The longest span in which nothing clips, by truth."""
    edges = [0.0, *(time_s for clip in truth.clips for time_s in (clip.start_s, clip.stop_s)), duration_s]
    spans = [Interval(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return max(spans, key=lambda span: span.duration_s)


def judge_against_truth(
    truth: Truth,
    findings: Sequence[Finding],
    clean: Interval | None = None,
    calibrations: Sequence[Calibration] = (),
) -> tuple[TruthRow, ...]:
    """Compare findings with truth.

    Parameters
    ----------
    truth : what is known, in recording time
    findings : what was found
    clean : a passage in which nothing clips; clips found there are counted apart
    calibrations : those used; their stated uncertainty is what an absolute voltage may be off

    Returns
    -------
    Rows in the order in which they are printed; all must be `is_right`.
    """
    by_kind: dict[str, list[Finding]] = {kind: [] for kind in ("clip", "note", "dip", "cutout")}
    for finding in findings:
        if finding.kind in by_kind:
            by_kind[finding.kind].append(finding)
    rows = _judge_clips(truth.clips, by_kind["clip"])
    if clean is not None:
        rows.append(_judge_clean(truth.clips, clean, by_kind["clip"]))
    rows += _judge_notes(truth.notes, by_kind["note"])
    rows += _judge_dips(truth.dips, by_kind["dip"], calibrations)
    rows += _judge_cutouts(truth.cutouts, by_kind["cutout"])
    return tuple(rows)


def format_truth_table(rows: Sequence[TruthRow]) -> str:
    """The table as text, one row a line."""
    lines = [f"{'':34}{'true':>6}{'found':>7}{'missed':>8}{'invented':>10}{'worst error':>14}{'allowed':>10}"]
    for row in rows:
        worst = "-" if row.worst is None else f"{row.worst:.4f} {row.unit}"
        limit = "-" if row.limit is None else f"{row.limit:g} {row.unit}"
        lines.append(
            f"{row.what:34}{row.n_true:>6}{row.n_right:>7}{row.n_missed:>8}{row.n_invented:>10}{worst:>14}{limit:>10}"
            f"  {'right' if row.is_right else 'WRONG'}"
        )
    return "\n".join(lines)
