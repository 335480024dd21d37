"""Gaps and marks, which were found before any detector ran, as findings like all others."""

from __future__ import annotations

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger
from ampwitness.types import Finding, Severity, TraceWindow

# A lost frame on the link is ordinary; scans lost on the board or a restart say that the logger itself needs a look.
_GAP_SEVERITY: dict[str, Severity] = {
    "link": "information",
    "overrun": "attention",
    "restart": "attention",
    "unknown": "attention",
}
LONG_GAP_S = 1.0  # a longer gap can hide a whole event: attention, whatever its cause


class GapDetector:
    """Turns every gap into a finding.

    Gaps
    ----
    They are the findings. A gap is never filled and never a cut-out. Coverage counts the whole recording: where the
    gaps lie is known throughout.

    Limits
    ------
    A gap whose length rests on a clock, the host's or the board's, has `is_exact` False.
    """

    name = "gaps"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._findings: list[Finding] = []
        self._left_out_s = 0.0

    def push(self, window: TraceWindow) -> None:
        """Take the next window's gaps."""
        self._ledger.judge(window.stop_s - window.start_s)
        for gap in window.gaps:
            if gap.cause == "reduced":  # nothing was lost; coverage says where waveforms are missing
                self._left_out_s += gap.stop_s - gap.start_s
                continue
            is_long = gap.stop_s - gap.start_s > LONG_GAP_S
            self._findings.append(
                Finding(
                    kind="gap",
                    start_s=gap.start_s,
                    stop_s=gap.stop_s,
                    severity="attention" if is_long else _GAP_SEVERITY[gap.cause],
                    measured={
                        "cause": gap.cause,
                        "n_scans_lost": gap.stop_index - gap.start_index,
                        "is_exact": gap.is_exact,
                    },
                    threshold={"long_gap_s": LONG_GAP_S},
                    evidence={
                        "session_id": gap.session_id,
                        "start_index": gap.start_index,
                        "stop_index": gap.stop_index,
                    },
                )
            )

    def finish(self) -> DetectorResult:
        """All gaps, by time."""
        findings = tuple(sorted(self._findings, key=lambda f: f.start_s))
        summary = {"n_gaps": len(findings), "left_out_s": self._left_out_s}
        return DetectorResult(findings, self._ledger.coverage(), summary)


class MarkDetector:
    """Turns every mark of the button or the keyboard into a finding.

    Gaps
    ----
    A press during a gap is lost with it: gaps are not judged.
    """

    name = "marks"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._findings: list[Finding] = []

    def push(self, window: TraceWindow) -> None:
        """Take the next window's marks."""
        self._ledger.see(window)
        self._ledger.judge(window.stop_s - window.start_s - _gap_s(window))
        for mark in window.marks:
            self._findings.append(
                Finding(
                    kind="mark",
                    start_s=mark.time_s,
                    stop_s=mark.time_s,
                    severity="information",
                    measured={"source": mark.source, "label": mark.label or None},
                    threshold={},
                    evidence={"session_id": mark.session_id, "sample_index": mark.sample_index},
                )
            )

    def finish(self) -> DetectorResult:
        """All marks, by time."""
        findings = tuple(sorted(self._findings, key=lambda f: f.start_s))
        return DetectorResult(findings, self._ledger.coverage(), {"n_marks": len(findings)})


def _gap_s(window: TraceWindow) -> float:
    """Seconds of a window that lie in gaps."""
    gaps = {(gap.start_s, gap.stop_s) for trace in window.traces.values() for gap in trace.gaps}
    gaps |= {(gap.start_s, gap.stop_s) for gap in window.gaps}
    return sum(max(0.0, min(b, window.stop_s) - max(a, window.start_s)) for a, b in gaps)
