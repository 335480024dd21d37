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


class PassthroughDetector:
    """Turns every gap and every mark into a finding.

    Gaps
    ----
    They are the findings. A gap is never filled and never a cut-out.

    Limits
    ------
    A gap whose length rests on the host's clock has `is_exact` False.
    """

    name = "passthrough"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._findings: list[Finding] = []

    def push(self, window: TraceWindow) -> None:
        """Take the next window's gaps and marks."""
        self._ledger.see(window)
        self._ledger.judge(window.stop_s - window.start_s - sum(g.stop_s - g.start_s for g in _inside(window)))
        for gap in window.gaps:
            duration_s = gap.stop_s - gap.start_s
            severity = "attention" if duration_s > LONG_GAP_S else _GAP_SEVERITY[gap.cause]
            self._findings.append(
                Finding(
                    kind="gap",
                    start_s=gap.start_s,
                    stop_s=gap.stop_s,
                    severity=severity,
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
        for mark in window.marks:
            self._findings.append(
                Finding(
                    kind="mark",
                    start_s=mark.time_s,
                    stop_s=mark.time_s,
                    severity="information",
                    measured={"source": mark.source, "label": None},
                    threshold={},
                    evidence={"session_id": mark.session_id, "sample_index": mark.sample_index},
                )
            )

    def finish(self) -> DetectorResult:
        """All gaps and marks, by time."""
        findings = tuple(sorted(self._findings, key=lambda f: (f.start_s, f.kind)))
        n_gaps = sum(f.kind == "gap" for f in findings)
        return DetectorResult(findings, self._ledger.coverage(), {"n_gaps": n_gaps, "n_marks": len(findings) - n_gaps})


def _inside(window: TraceWindow) -> tuple[_Span, ...]:
    gaps = {(g.start_s, g.stop_s) for trace in window.traces.values() for g in trace.gaps}
    gaps |= {(g.start_s, g.stop_s) for g in window.gaps}
    return tuple(_Span(max(a, window.start_s), min(b, window.stop_s)) for a, b in gaps)


class _Span:
    """Start and stop of a gap within one window."""

    def __init__(self, start_s: float, stop_s: float) -> None:
        self.start_s, self.stop_s = start_s, max(start_s, stop_s)
