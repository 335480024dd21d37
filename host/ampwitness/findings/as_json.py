"""The analysis as JSON, by schema.json beside this file. Every figure of a report can be recomputed from it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from fractions import Fraction
from importlib.resources import files
from typing import Any

import numpy as np

from ampwitness import __version__
from ampwitness.finding_list import FindingList
from ampwitness.findings.selection import WORSE, find_bursts, find_worst_places, rank_places
from ampwitness.types import Analysis, Finding, Hello

SCHEMA_VERSION = 1
MOST_OF_A_KIND = 5000  # findings that are listed unless each is asked for: some ten megabytes
MOST_BURSTS = 2000
BURST_GAP_S = 1.0
_AS_IT_IS = frozenset((str, int, bool, type(None)))
_ON_A_LINE = json.JSONEncoder(allow_nan=False)
_NO_FINDINGS = '"findings": []'


def to_plain(value: Any) -> Any:
    """Turn what findings hold into what JSON can hold: NaN and infinities become null, fractions [num, den]."""
    kind = type(value)  # nearly all are of few types; each is asked for a hundred thousand times a report
    if kind is float:
        return value if math.isfinite(value) else None
    if kind in _AS_IT_IS:
        return value
    if kind is dict:
        return {key if type(key) is str else str(key): to_plain(item) for key, item in value.items()}
    if kind is list or kind is tuple:
        return [to_plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, Fraction):
        return [value.numerator, value.denominator]
    if isinstance(value, np.ndarray):
        return [to_plain(item) for item in value.tolist()]
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [to_plain(item) for item in value]
    raise TypeError(f"cannot be written as JSON: {type(value).__name__}")


def _session_to_plain(hello: Hello) -> dict[str, Any]:
    return {
        "session_id": hello.session_id,
        "board_id": hello.board_id,
        "firmware": hello.firmware,
        "protocol": hello.protocol,
        "mode": hello.mode,
        "rate_hz": to_plain(hello.rate_hz),
        "averaging": hello.averaging,
        "reset_cause": hello.reset_cause,
        "time_scale": hello.time_scale,
        "input_corner_hz": hello.input_corner_hz,
        "channels": [asdict(channel) for channel in hello.channels],
    }


def _finding_to_plain(number: int, finding: Finding) -> dict[str, Any]:
    return {
        "number": number,
        "kind": finding.kind,
        "start_s": to_plain(finding.start_s),
        "stop_s": to_plain(finding.stop_s),
        "severity": finding.severity,
        "measured": to_plain(finding.measured),
        "threshold": to_plain(finding.threshold),
        "evidence": to_plain(finding.evidence),
    }


def _finding_to_line(number: int, finding: Finding) -> str:
    """What `_finding_to_plain` gives, as a line; not copied first where all is such as JSON can hold."""
    try:
        return _ON_A_LINE.encode(
            {
                "number": number,
                "kind": finding.kind,
                "start_s": finding.start_s,
                "stop_s": finding.stop_s,
                "severity": finding.severity,
                "measured": finding.measured,
                "threshold": finding.threshold,
                "evidence": finding.evidence,
            }
        )
    except (TypeError, ValueError):
        return _ON_A_LINE.encode(_finding_to_plain(number, finding))


def iter_json(analysis: Analysis, *, every_finding: bool = False) -> Iterator[str]:
    """The text of `analysis_to_json`, a finding a line, piece by piece, so that no more than one is held.

    Parameters
    ----------
    analysis : what is written
    every_finding : each one, however many there are
    """
    findings = FindingList.of(analysis.findings)
    chosen = findings if every_finding else _choose(findings)
    frame = json.dumps(_frame_to_plain(analysis, [], findings, chosen), indent=1, allow_nan=False)
    before, after = frame.split(_NO_FINDINGS, 1)
    yield before + _NO_FINDINGS[:-2] + "["
    for at, (number, finding) in enumerate(zip(chosen.numbers.tolist(), chosen, strict=True)):
        # On a line of its own: that is written ten times as fast, and tools that go by lines find it.
        yield ("," if at else "") + "\n  " + _finding_to_line(number, finding)
    yield ("\n ]" if len(chosen) else "]") + after + "\n"


def analysis_to_json(analysis: Analysis) -> dict[str, Any]:
    """Everything that was found, looked at and not judged, as plain JSON values.

    Of a kind with more than MOST_OF_A_KIND findings the worst are listed, and all of them gathered into bursts.
    """
    findings = FindingList.of(analysis.findings)
    chosen = _choose(findings)
    listed = [_finding_to_plain(number, one) for number, one in zip(chosen.numbers.tolist(), chosen, strict=True)]
    return _frame_to_plain(analysis, listed, findings, chosen)


def _choose(findings: FindingList) -> FindingList:
    """The worst of each kind, in order, as many as are listed."""
    if all(findings.n_of(kind) <= MOST_OF_A_KIND for kind in findings.kinds):
        return findings
    numbers = np.concatenate(
        [
            (of_kind := findings.of_kind(kind)).take(rank_places(of_kind, MOST_OF_A_KIND)).numbers
            for kind in findings.kinds
        ]
    )
    return findings.take(np.flatnonzero(np.isin(findings.numbers, numbers)))


def _gather(of_kind: FindingList, n_listed: int) -> dict[str, Any]:
    """All findings of a kind as bursts: such as follow one another closely, with how many, how long and the worst."""
    start_s, stop_s = of_kind.start_s, of_kind.stop_s
    first, reached_s, near_s = find_bursts(start_s, stop_s, BURST_GAP_S, MOST_BURSTS)
    ends = np.append(first[1:], len(start_s))
    worst_places = find_worst_places(of_kind, first)
    worst_ones = of_kind.take(worst_places)
    keys = WORSE.get(of_kind.kinds[0], ())[:1]
    values = {key: worst_ones.values(key).tolist() for key in keys}
    bursts = []
    for at, (a, b, burst_stop_s) in enumerate(zip(first.tolist(), ends.tolist(), reached_s.tolist(), strict=True)):
        bursts.append(
            {
                "start_s": float(start_s[a]),
                "stop_s": burst_stop_s,
                "n": b - a,
                "total_s": float(np.sum(stop_s[a:b] - start_s[a:b])),
                "worst_number": int(worst_ones.numbers[at]),
                **{f"worst_{key}": to_plain(column[at]) for key, column in values.items()},
            }
        )
    return {
        "n_found": len(of_kind),
        "n_listed": n_listed,
        "apart_s": near_s,
        "words": f"{n_listed:,} of {len(of_kind):,} are listed, the worst; bursts hold all: findings less than "
        f"{near_s:g} s apart. `ampwitness report --json FILE --every-finding` lists each.",
        "bursts": bursts,
    }


def _frame_to_plain(
    analysis: Analysis, listed: list[dict[str, Any]], findings: FindingList, chosen: FindingList
) -> dict[str, Any]:
    health = analysis.link_health
    gathered = {
        kind: _gather(findings.of_kind(kind), chosen.n_of(kind))
        for kind in findings.kinds
        if chosen.n_of(kind) < findings.n_of(kind)
    }
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"ampwitness {__version__}",
        "recording": {"name": analysis.recording_name, "duration_s": to_plain(analysis.duration_s)},
        "sessions": [_session_to_plain(hello) for hello in analysis.hellos],
        "findings": listed,
        **({"gathered": gathered} if gathered else {}),
        "coverage": [
            {
                "detector": coverage.detector,
                "judged_s": to_plain(coverage.judged_s),
                "not_judged": [
                    {"start_s": to_plain(span.start_s), "stop_s": to_plain(span.stop_s), "reason": span.reason}
                    for span in coverage.not_judged
                ],
            }
            for coverage in analysis.coverage
        ],
        "link_health": {**to_plain(asdict(health)), "balances": health.balances},
        "settings": {
            "notes": to_plain(analysis.settings.notes),
            "options": to_plain(analysis.settings.options),
            "calibrations": [to_plain(asdict(calibration)) for calibration in analysis.settings.calibrations],
        },
        "summary": to_plain(analysis.summary),
    }


def read_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that `analysis_to_json` follows."""
    loaded = json.loads(files("ampwitness.findings").joinpath("schema.json").read_text(encoding="utf-8"))
    assert isinstance(loaded, dict)
    return loaded
