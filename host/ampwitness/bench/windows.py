"""Trace windows straight from arrays of volts: what detectors are tested on when the board is not the question."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from ampwitness.types import Edge, FloatArray, Gap, Interval, Mark, Segment, Trace, TraceWindow


def iter_windows_from_arrays(
    volts_by_role: Mapping[str, FloatArray],
    rate_hz: float,
    *,
    window_s: float,
    lost: Sequence[tuple[int, int]] = (),
    saturated: Sequence[Interval] = (),
    edges: Sequence[Edge] = (),
    marks: Sequence[Mark] = (),
    mode: str = "bass",
) -> Iterator[TraceWindow]:
    """Cut equally long arrays of volts into consecutive windows, as the assembler would.

    Parameters
    ----------
    volts_by_role : role -> (n,) volts at the terminals
    rate_hz : samples a second
    window_s : length of a window; the last one may be shorter
    lost : half-open sample ranges that become gaps (cause "link", exact); their values are not passed on
    saturated : spans in which the logger's own ADC was at a rail, applied to every trace

    Returns
    -------
    Iterator of TraceWindow covering all samples in order.
    """
    n = len(next(iter(volts_by_role.values())))
    gaps = tuple(
        Gap("synthetic", start, stop, start / rate_hz, stop / rate_hz, "link", True) for start, stop in sorted(lost)
    )
    step = max(1, round(window_s * rate_hz))
    for first in range(0, n, step):
        last = min(first + step, n)
        start_s, stop_s = first / rate_hz, last / rate_hz
        kept = np.ones(last - first, dtype=bool)
        for gap in gaps:
            kept[max(0, gap.start_index - first) : max(0, gap.stop_index - first)] = False
        flips = np.flatnonzero(np.diff(np.concatenate(([False], kept, [False])).astype(np.int8)))
        runs = [(first + int(a), first + int(b)) for a, b in zip(flips[::2], flips[1::2], strict=True)]
        traces = {
            role: Trace(
                role=role,
                start_s=start_s,
                stop_s=stop_s,
                segments=tuple(Segment(a / rate_hz, rate_hz, volts[a:b]) for a, b in runs),
                gaps=tuple(gap for gap in gaps if gap.start_s < stop_s and gap.stop_s > start_s),
                saturated=tuple(span for span in saturated if span.start_s < stop_s and span.stop_s > start_s),
            )
            for role, volts in volts_by_role.items()
        }
        common = traces.pop("common", None)
        yield TraceWindow(
            start_s=start_s,
            stop_s=stop_s,
            rate_hz=rate_hz,
            mode=mode,
            traces=traces,
            gaps=tuple(gap for gap in gaps if start_s <= gap.start_s < stop_s),
            edges=tuple(edge for edge in edges if start_s <= edge.time_s < stop_s),
            marks=tuple(mark for mark in marks if start_s <= mark.time_s < stop_s),
            common=common,
        )
