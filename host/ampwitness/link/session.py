"""A conversation with one board: who it is, its mode, start, heartbeats, marks, stop, and its bytes as they come."""

from __future__ import annotations

import contextlib
import json
import math
import threading
import time
from collections.abc import Iterator, Mapping
from types import TracebackType
from typing import Any

from ampwire.framing import pack_frame
from ampwire.layout import (
    KIND_FAULT,
    KIND_HEARTBEAT,
    KIND_HELLO,
    KIND_IDENTIFY,
    KIND_KEEP_CALIBRATION,
    KIND_LEAVE,
    KIND_MARK_NOW,
    KIND_MODE,
    KIND_SELF_TEST,
    KIND_START,
    KIND_STOP,
)

from ampwitness.errors import (
    BoardFaultError,
    LinkLostError,
    NotOurBoardError,
    UnknownProtocolError,
)
from ampwitness.link.deframe import Deframer
from ampwitness.link.inbox import Inbox
from ampwitness.link.messages import MessageError, Reply, is_streaming, parse_fault, parse_hello
from ampwitness.link.monitor import StreamMonitor
from ampwitness.link.port import Port
from ampwitness.types import Chunk, Frame, Hello

HEARTBEAT_S = 0.5
IDENTIFY_S = 3.0  # how long a board may take to say who it is
REPLY_S = 2.0
SELF_TEST_S = 8.0  # up to a second for every channel
# A streaming board says something every 5 ms; one that is silent this long has gone or hangs.
SILENCE_S = 3.0
QUIET_S = 0.3  # after a stop: as long without samples, and the last of them are in
STOP_S = 2.0
RESTART_S = 1.0  # between two attempts to start a board again that has reset itself
GATHER_S = 0.01  # pieces that come closer together are handed on as one chunk
GATHER_BYTES = 1 << 16
CALIBRATION_BYTES_MOST = 480  # of one role's command; the board takes no more
_SEQ_MASK = (1 << 28) - 1
_UNPLUG = "Unplug it, plug it in again, and try again."
_TOO_OLD = "Its firmware is probably older than this program: put this version's on it with `ampwitness install`."


