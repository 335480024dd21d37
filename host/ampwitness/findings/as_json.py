"""The analysis as JSON, by schema.json beside this file. Every figure of a report can be recomputed from it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from fractions import Fraction
from importlib.resources import files
from typing import Any

import numpy as np

from ampwitness import __version__
from ampwitness.types import Analysis, Hello

SCHEMA_VERSION = 1


def to_plain(value: Any) -> Any:
    """Turn what findings hold into what JSON can hold: NaN and infinities become null, fractions [num, den]."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
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


def analysis_to_json(analysis: Analysis) -> dict[str, Any]:
    """Everything that was found, looked at and not judged, as plain JSON values."""
    health = analysis.link_health
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"ampwitness {__version__}",
        "recording": {"name": analysis.recording_name, "duration_s": to_plain(analysis.duration_s)},
        "sessions": [_session_to_plain(hello) for hello in analysis.hellos],
        "findings": [
            {
                "kind": finding.kind,
                "start_s": to_plain(finding.start_s),
                "stop_s": to_plain(finding.stop_s),
                "severity": finding.severity,
                "measured": to_plain(finding.measured),
                "threshold": to_plain(finding.threshold),
                "evidence": to_plain(finding.evidence),
            }
            for finding in analysis.findings
        ],
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
