"""`ampwitness set-gain`: guided and live, for someone with one hand on a knob."""

from __future__ import annotations

import json
import shutil
import signal
import sys
import textwrap
import time
from collections import deque
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import click
import numpy as np

from ampwitness.cli import INTERRUPTED_EXIT_CODE
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.recording_notes import SAFETY, recording_notes
from ampwitness.cli.set_gain_screen import GainScreen
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.detect.tone_curve import ToneCurve
from ampwitness.errors import UsageError
from ampwitness.findings.as_json import to_plain
from ampwitness.guide.curve_apart import CurveApart
from ampwitness.guide.set_gain import KNEE_PERCENT, QUESTIONS, SetGainWalk, conclude_setting
from ampwitness.guide.tone_live import LiveMeter, LiveReading, strongest_other_hz
from ampwitness.guide.tone_tracks import CAUTION
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.live import LiveFeed
from ampwitness.recording import RecordingWriter
from ampwitness.recording.writer import refuse_existing
from ampwitness.types import Finding, TraceWindow
from ampwitness.waveform.response import HALF_TAPS, PASS_FRACTION
from ampwitness.waveform.tone_clip import hard_clip_level_db
from ampwitness.waveform.tone_folded import highest_judged_hz

AFTER_DONE_S = 1.0
_LATE_S = 0.06  # a window that waited longer is kept and passed over: a newer one is there
_PASS_OVER = 2  # but never more in a row: a reading at least every 0.12 s of the recording
_SAME_TONE_RATIO = 0.05
_LOOK_ELSEWHERE = 5  # every so many readings without the tone: where else is one?
_SHOWN_S = 0.035  # a screen is drawn at most every so often; windows come every 0.04 s


@dataclass(slots=True)
class _Delays:
    """From the wire to the screen, for the oldest sample of each window that was drawn: how long its window waited to
    be filled and filtered after it, and what passed between the window's last bytes and the end of drawing."""

    seen_s: list[float] = field(default_factory=list)

    def note(self, window: TraceWindow, received_host_s: float, drawn_host_s: float) -> None:
        waited_s = window.stop_s - window.start_s + HALF_TAPS / window.rate_hz
        self.seen_s.append(waited_s + drawn_host_s - received_host_s)

    def summary(self) -> dict[str, float | int]:
        if not self.seen_s:
            return {"n_refreshes": 0}
        late = np.array(self.seen_s) * 1e3
        return {
            "n_refreshes": len(self.seen_s),
            "median_ms": round(float(np.median(late)), 1),
            "p95_ms": round(float(np.percentile(late, 95)), 1),
            "largest_ms": round(float(late.max()), 1),
        }


