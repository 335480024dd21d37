"""Fault scripts: each is visible to a host as what it is, and as nothing else."""

from __future__ import annotations

import time
from fractions import Fraction

import pytest
import serial
from ampwire import framing, layout, messages
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.virtual_faults import Fault, FaultRelay, TimeBase, parse_fault
from ampwitness.errors import UsageError
from ampwitness.types import Gap
from board_client import Client, CounterModel, Heard, check_every_sample, play, short_stimulus
from hypothesis import given, settings
from hypothesis import strategies as st


def play_with(*scripts: str, duration_s: float = 3.0, speed: float | None = None) -> Heard:
    options = VirtualBoardOptions(
        short_stimulus(),
        speed=speed,
        faults=tuple(parse_fault(script) for script in scripts),
        make_model=lambda mode, start_s: CounterModel(mode, start_s, duration_s),
    )
    with virtual_board(options) as port:
        return play(port)


def gaps_of(heard: Heard) -> list[Gap]:
    items, decoder = heard.decoded()
    assert decoder.health().balances
    return [item for item in items if isinstance(item, Gap)]


def test_dropped_frames_are_a_link_gap_of_just_those() -> None:
    heard = play_with("drop@1:2")
    assert heard.bad() == []
    check_every_sample(heard.samples())
    gaps = gaps_of(heard)
    first = -(-8000 // 38) * 38  # the first frame that begins at 1 s or behind it
    assert [(g.start_index, g.stop_index, g.cause, g.is_exact) for g in gaps] == [(first, first + 76, "link", True)]


def test_corrupted_bytes_are_bad_frames_and_a_link_gap() -> None:
    heard = play_with("corrupt@1:20")
    assert 1 <= len(heard.bad()) <= 3
    check_every_sample(heard.samples())
    gaps = gaps_of(heard)
    assert [gap.cause for gap in gaps] == ["link"]
    assert 38 <= gaps[0].stop_index - gaps[0].start_index <= 76


def test_pause_loses_nothing_where_the_reader_sets_the_pace() -> None:
    heard = play_with("pause@1:0.5")
    assert gaps_of(heard) == []
    assert heard.took_s > 0.5
    check_every_sample(heard.samples())


def test_short_pause_at_real_speed_loses_nothing_and_a_long_one_counted_frames() -> None:
    heard = play_with("pause@0.5:0.3", speed=1.0, duration_s=1.5)
    assert gaps_of(heard) == []
    heard = play_with("pause@0.5:2", speed=4.0, duration_s=4.0)
    gaps = gaps_of(heard)
    assert gaps
    assert {gap.cause for gap in gaps} == {"link"}
    last = heard.json_of(layout.KIND_STATUS)[-1]
    assert last["queue_dropped_scans"] == sum(gap.stop_index - gap.start_index for gap in gaps)
    check_every_sample(heard.samples())


def test_reset_is_a_new_session_that_says_why() -> None:
    heard = play_with("reset@1")
    assert heard.n_restarts == 1
    causes = [hello["reset_cause"] for hello in heard.json_of(layout.KIND_HELLO)]
    assert (causes[0], causes[-1]) == ("power on", "watchdog")
    frames = heard.samples()
    first = [frame for frame in frames if frame.tag == frames[0].tag]
    second = [frame for frame in frames if frame.tag != frames[0].tag]
    check_every_sample(first)
    assert second[0].index == 0
    check_every_sample(second, round(1.2 * 192_000))  # 0.2 s of the stimulus pass while it resets
    assert [gap.cause for gap in gaps_of(heard)] == ["restart"]


def test_after_a_reset_the_lines_are_as_they_stand_then() -> None:
    options = VirtualBoardOptions(
        short_stimulus(),
        speed=None,
        faults=(parse_fault("reset@1"),),
        make_model=lambda mode, start_s: CounterModel(mode, start_s, 2.0, (0.5, 1.5)),
    )
    with virtual_board(options) as port:
        heard = play(port)
    levels = [hello["digital"][0]["level"] for hello in heard.json_of(layout.KIND_HELLO) if hello["streaming"]]
    assert (levels[0], levels[-1]) == (0, 0)
    edges = [(frame.index, messages.unpack_edge(frame.payload)) for frame in heard.of_kind(layout.KIND_EDGE)]
    assert edges == [(4000, (0, 1)), (round(0.3 * 8000), (0, 0))]  # the second session begins at 1.2 s, level 1


def test_unplugged_board_vanishes_and_comes_back_under_the_same_name() -> None:
    options = VirtualBoardOptions(
        short_stimulus(),
        speed=None,
        faults=(parse_fault("unplug@1:0.5"),),
        make_model=lambda mode, start_s: CounterModel(mode, start_s, 2.5),
    )
    with virtual_board(options) as port:
        client = Client(port)
        client.start()
        with pytest.raises((serial.SerialException, OSError)):
            client.listen(10.0)
        with pytest.raises((serial.SerialException, OSError)):
            Client(port)
        client.serial.close()
        deadline_s = time.monotonic() + 5
        while True:
            try:
                heard = play(port)
                break
            except (serial.SerialException, OSError):
                assert time.monotonic() < deadline_s, "it did not come back"
                time.sleep(0.05)
    check_every_sample(client.heard.samples())
    assert client.heard.samples()[-1].index < 8000
    assert heard.json_of(layout.KIND_HELLO)[0]["reset_cause"] == "power on"
    check_every_sample(heard.samples(), round(1.5 * 192_000))


def test_several_faults_in_one_script() -> None:
    heard = play_with("drop@2.5:1", "corrupt@1:5", "reset@1.5", "pause@0.5:0.1")
    assert [gap.cause for gap in gaps_of(heard)] == ["link", "restart", "link"]


@pytest.mark.parametrize(
    "text", ["", "drop", "drop@", "drop@x", "drop@1:0", "drop@1:1.5", "corrupt@1:-3", "fly@1", "pause@-1", "reset@nan"]
)
def test_nonsense_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="fault"):
        parse_fault(text)


