"""One run of `ampwitness set-gain`: from the board's windows to the level line, the walk and the result."""

from __future__ import annotations

import signal
import sys
import time
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.set_gain_screen import GainScreen
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.detect.tones.tone_curve import ToneCurve
from ampwitness.errors import LinkLostError
from ampwitness.findings.as_json import to_plain
from ampwitness.guide.curve_apart import CurveApart
from ampwitness.guide.set_gain import SetGainWalk
from ampwitness.guide.set_gain_words import KNEE_PERCENT
from ampwitness.guide.setting_result import conclude_setting
from ampwitness.guide.tone_live import LiveMeter, LiveReading
from ampwitness.link.session import BoardSession
from ampwitness.live import LiveFeed
from ampwitness.recording import RecordingWriter
from ampwitness.types import Finding, TraceWindow
from ampwitness.waveform.response import HALF_TAPS
from ampwitness.waveform.tone_clip import hard_clip_level_db
from ampwitness.waveform.tone_folded import highest_judged_hz

AFTER_DONE_S = 1.0
_LATE_S = 0.06  # a window that waited longer is kept and passed over: a newer one is there
_PASS_OVER = 2  # but never more in a row: a reading at least every 0.12 s of the recording
_SAME_TONE_RATIO = 0.05
_SHOWN_S = 0.035  # a screen is drawn at most every so often; windows come every 0.04 s


@dataclass(slots=True)
class Delays:
    """From the wire to the screen, for the oldest sample of each window that was drawn: how long its window waited to
    be filled and filtered after it, and what passed between the window's last bytes and the end of drawing."""

    seen_s: list[float] = field(default_factory=list)
    first_host_s: float = 0.0
    last_host_s: float = 0.0

    def note(self, window: TraceWindow, received_host_s: float, drawn_host_s: float) -> None:
        """A window has been drawn."""
        waited_s = window.stop_s - window.start_s + HALF_TAPS / window.rate_hz
        self.seen_s.append(waited_s + drawn_host_s - received_host_s)
        self.first_host_s = self.first_host_s or drawn_host_s
        self.last_host_s = drawn_host_s

    def summary(self) -> dict[str, float | int]:
        """Figures, in milliseconds."""
        if not self.seen_s:
            return {"n_refreshes": 0}
        late = np.array(self.seen_s) * 1e3
        return {
            "n_refreshes": len(self.seen_s),
            "median_ms": round(float(np.median(late)), 1),
            "p95_ms": round(float(np.percentile(late, 95)), 1),
            "largest_ms": round(float(late.max()), 1),
            "refreshes_per_s": round(len(late) / max(1e-3, self.last_host_s - self.first_host_s), 1),
        }

    def words(self) -> str:
        """The figures as a sentence."""
        figures = self.summary()
        if "median_ms" not in figures:
            return "Delay from wire to screen: not measured, nothing was drawn."
        return (
            f"Delay from wire to screen: half of the time up to {figures['median_ms']:.0f} ms, 95 % of it up to "
            f"{figures['p95_ms']:.0f} ms, at most {figures['largest_ms']:.0f} ms; "
            f"{figures['refreshes_per_s']:.0f} pictures a second."
        )


