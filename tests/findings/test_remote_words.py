"""Drops of the remote lead of which no cut-out tells, as the output was soft or silent."""

from __future__ import annotations

from typing import Any

import pytest
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.remote_words import advise_drops, list_silent_drops, word_drops
from ampwitness.types import Finding, FindingKind


def _summary(*drops: tuple[float, float], delay_s: float | None = 0.05) -> dict[str, Any]:
    switchings = []
    for off_s, on_s in drops:
        switchings.append({"what": "turn-off", "start_s": off_s, "delay_s": delay_s})
        switchings.append({"what": "turn-on", "start_s": on_s, "delay_s": 0.3})
    return {"cutouts": {"switchings": switchings}}


def _finding(kind: FindingKind, start_s: float, stop_s: float, cause: str = "") -> Finding:
    return Finding(kind, start_s, stop_s, "serious", {"cause": cause, "confidence": "high"}, {}, {})


def test_drops_in_soft_passages_are_told_and_asked_about() -> None:
    summary, nothing = _summary((1.5, 2.3), (4.0, 4.3)), FindingList.of(())
    assert word_drops(summary, nothing) == ["2 drops of the remote lead while the output was soft or silent"]
    (step,) = advise_first_steps((), summary)
    assert step.startswith("Find what interrupts the remote lead: its contacts, and what switches it. It fell 2 times,")
    assert "first at 1.500 s, and was back within 0.80 s." in step
    (step,) = advise_drops(_summary((1.5, 2.3)), nothing)
    assert "It fell at 1.500 s and was back after 0.80 s." in step


@pytest.mark.parametrize(
    "summary",
    [
        _summary((1.5, 4.6)),  # as long as somebody takes to switch off and on again
        _summary((1.5, 1.52)),  # a blip
        _summary((1.5, 2.3), delay_s=None),  # the output played on without it
        {**_summary((1.5, 2.3)), "engine": {"spans": [{"state": "cranking", "start_s": 3.0, "stop_s": 4.0}]}},
        {},
    ],
)
def test_what_somebody_or_a_starter_does_is_no_drop(summary: dict[str, Any]) -> None:
    assert list_silent_drops(summary, FindingList.of(())) == []
    assert word_drops(summary, FindingList.of(())) == advise_drops(summary, FindingList.of(())) == []


def test_what_a_cut_out_or_a_dip_tells_is_not_told_again() -> None:
    summary = _summary((1.5, 2.3), (4.0, 4.3))
    for kind, start_s in (("cutout", 1.53), ("dip", 1.5)):
        findings = FindingList.of((_finding(kind, start_s, 2.6, "supply voltage too low"),))  # type: ignore[arg-type]
        assert list_silent_drops(summary, findings) == [(4.0, 4.3)]
        assert len(advise_drops(summary, findings)) == 1
    dropped = FindingList.of((_finding("cutout", 1.53, 2.6, "remote lead dropped"),))
    assert word_drops(summary, dropped) == ["1 drop of the remote lead while the output was soft or silent"]
    assert advise_drops(summary, dropped) == []  # the cut-out asks for the same
