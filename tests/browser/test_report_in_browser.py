"""The report page in a real browser: mouse, fingers, keys, paper, and an accessibility checker."""

from __future__ import annotations

import base64
import os
import re
import shutil
import subprocess
import time
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from accessibility import find_serious
from ampwitness.report.page import html_page
from ampwitness.types import Analysis
from day_of_findings import make_day

DESKTOP, PHONE = (1200, 900), (390, 844)
READY = "document.readyState === 'complete' && document.querySelectorAll('#plots canvas').length > 0"
MOST_BYTES = 5_000_000
MOST_OPENING_S = 2.0


class Page:
    """The opened page: what it shows, and hands on it."""

    def __init__(self, browser: Any, path: Path, size: tuple[int, int] = DESKTOP) -> None:
        self.browser = browser
        browser.complaints.clear()
        browser.asked.clear()
        browser.size(*size)
        before_s = time.monotonic()
        browser.open(path.as_uri())
        browser.wait_for(READY)
        self.opening_s = time.monotonic() - before_s

    def value(self, expression: str) -> Any:
        return self.browser.value(expression)

    def view(self) -> tuple[float, float]:
        start, stop = self.value("[zoom.dataset.start, zoom.dataset.stop]")
        return float(start), float(stop)

    def box(self, plot: int) -> tuple[float, float, float, float]:
        """Left, top, width, height of a plot's inner part, scrolled into sight; -1 is the lanes."""
        self.value("document.getElementById('overview').scrollIntoView({block: 'start'})")
        found = self.value(
            f"(() => {{ const b = [...document.querySelectorAll('.u-over')].at({plot}).getBoundingClientRect();"
            "return [b.left, b.top, b.width, b.height]; })()"
        )
        return tuple(found)  # type: ignore[return-value]

    def mouse(self, what: str, x: float, y: float, **more: Any) -> None:
        self.browser.call("Input.dispatchMouseEvent", type=what, x=x, y=y, **more)

    def click(self, x: float, y: float, count: int = 1) -> None:
        self.mouse("mouseMoved", x, y)
        for one in range(1, count + 1):
            self.mouse("mousePressed", x, y, button="left", clickCount=one)
            self.mouse("mouseReleased", x, y, button="left", clickCount=one)

    def key(self, key: str, code: int = 0) -> None:
        text = {"text": key} if len(key) == 1 else {}
        for what in ("keyDown", "keyUp"):
            self.browser.call("Input.dispatchKeyEvent", type=what, key=key, windowsVirtualKeyCode=code, **text)

    def is_seen(self, selector: str) -> bool:
        return bool(self.value(f"getComputedStyle(document.querySelector('{selector}')).display !== 'none'"))


_DRAWN: list[str] = []  # drawing it takes longer than most of what is tried on it


@pytest.fixture
def small_page(small_analysis: Analysis, tmp_path: Path) -> Path:
    if not _DRAWN:
        _DRAWN.append(html_page(small_analysis))
    path = tmp_path / "small.html"
    path.write_text(_DRAWN[0], encoding="utf-8")
    return path


@pytest.fixture
def opened(browser: Any, small_page: Path) -> Page:
    return Page(browser, small_page)


def quiet(page: Page) -> bool:
    return page.browser.complaints == [] and all(a.startswith(("file:", "data:")) for a in page.browser.asked)


def test_a_day_opens_at_once_and_asks_nobody(browser: Any, small_analysis: Analysis, tmp_path: Path) -> None:
    """24 h of envelopes by 10 ms, 400,000 clips, 150,000 notes, 5,000 dips; `pytest -s` shows the figures."""
    path = tmp_path / "day.html"
    before_s = time.monotonic()
    path.write_text(html_page(make_day(small_analysis)), encoding="utf-8")
    drawing_s = time.monotonic() - before_s
    assert path.stat().st_size < MOST_BYTES
    openings_s = []
    for _ in range(4):  # other work on the machine is no fault of the page: the quickest opening counts
        page = Page(browser, path)
        openings_s.append(page.opening_s)
        if page.opening_s < MOST_OPENING_S:
            break
    print(f"\na day's page: {path.stat().st_size / 1e6:.2f} MB, opened in {openings_s} s, drawn in {drawing_s:.1f} s")
    assert page.opening_s < MOST_OPENING_S
    assert page.view() == (0.0, 86_400.0)
    page.value("document.querySelector('a[data-finding]').click()")  # the cut-out: its table is the first
    start_s, stop_s = page.view()
    assert 39_995 < start_s < 40_000 < 40_002 < stop_s < 40_010
    assert "Single waves" in page.value("document.getElementById('span-words').textContent")
    assert quiet(page)


