"""A recording on pages of this machine: its report, and a sheet that goes from the whole of it to single waves."""

from __future__ import annotations

import itertools
import math
import threading
from collections.abc import Sequence
from typing import Any

import numpy as np

from ampwitness.errors import AmpwitnessError
from ampwitness.findings.described import describe_finding
from ampwitness.findings.selection import choose_listed
from ampwitness.findings.wording import count_words
from ampwitness.livepage.feed_state import SUPPLY_ROLES, plain_volts
from ampwitness.livepage.pages import build_page
from ampwitness.livepage.server import RefusalError, Request, Route
from ampwitness.pipeline import AnalyseOptions, Progress, analyse, read_span
from ampwitness.recording import Recording
from ampwitness.report.page import html_page
from ampwitness.report.style import LANE_STYLES
from ampwitness.types import Envelope, Finding, FloatArray, Segment, Trace, TraceWindow
from ampwitness.units import seconds_to_clock

POINTS_MOST = 4000
POINTS_LEAST = 10
FULL_RATE_MOST_S = 120.0  # longer spans are given from the envelope: an answer stays quick and small
EVENTS_OF_A_KIND = 300
# The report is one file that carries everything; its own scripts and styles may run, nothing may be fetched.
_REPORT_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; font-src data:; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)


class RecordingPage:
    """Looks at a recording once, then answers for any span of it.

    Raises, from its making, what `analyse` raises.
    """

    def __init__(self, recording: Recording, progress: Progress) -> None:
        self._recording = recording
        self._options = AnalyseOptions()
        self._analysis = analyse(recording, self._options, progress)
        self._report = b""  # drawn when it is first asked for: that takes seconds
        self._one_at_a_time = threading.Lock()  # decoding for two would make both wait
        self._last: tuple[float, float, TraceWindow] | None = None  # all channels of a span are asked for in turn

    def routes(self) -> dict[tuple[str, str], Route]:
        """What the server answers."""
        return {
            ("GET", "/"): self._answer_page,
            ("GET", "/report"): self._answer_report,
            ("GET", "/span"): self._answer_span,
        }

    def _answer_page(self, request: Request) -> None:
        analysis = self._analysis
        events = [
            {
                "kind": f.kind,
                "label": _label(f.kind),
                "words": describe_finding(f),
                "start_s": f.start_s,
                "stop_s": f.stop_s,
            }
            for f in choose_events(analysis.findings)
        ]
        roles = list(analysis.envelopes)
        facts = {
            "duration_s": analysis.duration_s,
            "roles": sorted(roles, key=lambda role: (role != "output", role not in SUPPLY_ROLES, role)),
            "events": events,
            "token": request.query.get("token"),
        }
        words = {
            "name": analysis.recording_name,
            "length": seconds_to_clock(analysis.duration_s),
            "events": count_words(len(analysis.findings), "finding", "findings")
            + (f", of each kind the worst {EVENTS_OF_A_KIND} here" if len(events) < len(analysis.findings) else ""),
        }
        content, policy = build_page("span", facts, words)
        request.answer(content, "text/html", policy)

    def _answer_report(self, request: Request) -> None:
        with self._one_at_a_time:
            self._report = self._report or html_page(self._analysis).encode()
        request.answer(self._report, "text/html", _REPORT_POLICY)

    def _answer_span(self, request: Request) -> None:
        role = request.query.get("role", "")
        envelope = self._analysis.envelopes.get(role)
        if envelope is None:
            raise RefusalError(404, "The recording has no such channel.")
        points = int(min(POINTS_MOST, max(POINTS_LEAST, request.number("points"))))
        start_s = max(0.0, request.number("start_s"))
        stop_s = min(self._analysis.duration_s, request.number("stop_s"))
        if not stop_s > start_s:
            raise RefusalError(400, "The span must end after it starts, inside the recording.")
        span_s = stop_s - start_s
        if span_s > FULL_RATE_MOST_S or span_s >= points * envelope.step_s:
            request.answer_json(span_of_envelope(envelope, start_s, stop_s, points))
            return
        try:
            with self._one_at_a_time:
                if self._last is None or self._last[:2] != (start_s, stop_s):
                    self._last = (start_s, stop_s, read_span(self._recording, start_s, stop_s, self._options))
                window = self._last[2]
        except AmpwitnessError as error:  # the file is gone meanwhile
            raise RefusalError(500, str(error)) from error
        trace = window.traces.get(role)
        request.answer_json(span_of_trace(trace, start_s, stop_s, points))


