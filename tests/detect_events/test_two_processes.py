"""The same answers with one process and with two; a failure over there is told here."""

from __future__ import annotations

import gc
import signal
import weakref
from multiprocessing.shared_memory import SharedMemory

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.apart import N_SLOTS, DetectorsApart
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.types import Coverage

RATE_HZ = 8000


def windows(seconds: float, window_s: float = 1.0):
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    loud = np.where(time_s % 1.0 < 0.6, 50.0, 0.5)
    output = np.clip(loud * np.sin(2 * np.pi * 55 * time_s), -38, 38)
    supply = 12.6 - 0.02 * np.abs(output)
    volts = {"output": output.astype(np.float32), "supply": supply.astype(np.float32)}
    return iter_windows_from_arrays(volts, RATE_HZ, window_s=window_s, lost=((9000, 9100),))


def test_answers_do_not_depend_on_the_number_of_processes():
    one, two = (run_all(windows(8.0), DetectOptions(), n) for n in (1, 2))
    assert repr(one) == repr(two)  # as text, since a NaN is not equal to itself
    assert any(result.findings for result in one)


@pytest.mark.parametrize("n_processes", [1, 2])
def test_clips_are_judged_when_all_others_have_let_go(n_processes, monkeypatch):
    alive: list[weakref.ref] = []
    real_push, real_finish = CutoutDetector.push, ClippingDetector.finish

    def push(self, window):
        if not alive:
            alive.append(weakref.ref(self))
        real_push(self, window)

    def finish(self):
        gc.collect()  # some of what they hold goes round in circles
        assert [one for one in alive if one() is not None] == []
        return real_finish(self)

    monkeypatch.setattr(CutoutDetector, "push", push)
    monkeypatch.setattr(ClippingDetector, "finish", finish)
    results = run_all(windows(4.0), DetectOptions(), n_processes)
    assert len(alive) == 1
    assert results[0].coverage.detector == "clipping"


class Counting:
    """Answers with a sum over everything that it kept, so that samples that changed later would show."""

    name = "counting"

    def __init__(self) -> None:
        self.kept: list[np.ndarray] = []

    def push(self, window):
        self.kept += [segment.volts for trace in window.traces.values() for segment in trace.segments]

    def finish(self):
        total = float(np.concatenate(self.kept).astype(float).sum())
        return DetectorResult((), Coverage(self.name, 0.0, ()), {"sum": total})


def make_counting(options):
    return (Counting(),)


class Failing(Counting):
    def push(self, window):
        raise ZeroDivisionError("no such thing")


def make_failing(options):
    return (Failing(),)


def test_windows_of_any_length_arrive_whole():
    here, there = Counting(), DetectorsApart(make_counting, None, ("counting",))
    # Windows that become longer need more room than the first.
    for window_s in (0.5, 3.0, 0.1):
        for window in windows(3.0 * (N_SLOTS + 2) * window_s, window_s):
            here.push(window)
            there.push(window)
    assert there.finish() == [here.finish()]


def hand_over(apart: DetectorsApart) -> None:
    for window in windows(20.0):
        apart.push(window)
    apart.finish()


def test_a_failure_over_there_is_told_here():
    apart = DetectorsApart(make_failing, None, ("counting",))
    with pytest.raises(RuntimeError, match="no such thing"):
        hand_over(apart)


def test_an_end_over_there_is_told_here():
    apart = DetectorsApart(make_counting, None, ("counting",))
    apart._process.kill()
    with pytest.raises(RuntimeError, match="ended"):
        hand_over(apart)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no signal masks here")
def test_a_signal_while_memory_is_made_leaves_none_behind(monkeypatch):
    made: list[str] = []

    def make(*, create: bool, size: int) -> SharedMemory:
        memory = SharedMemory(create=create, size=size)
        made.append(memory.name)
        signal.raise_signal(signal.SIGINT)  # before it is known to anybody
        return memory

    monkeypatch.setattr("ampwitness.detect.apart.SharedMemory", make)
    apart = DetectorsApart(make_counting, 0, ("counting",))
    try:
        with pytest.raises(KeyboardInterrupt):
            apart.push(next(windows(1.0)))
    finally:
        apart.close()
    with pytest.raises(FileNotFoundError):
        SharedMemory(name=made[0])
