"""A conversation with a board on a pseudo-terminal, and with everything else that may sit on a port."""

from __future__ import annotations

import os
import socket
import threading
import time
from itertools import pairwise

import pytest
from ampwire.layout import KIND_MARK_NOW, KIND_MODE, KIND_STOP
from ampwitness.errors import (
    BoardFaultError,
    LinkLostError,
    NotOurBoardError,
    PortAccessError,
    PortNotFoundError,
    UnknownProtocolError,
)
from ampwitness.link import finding as finding_module
from ampwitness.link import session as session_module
from ampwitness.link.finding import find_board, probe_ports
from ampwitness.link.port import Port, PortListing
from ampwitness.link.session import BoardSession
from ampwitness.types import Chunk
from fake_board import RATE_HZ, FakeBoard


def _collect(session: BoardSession, seconds: float) -> list[Chunk]:
    session.start()
    chunks = []
    for chunk in session.chunks():
        chunks.append(chunk)
        if session.monitor.recorded_s >= seconds:
            session.request_stop()
    return chunks


def test_every_byte_comes_verbatim_and_in_order() -> None:
    with FakeBoard() as board:
        with BoardSession(board.name) as session:
            assert session.hello.board_id == "fake-0001"
            assert session.hello.roles == ("out_p", "out_n", "supply")
            time.sleep(0.1)  # until the board's own account has the hello in it
            n_before = len(board.sent)
            chunks = _collect(session, 1.5)
            got = b"".join(chunk.raw for chunk in chunks)
        time.sleep(0.1)
        sent = bytes(board.sent[n_before:])
    assert sent.startswith(got)
    assert len(sent) - len(got) < 2000  # a hello after the stop at most
    assert session.monitor.recorded_s == pytest.approx(board.n_scans / RATE_HZ)
    assert session.monitor.n_frames_lost == session.monitor.n_scans_lost == session.monitor.n_bad_frames == 0
    times = [chunk.host_s for chunk in chunks]
    assert all(a <= b for a, b in pairwise(times))
    assert abs(times[-1] - time.time()) < 5


def test_heartbeats_come_twice_a_second_whatever_the_consumer_does() -> None:
    with FakeBoard() as board, BoardSession(board.name) as session:
        session.start()
        for _ in session.chunks():
            time.sleep(2.6)  # a disk that takes its time; the board's own patience is 2 s
            break
        assert board.is_streaming
        gaps_s = [b - a for a, b in pairwise(board.heartbeats_s)]
        assert len(gaps_s) >= 4
        assert max(gaps_s) < 0.8


def test_closing_stops_the_board_and_frees_the_port() -> None:
    with FakeBoard() as board:
        with BoardSession(board.name) as session:
            session.start()
            next(session.chunks())
        time.sleep(0.1)
        assert KIND_STOP in board.commands
        assert not board.is_streaming
        with BoardSession(board.name) as again:
            assert again.hello.board_id == "fake-0001"


def test_a_stream_left_running_by_another_program_is_ended_first() -> None:
    """Its frames are of another session: none of them may be given as ours."""
    with FakeBoard() as board:
        first = BoardSession(board.name)
        first.start()
        next(first.chunks())
        first._closing.set()  # as if killed: no stop is sent
        for thread in first._threads:
            thread.join()
        first._port.close()
        with BoardSession(board.name) as session:
            assert session.hello.raw["streaming"]
            _collect(session, 0.5)
            assert session.monitor.n_sessions == 1
            assert session.monitor.n_bad_frames == 0
            assert session.hello.session_tag != board.tag


def test_mode_and_mark() -> None:
    with FakeBoard() as board, BoardSession(board.name) as session:
        session.set_mode("wide")
        assert session.hello.mode == "wide"
        with pytest.raises(BoardFaultError, match="no mode turbo"):
            session.set_mode("turbo")
        session.start()
        for k, _ in enumerate(session.chunks()):
            if k == 3:
                session.mark()
            if session.monitor.n_marks:
                session.request_stop()
        assert board.commands.count(KIND_MARK_NOW) == session.monitor.n_marks == 1
        assert board.commands.count(KIND_MODE) == 2


def test_losses_are_counted_as_they_happen() -> None:
    with FakeBoard(drop_every=10) as board, BoardSession(board.name) as session:
        _collect(session, 1.0)
        assert session.monitor.n_frames_lost >= 15
        # every lost SAMPLES frame is 38 scans; one dropped at the very end shows in neither count
        assert session.monitor.n_scans_lost == 38 * session.monitor.n_frames_lost


