"""What the zoomable overview of the page is told: envelopes in two steps, single waves, lanes of events.

Volts go as 16-bit numbers in base64, which keeps a day below a few megabytes. Nothing here measures.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.findings.selection import AROUND_WAVE_S, find_bursts
from ampwitness.findings.wording import KIND_WORDS
from ampwitness.report.style import GRID_COLOUR, LANE_STYLES, TEXT_COLOUR, LaneStyle, role_colour, role_label
from ampwitness.types import Analysis, Coverage, Envelope, Finding, FloatArray, Interval
from ampwitness.units import seconds_to_clock

WHOLE_COLUMNS, ALL_WHOLE_COLUMNS = 20_000, 50_000  # of a channel, of all channels together
FINE_COLUMNS = 160_000  # of all channels, in all windows together
AROUND_FINE_S = 8.0
WAVE_SAMPLES = 400_000  # of all channels together: 1.1 MB in the page
MOST_REST = 1000  # bars of findings that are not listed, a lane
MOST_SPANS = 1500  # spans that were not judged
_NOTHING = -32768
_TOP = 32767

Listed = Mapping[str, Sequence[tuple[int, Finding]]]


def order_roles(roles: Iterable[str]) -> list[str]:
    """The output first, then the supply, then the rest by name."""
    return sorted(roles, key=lambda role: (role != "output", role != "supply", role))


def _to_text(volts: FloatArray, low_v: float, step_v: float) -> str:
    """Volts as little-endian 16-bit steps above `low_v` in base64; NaN becomes -32768."""
    steps = np.rint((np.asarray(volts, dtype=float) - low_v) / step_v) - _TOP
    whole = np.where(np.isfinite(steps), np.clip(steps, -_TOP, _TOP), _NOTHING).astype("<i2")
    return base64.b64encode(whole.tobytes()).decode("ascii")


def _merge(envelope: Envelope, first: int, stop: int, most: int) -> tuple[float, float, FloatArray, FloatArray]:
    """Start, step, lowest and highest of steps [first, stop) in at most `most` columns; one with any hole is empty."""
    n = stop - first
    factor = max(1, -(-n // most))
    pad = (0, -n % factor)
    lowest, highest = (
        np.pad(np.asarray(column, dtype=float)[first:stop], pad, mode="edge" if n else "constant").reshape(-1, factor)
        for column in (envelope.lowest, envelope.highest)
    )
    start_s = envelope.start_s + first * envelope.step_s
    return start_s, factor * envelope.step_s, lowest.min(axis=1), highest.max(axis=1)


def _choose_fine(envelope: Envelope, spans: Sequence[Interval], most: int) -> list[tuple[int, int]]:
    """Step ranges around the spans, joined where they touch, the first spans first until there is no more room."""
    n = len(envelope.lowest)
    wanted = np.zeros(n, dtype=bool)
    for span in spans:
        first = max(0, int((span.start_s - AROUND_FINE_S - envelope.start_s) / envelope.step_s))
        stop = min(n, int((span.stop_s + AROUND_FINE_S - envelope.start_s) / envelope.step_s) + 1)
        stop = min(stop, first + 2 * int(AROUND_FINE_S / envelope.step_s))
        if stop > first and wanted.sum() + stop - first <= most:
            wanted[first:stop] = True
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wanted.view(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _plain_channel(analysis: Analysis, role: str, waves: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    envelope = analysis.envelopes[role]
    ends = [envelope.lowest, envelope.highest, *(wave["volts"] for wave in waves)]
    finite = [np.asarray(end)[np.isfinite(end)] for end in ends]
    low_v = min((float(end.min()) for end in finite if len(end)), default=0.0)
    high_v = max((float(end.max()) for end in finite if len(end)), default=1.0)
    step_v = max(high_v - low_v, 1e-6) / (2 * _TOP)

    def plain(part: tuple[float, float, FloatArray, FloatArray]) -> dict[str, Any]:
        start_s, column_s, lowest, highest = part
        return {
            "start_s": round(start_s, 6),
            "step_s": round(column_s, 9),
            "lowest": _to_text(lowest, low_v, step_v),
            "highest": _to_text(highest, low_v, step_v),
        }

    n = len(envelope.lowest)
    whole = plain(_merge(envelope, 0, n, min(WHOLE_COLUMNS, ALL_WHOLE_COLUMNS // len(analysis.envelopes))))
    fine = []
    if n > WHOLE_COLUMNS:
        most = FINE_COLUMNS // len(analysis.envelopes)
        spans = [Interval(window.start_s, window.stop_s) for window in analysis.excerpts]
        fine = [plain(_merge(envelope, a, b, b - a)) for a, b in _choose_fine(envelope, spans, most)]
    return {
        "role": role,
        "label": role_label(role),
        "colour": role_colour(role),
        "low_v": low_v,
        "high_v": high_v,
        "step_v": step_v,
        "whole": [whole],
        "fine": fine,
        "waves": [
            {"start_s": wave["start_s"], "step_s": wave["step_s"], "volts": _to_text(wave["volts"], low_v, step_v)}
            for wave in waves
        ],
    }


def _choose_waves(analysis: Analysis) -> dict[str, list[dict[str, Any]]]:
    """The excerpts' segments by channel, without overlap, as many as there is room for."""
    left = WAVE_SAMPLES
    kept: dict[str, list[dict[str, Any]]] = {role: [] for role in analysis.envelopes}
    ends_s = dict.fromkeys(kept, 0.0)
    chosen = []
    for window in analysis.excerpts:
        size = sum(len(s.volts) for role, t in window.traces.items() if role in kept for s in t.segments)
        if size <= left:
            left -= size
            chosen.append(window)
    for window in sorted(chosen, key=lambda w: (w.start_s, -w.stop_s)):
        for role, trace in window.traces.items():
            for segment in trace.segments if role in kept else ():
                known_s = max(0.0, ends_s[role] - segment.start_s)
                skip = int(np.ceil(known_s * segment.rate_hz - 1e-6))
                if skip < len(segment.volts):
                    start_s = segment.start_s + skip / segment.rate_hz
                    kept[role].append(
                        {"start_s": round(start_s, 9), "step_s": 1 / segment.rate_hz, "volts": segment.volts[skip:]}
                    )
                    ends_s[role] = segment.stop_s
    return kept


