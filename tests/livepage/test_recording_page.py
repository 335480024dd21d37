"""A recording on a page: any span of it, as it was recorded, and never more than was asked for."""

from __future__ import annotations

import http.client
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.day_signals import SCANS, WireMaker, hello_fields
from ampwitness.livepage.clean_ceiling import ceiling_of_recording
from ampwitness.livepage.recording_page import (
    EVENTS_OF_A_KIND,
    POINTS_MOST,
    RecordingPage,
    choose_events,
    span_of_envelope,
    span_of_trace,
)
from ampwitness.livepage.server import PageServer
from ampwitness.pipeline import read_span
from ampwitness.recording import RecordingWriter, open_parts
from ampwitness.types import Chunk, Envelope, Finding, Segment, Trace
from browser_pipe import Browser, needs_chromium


@dataclass
class Shown:
    """A recording that is being served."""

    path: Path
    server: PageServer


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shown]:
    """Five seconds of bursts of 43 Hz at 18 V, cut off at 15 V, a dip at 2.8 s, and frames lost at 4 s."""
    path = tmp_path_factory.mktemp("shown") / "trip.mcap"
    rate_hz = 8000
    time_s = np.arange(5 * rate_hz // SCANS * SCANS) / rate_hz
    output_v = np.clip(18.0 * np.sin(2 * np.pi * 43 * time_s) * (time_s % 2 < 1), -15, 15)
    supply_v = 13.0 - 2.5 * ((time_s > 2.8) & (time_s < 2.95))
    fields = hello_fields()
    volts = np.column_stack([6.0 + output_v / 2, 6.0 - output_v / 2, supply_v])
    gains_v = np.array([channel["gain_v_per_code"] for channel in fields["channels"]])
    offsets_v = np.array([channel["offset_v"] for channel in fields["channels"]])
    counts = np.round((volts - offsets_v) / gains_v * fields["counts_per_code"]).astype(np.uint16)
    pieces = WireMaker().next_bytes(counts)
    pieces[4] = pieces[4][: len(pieces[4]) // 3] + pieces[4][len(pieces[4]) // 2 :]
    with RecordingWriter(path, {}) as writer:
        for k, piece in enumerate(pieces):
            writer.append(Chunk(piece, 1e9 + k))
    page = RecordingPage(open_parts([path]), lambda what, share: None)
    server = PageServer(page.routes(), 0)
    server.start()
    yield Shown(path, server)
    server.close()


def ask(shown: Shown, path: str) -> tuple[int, str, str]:
    connection = http.client.HTTPConnection("127.0.0.1", shown.server.port, timeout=20)
    connection.request("GET", path)
    answer = connection.getresponse()
    return answer.status, answer.read().decode(), answer.getheader("Content-Security-Policy") or ""


def span(shown: Shown, start_s: float, stop_s: float, points: int, role: str = "output") -> dict[str, Any]:
    status, text, _ = ask(shown, f"/span?role={role}&start_s={start_s}&stop_s={stop_s}&points={points}")
    assert status == 200, text
    found: dict[str, Any] = json.loads(text)
    return found


def test_a_short_span_is_every_sample(shown: Shown) -> None:
    found = span(shown, 0.5, 0.55, 1000)
    assert found["is_full_rate"] is True
    (part,) = found["segments"]
    (segment,) = read_span(shown.path, 0.5, 0.55).traces["output"].segments
    assert part["start_s"] == segment.start_s
    assert part["volts"] == pytest.approx(segment.volts.tolist(), abs=0.0006)


@pytest.mark.parametrize(("start_s", "stop_s", "points"), [(0.0, 3.9, 100), (0.2, 0.9, 300)])
def test_a_long_span_keeps_every_extreme(shown: Shown, start_s: float, stop_s: float, points: int) -> None:
    found = span(shown, start_s, stop_s, points)
    assert found["is_full_rate"] is False
    assert len(found["lowest_v"]) <= points
    (segment,) = read_span(shown.path, start_s, stop_s).traces["output"].segments
    lowest = [value for value in found["lowest_v"] if value is not None]
    highest = [value for value in found["highest_v"] if value is not None]
    assert min(lowest) == pytest.approx(segment.volts.min(), abs=0.0006)
    assert max(highest) == pytest.approx(segment.volts.max(), abs=0.0006)


def test_lost_frames_stay_a_gap(shown: Shown) -> None:
    window = read_span(shown.path, 3.9, 4.9)
    (gap,) = window.gaps
    assert 0.05 < gap.stop_s - gap.start_s < 0.4
    found = span(shown, gap.start_s - 0.02, gap.stop_s + 0.02, 4000)
    before, after = found["segments"]
    assert before["start_s"] + len(before["volts"]) * before["step_s"] <= gap.start_s + 1e-6
    assert after["start_s"] >= gap.stop_s - 1e-6
    thin = span(shown, 3.9, 4.9, 200)
    in_gap = round((0.5 * (gap.start_s + gap.stop_s) - thin["start_s"]) / thin["step_s"])
    assert thin["lowest_v"][in_gap] is None


def test_a_ceiling_is_learned_from_its_clips_or_from_the_gain_that_was_set(shown: Shown, tmp_path: Path) -> None:
    learned = ceiling_of_recording(open_parts([shown.path]), lambda what, share: None)
    assert learned.at(13.0) == pytest.approx(15.0, rel=0.02)
    assert "learned from trip.mcap" in learned.source
    path = tmp_path / "gain.mcap"
    with RecordingWriter(path, {}) as writer:
        writer.append(Chunk(b"\x01\x00", 1e9))
        writer.keep_finding(1e9, {"kind": "setting", "measured": {"knee_peak_v": 31.5, "ceiling_v": 33.0}})
    set_then = ceiling_of_recording(open_parts([path]), lambda what, share: None)
    assert set_then.at(None) == 31.5
    assert set_then.source == "learned from gain.mcap: 1 % THD when the gain was set"


def test_an_answer_is_bounded_and_nonsense_refused(shown: Shown) -> None:
    assert sum(len(part["volts"]) for part in span(shown, 0, 4, 10**9).get("segments", [])) <= POINTS_MOST
    assert len(span(shown, 0, 4, 10**9).get("lowest_v", [])) <= POINTS_MOST
    for query, status in {
        "role=nothing&start_s=0&stop_s=1&points=100": 404,
        "role=output&start_s=1&stop_s=1&points=100": 400,
        "role=output&start_s=2&stop_s=1&points=100": 400,
        "role=output&start_s=nan&stop_s=1&points=100": 400,
        "role=output&start_s=0&stop_s=inf&points=100": 400,
        "role=output&start_s=900&stop_s=901&points=100": 400,
        "role=output&start_s=0&stop_s=1": 400,
    }.items():
        assert ask(shown, f"/span?{query}")[0] == status, query


def test_the_report_is_served_and_may_fetch_nothing(shown: Shown) -> None:
    status, text, policy = ask(shown, "/report")
    assert status == 200
    assert "trip.mcap" in text
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy


def test_nothing_is_filled_where_nothing_was_recorded() -> None:
    nothing = np.full(4, np.nan)
    lowest = np.array([-1.0, -2.0, *nothing, -3.0, -4.0, -5.0])
    envelope = Envelope("output", 0.0, 0.5, lowest, -lowest, -lowest)
    found = span_of_envelope(envelope, 0.0, 4.5, 5)
    assert found["step_s"] == 1.0
    assert found["lowest_v"] == [-2.0, None, None, -4.0, -5.0]
    parts = (Segment(0.0, 1000.0, np.arange(100.0)), Segment(0.3, 1000.0, -np.arange(100.0)))
    thin = span_of_trace(Trace("output", 0.0, 0.4, parts, (), ()), 0.0, 0.4, 40)
    assert thin["highest_v"][0] == 9.0
    assert thin["lowest_v"][39] == -99.0
    assert thin["lowest_v"][10:30] == [None] * 20


def test_the_worst_can_be_stepped_to_wherever_they_lie() -> None:
    """Not the first of a day: a cut-out behind thousands of clips is what was looked for."""

    def found(kind: Any, at_s: float, **measured: float) -> Finding:
        return Finding(kind, at_s, at_s + 0.01, "attention", measured, {}, {})

    clips = [found("clip", 0.1 * at, overdrive_db=float(at)) for at in range(4 * EVENTS_OF_A_KIND)]
    events = choose_events([*clips, found("cutout", 9000.0, outage_s=2.0)])
    assert [event.kind for event in events] == ["clip"] * EVENTS_OF_A_KIND + ["cutout"]
    assert events[0].start_s == pytest.approx(0.3 * EVENTS_OF_A_KIND)


@needs_chromium
def test_a_browser_steps_through_it_by_keyboard(shown: Shown, tmp_path: Path) -> None:
    browser = Browser(tmp_path / "profile")
    kept = Path(os.environ.get("AMPWITNESS_PICTURES", tmp_path))
    try:
        own = f"http://127.0.0.1:{shown.server.port}/"
        for name, (width, height) in {"desktop": (1200, 950), "phone": (390, 1200)}.items():
            browser.size(width, height)
            browser.open(own)
            browser.wait_for("document.readyState === 'complete' && answers.output && answers.supply && whole")
            assert browser.value("answers.output.is_full_rate") is False
            assert browser.value("document.documentElement.scrollWidth") <= width
            for low_v, high_v in ((-42, 42), (-11, 11), (9.2, 12.8), (12.61, 12.64)):
                step_v = browser.value(f"voltStep({low_v}, {high_v}, 4)")  # one number would be no scale
                assert np.floor(high_v / step_v) - np.ceil(low_v / step_v) >= 1
            browser.picture(kept / f"recording-{name}.png")
            browser.press("n")
            browser.wait_for("document.getElementById('event-words').textContent.startsWith('1 of ')")
            for _ in range(6):
                browser.press("+")
            browser.wait_for("answers.output.is_full_rate && answers.supply.is_full_rate")
            browser.picture(kept / f"samples-{name}.png")
            browser.press("0")
            assert browser.wait_for("shown.start_s === 0 && shown.stop_s === FACTS.duration_s") is True
        assert browser.value("[clock(3.25, 2), FACTS.duration_s = 4000, clock(65, 0), clock(3725.5, 1)].join(' ')") == (
            "3.25 s 4000 1:05 1:02:05.5"
        )
        typed = "['65', '1:05', ' 1:02:05.5', '1:', 'x'].map(readClock).join(' ')"
        assert browser.value(typed) == "65 65 3725.5 NaN NaN"
        assert not browser.complaints
        assert all(url.startswith((own, "data:")) for url in browser.asked), browser.asked
    finally:
        browser.close()
