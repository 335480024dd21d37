"""Detectors in a process of their own: windows go over through shared memory, answers come back at the end.

The detectors do not know. A window is copied once on each side; what is not samples goes through a pipe. When the other
process falls behind, `push` waits: memory stays bounded.
"""

from __future__ import annotations

import multiprocessing
import pickle
import traceback
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from multiprocessing.shared_memory import SharedMemory
from typing import Any

from ampwitness.detect.result import Detector, DetectorResult
from ampwitness.pieces import dump_apart, load_apart
from ampwitness.signals_held import signals_held_back
from ampwitness.types import TraceWindow

N_SLOTS = 2  # windows on their way: one that is copied, one that is read
END_S = 2.0  # for what is being looked at to end by itself
_SPARE_RATIO = 1.25  # room of a slot over the first window, as windows differ a little


class DetectorsApart:
    """Stands for several detectors that run in another process.

    Parameters
    ----------
    make : makes all detectors there; found by its name, so a function of a module
    options : what `make` is given
    names : which of them to run

    Gaps
    ----
    As each detector has it.

    Limits
    ------
    Starting takes as long as the program's own start, on the other core.
    """

    def __init__(self, make: Callable[[Any], Sequence[Detector]], options: Any, names: Sequence[str]) -> None:
        # Not by forking: that would copy what other threads of this process hold.
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, make, options, tuple(names)), daemon=True)
        with signals_held_back():
            self._process.start()
        theirs.close()
        self._memory: SharedMemory | None = None
        self._slot_bytes = 0
        self._n_sent = self._n_taken = 0
        self._is_asked = False

    def push(self, window: TraceWindow) -> None:
        """Hand over the next window; waits while N_SLOTS are on their way.

        Raises RuntimeError when the other process has failed.
        """
        buffers: list[pickle.PickleBuffer] = []
        rest = pickle.dumps(window, protocol=5, buffer_callback=buffers.append)
        pieces = [buffer.raw() for buffer in buffers]
        n_bytes = sum(piece.nbytes for piece in pieces)
        if self._memory is None or n_bytes > self._slot_bytes:
            self._make_room(n_bytes)
        while self._n_sent - self._n_taken >= N_SLOTS or self._pipe.poll():
            self._hear()
        assert self._memory is not None
        assert self._memory.buf is not None
        at = first = self._n_sent % N_SLOTS * self._slot_bytes
        for piece in pieces:
            self._memory.buf[at : at + piece.nbytes] = piece
            at += piece.nbytes
        self._say(("window", first, [piece.nbytes for piece in pieces], rest))
        self._n_sent += 1

    def ask(self) -> None:
        """Let the detectors finish while something else is done here. Raises RuntimeError as `push` does."""
        if not self._is_asked:
            self._is_asked = True
            self._say(("finish",))

    def finish(self) -> list[DetectorResult]:
        """The detectors' answers, in the order in which `make` gives them. Raises RuntimeError as `push` does."""
        self.ask()
        try:
            while (heard := self._hear()) is None:
                pass
        finally:
            self.close()
        results: list[DetectorResult] = heard
        return results

    def close(self) -> None:
        """End the other process and give its memory back; harmless when that has happened already."""
        self._pipe.close()
        self._process.join(timeout=END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._drop_memory()

    def _make_room(self, n_bytes: int) -> None:
        while self._n_sent > self._n_taken:
            self._hear()
        self._drop_memory()
        self._slot_bytes = max(4096, int(_SPARE_RATIO * n_bytes))
        with signals_held_back():  # one that comes between the making and the noting would leave it behind
            self._memory = SharedMemory(create=True, size=N_SLOTS * self._slot_bytes)
        self._say(("memory", self._memory.name))

    def _drop_memory(self) -> None:
        if self._memory is not None:
            self._memory.close()
            self._memory.unlink()
            self._memory = None

    def _say(self, message: tuple[Any, ...]) -> None:
        try:
            self._pipe.send(message)
        except OSError:
            self._hear()  # it says why it ended, if it could
            raise RuntimeError("the process of the detectors ended too early") from None

    def _hear(self) -> list[DetectorResult] | None:
        """Take one message: a window was copied, or the answers."""
        try:
            kind, content = self._pipe.recv()
        except (EOFError, OSError):
            self.close()
            raise RuntimeError("the process of the detectors ended without an answer") from None
        if kind == "taken":
            self._n_taken += 1
            return None
        if kind == "failed":
            self.close()
            raise RuntimeError(f"a detector failed in the process of its own:\n{content}")
        return self._take_answers(content)

    def _take_answers(self, content: bytes) -> list[DetectorResult]:
        """The answers, and what their findings are made of, piece by piece."""
        results: list[DetectorResult]
        results, aside = load_apart(content)
        while (at := self._pipe.recv()) is not None:
            aside[at].append(self._pipe.recv_bytes())
        return results


def _serve(pipe: Connection, make: Callable[[Any], Sequence[Detector]], options: Any, names: tuple[str, ...]) -> None:
    """The other process: take windows until told to finish."""
    memory: SharedMemory | None = None
    try:
        detectors = [detector for detector in make(options) if detector.name in names]
        while True:
            message = pipe.recv()
            if message[0] == "memory":
                if memory is not None:
                    memory.close()
                memory = SharedMemory(name=message[1])
            elif message[0] == "window":
                assert memory is not None
                window = _copy_window(memory, *message[1:])
                pipe.send(("taken", None))
                for detector in detectors:
                    detector.push(window)
            else:
                _answer(pipe, [detector.finish() for detector in detectors])
                return
    except (EOFError, BrokenPipeError):
        return  # whoever wanted to know is gone
    except BaseException:
        pipe.send(("failed", traceback.format_exc()))
    finally:
        if memory is not None:
            memory.close()


def _answer(pipe: Connection, results: list[DetectorResult]) -> None:
    content, aside = dump_apart(results)
    pipe.send(("answers", content))
    for at, pieces in enumerate(aside):
        for k in range(len(pieces)):
            pipe.send(at)
            pipe.send_bytes(pieces.read(k))
    pipe.send(None)


def _copy_window(memory: SharedMemory, first: int, sizes: Sequence[int], rest: bytes) -> TraceWindow:
    """The window whose samples lie in shared memory, with samples of its own: detectors may keep them."""
    assert memory.buf is not None
    pieces = []
    for size in sizes:
        pieces.append(bytes(memory.buf[first : first + size]))
        first += size
    window: TraceWindow = pickle.loads(rest, buffers=pieces)
    return window
