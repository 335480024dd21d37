"""`ampwitness.open`, and the examples of its page as they stand there."""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys
from pathlib import Path

import ampwitness
import numpy as np
import pytest
from ampwitness.errors import RecordingUnreadableError, UsageError

PAGE = Path(__file__).resolve().parents[2] / "host" / "API.md"
EXAMPLES = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


def run_example(code: str, folder: Path) -> str:
    said = io.StringIO()
    before = Path.cwd()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(said):
            exec(compile(code, str(PAGE), "exec"), {"__name__": "example"})
    finally:
        os.chdir(before)
    return said.getvalue()


def number(pattern: str, text: str) -> float:
    found = re.search(pattern, text)
    assert found, text
    return float(found[1])


def test_the_page_has_three_examples() -> None:
    assert len(EXAMPLES) == 3


def test_example_of_the_loudest_moment(small_recording: Path) -> None:
    said = run_example(EXAMPLES[0], small_recording.parent)
    assert "bass, 8000 scans a second" in said
    assert number(r"loudest: ([\d.]+) V", said) == pytest.approx(24, rel=0.03)
    assert 2.4 < number(r"at ([\d.]+) s", said) < 3.6
    assert "0 gaps" in said


def test_example_of_findings(small_recording: Path) -> None:
    said = run_example(EXAMPLES[1], small_recording.parent)
    assert 96 <= number(r"(\d+) clipped", said) <= 100  # a second of 50 Hz, both polarities
    assert number(r"worst ([\d.]+) dB", said) == pytest.approx(20 * np.log10(34 / 24), abs=0.3)
    assert "not judged" in said


def test_example_of_windows(small_recording: Path) -> None:
    said = run_example(EXAMPLES[2], small_recording.parent)
    assert number(r"below ([\d.]+) V", said) == pytest.approx(12.6, rel=0.03)
    assert number(r"over ([\d.]+) s", said) == pytest.approx(4.0, abs=0.1)
    time_s = np.arange(160_000) / 40_000
    level_v = np.where(time_s < 2.5, 20.0, 34.0) * ((time_s >= 0.5) & (time_s < 3.5))
    true_v = np.clip(level_v * np.sin(2 * np.pi * 50 * time_s), -24, 24)
    assert number(r"output ([\d.]+) V rms", said) == pytest.approx(np.sqrt(np.mean(true_v**2)), rel=0.03)


def test_what_was_typed_and_said(small_recording: Path) -> None:
    recording = ampwitness.open(small_recording)
    assert recording.name == "small.mcap"
    assert recording.notes["load_ohm"] == 4
    assert recording.roles == ("output", "supply")
    assert {c.role for c in recording.calibrations} == {"out_p", "out_n", "supply"}


def test_a_span_across_a_gap_comes_in_two_pieces(gapped_recording: Path) -> None:
    recording = ampwitness.open(gapped_recording)
    trace = recording.volts("output")
    (gap,) = trace.gaps
    assert len(trace.segments) == 2
    before = recording.volts("output", 0.0, gap.start_s)
    assert before.gaps == ()
    assert len(before.segments) == 1
    after = recording.volts("output", gap.stop_s, gap.stop_s + 0.5).segments[0]
    k = round((after.start_s - trace.segments[1].start_s) * after.rate_hz)
    np.testing.assert_array_equal(after.volts, trace.segments[1].volts[k : k + len(after.volts)])
    assert recording.volts("output", 90.0, 91.0).segments == ()


def test_misuse_is_said_in_a_sentence(small_recording: Path, tmp_path: Path) -> None:
    recording = ampwitness.open(small_recording)
    with pytest.raises(UsageError, match=r"has no 'battery'; it has output, supply"):
        recording.volts("battery")
    for start_s, stop_s in ((1.0, 1.0), (2.0, 1.0), (0.0, 601.0), (0.0, float("nan"))):
        with pytest.raises(UsageError, match="at a time"):
            recording.volts("output", start_s, stop_s)
    with pytest.raises(UsageError):
        recording.windows(0.0)
    with pytest.raises(RecordingUnreadableError):
        ampwitness.open(tmp_path / "none.mcap")


def test_import_stays_light() -> None:
    code = "import sys, ampwitness; sys.exit(any(m in sys.modules for m in ('numpy', 'scipy', 'matplotlib', 'click')))"
    assert subprocess.run([sys.executable, "-c", code], timeout=30).returncode == 0
