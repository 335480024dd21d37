"""Full-rate cuts out of a recording, for pictures and for a second look."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from ampwitness.types import Interval, Segment, Trace, TraceWindow

_JOIN_TOLERANCE_SAMPLES = 0.25  # segments closer than this to end-on-start are one
_SLACK_SAMPLES = 1e-4  # times are rounded


def cut_excerpt(windows: Iterable[TraceWindow], start_s: float, stop_s: float) -> TraceWindow:
    """One window over start_s <= t < stop_s, put together from consecutive windows.

    Parameters
    ----------
    windows : in order; read only as far as needed
    start_s, stop_s : recording time

    Returns
    -------
    TraceWindow; where the mode changes inside the span it ends there, as a window never mixes modes. Without a single
    window in the span it has no traces and a rate of 0.

    Raises
    ------
    ValueError : stop_s is not after start_s.

    Gaps
    ----
    Segments that follow one another across a window's edge become one; across a gap never.
    """
    return cut_excerpts(windows, (Interval(start_s, stop_s),))[0]


def cut_excerpts(windows: Iterable[TraceWindow], spans: Sequence[Interval]) -> tuple[TraceWindow, ...]:
    """As `cut_excerpt` for several spans in one pass; the spans may overlap and need not be in order.

    Parameters
    ----------
    windows : in order; read only as far as the last span needs
    spans : what is wanted

    Returns
    -------
    One TraceWindow a span, in the order of `spans`.

    Raises
    ------
    ValueError : a span that does not end after it starts.
    """
    for span in spans:
        if not span.stop_s > span.start_s:
            raise ValueError(f"an excerpt must end after it starts, got {span.start_s} to {span.stop_s} s")
    pieces: list[list[TraceWindow]] = [[] for _ in spans]
    is_open = [True for _ in spans]
    last_s = max((span.stop_s for span in spans), default=-np.inf)
    for window in windows:
        if window.start_s >= last_s:
            break
        for at, (found, span) in enumerate(zip(pieces, spans, strict=True)):
            if is_open[at] and window.start_s < span.stop_s and window.stop_s > span.start_s:
                is_open[at] = not found or (found[0].mode, found[0].rate_hz) == (window.mode, window.rate_hz)
                if is_open[at]:
                    found.append(_cut(window, span))
        if window.stop_s >= last_s:
            break
    return tuple(_join(found, span) for found, span in zip(pieces, spans, strict=True))


def group_near(spans: Sequence[Interval], near_s: float) -> list[list[int]]:
    """Places of spans, in the order of time, in groups of which each begins near behind what was read for another.

    Parameters
    ----------
    spans : in any order; they may overlap
    near_s : how far behind all that a group holds the next span may begin to be read with it

    Returns
    -------
    Every place once.
    """
    groups: list[list[int]] = []
    reached_s = -np.inf
    for place in sorted(range(len(spans)), key=lambda at: spans[at].start_s):
        if spans[place].start_s > reached_s + near_s:
            groups.append([])
        groups[-1].append(place)
        reached_s = max(reached_s, spans[place].stop_s)
    return groups


def _cut(window: TraceWindow, span: Interval) -> TraceWindow:
    """The part of a window that lies in a span."""
    start_s, stop_s = max(window.start_s, span.start_s), min(window.stop_s, span.stop_s)
    traces = {}
    for role, trace in window.traces.items():
        segments = tuple(cut for segment in trace.segments if len((cut := _cut_segment(segment, span)).volts))
        saturated = tuple(s for s in trace.saturated if s.start_s < stop_s and s.stop_s > start_s)
        gaps = tuple(gap for gap in trace.gaps if gap.start_s < stop_s and gap.stop_s > start_s)
        traces[role] = Trace(role, start_s, stop_s, segments, gaps, saturated)
    return replace(
        window,
        start_s=start_s,
        stop_s=stop_s,
        traces=traces,
        gaps=tuple(gap for gap in window.gaps if start_s <= gap.start_s < stop_s),
        edges=tuple(edge for edge in window.edges if span.start_s <= edge.time_s < span.stop_s),
        marks=tuple(mark for mark in window.marks if span.start_s <= mark.time_s < span.stop_s),
    )


def _cut_segment(segment: Segment, span: Interval) -> Segment:
    rate_hz, n = segment.rate_hz, len(segment.volts)
    first = min(n, max(0, int(np.ceil((span.start_s - segment.start_s) * rate_hz - _SLACK_SAMPLES))))
    last = min(n, max(first, int(np.ceil((span.stop_s - segment.start_s) * rate_hz - _SLACK_SAMPLES))))
    start_s = segment.start_s if first == 0 else segment.start_s + first / rate_hz
    return Segment(start_s, rate_hz, segment.volts[first:last])


def _join(found: Sequence[TraceWindow], span: Interval) -> TraceWindow:
    if not found:
        return TraceWindow(span.start_s, span.stop_s, 0.0, "", {}, (), (), ())
    roles = dict.fromkeys(role for window in found for role in window.traces)
    traces = {}
    for role in roles:
        parts = [window.traces[role] for window in found if role in window.traces]
        traces[role] = Trace(
            role=role,
            start_s=found[0].start_s,
            stop_s=found[-1].stop_s,
            segments=_join_segments([segment for part in parts for segment in part.segments]),
            gaps=tuple(dict.fromkeys(gap for part in parts for gap in part.gaps)),
            saturated=tuple(saturated for part in parts for saturated in part.saturated),
        )
    return TraceWindow(
        start_s=found[0].start_s,
        stop_s=found[-1].stop_s,
        rate_hz=found[0].rate_hz,
        mode=found[0].mode,
        traces=traces,
        gaps=tuple(gap for window in found for gap in window.gaps),
        edges=tuple(edge for window in found for edge in window.edges),
        marks=tuple(mark for window in found for mark in window.marks),
        lines_on=found[0].lines_on,
    )


def _join_segments(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    groups: list[list[Segment]] = []
    for segment in segments:
        follows = groups and abs(segment.start_s - groups[-1][-1].stop_s) * segment.rate_hz < _JOIN_TOLERANCE_SAMPLES
        if follows and segment.rate_hz == groups[-1][-1].rate_hz:
            groups[-1].append(segment)
        else:
            groups.append([segment])
    joined = []
    for group in groups:
        volts = group[0].volts if len(group) == 1 else np.concatenate([segment.volts for segment in group])
        volts.setflags(write=False)
        joined.append(Segment(group[0].start_s, group[0].rate_hz, volts))
    return tuple(joined)