def test_pulling_across_a_part_shows_it_and_double_click_all(opened: Page) -> None:
    left, top, width, height = opened.box(0)
    y = top + height / 2
    opened.mouse("mouseMoved", left + 0.25 * width, y)
    opened.mouse("mousePressed", left + 0.25 * width, y, button="left", clickCount=1)
    opened.mouse("mouseMoved", left + 0.4 * width, y, button="left")
    opened.mouse("mouseMoved", left + 0.5 * width, y, button="left")
    opened.mouse("mouseReleased", left + 0.5 * width, y, button="left", clickCount=1)
    start_s, stop_s = opened.view()
    assert start_s == pytest.approx(1.0, abs=0.02)
    assert stop_s == pytest.approx(2.0, abs=0.02)
    opened.click(left + width / 2, y, count=2)
    assert opened.view() == (0.0, 4.0)
    assert quiet(opened)


def test_the_wheel_belongs_to_the_page_until_the_overview_is_clicked(opened: Page) -> None:
    left, top, width, height = opened.box(0)
    before = opened.value("scrollY")
    opened.mouse("mouseWheel", left + 0.75 * width, top + height / 2, deltaX=0, deltaY=-120)
    opened.browser.wait_for(f"scrollY <= {before - 119}")
    assert opened.view() == (0.0, 4.0)
    left, top, width, height = opened.box(0)
    opened.click(left + 0.75 * width, top + height / 2)
    for _ in range(5):
        opened.mouse("mouseWheel", left + 0.75 * width, top + height / 2, deltaX=0, deltaY=-100)
    opened.browser.wait_for("zoom.dataset.stop - zoom.dataset.start < 1.5")
    start_s, stop_s = opened.view()
    assert start_s + 0.75 * (stop_s - start_s) == pytest.approx(3.0, abs=0.02)  # what is under the pointer stays


def test_a_click_in_a_lane_goes_to_its_event(opened: Page) -> None:
    left, top, width, height = opened.box(-1)  # lanes from above: clips, notes, dips, cut-outs
    opened.click(left + 0.3 * width, top + height / 4 / 2)  # nothing here
    assert opened.view() == (0.0, 4.0)
    opened.click(left + 1.006 / 4 * width, top + height / 4 / 2)
    assert "positive crest cut at 38.0 V" in opened.value("told.textContent")
    start_s, stop_s = opened.view()
    assert start_s < 1.0042 < 1.0083 < stop_s < start_s + 0.1
    assert "Single waves" in opened.value("document.getElementById('span-words').textContent")
    assert opened.value("document.querySelector('tr.chosen').id") == "finding-2"
    assert quiet(opened)


def test_a_time_in_a_table_goes_to_its_event(opened: Page) -> None:
    opened.value("document.querySelector('#finding-3 a.go').click()")
    start_s, stop_s = opened.view()
    assert start_s < 1.5 < 2.0 < stop_s
    assert "fell to 11.20 V" in opened.value("told.textContent")
    assert opened.value("told.querySelector('a').getAttribute('href')") == "#finding-3"
    assert opened.value("Math.abs(document.getElementById('overview').getBoundingClientRect().top) < 40")


