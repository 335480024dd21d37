"""A made analysis of a whole day, for pages: many findings, hours of envelope, waves at some. No detector ran."""

from __future__ import annotations

import dataclasses
from collections import Counter
from typing import Any

import numpy as np
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.finding_list import FindingList, FindingTable, number_or_nan
from ampwitness.findings.selection import choose_enlarged, choose_waves
from ampwitness.types import Analysis, Coverage, Envelope, Finding, FloatArray, Interval, NotJudged, TraceWindow

DAY_S = 86_400.0
STEP_S = 0.01
RATE_HZ = 8000
SEED = 11


def _envelope(role: str, lowest: FloatArray, highest: FloatArray) -> Envelope:
    return Envelope(role, 0.0, STEP_S, lowest, highest, np.sqrt((lowest**2 + highest**2) / 2))


class ColumnTable(FindingTable):
    """Findings of one kind from columns: the numbers that differ, and what all have in common."""

    def __init__(self, kind: str, start_s: FloatArray, length_s: float, common: dict[str, Any], **columns: FloatArray):
        self.kind = kind
        order = np.argsort(start_s)
        self.start_s = start_s[order]
        self.stop_s = self.start_s + length_s
        self._common, self._columns = common, {name: column[order] for name, column in columns.items()}

    def read(self, row: int) -> Finding:
        measured = self._common | {name: float(column[row]) for name, column in self._columns.items()}
        return Finding(
            self.kind,  # type: ignore[arg-type]
            float(self.start_s[row]),
            float(self.stop_s[row]),
            "information" if self.kind == "note" else "attention",
            measured,
            {},
            {},
        )

    def numbers(self, key: str) -> FloatArray:
        if key == "is_source":  # as the clips' own table says it
            return np.zeros(len(self))
        column = self._columns.get(key)
        return np.full(len(self), number_or_nan(self._common.get(key))) if column is None else column

    def texts(self, key: str, rows: object = None) -> Counter[str]:
        word = self._common.get(key)
        return Counter({str(word): len(self)} if word else {})


def _findings(random: np.random.Generator, n_clips: int, n_notes: int, n_dips: int) -> FindingList:
    over_db = random.gamma(1.2, 0.8, n_clips)
    clips = ColumnTable(
        "clip", random.uniform(0, DAY_S - 1, n_clips), 0.004,
        {"polarity": "positive", "plateau_v": 38.0, "flat_s": 0.004, "supply_v": 12.1, "cause": "drive"},
        overdrive_db=over_db, crest_v=38 * 10 ** (over_db / 20),
    )  # fmt: skip
    level_v = random.uniform(3, 28, n_notes)
    sag_v = 0.001 * level_v**2 + random.normal(0, 0.02, n_notes)
    notes = ColumnTable(
        "note", random.uniform(0, DAY_S - 1, n_notes), 0.4,
        {"pitch_hz": 41.2, "supply_before_v": 12.6, "recovery_s": 0.1},
        level_v=level_v, supply_lowest_v=12.6 - sag_v, sag_v=sag_v, sag_percent=8 * sag_v,
    )  # fmt: skip
    depth_v = random.uniform(0.7, 1.6, n_dips)
    dips = ColumnTable(
        "dip", random.uniform(0, DAY_S - 1, n_dips), 0.2, {"role": "supply", "reference_v": 12.6, "duration_s": 0.2},
        residual_v=12.6 - depth_v, depth_v=depth_v, depth_percent=depth_v / 0.126,
    )  # fmt: skip
    cut = {"outage_s": 2.0, "cause": "supply voltage too low", "supply_at_start_v": 9.5,
           "supply_lowest_before_v": 9.4, "recovered": True}  # fmt: skip
    lost = {"cause": "link", "n_scans_lost": 80_000, "is_exact": True}
    single = (
        Finding("cutout", 40_000.0, 40_002.0, "serious", cut, {}, {}),
        Finding("gap", 60_000.0, 60_010.0, "attention", lost, {}, {}),
        Finding("mark", 40_010.0, 40_010.0, "information", {"source": "button", "label": None}, {}, {}),
    )
    return FindingList([clips, notes, dips, single])


def _waves(span: Interval) -> TraceWindow:
    time_s = np.arange(round((span.stop_s - span.start_s) * RATE_HZ)) / RATE_HZ
    output = np.clip(45 * np.sin(2 * np.pi * 40 * time_s), -38, 38)
    (made,) = iter_windows_from_arrays({"output": output, "supply": 12.4 - 0.02 * abs(output)}, RATE_HZ, window_s=60.0)
    by_s = span.start_s
    traces = {
        role: dataclasses.replace(
            trace,
            start_s=trace.start_s + by_s,
            stop_s=trace.stop_s + by_s,
            segments=tuple(dataclasses.replace(s, start_s=s.start_s + by_s) for s in trace.segments),
        )
        for role, trace in made.traces.items()
    }
    return dataclasses.replace(made, start_s=made.start_s + by_s, stop_s=made.stop_s + by_s, traces=traces)


def make_day(small: Analysis, n_clips: int = 400_000, n_notes: int = 150_000, n_dips: int = 5_000) -> Analysis:
    """A day with so many findings; what is not given here is that of `small`."""
    random = np.random.default_rng(SEED)
    n = round(DAY_S / STEP_S)
    loud_v = 10 + 9 * np.sin(np.arange(n) * (2 * np.pi * STEP_S / 5000)) ** 2 * random.uniform(0.5, 2.0, n)
    loud_v[6_000_000:6_001_000] = np.nan
    findings = _findings(random, n_clips, n_notes, n_dips)
    spans = [span for _, span in choose_enlarged(findings)] + list(choose_waves(findings, 40))
    names = ("clipping", "notes", "dips", "cutouts", "saturation", "marks")
    gap = NotJudged(60_000.0, 60_010.0, "scans are missing")
    return dataclasses.replace(
        small,
        recording_name="day.mcap",
        duration_s=DAY_S,
        findings=findings,
        coverage=(
            *(Coverage(name, DAY_S - 10, (gap,)) for name in names),
            Coverage("gaps", DAY_S, ()),
        ),
        envelopes={
            "output": _envelope("output", -loud_v, loud_v),
            "supply": _envelope("supply", 12.6 - 0.02 * loud_v, np.full(n, 12.6) + 0 * loud_v),
        },
        excerpts=tuple(_waves(span) for span in spans),
        summary={},
    )
