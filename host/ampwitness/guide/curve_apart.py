"""The detector that a report uses, in a process of its own: a second's work of it must not hold the level line up.

A thread is not enough: both would share one interpreter, and the screen would wait for its turn.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from dataclasses import replace
from multiprocessing.connection import Connection
from typing import Any

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.detect.tones.tone_curve import ToneCurve
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
        self._windows: Any = context.Queue()
        self._answers, theirs = context.Pipe(duplex=False)
        self._process = context.Process(
            target=_serve, args=(self._windows, theirs, load_ohm, load_kind), name="gain curve", daemon=True
        )
        self._process.start()
        theirs.close()
        self._curves: list[ToneCurve] = []
        self._n_begun = 0  # answers carry it: those of windows to be forgotten are dropped

    def wait_until_ready(self, most_s: float = 20.0) -> None:
        """Until it has loaded what it needs, which takes a core for a second, or `most_s` have passed."""
        if self._answers.poll(most_s):
            self._answers.recv()

    def put(self, window: TraceWindow) -> None:
        """Hand over the next window; never waits for it to be worked off."""
        self._windows.put(window)

    def begin_anew(self, n_begun: int) -> None:
        """Forget the windows so far, unless that was done for the `n_begun`-th beginning already: curves and answer are
        of those to come."""
        if n_begun <= self._n_begun:
            return
        self._curves, self._n_begun = [], n_begun
        self._windows.put(n_begun)

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
        self._windows.put(None)
        try:
            while not isinstance(answer := self._answers.recv(), DetectorResult):
                self._take(answer)
        except EOFError as error:
            raise RuntimeError("the process that works out the gain curve ended without an answer") from error
        self._process.join()
        return answer

    def close(self) -> None:
        """End the process, whatever it is doing; windows that it has not taken are dropped."""
        self._windows.cancel_join_thread()  # else this program would wait at its end for somebody to take them
        if self._process.is_alive():
            self._process.terminate()
            self._process.join()


def _serve(windows: Any, answers: Connection, load_ohm: float | None, load_kind: str) -> None:
    if hasattr(os, "nice"):
        os.nice(_NICE)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the command, which then asks for the answer
    detector = GainStepDetector(load_ohm, load_kind, is_live=True)
    curves_at_s, n_begun = 0.0, 0
    answers.send((0, []))  # ready
    while (window := windows.get()) is not None:
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
