"""What a report asks of very many clips: a day has 600,000, and to make the finding of one takes some 30 us."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.detect.clips.found_clips import NUMBERS, ClipTable
from ampwitness.detect.clips.table.clip_candidates import NOT_ASKED
from ampwitness.finding_list import FindingList
from ampwitness.findings.selection import MAX_LISTED, choose_waves
from ampwitness.report.page import html_page
from ampwitness.report.text import text_report
from ampwitness.types import Analysis

N = 4000


def make_clips() -> ClipTable:
    rng = np.random.default_rng(11)
    columns = dict.fromkeys(NUMBERS, np.zeros(N))
    columns |= {
        "sign": rng.choice([-1.0, 1.0], N),
        "start_s": np.sort(rng.uniform(0.0, 1.9, N)),
        "level_v": rng.uniform(30.0, 32.0, N),
        "overdrive_db": rng.uniform(0.05, 3.0, N),
        "lively": rng.uniform(0.0, 1.0, N),
        "noise_v": np.full(N, 0.01),
        "source_says": np.full(N, float(NOT_ASKED)),
        "source_flat": np.full(N, np.nan),
        "supply_v": np.full(N, 12.0),
        "threshold": np.ones(N),
    }
    columns["stop_s"] = columns["start_s"] + 0.002
    columns["crest_v"] = columns["level_v"] * 10 ** (columns["overdrive_db"] / 20)
    return ClipTable(columns, np.full((N, 4), np.nan), np.zeros((N, 4))).with_causes({}, None)


def test_a_report_of_very_many_clips_makes_findings_of_those_it_lists(
    small_analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    others = [finding for finding in small_analysis.findings if finding.kind != "clip"]
    analysis = replace(small_analysis, findings=FindingList([make_clips(), others]))
    n_made = 0
    read = ClipTable.read

    def count(table: ClipTable, row: int) -> object:
        nonlocal n_made
        n_made += 1
        return read(table, row)

    monkeypatch.setattr(ClipTable, "read", count)
    text = text_report(analysis)
    assert f"{N:,}" in text
    assert n_made <= MAX_LISTED
    n_made = 0
    choose_waves(analysis.findings, MAX_LISTED)
    assert n_made <= 2 * MAX_LISTED
    n_made = 0
    html_page(analysis)
    assert MAX_LISTED <= n_made <= 4 * MAX_LISTED
