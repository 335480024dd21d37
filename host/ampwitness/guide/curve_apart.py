"""The detector that a report uses, in a process of its own: a second's work of it must not hold the level line up.

A thread is not enough: both would share one interpreter, and the screen would wait for its turn.
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
import queue
import signal
import threading
from contextlib import suppress
from dataclasses import replace
from multiprocessing.connection import Connection
from typing import Any

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.detect.tones.tone_curve import ToneCurve
from ampwitness.signals_held import signals_held_back
from ampwitness.types import TraceWindow

CURVE_EVERY_S = 1.0
_NICE = 10  # where cores are few the level line comes first, and this process takes what is left


class CurveApart:
    """Takes windows, gives curves as they become known, and at the end the detector's answer.

    Parameters
    ----------
    load_ohm, load_kind : as for `GainStepDetector`
    """

    def __init__(self, load_ohm: float | None, load_kind: str) -> None:
        context = multiprocessing.get_context("spawn")
        # A pipe and a thread, not the library's queue: that one leaves a semaphore behind where a signal ends things.
        self._waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
        windows, self._windows = context.Pipe(duplex=False)
        self._answers, theirs = context.Pipe(duplex=False)
        self._process = context.Process(
            target=_serve, args=(windows, theirs, load_ohm, load_kind), name="gain curve", daemon=True
        )
        with signals_held_back():
            self._process.start()
        atexit.register(self.close)  # ahead of the library's own end, which would ask it politely and wait
        windows.close()
        theirs.close()
        threading.Thread(target=self._hand_over, name="windows for the gain curve", daemon=True).start()
        self._curves: list[ToneCurve] = []
        self._n_begun = 0  # answers carry it: those of windows to be forgotten are dropped

    def wait_until_ready(self, most_s: float = 20.0) -> None:
        """Until it has loaded what it needs, which takes a core for a second, or `most_s` have passed."""
        if self._answers.poll(most_s):
            self._answers.recv()

    def _hand_over(self) -> None:
        try:
            while True:
                self._windows.send(self._waiting.get())
        except OSError:  # nobody takes them any more
            pass

    def put(self, window: TraceWindow) -> None:
        """Hand over the next window; never waits for it to be worked off."""
        self._waiting.put(window)

    def begin_anew(self, n_begun: int) -> None:
        """Forget the windows so far, unless that was done for the `n_begun`-th beginning already: curves and answer are
        of those to come."""
        if n_begun <= self._n_begun:
            return
        self._curves, self._n_begun = [], n_begun
        self._waiting.put(n_begun)

    @property
    def curves(self) -> list[ToneCurve]:
        """The newest curves that have come back, without their points."""
        while self._process.is_alive() and self._answers.poll():
            try:
                answer = self._answers.recv()
            except EOFError:
                break
            self._take(answer)
        return self._curves

    def _take(self, answer: Any) -> None:
        n_begun, curves = answer
        if n_begun == self._n_begun:
            self._curves = curves

    def finish(self) -> DetectorResult:
        """Let what waits be worked off, and answer.

        Raises
        ------
        RuntimeError : the process ended without an answer.
        """
        self._waiting.put(None)
        try:
            while not isinstance(answer := self._answers.recv(), DetectorResult):
                self._take(answer)
        except EOFError as error:
            raise RuntimeError("the process that works out the gain curve ended without an answer") from error
        self._process.join()
        return answer

    def close(self) -> None:
        """End the process, whatever it is doing; windows that it has not taken are dropped."""
        atexit.unregister(self.close)
        if self._process.is_alive():
            self._process.kill()  # it is deaf to what asks it politely
            self._process.join()


def _serve(windows: Connection, answers: Connection, load_ohm: float | None, load_kind: str) -> None:
    if hasattr(os, "nice"):
        os.nice(_NICE)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where no signal could be held back
    with suppress(EOFError, BrokenPipeError):  # the command is gone: nobody asks for an answer
        _work(windows, answers, load_ohm, load_kind)


def _work(windows: Connection, answers: Connection, load_ohm: float | None, load_kind: str) -> None:
    detector = GainStepDetector(load_ohm, load_kind, is_live=True)
    curves_at_s, n_begun = 0.0, 0
    answers.send((0, []))  # ready
    while (window := windows.recv()) is not None:
        if isinstance(window, int):
            detector, n_begun = GainStepDetector(load_ohm, load_kind, is_live=True), window
            continue
        detector.push(window)
        if window.stop_s - curves_at_s >= CURVE_EVERY_S:
            curves_at_s = window.stop_s
            # Without their points: what fits a pipe at once is never waited for by the one who takes it.
            answers.send((n_begun, [replace(curve, points=()) for curve in detector.curves()]))
    answers.send(detector.finish())
    answers.close()