@click.command(
    "set-gain", epilog="Example: ampwitness set-gain --tone 40 --load 4 --load-kind speaker --out gain.mcap --sound"
)
@click.option("--tone", "tone_hz", type=FiniteRange(18, 11_000), default=40.0, show_default=True, help="Hz.")
@click.option("--load", "load_ohm", type=FiniteRange(min=0, min_open=True), help="Nominal ohms of the load.")
@click.option(
    "--load-kind", type=click.Choice(["none", "resistor", "speaker"]), required=True, help="What the output drives."
)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--out", type=click.Path(path_type=Path), help="File to record into. Default: a name by date and time.")
@click.option("--mode", help="bass or wide. Default: wide above 300 Hz, else bass.")
@click.option("--seconds", type=FiniteRange(min=0, min_open=True), help="Stop after this long.")
@click.option("--amplifier", help="What is being measured, in your words.")
@click.option("--answer", "given", multiple=True, metavar="KEY=TEXT", help="Answers a question beforehand; repeatable.")
@click.option("--sound", is_flag=True, help="Ring the terminal's bell at the edge.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and no level line.")
def set_gain(
    tone_hz: float,
    load_ohm: float | None,
    load_kind: str,
    port: str | None,
    out: Path | None,
    mode: str | None,
    seconds: float | None,
    amplifier: str | None,
    given: tuple[str, ...],
    sound: bool,
    as_json: bool,
) -> None:
    """Set a gain against the logger: source first, then the amplifier, up to the edge and back.

    Play the tone's track (`ampwitness tones`). Keys: Enter next step, f the gain is full up, t turned up one step,
    q end. Everything is recorded; Ctrl-C keeps it. Without a terminal it runs by itself and prints plain lines.
    """
    if load_kind == "none" and load_ohm is not None:
        raise UsageError("--load with --load-kind none makes no sense: leave one of them out.")
    if load_kind != "none" and load_ohm is None:
        raise UsageError("--load is missing: give the load's nominal ohms, or --load-kind none.")
    out = out or Path(datetime.now().strftime("ampwitness-gain-%Y%m%d-%H%M%S.mcap"))
    refuse_existing(out)
    answers = _parse_answers(given)
    click.echo(_wrapped(f"{SAFETY} {CAUTION}", sys.stderr), err=True)
    if sys.stdin is not None and sys.stdin.isatty() and not as_json:
        answers = _ask(answers)
    for question in QUESTIONS:
        answers.setdefault(question.key, "not asked")
    with BoardSession(port or find_board()) as session:
        wanted = mode or ("wide" if tone_hz > 300 else "bass")
        if wanted != session.hello.mode:
            session.set_mode(wanted)
        band_hz = PASS_FRACTION * float(session.hello.rate_hz) / 2
        if tone_hz > band_hz:
            raise UsageError(
                f"{tone_hz:g} Hz lies outside the {wanted} mode's band (up to {band_hz:.0f} Hz): choose --mode wide, "
                "or a lower tone."
            )
        if "out_p" not in session.hello.roles and "output" not in session.hello.roles:
            raise UsageError("the board logs no amplifier output: wire one and name it out_p in its board_config.")
        notes = recording_notes(session, {
            "amplifier": amplifier, "load_ohm": load_ohm, "load_kind": load_kind, "asked_mode": wanted,
            "set_gain_tone_hz": tone_hz, **answers,
        })  # fmt: skip
        run = _Run(session, out, notes, tone_hz, load_ohm, load_kind, answers)
        screen = GainScreen(is_quiet=as_json, wants_sound=sound)
        finding, delays = run.go(screen, seconds)
    _say(run, finding, delays, out, as_json)
    if run.is_interrupted:
        click.get_current_context().exit(INTERRUPTED_EXIT_CODE)


def _say(run: _Run, finding: Finding, delays: dict[str, float | int], out: Path, as_json: bool) -> None:
    if as_json:
        result = {"recording": str(out), "result": to_plain(finding.measured), "delay": delays,
                  "step_reached": run.walk.step}  # fmt: skip
        click.echo(json.dumps(result, indent=1))
        return
    click.echo(_wrapped(str(finding.measured["line"]), sys.stdout))
    if "median_ms" in delays:
        said = (
            f"Delay from wire to screen: median {delays['median_ms']} ms, 95 % {delays['p95_ms']} ms, largest "
            f"{delays['largest_ms']} ms over {delays['n_refreshes']} refreshes."
        )
        click.echo(_wrapped(said, sys.stdout))
    click.echo(f"Recorded in {out}. Next: ampwitness report {out} --html {out.with_suffix('.html')}")


def _wrapped(text: str, stream: TextIO) -> str:
    """Text with its words whole on a terminal; as it is for a program that reads it."""
    if not stream.isatty():
        return text
    return textwrap.fill(text, max(40, shutil.get_terminal_size((90, 24)).columns - 1), break_on_hyphens=False)


def _parse_answers(given: tuple[str, ...]) -> dict[str, str]:
    known = {question.key for question in QUESTIONS}
    answers = {}
    for text in given:
        key, sign, value = text.partition("=")
        key = key if key.startswith("gain_") else f"gain_{key}"
        if not sign or key not in known:
            raise UsageError(f"--answer {text}: give KEY=TEXT, KEY one of {', '.join(sorted(known))}")
        answers[key] = value
    return answers