class BoardSession:
    """An open port with a board behind it that has said who it is. A context manager.

    Two threads of its own read the port and send the heartbeats, so that neither a slow disk nor a slow terminal
    makes the board fall silent. `monitor` tells what the stream says, as far as `chunks` has been consumed.

    Parameters
    ----------
    port : device name, path of a pseudo-terminal, or `socket://host:port`.
    identify_s : how long to wait for the board to say who it is, seconds.

    Raises
    ------
    PortNotFoundError, PortAccessError : the port cannot be opened.
    NotOurBoardError : it stays silent, or talks something else.
    UnknownProtocolError : a board, but of another wire version.
    BoardFaultError : a board that cannot start its firmware, in its own words.
    """

    def __init__(self, port: str, identify_s: float = IDENTIFY_S) -> None:
        self._port = Port(port)
        self._write_lock = threading.Lock()
        self._seq = 0
        self._deframer = Deframer()
        self.monitor = StreamMonitor()
        self._stop_asked_at_s: float | None = None
        self._started_at_s = 0.0
        self.n_restarts = 0
        self._closing = threading.Event()
        self._inbox = Inbox()
        self._threads: list[threading.Thread] = []
        try:
            self.hello = self._identify(identify_s)
        except BaseException:
            self._port.close()
            raise

    @property
    def name(self) -> str:
        """The port's name."""
        return self._port.name

    def __enter__(self) -> BoardSession:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- before streaming ------------------------------------------------------------------------------------------

    def _identify(self, wait_s: float) -> Hello:
        seen = bytearray()
        n_bytes = 0
        absurd = refusal = ""
        deadline_s = time.monotonic() + wait_s
        next_ask_s = 0.0
        while time.monotonic() < deadline_s:
            if time.monotonic() >= next_ask_s:
                self._send(KIND_IDENTIFY, lead=b"\x00")  # the delimiter ends what another program may have begun
                next_ask_s = time.monotonic() + HEARTBEAT_S
            raw = self._port.read()
            n_bytes += len(raw)
            seen += raw[: 64 - len(seen)]
            for item in self._deframe(raw):
                if isinstance(item, Frame) and item.kind == KIND_HELLO:
                    try:
                        return parse_hello(item)
                    except MessageError as error:
                        absurd = error.reason
                elif isinstance(item, Frame) and item.kind == KIND_FAULT:
                    with contextlib.suppress(MessageError):
                        refusal = parse_fault(item.payload)[1]
        if refusal:
            raise BoardFaultError(f"The board on {self.name} says: {refusal}")
        if n_bytes == 0:
            raise NotOurBoardError(
                f"{self.name} stays silent: no answer within {wait_s:g} s. Is it the logger board, does its firmware "
                "run, and is the cable one that carries data? `ampwitness boards` tries every port."
            )
        if absurd:
            raise NotOurBoardError(
                f"The board on {self.name} describes itself in a way this program does not understand ({absurd}). "
                "Install this version's firmware on it."
            )
        raise NotOurBoardError(
            f"{self.name} talks, but not as a logger board does ({n_bytes} bytes in {wait_s:g} s, beginning with "
            f"{_show(bytes(seen))}). It is probably another device; `ampwitness boards` tries every port."
        )

    def set_mode(self, mode: str) -> None:
        """Choose the board's mode, before `start`. Raises BoardFaultError when it refuses."""
        if is_streaming(self.hello):
            self._ask(KIND_STOP, "stop")
        reply = self._ask(KIND_MODE, "mode", mode.encode("ascii", "replace"))
        if not reply.ok:
            raise BoardFaultError(f"The board does not take the mode {mode!r}: {reply.text or 'no reason given'}")
        self.hello = self._identify(IDENTIFY_S)

    def keep_calibration(self, figures: Mapping[str, Mapping[str, Any] | None]) -> Hello:
        """Let the board keep measured figures, before `start`; they survive a reset and stand in every hello.

        Parameters
        ----------
        figures : role -> {"gain_v_per_code": V per ADC code, "offset_v": V, "uncertainty_v": V (standard, of a reading
            of 0 V), "made_on": "YYYY-MM-DD", "meter": 1 to 60 plain letters} and, if known, "gain_uncertainty_ratio";
            None: forget that role's. Roles that are not named stay as they are.

        Returns
        -------
        Hello : the board's new one, its `calibration` read back and compared. Also in `self.hello`.

        Raises
        ------
        BoardFaultError : the board refuses, in its own words, or does not say afterwards what it was told. Roles
            before the refused one, in the mapping's order, are kept.
        """
        if is_streaming(self.hello):
            self._ask(KIND_STOP, "stop")
        for role, told in figures.items():
            command: dict[str, Any] = {"role": role}
            command |= {"forget": True} if told is None else told
            try:
                payload = json.dumps(command, allow_nan=False, separators=(",", ":")).encode("ascii")
            except (TypeError, ValueError) as error:
                raise BoardFaultError(f"No board can keep this calibration of {role!r}: {error}.") from None
            if len(payload) > CALIBRATION_BYTES_MOST:
                raise BoardFaultError(f"The calibration of {role!r} is too long for the board: use fewer words.")
            reply = self._ask(KIND_KEEP_CALIBRATION, "calibration", payload, _TOO_OLD)
            if not reply.ok:
                raise BoardFaultError(reply.text or f"The board does not keep the calibration of {role}.")
        self.hello = self._identify(IDENTIFY_S)
        for role, told in figures.items():
            _check_kept(self.hello, role, told)
        return self.hello

    def self_test(self) -> Reply:
        """Let the board test itself, while it does not stream; `link.self_test` puts the answer into words."""
        if is_streaming(self.hello):
            self._ask(KIND_STOP, "stop")
        return self._ask(KIND_SELF_TEST, "self-test", wait_s=SELF_TEST_S)

    def leave(self) -> None:
        """Send the board to its MicroPython prompt: it resets once, watchdog off, and its port goes and comes back.

        Raises
        ------
        BoardFaultError : it has no prompt to go to, a virtual board for one.
        """
        if is_streaming(self.hello):
            self._ask(KIND_STOP, "stop")
        reply = self._ask(KIND_LEAVE, "leave")
        if not reply.ok:
            raise BoardFaultError(f"The board on {self.name} does not go to its prompt: {reply.text}")

    def _ask(self, kind: int, name: str, payload: bytes = b"", advice: str = _UNPLUG, wait_s: float = REPLY_S) -> Reply:
        """Send a command while not streaming and wait for its reply."""
        self.monitor.replies.pop(name, None)
        self._send(kind, payload)
        deadline_s = time.monotonic() + wait_s
        while time.monotonic() < deadline_s:
            self.monitor.push(self._deframe(self._port.read()))
            if name in self.monitor.replies:
                return self.monitor.replies[name]
        raise NotOurBoardError(f"The board on {self.name} did not answer to {name!r} within {wait_s:g} s. {advice}")

    # ---- streaming -------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin streaming. What comes from now on is given by `chunks`."""
        if is_streaming(self.hello):
            # Another program was here a moment ago. Its stream is ended, and what is left of it is not ours.
            self._ask(KIND_STOP, "stop")
        self._drain()
        self._started_at_s = time.monotonic()
        self._deframer = Deframer()
        self.monitor = StreamMonitor()
        self._send(KIND_HEARTBEAT)
        self._send(KIND_START)
        self._threads = [
            threading.Thread(target=self._read_port, name="ampwitness port", daemon=True),
            threading.Thread(target=self._send_heartbeats, name="ampwitness heartbeat", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def _drain(self) -> None:
        deadline_s = time.monotonic() + QUIET_S
        while time.monotonic() < deadline_s and self._port.read():
            pass

    def chunks(self, wait_s: float = 0.1) -> Iterator[Chunk]:
        """Received bytes as they come, verbatim; a chunk without bytes after `wait_s` without any.

        Ends by itself once `request_stop` was called and the last samples are in. A board that resets itself meanwhile
        is started again; that is a new session in the stream, and counted in `n_restarts`.

        Raises
        ------
        LinkLostError : the board has gone or is silent; everything that came before was given.
        BoardFaultError : the board refuses to start.
        UnknownProtocolError : the stream is of another wire version.
        """
        started_s = heard_s = samples_s = time.monotonic()
        while True:
            chunk = self._inbox.get(wait_s) or Chunk(b"", time.time())
            now_s = time.monotonic()
            if chunk.raw:
                heard_s = now_s
                n_before = self.monitor.n_samples_frames
                yield chunk  # kept before it is looked at
                self.monitor.push(self._deframe(chunk.raw, chunk.host_s))
                if self.monitor.n_samples_frames > n_before:
                    samples_s = time.monotonic()
            else:
                yield chunk
            if self._stop_asked_at_s is not None:
                is_answered = "stop" in self.monitor.replies and not chunk.raw
                is_quiet = now_s - max(samples_s, self._stop_asked_at_s) > QUIET_S
                if is_answered or is_quiet or now_s - self._stop_asked_at_s > STOP_S:
                    return
                continue
            self._check_alive(now_s, started_s, heard_s, samples_s)

    def _check_alive(self, now_s: float, started_s: float, heard_s: float, samples_s: float) -> None:
        start_reply = self.monitor.replies.get("start")
        if start_reply is not None and not start_reply.ok:
            raise BoardFaultError(f"The board does not start: {start_reply.text or 'no reason given'}")
        if self.monitor.stimulus_ended:
            if now_s - samples_s > QUIET_S:
                self.request_stop()
            return
        hello = self.monitor.hello
        if hello is not None and not is_streaming(hello) and now_s - self._started_at_s > RESTART_S:
            # It has reset itself and waits: start it again. The decoder sees a new session and counts the gap.
            self._started_at_s = now_s
            self.n_restarts += 1
            self._send(KIND_START)
        if now_s - heard_s > SILENCE_S:
            raise LinkLostError(f"The board on {self.name} has been silent for {SILENCE_S:g} s: is it still powered?")
        if now_s - samples_s > 2 * SILENCE_S:
            fault = f" It says: {self.monitor.faults[-1]}" if self.monitor.faults else ""
            when = "sent no samples" if samples_s == started_s else "stopped sending samples"
            raise LinkLostError(f"The board on {self.name} talks but {when} for {2 * SILENCE_S:g} s.{fault}")

    def mark(self) -> None:
        """Let the board set a mark at its present scan."""
        self._send(KIND_MARK_NOW)

    def request_stop(self) -> None:
        """End streaming; `chunks` then gives what is still on its way and ends."""
        if self._stop_asked_at_s is None:
            self._stop_asked_at_s = time.monotonic()
            self._send(KIND_STOP)

    def close(self) -> None:
        """Stop streaming and give the port back. Never raises."""
        self._closing.set()
        if self._threads and self._stop_asked_at_s is None:
            with contextlib.suppress(LinkLostError):
                self.request_stop()
        self._inbox.close()
        for thread in self._threads:
            thread.join(timeout=2.0)
        self._port.close()

    # ---- below -----------------------------------------------------------------------------------------------------

    def _deframe(self, raw: bytes, host_s: float | None = None) -> list[Any]:
        if not raw:
            return []
        try:
            return list(self._deframer.push(Chunk(raw, time.time() if host_s is None else host_s)))
        except UnknownProtocolError as error:
            raise UnknownProtocolError(f"{self.name}: {error}") from error

    def _send(self, kind: int, payload: bytes = b"", lead: bytes = b"") -> bool:
        with self._write_lock:
            raw = lead + pack_frame(kind, 0, self._seq, 0, 0, payload)
            self._seq = (self._seq + 1) & _SEQ_MASK
            return self._port.write(raw)

    def _send_heartbeats(self) -> None:
        try:
            while not self._closing.wait(HEARTBEAT_S):
                self._send(KIND_HEARTBEAT)  # one that finds no room is made up for by the next
        except LinkLostError:
            pass  # the reading thread meets it too, after what came before it

    def _read_port(self) -> None:
        """Gather pieces for up to GATHER_S, stamp them with the time of the last, hand them on."""
        pieces: list[bytes] = []
        n_bytes = 0
        first_s = last_s = 0.0  # monotonic; a wall clock may be set while we wait
        host_s = 0.0
        try:
            while not self._closing.is_set():
                raw = self._port.read()
                if raw:
                    host_s, last_s = time.time(), time.monotonic()
                    first_s = first_s if pieces else last_s
                    pieces.append(raw)
                    n_bytes += len(raw)
                if pieces and (not raw or last_s - first_s >= GATHER_S or n_bytes >= GATHER_BYTES):
                    self._inbox.put(Chunk(b"".join(pieces), host_s))
                    pieces, n_bytes = [], 0
                elif raw and len(raw) < 1024:
                    time.sleep(GATHER_S / 3)  # let a few packets come in: fewer, larger reads
        except Exception as error:  # whatever it is, the consumer has to hear of it
            if pieces:
                self._inbox.put(Chunk(b"".join(pieces), host_s))
            self._inbox.fail(error)


def _check_kept(hello: Hello, role: str, told: Mapping[str, Any] | None) -> None:
    """Compare what the board says with what it was told. Raises BoardFaultError."""
    kept = {entry.role: entry for entry in hello.calibration}.get(role)
    if told is None and kept is None:
        return
    if told is not None and kept is not None:
        numbers = ("gain_v_per_code", "offset_v", "uncertainty_v")
        # The board counts in single precision.
        same = all(math.isclose(getattr(kept, name), told[name], rel_tol=1e-6, abs_tol=1e-9) for name in numbers)
        if same and (kept.made_on, kept.meter) == (told["made_on"], told["meter"]):
            return
    raise BoardFaultError(
        f"The board took the calibration of {role} but does not say it in its hello: {hello.raw.get('remarks') or kept}"
    )


def _show(raw: bytes) -> str:
    """First bytes for a message: as text where they are text, else in hexadecimal."""
    start = raw[:24]
    if all(32 <= byte < 127 or byte in b"\r\n\t" for byte in start):
        return repr(start.decode("ascii"))
    return start[:12].hex(" ")
