"""The live page and a recording's page in a real browser: an accessibility checker, and the keyboard alone."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from accessibility import find_serious
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.link.monitor import StreamMonitor
from ampwitness.livepage.feed_state import FeedState
from ampwitness.livepage.live_page import LivePage
from ampwitness.livepage.server import PageServer
from ampwitness.types import Analysis, Hello, TraceWindow
from test_recording_page import Shown, shown  # noqa: F401  the fixture of its own tests

RATE_HZ = 8000
SIZES = {"desktop": (1200, 950), "phone": (390, 844)}
LONGEST_S = 120.0  # the made feed ends by itself


class EndlessFeed:
    """A tone with a dip of the supply every second, until told to stop."""

    def __init__(self, hello: Hello) -> None:
        self.hello, self.monitor = hello, StreamMonitor()
        self.received_host_s = 0.0
        self.marks: list[str] = []
        self.is_stopped = False

    def windows(self) -> Iterator[TraceWindow | None]:
        time_s = np.arange(round(LONGEST_S * RATE_HZ)) / RATE_HZ
        volts = {"output": 15 * np.sin(2 * np.pi * 50 * time_s), "supply": 12.6 - 2.0 * (time_s % 1 < 0.1)}
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=0.04):
            if self.is_stopped:
                return
            self.received_host_s = time.time()
            yield window
            time.sleep(0.03)

    def mark(self, label: str) -> None:
        self.marks.append(label)

    def request_stop(self) -> None:
        self.is_stopped = True


def leave(browser: Any) -> None:
    """Leave the page before its server ends: what it complains of then is nobody else's."""
    browser.open("about:blank")
    browser.wait_for("location.href === 'about:blank'")


@pytest.fixture(autouse=True)
def left_at_the_end(browser: Any) -> Iterator[None]:
    """Recordings' pages are left too."""
    yield
    leave(browser)


@pytest.fixture
def live(browser: Any, small_analysis: Analysis) -> Iterator[tuple[EndlessFeed, str]]:
    feed = EndlessFeed(small_analysis.hellos[0])
    page = LivePage(feed, FeedState(), "trip.mcap")  # type: ignore[arg-type]
    server = PageServer(page.routes(), 0)
    server.start()
    running = threading.Thread(target=page.run, args=(lambda window: False,))
    running.start()
    yield feed, f"http://127.0.0.1:{server.port}/"
    leave(browser)
    feed.request_stop()
    running.join(10)
    server.close()


def press(browser: Any, key: str, code: int) -> None:
    text = {"text": "\r"} if key == "Enter" else {}
    for what in ("keyDown", "keyUp"):
        browser.call("Input.dispatchKeyEvent", type=what, key=key, windowsVirtualKeyCode=code, **text)


def reach(browser: Any, name: str, most: int = 30) -> None:
    """Press the tabulator until the element is focused."""
    for _ in range(most):
        press(browser, "Tab", 9)
        if browser.value("document.activeElement.id") == name:
            return
    pytest.fail(f"{name} cannot be reached with the tabulator")


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_the_live_page_has_nothing_serious(browser: Any, live: tuple[EndlessFeed, str], size: tuple[int, int]) -> None:
    feed, url = live
    browser.size(*size)
    browser.open(url)
    browser.wait_for("Number(document.body?.dataset.pictures || 0) > 5")
    assert find_serious(browser) == []
    feed.request_stop()  # and once the recording has ended
    browser.wait_for("!document.getElementById('ending').hidden")
    assert find_serious(browser) == []
    assert browser.value("document.documentElement.scrollWidth") <= size[0]


def test_the_live_page_by_keyboard_alone(browser: Any, live: tuple[EndlessFeed, str]) -> None:
    feed, url = live
    browser.size(*SIZES["desktop"])
    browser.open(url)
    browser.wait_for("Number(document.body?.dataset.pictures || 0) > 2")
    reach(browser, "mark")
    assert browser.value("getComputedStyle(document.activeElement).outlineStyle") == "solid"  # seen where one is
    press(browser, "Enter", 13)
    deadline_s = time.monotonic() + 10
    while not feed.marks:
        assert time.monotonic() < deadline_s, "the mark never came"
        time.sleep(0.05)
    reach(browser, "hold")
    press(browser, "Enter", 13)
    assert browser.value("document.getElementById('hold').getAttribute('aria-pressed')") == "true"


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_a_recordings_page_has_nothing_serious(browser: Any, shown: Shown, size: tuple[int, int]) -> None:  # noqa: F811
    browser.size(*size)
    browser.open(f"http://127.0.0.1:{shown.server.port}/")
    browser.wait_for("document.readyState === 'complete' && answers.output && answers.supply && whole")
    assert find_serious(browser) == []
    browser.press("n")
    browser.wait_for("document.getElementById('event-words').textContent.includes(' of ')")
    assert find_serious(browser) == []
    if size == SIZES["phone"]:
        return  # drawing the report takes seconds; it is the page of test_report_in_browser.py, phone and all
    browser.open(f"http://127.0.0.1:{shown.server.port}/report")
    browser.wait_for("document.readyState === 'complete' && document.querySelectorAll('#plots canvas').length > 0")
    assert find_serious(browser) == []


def test_a_recordings_page_by_keyboard_alone(browser: Any, shown: Shown) -> None:  # noqa: F811
    browser.size(*SIZES["desktop"])
    browser.open(f"http://127.0.0.1:{shown.server.port}/")
    browser.wait_for("document.readyState === 'complete' && answers.output && answers.supply && whole")
    whole = json.loads(browser.value("JSON.stringify(shown)"))
    reach(browser, "next")
    press(browser, "Enter", 13)
    browser.wait_for("document.getElementById('event-words').textContent.includes(' of ')")
    near = json.loads(browser.value("JSON.stringify(shown)"))
    assert near["stop_s"] - near["start_s"] < 0.5 * (whole["stop_s"] - whole["start_s"])
    reach(browser, "all")
    press(browser, "Enter", 13)
    assert json.loads(browser.value("JSON.stringify(shown)")) == whole
    reach(browser, "from")
    browser.call("Input.insertText", text="")
    browser.value("document.activeElement.select()")
    browser.call("Input.insertText", text="1.5")
    reach(browser, "to")
    browser.value("document.activeElement.select()")
    browser.call("Input.insertText", text="1.75")
    press(browser, "Tab", 9)
    near = json.loads(browser.value("JSON.stringify(shown)"))
    assert (near["start_s"], near["stop_s"]) == pytest.approx((1.5, 1.75))
    for _ in range(30):
        press(browser, "Tab", 9)
        if browser.value("document.activeElement.id") == "report":
            break
    else:
        pytest.fail("the report cannot be reached with the tabulator")
