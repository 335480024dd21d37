"""A small board made of packed frames alone, on a pseudo-terminal: what the link must cope with, not the firmware."""

from __future__ import annotations

import json
import os
import random
import select
import struct
import threading
import time
import tty
from typing import Any

from ampwire.framing import FrameError, pack_frame, unpack_frame
from ampwire.layout import (
    KIND_FAULT,
    KIND_HEARTBEAT,
    KIND_HELLO,
    KIND_IDENTIFY,
    KIND_LEAVE,
    KIND_MARK,
    KIND_MARK_NOW,
    KIND_MODE,
    KIND_REPLY,
    KIND_SAMPLES,
    KIND_START,
    KIND_STATUS,
    KIND_STOP,
    MARK_HOST,
)

RATE_HZ = 8000
SCANS = 38
FRAME_S = SCANS / RATE_HZ
HEARTBEAT_TIMEOUT_S = 2.0
STATUS_COUNTERS = ("overrun_scans", "fifo_overflows", "queue_dropped_frames", "queue_dropped_scans", "bad_commands")
NAMES = {KIND_START: "start", KIND_STOP: "stop", KIND_MARK_NOW: "mark", KIND_MODE: "mode", KIND_LEAVE: "leave"}


class FakeBoard:
    """Use as a context manager; `name` is the port to open.

    behaviour: "board", or one of "silent", "text", "random", "echo", "prompt" (no board), "cannot start",
    "other version", "mute" (answers, but never sends samples), "refuses start".
    pace: 1 real time, 0 as fast as the port takes it. mute_after_s, unplug_after_s, end_after_s (board's seconds):
    fall silent, close the terminal, say stimulus_ended. reset_after_s: start anew and wait.
    drop_every: leave out every n-th frame (0: none).
    """

    def __init__(self, behaviour: str = "board", **options: Any) -> None:
        self.behaviour = behaviour
        self.pace = options.pop("pace", 1.0)
        self.mute_after_s = options.pop("mute_after_s", None)
        self.unplug_after_s = options.pop("unplug_after_s", None)
        self.end_after_s = options.pop("end_after_s", None)
        self.reset_after_s = options.pop("reset_after_s", None)
        self.drop_every = options.pop("drop_every", 0)
        self.ignores_stop = options.pop("ignores_stop", False)
        assert not options, options
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)
        self.mode = "bass"
        self.commands: list[int] = []
        self.sent = bytearray()  # all that was written, by the terminal's own account
        self.n_scans = 0  # in all that was sent, all sessions together
        self.heartbeats_s: list[float] = []
        self.tag = 0
        self.is_streaming = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> FakeBoard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(5)
        for handle in (self._master, self._slave):
            try:
                os.close(handle)
            except OSError:
                pass

    def hello(self) -> dict[str, Any]:
        return hello_fields(self.tag, self.mode, self.is_streaming, 1.0 if self.pace else 0)

    # ---- the board's loop ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        self._pending = b""
        self._n_starts = 0
        self._seq = self._index = self._n_made = 0
        self._last_beat_s = 0.0
        rng = random.Random(5)
        try:
            while not self._over.is_set():
                self._read_commands(0.002)
                if self.behaviour == "text":
                    self._write(b"$GPGGA,101010,5000.0,N,00800.0,E,1,08,0.9,100,M,47,M,,*47\r\n")
                    time.sleep(0.05)
                elif self.behaviour == "random":
                    self._write(rng.randbytes(200))
                    time.sleep(0.02)
                elif self.is_streaming and self.behaviour == "board":
                    self._stream()
        except OSError:
            pass  # the test has closed the terminal

    def _write(self, raw: bytes) -> None:
        at = 0
        while at < len(raw) and not self._over.is_set():
            if select.select([], [self._master], [], 0.1)[1]:
                n = os.write(self._master, raw[at : at + 1024])
                self.sent += raw[at : at + n]
                at += n

    def _send(self, kind: int, payload: bytes, index: int | None = None) -> None:
        raw = pack_frame(kind, self.tag, self._seq, self._index if index is None else index, 0, payload)
        if self.behaviour == "other version":
            raw = as_other_version(raw)
        self._seq = (self._seq + 1) & 0xFFFFFFF
        self._n_made += 1
        if not (self.drop_every and self._n_made % self.drop_every == 0 and kind == KIND_SAMPLES):
            self._write(raw)

    def _send_json(self, kind: int, content: dict[str, Any]) -> None:
        self._send(kind, json.dumps(content).encode())

    def _read_commands(self, wait_s: float) -> None:
        if not select.select([self._master], [], [], wait_s)[0]:
            return
        raw = os.read(self._master, 4096)
        if self.behaviour == "cannot start":
            self._send_json(KIND_FAULT, {"code": "start", "text": "This firmware needs MicroPython 1.26 or later."})
            return
        if self.behaviour == "prompt":
            self._write(b"\r\n>>> ")
            return
        if self.behaviour in ("silent", "text", "random"):
            return
        if self.behaviour == "echo":
            self._write(raw)
            return
        *frames, self._pending = (self._pending + raw).split(b"\x00")
        for encoded in filter(None, frames):
            try:
                self._obey(unpack_frame(encoded))
            except FrameError:
                pass

    def _obey(self, frame: Any) -> None:
        self.commands.append(frame.kind)
        self._last_beat_s = time.monotonic()
        if frame.kind == KIND_HEARTBEAT:
            self.heartbeats_s.append(time.monotonic())
            return
        if frame.kind == KIND_IDENTIFY:
            self._send_json(KIND_HELLO, self.hello())
            return
        ok, text = True, ""
        if frame.kind == KIND_MODE:
            mode = bytes(frame.payload).decode()
            ok = mode in ("bass", "wide", "slow")
            self.mode = mode if ok else self.mode
            text = "" if ok else f"this board has no mode {mode}"
        elif frame.kind == KIND_START:
            ok = self.behaviour != "refuses start"
            text = "" if ok else "the ADC does not answer"
            if ok:
                self._begin()
        elif frame.kind == KIND_STOP:
            self.is_streaming = self.is_streaming and self.ignores_stop
        elif frame.kind == KIND_MARK_NOW:
            self._send(KIND_MARK, bytes((MARK_HOST,)))
        if frame.kind in NAMES:
            self._send_json(KIND_REPLY, {"for": NAMES[frame.kind], "ok": ok, "text": text})

    def _begin(self) -> None:
        self._n_starts += 1
        self.tag = self._n_starts & 0x3FFF
        self._seq = self._index = 0
        self.is_streaming = True
        self._started_s = self._next_status_s = time.monotonic()
        self._write(b"\x00")
        self._send_json(KIND_HELLO, self.hello())

    def _stream(self) -> None:
        now_s = time.monotonic()
        board_s = self._index / RATE_HZ
        if now_s - self._last_beat_s > HEARTBEAT_TIMEOUT_S:
            self.is_streaming = False
            return
        if self.unplug_after_s is not None and board_s >= self.unplug_after_s:
            os.close(self._master)
            self._over.set()
            return
        if self.reset_after_s is not None and board_s >= self.reset_after_s:
            self.reset_after_s = None
            self.is_streaming = False
            self.tag = self._seq = self._index = 0
            time.sleep(0.3)
            self._send_json(KIND_HELLO, self.hello())
            return
        if self.mute_after_s is not None and board_s >= self.mute_after_s:
            time.sleep(0.01)
            return
        is_ended = self.end_after_s is not None and board_s >= self.end_after_s
        if now_s >= self._next_status_s or is_ended:
            self._next_status_s = now_s + 1.0
            self._send_json(
                KIND_STATUS, {**dict.fromkeys(STATUS_COUNTERS, 0), "uptime_s": 1, "stimulus_ended": is_ended}
            )
            self._send_json(KIND_HELLO, self.hello())
            if is_ended:
                self.end_after_s = None
                self.mute_after_s = 0.0
                return
        due_s = now_s - self._started_s if self.pace else board_s + 50 * FRAME_S
        while self._index / RATE_HZ < due_s and self.is_streaming:
            self._send(KIND_SAMPLES, samples_payload(self._index))
            self._index += SCANS
            self.n_scans += SCANS