def choose_events(findings: Sequence[Finding]) -> list[Finding]:
    """What can be stepped through: of each kind the worst, wherever they lie, in order of time."""
    chosen = choose_listed(findings, EVENTS_OF_A_KIND)
    return [finding for _, finding in sorted(itertools.chain(*chosen.values()), key=lambda numbered: numbered[0])]


def _label(kind: str) -> str:
    return LANE_STYLES[kind].label if kind in LANE_STYLES else kind


def span_of_envelope(envelope: Envelope, start_s: float, stop_s: float, points: int) -> dict[str, Any]:
    """Lowest and highest in at most `points` equal steps; None where nothing was recorded.

    Returns
    -------
    start_s, step_s, is_full_rate (False), lowest_v, highest_v. The span is widened to whole steps.
    """
    step_s, n = envelope.step_s, len(envelope.lowest)
    a = min(n, max(0, math.floor((start_s - envelope.start_s) / step_s + 1e-6)))
    b = min(n, max(a, math.ceil((stop_s - envelope.start_s) / step_s - 1e-6)))
    merged = max(1, -(-(b - a) // points))
    n_groups = -(-(b - a) // merged)
    lowest = _grouped(envelope.lowest[a:b], merged, n_groups, np.inf).min(axis=1, initial=np.inf)
    highest = _grouped(envelope.highest[a:b], merged, n_groups, -np.inf).max(axis=1, initial=-np.inf)
    return {
        "start_s": envelope.start_s + a * step_s,
        "step_s": merged * step_s,
        "is_full_rate": False,
        "lowest_v": plain_volts(np.where(np.isfinite(lowest), lowest, np.nan)),
        "highest_v": plain_volts(np.where(np.isfinite(highest), highest, np.nan)),
    }


def _grouped(values: FloatArray, merged: int, n_groups: int, empty: float) -> FloatArray:
    full = np.full(n_groups * merged, empty)
    full[: len(values)] = np.where(np.isnan(values), empty, values)
    return full.reshape(n_groups, merged)


def span_of_trace(trace: Trace | None, start_s: float, stop_s: float, points: int) -> dict[str, Any]:
    """Every sample where there are no more than `points`, else lowest and highest in so many steps.

    Returns
    -------
    As `span_of_envelope`; or with is_full_rate True `segments`, each start_s, step_s and volts: none spans a gap.
    """
    segments = () if trace is None else trace.segments
    if sum(len(segment.volts) for segment in segments) <= points:
        return {"is_full_rate": True, "segments": [_plain_segment(segment) for segment in segments]}
    step_s = (stop_s - start_s) / points
    lowest, highest = np.full(points, np.inf), np.full(points, -np.inf)
    for segment in segments:
        place = np.clip(((segment.times_s() - start_s) / step_s).astype(np.intp), 0, points - 1)
        np.minimum.at(lowest, place, segment.volts)
        np.maximum.at(highest, place, segment.volts)
    return {
        "start_s": start_s,
        "step_s": step_s,
        "is_full_rate": False,
        "lowest_v": plain_volts(np.where(np.isfinite(lowest), lowest, np.nan)),
        "highest_v": plain_volts(np.where(np.isfinite(highest), highest, np.nan)),
    }


def _plain_segment(segment: Segment) -> dict[str, Any]:
    return {"start_s": segment.start_s, "step_s": 1 / segment.rate_hz, "volts": plain_volts(segment.volts)}