def test_levels_are_nominal_volts() -> None:
    with FakeBoard() as board, BoardSession(board.name) as session:
        assert session.monitor.levels() is None
        _collect(session, 0.3)
        levels = session.monitor.levels()
        assert levels is not None
        assert levels.output_mean_v == pytest.approx(20.0, abs=0.01)
        assert levels.output_peak_v == pytest.approx(0.0, abs=0.01)
        assert levels.supply_lowest_v == pytest.approx(12.5, abs=0.01)


def test_the_end_of_a_stimulus_ends_the_stream_with_all_samples_in() -> None:
    with FakeBoard(pace=0, end_after_s=20.0) as board, BoardSession(board.name) as session:
        session.start()
        for _ in session.chunks():
            pass
        assert session.monitor.stimulus_ended
        assert session.monitor.recorded_s >= 20.0
        assert session.monitor.n_scans_lost == 0


def test_a_board_that_ignores_stop_cannot_hold_us() -> None:
    with FakeBoard(ignores_stop=True) as board, BoardSession(board.name) as session:
        began_s = time.monotonic()
        _collect(session, 0.2)
        assert time.monotonic() - began_s < 4


# ---- what is no board -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [("silent", "stays silent"), ("text", "talks, but not as a logger"), ("random", "talks, but not as a logger")],
)
def test_ports_with_something_else_on_them(behaviour: str, words: str) -> None:
    with FakeBoard(behaviour) as board, pytest.raises(NotOurBoardError, match=words) as caught:
        BoardSession(board.name, 0.8)
    assert board.name in str(caught.value)
    if behaviour == "text":
        assert "$GPGGA" in str(caught.value)


def test_a_port_that_echoes_is_no_board() -> None:
    with FakeBoard("echo") as board, pytest.raises(NotOurBoardError, match="not as a logger board"):
        BoardSession(board.name, 0.8)


def test_an_unknown_wire_version() -> None:
    with FakeBoard("other version") as board, pytest.raises(UnknownProtocolError, match="version 2") as caught:
        BoardSession(board.name, 2.0)
    assert board.name in str(caught.value)
    assert caught.value.exit_code == 7


def test_no_such_port_and_no_port_at_all(tmp_path: object) -> None:
    with pytest.raises(PortNotFoundError, match="There is no port"):
        BoardSession("/dev/ttyNOT0")
    with pytest.raises(PortNotFoundError, match=r"is no serial port \(it is a file"):
        BoardSession("/etc/hostname")
    with pytest.raises(PortNotFoundError, match=r"is no serial port \(it is a folder"):
        BoardSession("/")
    with pytest.raises(PortNotFoundError, match="Nothing can be reached"):
        BoardSession("socket://127.0.0.1:9")
    with pytest.raises(PortNotFoundError):
        BoardSession("nonsense://x")


def test_a_busy_port() -> None:
    with FakeBoard() as board, BoardSession(board.name), pytest.raises(PortAccessError, match="another program"):
        BoardSession(board.name)


def test_no_permission() -> None:
    with FakeBoard() as board:
        os.chmod(board.name, 0)
        if os.geteuid() != 0:
            with pytest.raises(PortAccessError, match="permission denied"):
                Port(board.name)
            return
        child = os.fork()  # root may open everything: try as nobody
        if child == 0:
            code = 1
            try:
                os.setuid(65534)
                try:
                    Port(board.name)
                except PortAccessError as error:
                    code = 0 if "permission denied" in str(error) else 2
            finally:
                os._exit(code)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


# ---- boards that fail -----------------------------------------------------------------------------------------------


def _until_error(session: BoardSession) -> bytes:
    session.start()
    got = bytearray()
    try:
        for chunk in session.chunks():
            got += chunk.raw
    except (LinkLostError, BoardFaultError) as error:
        session.failure = str(error)  # type: ignore[attr-defined]
    return bytes(got)


def test_unplugged_while_streaming() -> None:
    with FakeBoard(unplug_after_s=0.6) as board, BoardSession(board.name) as session:
        got = _until_error(session)
        assert "has gone" in session.failure  # type: ignore[attr-defined]
        assert session.monitor.recorded_s > 0.4
        assert got in bytes(board.sent)


