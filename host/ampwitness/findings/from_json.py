"""An analysis back out of its JSON, for those who word findings again: without waveforms, envelopes and hellos."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from ampwitness.finding_list import FindingList
from ampwitness.findings.as_json import SCHEMA_VERSION
from ampwitness.types import Analysis, Calibration, Coverage, Finding, LinkHealth, NotJudged, Settings


def is_report(plain: object) -> bool:
    """Whether this is what `ampwitness report --json` writes, in the version known here."""
    return isinstance(plain, Mapping) and plain.get("schema_version") == SCHEMA_VERSION and "link_health" in plain


def analysis_from_json(plain: Mapping[str, Any]) -> Analysis:
    """What `analysis_to_json` wrote. Raises ValueError where something is missing or of another kind."""
    try:
        known = {field.name for field in fields(LinkHealth)}
        settings = plain["settings"]
        return Analysis(
            recording_name=str(plain["recording"]["name"]),
            duration_s=float(plain["recording"]["duration_s"]),
            hellos=(),
            findings=_read_findings(plain),
            coverage=tuple(
                Coverage(
                    coverage["detector"],
                    float(coverage["judged_s"]),
                    tuple(NotJudged(**span) for span in coverage["not_judged"]),
                )
                for coverage in plain["coverage"]
            ),
            link_health=LinkHealth(**{key: value for key, value in plain["link_health"].items() if key in known}),
            settings=Settings(
                settings["notes"], settings["options"], tuple(Calibration(**c) for c in settings["calibrations"])
            ),
            envelopes={},
            summary=plain["summary"],
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not a whole report ({error})") from error


def _read_findings(plain: Mapping[str, Any]) -> FindingList:
    """The findings that are listed, and of how many of each kind there is but the sum."""
    listed = [Finding(**{key: value for key, value in one.items() if key != "number"}) for one in plain["findings"]]
    not_here = {
        kind: int(of_kind["n_found"]) - int(of_kind["n_listed"]) for kind, of_kind in plain.get("gathered", {}).items()
    }
    return FindingList([listed], not_here)
