"""How much a board sends, and waiting for the same board to come back after its cable was pulled."""

from __future__ import annotations

import time
from collections.abc import Callable

from ampwire.messages import samples_wire_bytes

from ampwitness.errors import AmpwitnessError
from ampwitness.link.port import list_ports
from ampwitness.link.session import BoardSession
from ampwitness.types import Hello

TRY_EVERY_S = 0.5
OTHERS_EVERY_S = 5.0  # other ports are asked less often: there may be other devices behind them
_IDENTIFY_S = 1.5
_BESIDE_BYTES = 2500  # hello, status and what the file adds, a second


def bytes_per_s(hello: Hello) -> float:
    """Bytes a second that a recording of this board grows by."""
    frame_bytes: int = samples_wire_bytes(len(hello.channels), hello.scans_per_frame)
    return float(hello.rate_hz / hello.scans_per_frame) * frame_bytes + _BESIDE_BYTES


def wait_for_board(
    was: BoardSession,
    limit_s: float | None,
    is_stopped: Callable[[], bool],
) -> BoardSession | None:
    """Wait until the board that was lost answers again, on its old port or another one, in its old mode.

    Parameters
    ----------
    was : the conversation that was lost, closed by the caller
    limit_s : how long to wait; None: for ever
    is_stopped : asked often, but not while a port is asked who is there (up to 1.5 s each); True ends the waiting

    Returns
    -------
    A conversation that is not streaming yet; None when the time was over or it was stopped.
    """
    began_s = time.monotonic()
    others_at_s = began_s + OTHERS_EVERY_S
    while not is_stopped():
        now_s = time.monotonic()
        if limit_s is not None and now_s - began_s > limit_s:
            return None
        names = [was.name]
        if now_s >= others_at_s:
            names += [port.name for port in list_ports() if port.name != was.name]
            others_at_s = now_s + OTHERS_EVERY_S
        for name in names:
            session = _try(name, was.hello)
            if session is not None:
                return session
        pause_until_s = time.monotonic() + TRY_EVERY_S
        while time.monotonic() < pause_until_s and not is_stopped():
            time.sleep(0.05)
    return None


def _try(name: str, hello: Hello) -> BoardSession | None:
    """The board of this hello behind a port, in its mode; None: not there, or another board."""
    session: BoardSession | None = None
    try:
        session = BoardSession(name, _IDENTIFY_S)
        if session.hello.board_id == hello.board_id:
            if session.hello.mode != hello.mode:
                session.set_mode(hello.mode)
            return session
    except (AmpwitnessError, OSError):
        pass  # not there yet, or still starting: asked again soon
    if session is not None:
        session.close()
    return None