def hello_fields(tag: int, mode: str = "bass", is_streaming: bool = True, time_scale: float = 1.0) -> dict[str, Any]:
    """A hello with three channels at 8000 scans a second, whatever the mode."""
    speaker = {"gain_v_per_code": 0.03125, "offset_v": -64.0, "in_scan_offset_ns": 0}
    return {
        "protocol": 1, "firmware": "fake 1", "board_id": "fake-0001", "session_id": f"{tag:04x}", "session_tag": tag,
        "reset_cause": "power", "mode": mode, "rate_hz": [RATE_HZ, 1], "averaging": 8, "counts_per_code": 8,
        "scans_per_frame": SCANS,
        "channels": [
            {"role": "out_p", "pin": 26, **speaker},
            {"role": "out_n", "pin": 27, **speaker},
            {"role": "supply", "pin": 28, "gain_v_per_code": 0.00625, "offset_v": 0.0, "in_scan_offset_ns": 0},
        ],
        "digital": [], "input_corner_hz": 5100, "time_scale": time_scale, "streaming": is_streaming, "remarks": [],
    }  # fmt: skip


def samples_payload(index: int) -> bytes:
    """One frame's payload: out_p at +10 V and out_n at -10 V over the logger's ground, supply at 12.5 V."""
    codes = ((10 + 64) / 0.03125, (-10 + 64) / 0.03125, 12.5 / 0.00625)
    scan = struct.pack("<3H", *(round(8 * code) for code in codes))
    return b"\x80" * 6 + scan * SCANS


def as_other_version(raw: bytes) -> bytes:
    """The same frame as a board of wire version 2 would send it: version byte and CRC made anew."""
    from ampwire import cobs, crc

    body = bytearray(cobs.decode(raw.rstrip(b"\x00")))
    body[1] = 0x82
    body[-4:] = crc.crc32(bytes(body[:-4])).to_bytes(4, "little")
    return bytes(cobs.encode(bytes(body))) + b"\x00"