def join_spans(
    spans: Sequence[tuple[float, float]] | FloatArray, most: int, duration_s: float
) -> list[tuple[float, float, int]]:
    """Spans as start, stop and how many they stand for; neighbours are joined only where there are more than `most`."""
    both = np.asarray(spans, dtype=np.float64).reshape(-1, 2)
    if not (both[1:, 0] > both[:-1, 0]).all():
        both = both[np.lexsort((both[:, 1], both[:, 0]))]
    if len(both) <= most:
        return [(start_s, stop_s, 1) for start_s, stop_s in both.tolist()]
    start_s, stop_s = both.T
    first, reached_s, _ = find_bursts(start_s, stop_s, duration_s / (4 * most), most)
    n = np.diff(first, append=len(start_s))
    return list(zip(start_s[first].tolist(), reached_s.tolist(), n.tolist(), strict=True))


def _plain_lane(kind: str, listed: Sequence[tuple[int, Finding]], analysis: Analysis) -> dict[str, Any]:
    of_kind = FindingList.of(analysis.findings).of_kind(kind)
    is_rest = np.isin(of_kind.numbers, [number for number, _ in listed], invert=True)
    rest = np.empty((int(np.count_nonzero(is_rest)), 2))
    rest[:, 0] = of_kind.start_s[is_rest]
    rest[:, 1] = of_kind.stop_s[is_rest]
    style = LANE_STYLES.get(kind, LaneStyle(KIND_WORDS[kind].many if kind in KIND_WORDS else kind, "#7F7F7F", ""))
    return {
        "kind": kind,
        "label": style.label,
        "colour": style.colour,
        "hatch": style.hatch,
        "events": [
            {
                "number": number,
                "start_s": round(f.start_s, 6),
                "stop_s": round(f.stop_s, 6),
                "words": f"{seconds_to_clock(f.start_s)}: {describe_finding(f)}",
            }
            for number, f in listed
        ],
        "rest": [[round(a, 4), round(b, 4), n] for a, b, n in join_spans(rest, MOST_REST, analysis.duration_s)],
    }


def _not_judged_spans(coverage: Sequence[Coverage], duration_s: float) -> list[list[Any]]:
    """Spans and who gave no verdict there. What covers the whole recording is told in words instead."""
    spans: list[list[Any]] = []
    for one in coverage:
        parts = [(s.start_s, s.stop_s) for s in one.not_judged if s.stop_s - s.start_s < 0.98 * duration_s]
        reasons = "; ".join(dict.fromkeys(s.reason for s in one.not_judged))
        spans += [[round(a, 4), round(b, 4), f"{one.detector}: {reasons}"]
                  for a, b, _ in join_spans(parts, MOST_SPANS // 8, duration_s)]  # fmt: skip
    return sorted(spans)[:MOST_SPANS]


def overview_facts(analysis: Analysis, listed: Listed) -> dict[str, Any]:
    """Everything the zoomable overview draws, as plain JSON values.

    Parameters
    ----------
    analysis : what is shown
    listed : of every kind the findings with a row of their own, each with its number
    """
    waves = _choose_waves(analysis)
    kinds = [*LANE_STYLES, *(kind for kind in listed if kind not in LANE_STYLES)]
    return {
        "duration_s": analysis.duration_s,
        "around_s": AROUND_WAVE_S,
        "colours": {"grid": GRID_COLOUR, "text": TEXT_COLOUR},
        "channels": [_plain_channel(analysis, role, waves[role]) for role in order_roles(analysis.envelopes)],
        "lanes": [_plain_lane(kind, listed[kind], analysis) for kind in kinds if kind in listed],
        "not_judged": _not_judged_spans(analysis.coverage, analysis.duration_s),
    }
