"""A day's findings are not made one by one to be worded, drawn or ranked."""

from __future__ import annotations

from dataclasses import replace

import pytest
from ampwitness.finding_list import FindingList, KeptTable
from ampwitness.findings.selection import choose_enlarged, choose_waves
from ampwitness.report.page import html_page
from ampwitness.report.text import text_report
from ampwitness.types import Analysis, Finding

N = 6000


def test_reports_make_only_the_findings_that_they_show(
    small_analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = KeptTable("note", ("sag_own_v", "sag_v", "sag_without_end_v", "level_v"))
    for at in range(N):
        measured = {"pitch_hz": 50.0, "level_v": 1.0 + at % 7, "sag_v": (at % 500) / 1000, "supply_lowest_v": 12.0}
        measured["sag_own_v"] = measured["sag_without_end_v"] = measured["sag_v"]
        notes.extend([Finding("note", 0.01 * at, 0.01 * at + 0.005, "information", measured, {}, {})])
    analysis = replace(small_analysis, findings=FindingList([notes]), duration_s=60.0, excerpts=())
    n_made = []
    read = KeptTable.read

    def counted(self: KeptTable, row: int) -> Finding:
        n_made.append(row)
        return read(self, row)

    monkeypatch.setattr(KeptTable, "read", counted)
    assert f"{N:,} bass notes found" in text_report(analysis)
    assert len(n_made) < 50
    choose_enlarged(analysis.findings)
    assert len(choose_waves(analysis.findings, 40)) >= 1
    assert len(n_made) < 400
    assert f"{N:,} bass notes" in html_page(analysis)
    assert len(n_made) < 2 * N  # those drawn as points of sag against level are looked at once