def test_a_board_that_falls_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_module, "SILENCE_S", 0.5)
    with FakeBoard(mute_after_s=0.5) as board, BoardSession(board.name) as session:
        _until_error(session)
        assert "silent" in session.failure  # type: ignore[attr-defined]
        assert session.monitor.recorded_s >= 0.5


def test_a_board_that_resets_itself_is_started_again() -> None:
    with FakeBoard(reset_after_s=0.5) as board, BoardSession(board.name) as session:
        _collect(session, 1.0)
        assert session.n_restarts == 1
        assert session.monitor.n_sessions == 2
        assert session.monitor.n_scans_lost == session.monitor.n_frames_lost == 0
        assert session.monitor.recorded_s == pytest.approx(board.n_scans / RATE_HZ)


def test_a_board_that_refuses_to_start() -> None:
    with FakeBoard("refuses start") as board, BoardSession(board.name) as session:
        _until_error(session)
        assert "the ADC does not answer" in session.failure  # type: ignore[attr-defined]


def test_a_board_that_never_sends_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_module, "SILENCE_S", 0.4)
    with FakeBoard("mute") as board, BoardSession(board.name) as session:
        _until_error(session)
        assert "silent" in session.failure or "no samples" in session.failure  # type: ignore[attr-defined]


# ---- finding --------------------------------------------------------------------------------------------------------


def _listed(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    ports = tuple(PortListing(name, "made for a test") for name in names)
    monkeypatch.setattr(finding_module, "list_ports", lambda: ports)


def test_the_board_is_found_among_other_devices(monkeypatch: pytest.MonkeyPatch) -> None:
    with FakeBoard("text") as gps, FakeBoard() as board, FakeBoard("silent") as mute:
        _listed(monkeypatch, gps.name, board.name, mute.name, "/dev/ttyNOT0")
        assert find_board() == find_board(board.name) == board.name
        with pytest.raises(NotOurBoardError):
            find_board(mute.name)
        answers = probe_ports()
        assert [answer.hello is not None for answer in answers] == [False, True, False, False]
        assert [type(a.error).__name__ for a in answers if a.error] == [
            "NotOurBoardError",
            "NotOurBoardError",
            "PortNotFoundError",
        ]


def test_two_boards_or_none(monkeypatch: pytest.MonkeyPatch) -> None:
    with FakeBoard() as one, FakeBoard() as two:
        _listed(monkeypatch, one.name, two.name)
        with pytest.raises(PortNotFoundError, match="More than one board"):
            find_board()
    with FakeBoard("silent") as one, FakeBoard("silent") as two:
        _listed(monkeypatch, one.name, two.name)
        with pytest.raises(PortNotFoundError, match="No board answers"):
            find_board()
        _listed(monkeypatch, one.name)
        with pytest.raises(NotOurBoardError, match=r"is the board plugged in.*stays silent"):
            find_board()
    _listed(monkeypatch)
    with pytest.raises(PortNotFoundError, match="no serial port"):
        find_board()


def test_a_socket_is_a_port_too() -> None:
    """The virtual board's way where there is no pseudo-terminal."""
    with FakeBoard(pace=0, end_after_s=5.0) as board, socket.create_server(("127.0.0.1", 0)) as server:
        inner = os.open(board.name, os.O_RDWR | os.O_NOCTTY)

        def pump(source: int, sink: int) -> None:
            try:
                while raw := os.read(source, 4096):
                    os.write(sink, raw)
            except OSError:
                pass

        def serve() -> None:
            outside, _ = server.accept()
            threads = [
                threading.Thread(target=pump, args=pair, daemon=True)
                for pair in ((inner, outside.fileno()), (outside.fileno(), inner))
            ]
            for thread in threads:
                thread.start()
            threads[1].join()
            outside.close()

        threading.Thread(target=serve, daemon=True).start()
        with BoardSession(f"socket://127.0.0.1:{server.getsockname()[1]}") as session:
            session.start()
            for _ in session.chunks():
                pass
            assert session.monitor.recorded_s >= 5.0
            assert session.monitor.n_scans_lost == 0
        os.close(inner)


def test_a_board_that_cannot_start_is_quoted() -> None:
    with FakeBoard("cannot start") as board:
        with pytest.raises(BoardFaultError, match=r"needs MicroPython 1\.26 or later"):
            BoardSession(board.name, identify_s=0.5)
        (answer,) = probe_ports((PortListing(board.name, ""),), wait_s=0.5)
    assert answer.hello is None
    assert "needs MicroPython" in str(answer.error)