def test_keys_alone_reach_everything(opened: Page) -> None:
    for _ in range(40):
        opened.key("Tab", 9)
        if opened.value("document.activeElement.id") == "zoom":
            break
    else:
        pytest.fail("the overview cannot be reached with the tabulator")
    opened.key("+")
    assert opened.view() == (1.0, 3.0)
    opened.key("ArrowRight", 39)
    assert opened.view() == pytest.approx((1.4, 3.4))
    opened.key("ArrowLeft", 37)
    opened.key("-")
    assert opened.view() == (0.0, 4.0)
    seen = []
    for _ in range(5):
        opened.key("n")
        seen.append(opened.value("told.querySelector('a').getAttribute('href')"))
    assert seen == ["#finding-1", "#finding-2", "#finding-3", "#finding-4", "#finding-1"]
    opened.key("p")
    assert opened.value("told.querySelector('a').getAttribute('href')") == "#finding-4"
    opened.key("0")
    assert opened.view() == (0.0, 4.0)
    opened.key("Tab", 9)
    assert opened.value("document.activeElement.id") == "before"


def test_two_fingers_spread_to_see_closer_and_one_moves(browser: Any, small_page: Path) -> None:
    browser.call("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=2)
    try:
        page = Page(browser, small_page, PHONE)
        left, top, width, height = page.box(0)
        y, middle = top + height / 2, left + width / 2

        def touch(what: str, *places: float) -> None:
            points = [{"x": x, "y": y, "id": number} for number, x in enumerate(places)]
            browser.call("Input.dispatchTouchEvent", type=what, touchPoints=points)

        touch("touchStart", middle - 20, middle + 20)
        for apart in (30, 40, 60, 80):
            touch("touchMove", middle - apart, middle + apart)
        touch("touchEnd")
        start_s, stop_s = page.view()
        assert stop_s - start_s == pytest.approx(1.0, rel=0.1)
        touch("touchStart", middle)
        for by in (20, 40, 60):
            touch("touchMove", middle - by)
        touch("touchEnd")
        assert page.view()[0] > start_s + 0.1
        assert page.view()[1] - page.view()[0] == pytest.approx(stop_s - start_s)
        assert quiet(page)
    finally:
        browser.call("Emulation.setTouchEmulationEnabled", enabled=False)


def test_tables_sort_both_ways_and_say_so(browser: Any, small_analysis: Analysis, tmp_path: Path) -> None:
    import dataclasses

    clip = next(f for f in small_analysis.findings if f.kind == "clip")
    more = [dataclasses.replace(clip, start_s=2.0 + k / 10, stop_s=2.001 + k / 10,
                                measured={**clip.measured, "overdrive_db": db})
            for k, db in enumerate((10.5, None, 9.25))]  # fmt: skip
    many = dataclasses.replace(small_analysis, findings=(*small_analysis.findings, *more))
    path = tmp_path / "many.html"
    path.write_text(html_page(many), encoding="utf-8")
    page = Page(browser, path)
    table = "document.getElementById('finding-2').closest('table')"
    head = f"[...{table}.tHead.rows[0].cells].find((cell) => cell.textContent.startsWith('overdrive'))"
    shown = f"[...{table}.tBodies[0].rows].map((row) => row.cells[({head}).cellIndex].textContent)"
    page.value(f"{head}.querySelector('button').click()")
    assert page.value(f"{head}.getAttribute('aria-sort')") == "ascending"
    assert page.value(shown) == ["1.47", "9.25", "10.50", "not judged"]
    page.value(f"{head}.querySelector('button').click()")
    assert page.value(f"{head}.getAttribute('aria-sort')") == "descending"
    assert page.value(shown) == ["10.50", "9.25", "1.47", "not judged"]


@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"])
def test_paper_gets_fixed_pictures(opened: Page, paper: tuple[float, float]) -> None:
    assert opened.is_seen("#zoom")
    assert not opened.is_seen(".on-paper")
    opened.browser.call("Emulation.setEmulatedMedia", media="print")
    try:
        assert not opened.is_seen("#zoom")
        assert opened.is_seen(".on-paper")
    finally:
        opened.browser.call("Emulation.setEmulatedMedia", media="")
    printed = opened.browser.call("Page.printToPDF", 30.0, paperWidth=paper[0], paperHeight=paper[1])
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 12
    assert quiet(opened)


@pytest.mark.parametrize("above_mm", [212, 224, 230, 236, 238])
def test_on_paper_no_caption_or_heading_row_stands_without_rows(browser: Any, tmp_path: Path, above_mm: int) -> None:
    """The page's own style on a table pushed towards the end of A4; read back by poppler."""
    if shutil.which("pdftotext") is None:
        sentence = "pdftotext is not installed: paper is not read back (Debian: apt-get install poppler-utils)"
        pytest.fail(sentence) if os.environ.get("CI") else pytest.skip(sentence)
    style = resources.files("ampwitness.report").joinpath("page.css").read_text(encoding="utf-8")
    rows = "".join(f"<tr><td>row-{number}</td></tr>" for number in range(8))
    table = (
        f"<table><caption>the-caption</caption><thead><tr><th>the-head</th></tr></thead><tbody>{rows}</tbody></table>"
    )
    page = tmp_path / "table.html"
    page.write_text(f"<style>{style}</style><main><div style='height:{above_mm}mm'></div>{table}</main>")
    browser.open(page.as_uri())
    browser.wait_for("document.readyState === 'complete' && document.querySelector('caption') !== null")
    printed = browser.call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69, preferCSSPageSize=False)
    (tmp_path / "table.pdf").write_bytes(base64.b64decode(printed["data"]))
    text = subprocess.run(["pdftotext", tmp_path / "table.pdf", "-"], capture_output=True, text=True, check=True).stdout
    with_caption = next(sheet for sheet in text.split("\f") if "the-caption" in sheet)
    assert "the-head" in with_caption
    assert with_caption.count("row-") >= 3


