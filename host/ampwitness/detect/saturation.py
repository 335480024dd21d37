"""Spans in which the logger's own ADC stood at a rail: there the recording does not show the terminals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger
from ampwitness.types import Finding, Saturation, Trace, TraceWindow

# Spans closer than this are one finding: a clipped 20 Hz wave leaves the rail for less than half a period.
JOIN_S = 0.050


@dataclass(slots=True)
class _OpenSpan:
    start_s: float
    stop_s: float
    lowest_v: float
    highest_v: float
    n_spans: int
    n_samples: int
    n_conversions: int | None
    inputs: set[tuple[str, str]]  # channel role and rail of each input that was at its limit


class SaturationDetector:
    """Makes one finding of each stretch in which a channel's raw conversions stood at code 0 or 4095.

    Gaps
    ----
    A gap ends a stretch.

    Limits
    ------
    Which conversions were at the rail is known to a frame at best, and the board counts no more than 127 a frame and
    channel, so `n_conversions` is a lower bound. It is None, and the rail is taken from the direction of the volts,
    where a span does not say which input stood at which rail.

    Source
    ------
    Our choice: spans nearer than 50 ms are one.
    """

    name = "saturation"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._open: dict[str, _OpenSpan] = {}
        self._findings: list[Finding] = []

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        seen_s = 0.0
        for role, trace in window.traces.items():
            seen_s = max(seen_s, sum(len(s.volts) / s.rate_hz for s in trace.segments))
            self._take(role, trace)
            is_cut = any(gap.start_s < window.stop_s for gap in trace.gaps)
            span = self._open.get(role)
            if span is not None and (is_cut or window.stop_s - span.stop_s > JOIN_S):
                self._close(role)
        self._ledger.judge(seen_s)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for role in list(self._open):
            self._close(role)
        findings = tuple(sorted(self._findings, key=lambda f: (f.start_s, str(f.measured["role"]))))
        return DetectorResult(findings, self._ledger.coverage(), {"join_s": JOIN_S})

    def _take(self, role: str, trace: Trace) -> None:
        for span in sorted(trace.saturated, key=lambda s: s.start_s):
            start_s, stop_s = max(span.start_s, trace.start_s), min(span.stop_s, trace.stop_s)
            if stop_s <= start_s:
                continue
            held = self._open.get(role)
            broken = held is not None and any(gap.stop_s > held.stop_s and gap.start_s < start_s for gap in trace.gaps)
            if held is not None and (broken or start_s - held.stop_s > JOIN_S):
                self._close(role)
                held = None
            lowest_v, highest_v, n_samples = _extremes(trace, start_s, stop_s)
            n_conversions = span.n_conversions if isinstance(span, Saturation) else None
            inputs = {(span.channel_role, span.rail)} if isinstance(span, Saturation) else set()
            if held is None:
                self._open[role] = _OpenSpan(
                    start_s, stop_s, lowest_v, highest_v, 1, n_samples, n_conversions, set(inputs)
                )
                continue
            if held.n_conversions is not None:
                held.n_conversions = None if n_conversions is None else held.n_conversions + n_conversions
            held.inputs |= inputs
            held.n_spans += int(start_s - held.stop_s > 1e-9)
            held.stop_s = max(held.stop_s, stop_s)
            held.lowest_v, held.highest_v = min(held.lowest_v, lowest_v), max(held.highest_v, highest_v)
            held.n_samples += n_samples

    def _close(self, role: str) -> None:
        span = self._open.pop(role)
        if not span.n_samples:
            span.lowest_v = span.highest_v = 0.0  # no sample fell within it
        rails = {rail for _, rail in span.inputs}
        # Both rails met within one stretch, or none named: what lies further from zero names it; a supply at its
        # bottom rail reads about 0 V throughout.
        rail = "top" if span.highest_v >= abs(span.lowest_v) and span.highest_v > 0.5 else "bottom"
        if len(rails) == 1 and len({channel for channel, _ in span.inputs}) == 1:
            rail = next(iter(rails))
        self._findings.append(
            Finding(
                kind="saturation",
                start_s=span.start_s,
                stop_s=span.stop_s,
                severity="attention",
                measured={"role": role, "rail": rail, "n_conversions": span.n_conversions},
                threshold={"join_s": JOIN_S},
                evidence={
                    "lowest_v": span.lowest_v,
                    "highest_v": span.highest_v,
                    "n_spans": span.n_spans,
                    "n_samples": span.n_samples,
                    "inputs_at_limit": [f"{channel} at the {end}" for channel, end in sorted(span.inputs)],
                    "meaning": "the logger's own input was at its limit: what the terminals did beyond it is not known",
                },
            )
        )


def _extremes(trace: Trace, start_s: float, stop_s: float) -> tuple[float, float, int]:
    """Lowest and highest volts and number of samples of a trace within a span; (inf, -inf, 0) where there are none.

    A window's edge may leave a sliver of a span without a sample: it must not bring a volt of its own into the rest.
    """
    lowest_v, highest_v, n_samples = np.inf, -np.inf, 0
    for segment in trace.segments:
        a = max(0, int(np.ceil((start_s - segment.start_s) * segment.rate_hz - 1e-6)))
        b = min(len(segment.volts), int(np.ceil((stop_s - segment.start_s) * segment.rate_hz - 1e-6)))
        if b > a:
            part = segment.volts[a:b]
            lowest_v, highest_v = min(lowest_v, float(part.min())), max(highest_v, float(part.max()))
            n_samples += b - a
    return lowest_v, highest_v, n_samples
