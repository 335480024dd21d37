"""A board's stream on a page: the feed is followed here, browsers are served beside it and never waited for."""

from __future__ import annotations

import json
import queue
import time
from collections.abc import Callable
from typing import Any

from ampwitness.errors import AmpwitnessError
from ampwitness.live import LiveFeed
from ampwitness.livepage.feed_state import MINUTE_STEPS, STEP_S, FeedState
from ampwitness.livepage.hub import PictureHub
from ampwitness.livepage.pages import build_page
from ampwitness.livepage.server import RefusalError, Request, Route
from ampwitness.recording.host_labels import ENGINE_KEYS
from ampwitness.types import TraceWindow

LABEL_LENGTH = 80
_MARKS_WAITING = 20
_LATE_S = 0.15  # a window that waited longer: no picture of it, unless the last one is older than this
_PAUSE_S = 0.1
_IDLE_S = 5.0  # a comment to a browser, so that one that has gone is noticed
_LAST_WORDS_S = 0.3


class LivePage:
    """Follows a feed and publishes its pictures; sets the marks that browsers and the keyboard ask for.

    Parameters
    ----------
    feed : not yet started
    state : what is shown
    where : the recording, in words; None: nothing is recorded
    """

    def __init__(self, feed: LiveFeed, state: FeedState, where: str) -> None:
        self._feed, self._state, self._where = feed, state, where
        self._hub = PictureHub()
        self._marks: queue.Queue[str] = queue.Queue(_MARKS_WAITING)
        self._whole = b"{}"
        self._whole_at_s = self._shown_s = 0.0

    @property
    def n_browsers(self) -> int:
        """How many are looking now."""
        return self._hub.n_browsers

    def routes(self) -> dict[tuple[str, str], Route]:
        """What the server answers."""
        return {
            ("GET", "/"): self._answer_page,
            ("GET", "/stream"): self._answer_stream,
            ("GET", "/minute"): self._answer_minute,
            ("POST", "/mark"): self._answer_mark,
        }

    def run(self, tick: Callable[[TraceWindow | None], bool]) -> None:
        """Follow the feed to its end; `tick` is called at least every 50 ms and says True to end it.

        Raises what `LiveFeed.windows` raises; the page says so too.
        """
        try:
            for window in self._feed.windows():
                if window is not None:
                    self._state.push(window)
                    self._show()
                self._set_marks()
                if tick(window):
                    self._feed.request_stop()
        except AmpwitnessError as error:
            self._end(f"{error} What was received is kept in {self._where}.")
            raise
        except BaseException:
            self._end(f"The program ended. What was received is kept in {self._where}.")
            raise
        self._end(f"The recording has ended and is kept in {self._where}.")

    def ask_mark(self, label: str) -> bool:
        """Have a mark set soon; from any thread. False: too many wait already."""
        try:
            self._marks.put_nowait(label)
        except queue.Full:
            return False
        return True

    def _set_marks(self) -> None:
        # Here and not where they are asked for: the file has one writer.
        while True:
            try:
                label = self._marks.get_nowait()
            except queue.Empty:
                return
            if label in ENGINE_KEYS.values():
                self._feed.note(label)
                self._state.engine_said = label
            else:
                self._feed.mark(label)

    def _show(self) -> None:
        now_s = time.monotonic()
        is_late = time.time() - self._feed.received_host_s > _LATE_S
        if is_late and now_s - self._shown_s < _PAUSE_S:
            return
        self._shown_s = now_s
        if now_s - self._whole_at_s >= 1.0:
            self._whole, self._whole_at_s = self._picture("recording", "", whole=True), now_s
        if self._hub.n_browsers:
            self._hub.publish(self._picture("recording", ""))

    def _picture(self, stage: str, ending: str, whole: bool = False) -> bytes:
        monitor = self._feed.monitor
        losses = {
            "n_scans_lost": monitor.n_scans_lost,
            "n_frames_lost": monitor.n_frames_lost,
            "n_bad_frames": monitor.n_bad_frames,
        }
        picture: dict[str, Any] = self._state.picture(losses, monitor.recorded_s, whole)
        picture |= {"stage": stage, "ending": ending, "where": self._where, "n_browsers": self._hub.n_browsers}
        picture["faults"] = monitor.faults[-3:]
        return json.dumps(picture, allow_nan=False, separators=(",", ":")).encode()

    def _end(self, words: str) -> None:
        self._whole = self._picture("ended", words, whole=True)
        self._hub.publish(self._whole)
        self._hub.end()
        if self._hub.n_browsers:
            time.sleep(_LAST_WORDS_S)

    # ---- in the server's threads -----------------------------------------------------------------------------------

    def _answer_page(self, request: Request) -> None:
        hello = self._feed.hello
        facts = {"minute_steps": MINUTE_STEPS, "step_s": STEP_S, "token": request.query.get("token")}
        words = {"board": hello.board_id, "mode": hello.mode, "where": self._where}
        request.answer(*_html(build_page("live", facts, words)))

    def _answer_minute(self, request: Request) -> None:
        request.answer(self._whole, "application/json")

    def _answer_mark(self, request: Request) -> None:
        label = " ".join(str(request.body().get("label", "")).split())[:LABEL_LENGTH]
        if not self.ask_mark(label or "page"):
            raise RefusalError(503, "Too many marks at once.")
        request.answer_json({"asked": True})

    def _answer_stream(self, request: Request) -> None:
        box = self._hub.subscribe()
        if box is None:
            raise RefusalError(503, "Too many browsers look already: close one.")
        try:
            send = request.begin_stream()
            send(b"retry: 1000\n\ndata: " + self._whole + b"\n\n")
            while True:
                piece = box.get(_IDLE_S)
                if piece is not None:
                    send(b"data: " + piece + b"\n\n")
                elif box.is_over:
                    return
                else:
                    send(b": still here\n\n")
        finally:
            self._hub.unsubscribe(box)


def _html(built: tuple[bytes, str]) -> tuple[bytes, str, str]:
    content, policy = built
    return content, "text/html", policy