def test_without_script_the_fixed_picture_stands(browser: Any, small_page: Path) -> None:
    browser.size(*DESKTOP)
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(small_page.as_uri())
        browser.wait_for("document.readyState === 'complete' && document.querySelector('.on-paper') !== null")
        seen = "getComputedStyle(document.querySelector('{}')).display"
        assert browser.value(seen.format(".on-paper")) == "block"
        assert browser.value(seen.format("#zoom")) == "none"
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)


def test_a_phone_needs_no_sideways_scrolling(browser: Any, small_page: Path) -> None:
    page = Page(browser, small_page, PHONE)
    assert page.value("document.documentElement.scrollWidth") <= PHONE[0]
    left, _, width, _ = page.box(0)
    assert left + width <= PHONE[0]
    tables = "[...document.querySelectorAll('.scroll')].filter(box => box.querySelector('.sorts'))"
    assert page.value(f"{tables}.length") >= 3
    assert page.value(f"{tables}.every(box => box.scrollWidth <= box.clientWidth)")
    assert page.value("getComputedStyle(document.querySelector('.phone-words')).display") == "inline"
    pictures = "[...document.querySelectorAll('figure .wide')].filter(box => box.scrollWidth > box.clientWidth)"
    assert page.value(f"{pictures}.length") >= 3
    hint = "getComputedStyle(box.nextElementSibling, '::before').content"
    assert page.value(f"{pictures}.every(box => {hint}.includes('sideways'))")  # phones show no bar to scroll with


def test_no_request_is_possible(opened: Page) -> None:
    opened.browser.complaints.clear()
    said = opened.browser.call(
        "Runtime.evaluate",
        expression="fetch('http://127.0.0.1:9/x').then(() => 'left the page', () => 'refused')",
        awaitPromise=True,
        returnByValue=True,
    )["result"]["value"]
    assert said == "refused"
    assert any("Content Security Policy" in complaint for complaint in opened.browser.complaints)


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_the_accessibility_checker_finds_nothing_serious(browser: Any, small_page: Path, size: tuple[int, int]) -> None:
    page = Page(browser, small_page, size)
    page.value("document.querySelector('a.go').click()")  # with a finding chosen, too
    assert find_serious(browser) == []