def _ask(answers: dict[str, str]) -> dict[str, str]:
    click.echo("Before the tone: what decides the result. Enter takes the answer in brackets.", err=True)
    asked = dict(answers)
    for question in QUESTIONS:
        if question.key not in asked:
            asked[question.key] = click.prompt(f"  {question.text}", default=question.wanted, err=True)
    return asked


class _Run:
    """One run: the feed, the quick meter, the thorough detector and the walk."""

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
        if self.walk.goes_by_level:
            said = f"Distortion of {tone_hz:g} Hz is mostly not judged at this sample rate: {self.walk.other_ways}."
            click.echo(_wrapped(said, sys.stderr), err=True)
        self._tone_hz, self._answers = tone_hz, answers
        self._delays = _Delays()
        # The newest readings with a tone; the oldest of them counts, so that the end of a track does not.
        self._lately: deque[LiveReading] = deque(maxlen=4)
        self.is_interrupted = False  # by Ctrl-C: what is known so far is said all the same
        self._n_without = 0  # readings in a row without the tone
        self._other_hz: float | None = None
        self._tail: deque[np.typing.NDArray[Any]] = deque(maxlen=6)

    def go(self, screen: GainScreen, seconds: float | None) -> tuple[Finding, dict[str, float | int]]:
        """Until done, told to stop, or the time is over."""
        try:
            return self._follow(screen, seconds)
        finally:
            self._thorough.close()

    def _follow(self, screen: GainScreen, seconds: float | None) -> tuple[Finding, dict[str, float | int]]:
        done_at_s: float | None = None
        shown_s, n_passed_over = 0.0, 0
        with Keyboard() as keyboard, self._feed as feed, stop_on_signals() as signals:
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
                        self._delays.note(window, feed.received_host_s, time.time())
                    if seconds is not None and window.stop_s >= seconds:
                        wants_stop = True
                    if self.walk.is_done:
                        done_at_s = window.stop_s if done_at_s is None else done_at_s
                        wants_stop = wants_stop or window.stop_s - done_at_s > AFTER_DONE_S
                if wants_stop:
                    feed.request_stop()
            self.is_interrupted = signal.SIGINT in signals
            finding = self._conclude()
            if self._writer.is_open:
                content = {"kind": finding.kind, "start_s": finding.start_s, "stop_s": finding.stop_s,
                           "measured": finding.measured, "threshold": finding.threshold,
                           "evidence": finding.evidence}  # fmt: skip
                self._writer.keep_finding(time.time(), to_plain(content))
        return finding, self._delays.summary()

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
        return False

    def _take(self, window: TraceWindow, is_late: bool) -> None:
        self._thorough.put(window)
        for segment in window.traces["output"].segments if "output" in window.traces else ():
            self._tail.append(segment.volts)
        reading = self._meter.push(window, wants_reading=not is_late)
        if reading is not None:
            self._n_without = 0 if reading.tone.is_tone else self._n_without + 1
            if self._n_without % _LOOK_ELSEWHERE == 1 and len(self._tail) == self._tail.maxlen:
                self._other_hz = strongest_other_hz(np.concatenate(list(self._tail)), window.rate_hz)
            self.walk.push(reading, None if reading.tone.is_tone else self._other_hz)
            if reading.tone.is_tone and not self.walk.is_done:
                self._lately.append(reading)
        self.walk.take_curve(self._own(self._thorough.curves))

    def _own(self, curves: list[ToneCurve]) -> ToneCurve | None:
        near = [c for c in curves if abs(c.frequency_hz / self._tone_hz - 1) < _SAME_TONE_RATIO]
        return near[0] if near else None

    def _conclude(self) -> Finding:
        result = self._thorough.finish()
        knees = [
            f
            for f in result.findings
            if f.kind == "knee" and abs(float(f.measured["frequency_hz"] or 0) / self._tone_hz - 1) < _SAME_TONE_RATIO
        ]
        last = self._lately[0] if self._lately else None
        return conclude_setting(knees[0] if knees else None, self.walk, last, self._tone_hz, self._answers)