def test_scripts_are_read() -> None:
    assert parse_fault("pause@3.0:0.5") == Fault("pause", 3.0, 0.5)
    assert parse_fault("reset@9") == Fault("reset", 9.0, 0.0)
    assert parse_fault("drop@8") == Fault("drop", 8.0, 1.0)


def _stream(n_frames: int) -> bytes:
    out = b"\x00"
    for k in range(n_frames):
        payload = messages.pack_samples([(0, 0)], [k, 0, 256 * k])
        out += framing.pack_frame(layout.KIND_SAMPLES, 5, 2 * k, 3 * k, 0, payload) + b"\x00"
        out += framing.pack_frame(layout.KIND_STATUS, 5, 2 * k + 1, 3 * k, 0, b"{}")
    return out


def _relay(*faults: Fault) -> FaultRelay:
    return FaultRelay(faults, lambda: TimeBase(10.0, Fraction(3)), seed=1)  # a frame of 3 scans a second


def test_relay_without_faults_passes_every_byte() -> None:
    assert _relay().push(b"\x00abc\x00\x00xyz") == (b"\x00abc\x00\x00xyz", None)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 60), max_size=40))
def test_relay_does_the_same_however_the_stream_is_cut(cuts: list[int]) -> None:
    raw = _stream(12)

    def run(pieces: list[bytes]) -> bytes:
        relay = _relay(Fault("drop", 13, 1), Fault("pause", 15, 0.1), Fault("corrupt", 16, 7))
        out = b""
        for piece in pieces:
            passed, fault = relay.push(piece)
            out += passed
            while fault is not None:
                passed, fault = relay.push(b"")
                out += passed
        return out + relay.push(b"")[0]

    pieces, at = [], 0
    for cut in cuts:
        pieces.append(raw[at : at + cut])
        at += cut
    pieces.append(raw[at:])
    assert run(pieces) == run([raw])


def test_relay_drops_the_frame_at_its_time_and_no_other() -> None:
    passed, fault = _relay(Fault("drop", 13, 2)).push(_stream(8))
    assert fault is None
    kept = [framing.unpack_frame(piece) for piece in passed.split(b"\x00") if piece]
    assert [f.index for f in kept if f.kind == layout.KIND_SAMPLES] == [0, 3, 6, 15, 18, 21]
    assert sum(f.kind == layout.KIND_STATUS for f in kept) == 8
