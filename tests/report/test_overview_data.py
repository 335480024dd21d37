"""What the zoomable overview is told: the same volts, no bridged holes, nothing left out in silence."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import itertools
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
from ampwitness.findings.selection import choose_listed, choose_waves
from ampwitness.report.overview_data import WHOLE_COLUMNS, join_spans, overview_facts
from ampwitness.report.page import UPLOT, html_page
from ampwitness.types import Analysis, Coverage, Envelope, Finding, FloatArray, NotJudged
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

# The files of npm's uplot 1.6.32, whose package has the integrity
# sha512-KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw==
UPLOT_SHA256 = "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"


def unpack(text: str, channel: dict[str, Any]) -> FloatArray:
    steps = np.frombuffer(base64.b64decode(text), dtype="<i2").astype(float)
    return np.where(steps == -32768, np.nan, channel["low_v"] + (steps + 32767) * channel["step_v"])


def facts_of(analysis: Analysis) -> dict[str, Any]:
    return overview_facts(analysis, choose_listed(analysis.findings))


def clip(start_s: float, overdrive_db: float | None = 1.0) -> Finding:
    return Finding("clip", start_s, start_s + 0.004, "attention", {"overdrive_db": overdrive_db}, {}, {})


def test_volts_come_back_within_half_a_step(small_analysis: Analysis) -> None:
    channels = {channel["role"]: channel for channel in facts_of(small_analysis)["channels"]}
    assert list(channels) == ["output", "supply"]
    for role, channel in channels.items():
        envelope = small_analysis.envelopes[role]
        assert channel["step_v"] < 0.002
        np.testing.assert_allclose(
            unpack(channel["whole"][0]["highest"], channel), envelope.highest, atol=channel["step_v"]
        )
        np.testing.assert_allclose(
            unpack(channel["whole"][0]["lowest"], channel), envelope.lowest, atol=channel["step_v"]
        )


def test_waves_are_those_of_the_excerpts_and_never_overlap(small_analysis: Analysis) -> None:
    (channel, _) = facts_of(small_analysis)["channels"]
    ends_s = -1.0
    for wave in channel["waves"]:
        assert wave["start_s"] >= ends_s - 1e-9
        volts = unpack(wave["volts"], channel)
        ends_s = wave["start_s"] + wave["step_s"] * len(volts)
        (segment,) = small_analysis.excerpts[0].traces["output"].segments
        first = round((wave["start_s"] - segment.start_s) / wave["step_s"])
        np.testing.assert_allclose(volts, segment.volts[first : first + len(volts)], atol=channel["step_v"])


def test_a_long_envelope_keeps_its_extremes_and_its_holes(small_analysis: Analysis) -> None:
    n = 3 * WHOLE_COLUMNS
    highest, lowest = np.ones(n), -np.ones(n)
    highest[31], lowest[32] = 7.0, -9.0
    highest[300] = lowest[300] = np.nan
    envelope = Envelope("output", 0.0, 0.01, lowest, highest, np.ones(n))
    long = dataclasses.replace(small_analysis, envelopes={"output": envelope}, duration_s=n / 100)
    (channel,) = facts_of(long)["channels"]
    (whole,) = channel["whole"]
    assert whole["step_s"] == pytest.approx(0.03)
    tops, bottoms = unpack(whole["highest"], channel), unpack(whole["lowest"], channel)
    assert tops[10] == pytest.approx(7.0, abs=1e-3)
    assert bottoms[10] == pytest.approx(-9.0, abs=1e-3)
    assert np.isnan(tops[100])
    assert np.isfinite(tops[99])
    assert channel["fine"]  # around the excerpts
    for part in channel["fine"]:
        assert part["step_s"] == 0.01


def test_an_axis_of_every_role_has_a_name_that_its_height_holds(small_analysis: Analysis) -> None:
    roles = ("output", "supply", "battery", "ground", "source", "current", "remote")
    output = small_analysis.envelopes["output"]
    channels = facts_of(dataclasses.replace(small_analysis, envelopes=dict.fromkeys(roles, output)))["channels"]
    assert {channel["role"] for channel in channels} == set(roles)
    for channel in channels:  # some 100 pixels at 9 a letter
        assert channel["label"].endswith(" (V)")
        assert len(channel["label"]) <= 11


def test_listed_are_the_worst_in_order_of_time_and_the_rest_is_counted(small_analysis: Analysis) -> None:
    many = tuple(clip(k / 100, overdrive_db=None if k % 50 == 0 else (k * 37) % 301 / 100) for k in range(300))
    listed = choose_listed(many)["clip"]
    assert len(listed) == 200
    assert [number for number, _ in listed] == sorted(number for number, _ in listed)
    assert all(many[number - 1] is finding for number, finding in listed)
    left_out = [f for n, f in enumerate(many, start=1) if n not in {number for number, _ in listed}]
    worst_left_out = max(f.measured["overdrive_db"] or 0.0 for f in left_out)  # type: ignore[type-var]
    assert min(f.measured["overdrive_db"] for _, f in listed) >= worst_left_out  # type: ignore[type-var]
    (lane,) = facts_of(dataclasses.replace(small_analysis, findings=many))["lanes"]
    assert len(lane["events"]) + sum(n for _, _, n in lane["rest"]) == 300


@settings(suppress_health_check=[HealthCheck.too_slow])  # the machine may be busy
@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 5)), max_size=60), st.integers(1, 20))
def test_joined_spans_cover_all_and_count_all(raw: list[tuple[float, float]], most: int) -> None:
    spans = [(start_s, start_s + length_s) for start_s, length_s in raw]
    joined = join_spans(spans, most, 105.0)
    assert len(joined) <= most
    assert sum(n for _, _, n in joined) == len(spans)
    for start_s, stop_s in spans:
        assert any(a <= start_s and stop_s <= b for a, b, _ in joined)


def test_wave_spans_take_the_worst_of_each_kind_and_do_not_overlap() -> None:
    dip = Finding("dip", 50.0, 51.0, "attention", {"depth_v": 1.0}, {}, {})
    clips = tuple(clip(k / 100, overdrive_db=k / 100) for k in range(300))
    spans = choose_waves((*clips, dip), 10)
    assert any(span.start_s < 50.0 < span.stop_s for span in spans)
    assert any(span.start_s < 2.99 < span.stop_s for span in spans)
    assert all(a.stop_s < b.start_s for a, b in itertools.pairwise(spans))
    assert not any(span.start_s < 0.5 < span.stop_s for span in spans)
    assert choose_waves((), 10) == ()


def test_spans_that_were_not_judged_are_shown_unless_it_is_the_whole_recording(small_analysis: Analysis) -> None:
    coverage = (
        Coverage("clipping", 3.0, (NotJudged(1.0, 2.0, "beyond the range"),)),
        Coverage("marks", 0.0, (NotJudged(0.0, 4.0, "no button"),)),
    )
    facts = facts_of(dataclasses.replace(small_analysis, coverage=coverage))
    assert facts["not_judged"] == [[1.0, 2.0, "clipping: beyond the range"]]


def test_a_kind_that_nobody_has_words_for_still_has_a_lane_and_a_table(small_analysis: Analysis) -> None:
    odd = Finding("hiss", 0.5, 0.6, "attention", {"hiss_v": 0.25}, {}, {})  # type: ignore[arg-type]
    page = html_page(dataclasses.replace(small_analysis, findings=(*small_analysis.findings, odd)))
    assert 'id="finding-5"' in page
    assert "hiss v" in page
    assert "0.250" in page


def test_every_link_to_a_finding_has_its_row(small_page: str) -> None:
    linked = {part.split('"')[0] for part in small_page.split('href="#finding-')[1:]}
    assert linked
    for number in linked:
        assert f'<tr id="finding-{number}"' in small_page


def test_the_drawing_library_is_the_published_one() -> None:
    held = files("ampwitness.report").joinpath(f"vendor/{UPLOT}.iife.min.js").read_bytes()
    assert hashlib.sha256(held).hexdigest() == UPLOT_SHA256
