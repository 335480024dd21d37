"""The page's own loop on a made-up feed: marks go through it, and an end of any kind is told."""

from __future__ import annotations

import json
import threading
import time
import urllib.request
from collections.abc import Iterator

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.supply.engine_marks import read_engine_label
from ampwitness.errors import LinkLostError
from ampwitness.link.monitor import StreamMonitor
from ampwitness.livepage.feed_state import FeedState
from ampwitness.livepage.live_page import LivePage
from ampwitness.livepage.pages import build_page
from ampwitness.livepage.server import PageServer
from ampwitness.recording.host_labels import ENGINE_KEYS
from ampwitness.types import Hello, TraceWindow

RATE_HZ = 8000


class MadeUpFeed:
    """A second of a tone, 40 ms at a time, then the end or an error. Notes which thread sets marks."""

    def __init__(self, hello: Hello, error: Exception | None) -> None:
        self.hello, self.monitor, self.error = hello, StreamMonitor(), error
        self.received_host_s = 0.0
        self.marks: list[tuple[str, int]] = []
        self.noted: list[str] = []
        self.is_stopped = False

    def windows(self) -> Iterator[TraceWindow | None]:
        tone = 5 * np.sin(2 * np.pi * 50 * np.arange(RATE_HZ) / RATE_HZ)
        for window in iter_windows_from_arrays({"output": tone}, RATE_HZ, window_s=0.04):
            if self.is_stopped:
                return
            self.received_host_s = time.time()
            yield window
            time.sleep(0.01)
        if self.error is not None:
            raise self.error

    def mark(self, label: str) -> None:
        self.marks.append((label, threading.get_ident()))

    def note(self, label: str) -> None:
        self.noted.append(label)

    def request_stop(self) -> None:
        self.is_stopped = True


@pytest.fixture
def hello(small_analysis: object) -> Hello:
    found = small_analysis.hellos[0]  # type: ignore[attr-defined]
    assert isinstance(found, Hello)
    return found


def make(hello: Hello, error: Exception | None = None) -> tuple[LivePage, MadeUpFeed]:
    feed = MadeUpFeed(hello, error)
    return LivePage(feed, FeedState(), "trip.mcap"), feed  # type: ignore[arg-type]


def test_marks_are_set_by_the_thread_that_writes(hello: Hello) -> None:
    page, feed = make(hello)
    asked = threading.Thread(target=page.ask_mark, args=("heard it",))
    asked.start()
    asked.join()
    assert not feed.marks
    page.run(lambda window: False)
    assert feed.marks == [("heard it", threading.get_ident())]
    assert not feed.noted
    assert all(page.ask_mark("many") for _ in range(20))
    assert not page.ask_mark("too many")


def test_what_the_engine_does_is_noted_without_a_mark_of_the_board_and_shown(hello: Hello) -> None:
    """As `record` does; the report reads each of these labels, so that the page need not know what they stand for."""
    assert all(read_engine_label(label) is not None for label in ENGINE_KEYS.values())
    state = FeedState()
    feed = MadeUpFeed(hello, None)
    page = LivePage(feed, state, "trip.mcap")  # type: ignore[arg-type]
    for label in ENGINE_KEYS.values():
        assert page.ask_mark(label)
    page.run(lambda window: False)
    assert feed.noted == list(ENGINE_KEYS.values())
    assert not feed.marks
    losses = {"n_scans_lost": 0, "n_frames_lost": 0, "n_bad_frames": 0}
    assert state.picture(losses, 1.0)["engine_said"] == feed.noted[-1]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (None, "The recording has ended and is kept in trip.mcap."),
        (LinkLostError("The board is gone."), "The board is gone. What was received is kept in trip.mcap."),
    ],
)
def test_the_end_is_told_with_its_reason(hello: Hello, error: Exception | None, words: str) -> None:
    page, _ = make(hello, error)
    server = PageServer(page.routes(), 0, open_to_network=True)
    server.start()
    last: list[dict[str, object]] = []

    def look() -> None:
        url = f"http://127.0.0.1:{server.port}/stream?token={server.token}"
        with urllib.request.urlopen(url, timeout=5) as stream:
            for line in stream:  # ends by itself
                if line.startswith(b"data: "):
                    last.append(json.loads(line[6:]))

    looking = threading.Thread(target=look)
    looking.start()
    while not page.n_browsers:
        time.sleep(0.01)
    try:
        if error is None:
            page.run(lambda window: False)
        else:
            with pytest.raises(LinkLostError, match=r"The board is gone\.$"):
                page.run(lambda window: False)
        looking.join(5)
        assert not looking.is_alive()
    finally:
        server.close()
    assert last[-1]["stage"] == "ended"
    assert last[-1]["ending"] == words
    assert len(last) > 10


def test_the_page_of_an_open_server_knows_its_token(hello: Hello) -> None:
    page, _ = make(hello)
    server = PageServer(page.routes(), 0, open_to_network=True)
    server.start()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/?token={server.token}", timeout=5) as answer:
            text = answer.read().decode()
        assert f'"token": "{server.token}"' in text
        assert "On the road the passenger works this" in text
    finally:
        server.close()


def test_it_stops_when_told(hello: Hello) -> None:
    page, feed = make(hello)
    seen: list[TraceWindow | None] = []
    page.run(lambda window: seen.append(window) or len(seen) == 3)
    assert feed.is_stopped
    assert len(seen) == 3


def test_the_caution_comes_first() -> None:
    page = build_page("live", {}, {})[0].decode()
    assert page.index("never the driver") < page.index("<h1")