class SetGainRun:
    """One run: the feed, the quick meter, the thorough detector and the walk. What it came to is in `finding`."""

    def __init__(
        self,
        session: BoardSession,
        out: Path,
        notes: dict[str, object],
        tone_hz: float,
        load_ohm: float | None,
        load_kind: str,
        answers: dict[str, str],
    ) -> None:
        book = calibration_of(session.hello.board_id)
        self._writer = RecordingWriter(out, notes)
        self._feed = LiveFeed(session, self._writer, calibrations=None if book is None else book.calibrations)
        self._thorough = CurveApart(load_ohm, load_kind)
        self._meter = LiveMeter(tone_hz)
        # Tables and filters are made now, while nobody waits for a screen.
        self._meter.warm_up(float(session.hello.rate_hz))
        hard_clip_level_db(KNEE_PERCENT)
        self._thorough.wait_until_ready()
        is_hands_free = sys.stdin is None or not sys.stdin.isatty()
        self.walk = SetGainWalk(tone_hz, load_kind, is_hands_free, highest_judged_hz(float(session.hello.rate_hz)))
        self._tone_hz, self._answers = tone_hz, answers
        self.delays = Delays()
        self.finding: Finding | None = None
        # The newest readings with a tone; the oldest of them counts, so that the end of a track does not.
        self._lately: deque[LiveReading] = deque(maxlen=4)
        self.is_interrupted = False  # by Ctrl-C: what is known so far is said all the same
        self._ended_s: float | None = None

    def go(self, screen: GainScreen, seconds: float | None) -> None:
        """Until done, told to stop, or the time is over.

        Raises
        ------
        LinkLostError, BoardFaultError, DiskFullError, OutputError : as for `LiveFeed.windows`; `finding` then says what
            is known so far.
        """
        try:
            with Keyboard() as keyboard, self._feed as feed, stop_on_signals() as signals:
                is_cut_short = False
                try:
                    self._follow(feed, keyboard, signals, screen, seconds)
                except LinkLostError:
                    is_cut_short = True
                    raise
                finally:
                    self.is_interrupted = signal.SIGINT in signals
                    self._conclude(is_cut_short)
        finally:
            self._thorough.close()

    def _follow(
        self, feed: LiveFeed, keyboard: Keyboard, signals: list[int], screen: GainScreen, seconds: float | None
    ) -> None:
        done_at_s: float | None = None
        shown_s, n_passed_over = 0.0, 0
        for window in feed.windows():
            wants_stop = self._take_keys(keyboard.pressed()) or bool(signals)
            if window is not None:
                is_late = time.time() - feed.received_host_s > _LATE_S and n_passed_over < _PASS_OVER
                n_passed_over = n_passed_over + 1 if is_late else 0
                self._take(window, is_late=is_late)
                now_s = time.time()
                if not is_late and now_s - shown_s >= _SHOWN_S:
                    screen.show(self.walk.view(), now_s)
                    shown_s = now_s
                    self.delays.note(window, feed.received_host_s, time.time())
                if seconds is not None and window.stop_s >= seconds:
                    wants_stop = True
                if self.walk.is_done:
                    done_at_s = window.stop_s if done_at_s is None else done_at_s
                    wants_stop = wants_stop or window.stop_s - done_at_s > AFTER_DONE_S
            if wants_stop:
                feed.request_stop()

    def _take_keys(self, keys: str) -> bool:
        for key in keys.lower():
            if key in "\r\n":
                self.walk.answer("next")
            elif key == "f":
                self.walk.answer("full")
            elif key == "t":
                self.walk.answer("turned")
            elif key == "q":
                return True
            else:
                self.walk.answer("other")
        return False

    def _take(self, window: TraceWindow, is_late: bool) -> None:
        self._thorough.put(window)
        reading = self._meter.push(window, wants_reading=not is_late)
        if reading is not None:
            self.walk.push(reading)
            self._ended_s = reading.time_s
            if self.walk.step in ("source", "lower source"):
                self._lately.clear()  # the gain is at its minimum, or goes there
            elif reading.tone.is_tone and reading.instead_hz is None and not self.walk.is_done:
                self._lately.append(reading)
        self._thorough.begin_anew(self.walk.n_fresh_starts)  # by a key, or by the walk where nobody can press one
        self.walk.take_curve(self._own(self._thorough.curves))

    def _own(self, curves: list[ToneCurve]) -> ToneCurve | None:
        near = [c for c in curves if abs(c.frequency_hz / self._tone_hz - 1) < _SAME_TONE_RATIO]
        return near[0] if near else None

    def _conclude(self, is_cut_short: bool) -> None:
        with ProgressLine() as progress:  # on a busy machine what waits takes seconds
            progress("working out the result")
            result = self._thorough.finish()
        knees = [
            f
            for f in result.findings
            if f.kind == "knee" and abs(float(f.measured["frequency_hz"] or 0) / self._tone_hz - 1) < _SAME_TONE_RATIO
        ]
        last = self._lately[0] if self._lately else None
        knee = knees[0] if knees else None
        self.finding = found = conclude_setting(
            knee, self.walk, last, self._tone_hz, self._answers, self._ended_s, is_cut_short=is_cut_short
        )
        if self._writer.is_open:
            content = {"kind": found.kind, "start_s": found.start_s, "stop_s": found.stop_s,
                       "measured": found.measured, "threshold": found.threshold,
                       "evidence": found.evidence}  # fmt: skip
            self._writer.keep_finding(time.time(), to_plain(content))
