"""Sessions, gaps with their causes, and times: streams whose truth is known scan by scan."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import pytest
from ampwire import cobs, crc, layout
from ampwire.framing import pack_frame
from ampwitness.decode import Decoder, iter_decoded
from ampwitness.errors import RecordingUnreadableError, UnknownProtocolError
from ampwitness.types import Block, Chunk, Edge, Fault, Gap, Hello, Mark, Status
from synthetic_stream import CHANNELS, RATE_HZ, SCANS, Board, decode, merge


def of_type(items, kind):
    return [item for item in items if isinstance(item, kind)]


def check_blocks(items, board):
    """Every scan of every block is the true one, at the true place."""
    for block in of_type(items, Block):
        stop = block.first_sample_index + len(block.counts)
        np.testing.assert_array_equal(block.counts, board.true_counts(block.first_sample_index, stop))
        assert block.at_rail.shape == (block.n_frames, CHANNELS, 2)
        assert not block.counts.flags.writeable
        assert not block.at_rail.flags.writeable
        np.testing.assert_array_equal(block.at_rail[:, 2, 1], 127)


def test_plain_stream_is_one_block():
    board = Board()
    items, health = decode([b"\0", board.hello(), *board.samples(100), board.status(), *board.samples(50)])
    assert [type(item) for item in items] == [Hello, Status, Block]
    (block,) = of_type(items, Block)
    assert (block.n_frames, len(block.counts), block.start_s, block.seq) == (150, 150 * SCANS, 0.0, 1)
    assert block.rate_hz == Fraction(8000)
    assert of_type(items, Status)[0].time_s == 100 * SCANS / RATE_HZ
    check_blocks(items, board)
    assert (health.n_frames_good, health.n_frames_bad, health.n_frames_lost) == (152, 0, 0)
    assert health.n_scans_received == health.n_scans_expected == 150 * SCANS
    assert health.n_scans_lost == {"link": 0, "overrun": 0, "restart": 0, "unknown": 0}


def test_first_frame_needs_no_delimiter_before_it():
    board = Board()
    items, health = decode([board.hello(), *board.samples(10)])
    assert health.n_scans_received == 10 * SCANS
    assert health.n_bytes_skipped == 0
    assert len(of_type(items, Hello)) == 1


@pytest.mark.parametrize("n_lost", [1, 2, 1000])
def test_frames_lost_on_the_link(n_lost):
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.lose_frames(n_lost)
    items, health = decode([*frames, *board.samples(20)])
    (gap,) = of_type(items, Gap)
    assert (gap.start_index, gap.stop_index, gap.cause) == (20 * SCANS, (20 + n_lost) * SCANS, "link")
    assert gap.is_exact
    assert (gap.start_s, gap.stop_s) == (20 * SCANS / RATE_HZ, (20 + n_lost) * SCANS / RATE_HZ)
    assert [type(item) for item in items] == [Hello, Block, Gap, Block]
    assert of_type(items, Block)[1].start_s == gap.stop_s
    check_blocks(items, board)
    assert health.n_frames_lost == n_lost
    assert health.n_scans_lost["link"] == n_lost * SCANS


@pytest.mark.parametrize(("flags", "cause"), [(layout.FLAG_BOARD_LOSS, "overrun"), (0, "unknown"), (2, "link")])
def test_index_jumps_without_a_missing_frame(flags, cause):
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.lose_on_board(777)
    items, health = decode([*frames, *board.samples(20, flags)])
    (gap,) = of_type(items, Gap)
    assert (gap.start_index, gap.stop_index, gap.cause, gap.is_exact) == (760, 1537, cause, True)
    assert health.n_frames_lost == 0
    assert health.n_scans_lost[cause] == 777
    check_blocks(items, board)


@pytest.mark.parametrize(("flags", "rest"), [(layout.FLAG_BOARD_LOSS, "overrun"), (0, "unknown")])
def test_frames_and_scans_lost_together(flags, rest):
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.lose_frames(3)
    board.lose_on_board(100)
    items, health = decode([*frames, *board.samples(20, flags)])
    gaps = of_type(items, Gap)
    assert [(gap.cause, gap.stop_index - gap.start_index) for gap in gaps] == [("link", 3 * SCANS), (rest, 100)]
    assert gaps[0].stop_index == gaps[1].start_index
    assert health.n_scans_lost == {"link": 3 * SCANS, "overrun": 0, "restart": 0, "unknown": 0, rest: 100}
    check_blocks(items, board)


def test_lost_status_is_a_lost_frame_but_no_gap():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.status()
    items, health = decode([*frames, *board.samples(20)])
    assert not of_type(items, Gap)
    assert len(of_type(items, Block)) == 1
    assert health.n_frames_lost == 1


@pytest.mark.parametrize("says", ["hello", "status"])
def test_the_last_frames_lost_are_a_gap_where_a_message_follows(says):
    """No samples follow, but the message has the board's count of scans; what it had only begun to fill is no loss."""
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.lose_frames(14)
    board.lose_on_board(SCANS - 1)  # not yet framed when the board stopped
    items, health = decode([*frames, board.hello(streaming=False) if says == "hello" else board.status()])
    (gap,) = of_type(items, Gap)
    assert (gap.start_index, gap.stop_index, gap.cause, gap.is_exact) == (20 * SCANS, 34 * SCANS, "link", True)
    assert health.n_scans_lost["link"] == 14 * SCANS
    assert health.n_scans_expected == 34 * SCANS
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.status()  # this alone is lost
    board.lose_on_board(SCANS - 1)
    items, health = decode([*frames, board.status()])
    assert not of_type(items, Gap)
    assert health.n_scans_expected == 20 * SCANS


def test_repeated_frames_are_skipped():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    frames += [*frames[-3:], *board.samples(20)]
    items, health = decode(frames)
    assert not of_type(items, Gap)
    assert health.n_scans_received == 40 * SCANS
    assert health.skipped_reasons == {"old or repeated frame": 3 * 255}
    check_blocks(items, board)


def test_seq_wraps():
    board = Board()
    board.start(5, seq=2**28 - 10)
    items, health = decode([b"\0", board.hello(), *board.samples(30)])
    assert health.n_frames_lost == 0
    assert not of_type(items, Gap)
    assert sum(len(block.counts) for block in of_type(items, Block)) == 30 * SCANS
    assert len(merge(of_type(items, Block))) == 1


def test_index_beyond_32_bits():
    board = Board()
    board.start(5, index=2**45 + 3)
    items, health = decode([b"\0", board.hello(), *board.samples(30)])
    (block,) = of_type(items, Block)
    assert (block.first_sample_index, block.start_s) == (2**45 + 3, 0.0)
    check_blocks(items, board)
    assert health.n_scans_expected == 30 * SCANS


def test_index_going_back_is_a_bad_frame():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.index -= 5 * SCANS
    frames += board.samples(1)
    board.index += 4 * SCANS
    items, health = decode([*frames, *board.samples(10)])
    assert health.bad_reasons == {"sample index went back": 1}
    assert len(of_type(items, Block)) == 1
    check_blocks(items, board)


def test_joined_late_holds_samples_back_until_the_hello():
    board = Board()
    board.start(5, seq=500, index=123 * SCANS)
    frames = [*board.samples(40), board.frame(layout.KIND_EDGE, b"\x80\x80"), *board.samples(40), board.hello()]
    items, health = decode([frames[0][100:], *frames[1:], *board.samples(5)])
    assert [type(item) for item in items] == [Hello, Edge, Block]
    (block,) = of_type(items, Block)
    assert (block.first_sample_index, block.start_s, block.n_frames) == (124 * SCANS, 0.0, 84)
    assert health.skipped_reasons == {"before the first delimiter": 155}
    check_blocks(items, board)


def test_what_is_held_back_is_bounded():
    board = Board()
    n_frames = 5000
    frames = board.samples(n_frames)
    n_held = 2**20 // 255
    items, health = decode([b"\0", *frames, board.hello(), *board.samples(5)])
    assert health.skipped_reasons == {"no hello yet": (n_frames - n_held) * 255}
    (block,) = of_type(items, Block)
    assert (block.first_sample_index, block.n_frames) == ((n_frames - n_held) * SCANS, n_held + 5)
    check_blocks(items, board)


def test_first_frames_lost_after_the_hello_are_a_gap():
    board = Board()
    frames = [b"\0", board.hello()]
    board.lose_frames(4)
    items, health = decode([*frames, *board.samples(10)])
    (gap,) = of_type(items, Gap)
    assert (gap.start_index, gap.stop_index, gap.start_s, gap.cause) == (0, 4 * SCANS, 0.0, "link")
    assert of_type(items, Block)[0].start_s == 4 * SCANS / RATE_HZ
    assert health.n_scans_expected == 14 * SCANS


def two_sessions(pause_s, tag=6, time_scale=1.0, real_times=True):
    board = Board()
    frames = [b"\0", board.hello(time_scale=time_scale), *board.samples(100)]
    end_s = 1000.0 + 100 * SCANS / RATE_HZ
    times = [1000.0] * (len(frames) - 1) + [end_s]
    board.start(tag)
    later = [b"\0", board.hello(time_scale=time_scale), *board.samples(10)]
    frame_s = SCANS / RATE_HZ
    times += [end_s + pause_s] * 2 + [end_s + pause_s + frame_s * (k + 1) for k in range(10)]
    return decode(frames + later, times if real_times else [0.0] * len(times))


def test_restart_is_placed_by_the_host_clock():
    items, health = two_sessions(2.5)
    (gap,) = of_type(items, Gap)
    assert (gap.cause, gap.is_exact) == ("restart", False)
    assert gap.start_s == 100 * SCANS / RATE_HZ
    assert gap.stop_s - gap.start_s == pytest.approx(2.5, abs=1e-9)
    assert gap.stop_index - gap.start_index == 20000
    second = [block for block in of_type(items, Block) if block.session_id.startswith("0006")]
    assert second[0].start_s == gap.stop_s
    assert health.n_sessions == 2
    assert health.n_scans_lost["restart"] == 0
    assert health.n_scans_expected == 110 * SCANS


def overflow(n_lost, pause_s, *, fault="told", between=(), n_first_lost=0):
    """A session ended by the converter's overflow, and the next, whose fault says that `n_lost` scans are missing."""
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(100)]
    times = [1000.0] * len(frames)
    frames += between
    times += [1000.0] * len(between)
    board.start(6)
    told = {"told": {"lost_scans": n_lost}, "silent": {}}[fault]
    words = {"code": "fifo-overflow", "text": "The converter lost conversions.", **told}
    frames += [b"\0", board.hello(), board.frame(layout.KIND_FAULT, json.dumps(words).encode())]
    board.lose_frames(n_first_lost)
    later = board.samples(10)
    times += [1000.0 + pause_s] * (3 + len(later))
    return decode(frames + later, times)


def test_a_restarted_session_that_is_joined_late_begins_where_the_gap_ends():
    board = Board()
    frames, host_s = [b"\0", board.hello(), *board.samples(20)], [100.0] * 22
    board.start(6, seq=100, index=760)
    items, _ = decode([*frames, board.hello(), *board.samples(5)], [*host_s, *([103.0] * 6)])
    (gap,) = of_type(items, Gap)
    assert gap.cause == "restart"
    second = [block for block in of_type(items, Block) if block.session_id.startswith("0006")]
    assert second[0].start_s == gap.stop_s > 2.0


def test_restart_is_as_long_as_the_board_says():
    items, health = overflow(120, pause_s=0.4)
    (gap,) = of_type(items, Gap)
    assert (gap.stop_index - gap.start_index, gap.cause) == (120, "restart")
    assert gap.stop_s - gap.start_s == pytest.approx(120 / RATE_HZ, abs=1e-9)
    assert gap.is_exact is False  # by the board's clock, good to one scan: no count
    second = [block for block in of_type(items, Block) if block.session_id.startswith("0006")]
    assert second[0].start_s == gap.stop_s
    assert health.n_scans_lost["restart"] == 0


@pytest.mark.parametrize(("n_lost", "n_missing"), [(0, 0), (-1, 0)])
def test_a_board_that_missed_nothing_goes_on_at_once(n_lost, n_missing):
    (gap,) = of_type(overflow(n_lost, pause_s=0.4)[0], Gap)
    assert gap.stop_index - gap.start_index == n_missing


def test_frames_lost_behind_the_restart_are_a_gap_of_their_own():
    restart, link = of_type(overflow(120, pause_s=0.4, n_first_lost=3)[0], Gap)
    assert (restart.stop_index - restart.start_index, restart.cause) == (120, "restart")
    assert (link.stop_index - link.start_index, link.cause, link.is_exact) == (3 * SCANS, "link", True)


def by_host(pause_s):
    return pytest.approx(pause_s - SCANS / RATE_HZ, abs=1 / RATE_HZ)


def test_a_restart_the_board_says_nothing_of_is_by_the_host_clock():
    (gap,) = of_type(overflow(120, pause_s=0.4, fault="silent")[0], Gap)
    assert gap.stop_s - gap.start_s == by_host(0.4)


def test_what_was_framed_and_never_came_shows_on_the_host_clock():
    (gap,) = of_type(overflow(120, pause_s=7.0)[0], Gap)
    assert gap.stop_s - gap.start_s == by_host(7.0)


def test_the_board_speaks_of_the_session_right_before_alone():
    other = Board(tag=9)
    (gap,) = of_type(overflow(120, pause_s=0.4, between=[b"\0", other.hello()])[0], Gap)
    assert gap.stop_s - gap.start_s == by_host(0.4)


@pytest.mark.parametrize("kwargs", [{"real_times": False}, {"time_scale": 0.0}, {"pause_s": -60.0}])
def test_restart_without_a_usable_host_clock_follows_at_once(kwargs):
    items, _ = two_sessions(**{"pause_s": 5.0, **kwargs})
    (gap,) = of_type(items, Gap)
    assert gap.start_s == gap.stop_s == 100 * SCANS / RATE_HZ
    assert gap.is_exact is False
    blocks = of_type(items, Block)
    ends = [block.start_s + len(block.counts) / RATE_HZ for block in blocks]
    assert all(after.start_s >= end - 1e-9 for after, end in zip(blocks[1:], ends, strict=False))


def test_scaled_time_scales_the_pause():
    items, _ = two_sessions(2.0, time_scale=4.0)
    (gap,) = of_type(items, Gap)
    # Frames come at wall-clock speed here, so of the pause four times itself remains, and three frames' length.
    assert gap.stop_s - gap.start_s == pytest.approx(8.0 + 3 * SCANS / RATE_HZ, abs=1e-3)


def test_stale_bytes_of_the_session_before_are_never_data():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    stale = [*board.samples(7), board.status(), board.hello()]
    board.start(6)
    frames += [b"\0", board.hello(), *stale, *board.samples(20)]
    items, health = decode(frames)
    assert health.skipped_reasons == {"left over from the session before": sum(len(x) - 1 for x in stale)}
    assert health.n_scans_received == 40 * SCANS
    assert [gap.cause for gap in of_type(items, Gap)] == ["restart"]
    assert {block.session_id[:4]: len(block.counts) for block in of_type(items, Block)} == {
        "0005": 20 * SCANS,
        "0006": 20 * SCANS,
    }


def test_samples_of_a_new_session_wait_for_its_hello():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.start(6)
    board.hello()
    frames += [*board.samples(15), board.hello(), *board.samples(5)]
    items, health = decode(frames)
    assert health.n_scans_received == 40 * SCANS
    assert health.n_sessions == 2
    assert [type(item) for item in items] == [Hello, Block, Hello, Gap, Block]


def test_session_without_hello_is_skipped():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(20)]
    board.start(6)
    frames += board.samples(15)
    board.start(7)
    items, health = decode([*frames, board.hello(), *board.samples(5)])
    assert health.skipped_reasons == {"no hello yet": 15 * 255}
    assert health.n_sessions == 2
    assert len(of_type(items, Block)) == 2


def test_edges_and_marks_have_the_time_of_their_sample():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(10)]
    frames.append(board.frame(layout.KIND_EDGE, b"\x80\x80", index=301))
    frames.append(board.frame(layout.KIND_MARK, bytes([layout.MARK_BUTTON]), index=302))
    frames.append(board.frame(layout.KIND_MARK, bytes([layout.MARK_HOST]), index=303))
    frames.append(board.frame(layout.KIND_FAULT, b'{"code":"stuck-channel","text":"channel 1 does not move"}'))
    items, _ = decode([*frames, *board.samples(10)])
    (edge,) = of_type(items, Edge)
    assert (edge.role, edge.level, edge.sample_index, edge.time_s) == ("remote", 0, 301, 301 / RATE_HZ)
    assert [(mark.source, mark.time_s) for mark in of_type(items, Mark)] == [
        ("button", 302 / RATE_HZ),
        ("host", 303 / RATE_HZ),
    ]
    (fault,) = of_type(items, Fault)
    assert (fault.code, fault.time_s) == ("stuck-channel", 380 / RATE_HZ)


def test_a_lost_edge_shows_in_the_next_hello():
    board = Board()
    low = [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 0}]
    frames = [b"\0", board.hello(), *board.samples(10)]
    board.frame(layout.KIND_EDGE, b"\x80\x80")
    frames += [board.hello(digital=low), *board.samples(10), board.hello(digital=low)]
    items, health = decode(frames)
    assert [hello.digital[0].level for hello in of_type(items, Hello)] == [1, 0]
    assert health.n_frames_lost == 1


def test_messages_before_the_first_samples_get_their_time():
    board = Board()
    frames = [b"\0", board.hello(), board.status(), *board.samples(10)]
    items, _ = decode(frames)
    assert of_type(items, Status)[0].time_s == 0.0


def test_idle_board_faults_come_through():
    fault = pack_frame(layout.KIND_FAULT, 0, 0, 0, 0, b'{"code":"old-micropython","text":"1.26 or later is needed"}')
    items, health = decode([b"\0", fault])
    assert items == [Fault("old-micropython", "1.26 or later is needed", 0.0, "")]
    assert health.n_frames_good == 1


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"[]", b"null", b'{"code":1,"text":""}', b"\xff", b"[" * 1900, b'{"a":NaN}', b'{"code":"\\ud800"}'],
)
def test_absurd_messages_are_bad_frames(payload):
    board = Board()
    kinds = (layout.KIND_HELLO, layout.KIND_STATUS, layout.KIND_FAULT, layout.KIND_EDGE, layout.KIND_MARK)
    frames = [b"\0", board.hello(), *board.samples(10), *(board.frame(kind, payload) for kind in kinds)]
    items, health = decode([*frames, *board.samples(10)])
    assert health.n_frames_bad == len(kinds)
    assert health.n_frames_lost == 0
    assert not of_type(items, Gap)


ABSURD = [
    {"rate_hz": [0, 1]},
    {"rate_hz": [8000, 0]},
    {"rate_hz": [8000]},
    {"rate_hz": 8000},
    {"rate_hz": [10**300, 1]},
    {"rate_hz": [True, 1]},
    {"rate_hz": [1, 1000]},
    {"channels": []},
    {"channels": None},
    {"channels": [{}]},
    {"channels": [1, 2, 3]},
    {"scans_per_frame": 0},
    {"scans_per_frame": 39},
    {"scans_per_frame": "38"},
    {"counts_per_code": 0},
    {"counts_per_code": 10**400},
    {"counts_per_code": 1e300},
    {"session_tag": 6},
    {"session_tag": -1},
    {"session_id": ""},
    {"session_id": "no hex"},
    {"streaming": 1},
    {"time_scale": -1},
    {"digital": [{"role": "remote", "pin": 15, "threshold_v": "x", "level": 1}]},
    {"digital": [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 2}]},
    {"input_corner_hz": 0},
    {"averaging": 0},
    {"protocol": 2},
    {"mode": None},
]


@pytest.mark.parametrize("changes", ABSURD, ids=str)
def test_absurd_hello_is_a_bad_frame(changes):
    board = Board()
    items, health = decode([b"\0", board.hello(**changes), *board.samples(10), board.hello(), *board.samples(2)])
    assert health.n_frames_bad == 1
    assert next(iter(health.bad_reasons)).startswith("hello: ")
    assert health.n_scans_received == 12 * SCANS
    assert len(of_type(items, Hello)) == 1


def test_hello_must_not_change_within_its_session():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(10), board.hello(rate_hz=[9000, 1]), *board.samples(10)]
    items, health = decode(frames)
    assert health.bad_reasons == {"hello: changed within its session": 1}
    assert len(of_type(items, Block)) == 1


def test_samples_of_a_wrong_length_are_bad():
    board = Board()
    frames = [b"\0", board.hello(scans_per_frame=37), *board.samples(10)]
    items, health = decode(frames)
    assert health.bad_reasons == {"samples of another length than the hello says": 10}
    assert not of_type(items, Block)
    assert health.n_frames_lost == 0


def test_board_counters_are_summed_over_sessions():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(2), board.status(overrun_scans=3)]
    frames.append(board.status(overrun_scans=5, bad_commands=7))
    board.start(6)
    frames += [board.hello(), *board.samples(2)]
    frames.append(board.status(overrun_scans=4, queue_dropped_frames=2, bad_commands=9, fifo_overflows=1))
    board.start(7)
    _, health = decode([*frames, board.hello(), *board.samples(2), board.status(bad_commands=1, fifo_overflows=1)])
    # Two counters run on over sessions, until the board is reset: 9 bad commands, then 1 after the reset.
    assert health.board_counters["bad_commands"] == 10
    assert health.board_counters["fifo_overflows"] == 1
    assert health.board_counters["overrun_scans"] == 9
    assert health.n_frames_dropped_on_board == 2


def with_version(version):
    frame = bytearray(pack_frame(layout.KIND_HELLO, 1, 0, 0, 0, b"{}")[:-1])
    body = bytearray(cobs.decode(frame))
    body[layout.VERSION_AT] = 0x80 | version
    crc.append_crc(body, len(body) - 4)
    return cobs.encode(body) + b"\0"


def test_other_version_stops_with_one_sentence():
    with pytest.raises(UnknownProtocolError, match=r"wire version 2, this program knows version 1.*update ampwitness"):
        decode([b"\0", with_version(2)])


def test_damaged_version_byte_is_only_a_bad_frame():
    frame = bytearray(with_version(2))
    frame[-3] ^= 1
    _, health = decode([b"\0", bytes(frame)])
    assert health.bad_reasons == {"CRC": 1}


def test_words_of_a_host_are_bad():
    _, health = decode([b"\0", pack_frame(layout.KIND_START, 0, 0, 0, 0, b"")])
    assert health.bad_reasons == {"words of a host": 1}


def test_unknown_kinds_are_passed_over():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(5), board.frame(0x8F, b"future"), *board.samples(5)]
    items, health = decode(frames)
    assert health.n_frames_good == 12
    assert len(of_type(items, Block)) == 1


@pytest.mark.parametrize(
    ("raw", "sentence"),
    [
        (b"", "empty"),
        (b"\x01\x02text\n\0more" * 50, "no valid frame"),
        (b"\0" + b"".join(Board().samples(5)), "no hello"),
        (b"\0" + Board().hello(), "no samples"),
        (b"\0" + pack_frame(layout.KIND_STATUS, 0, 0, 0, 0, b"{}"), "not started"),
    ],
)
def test_nothing_to_decode_is_said_in_words(raw, sentence):
    with pytest.raises(RecordingUnreadableError, match=sentence):
        list(iter_decoded([Chunk(raw, 0.0)]))


def test_iter_decoded_gathers_small_chunks():
    board = Board()
    raw = b"\0" + board.hello() + b"".join(board.samples(1000))
    decoder = Decoder()
    items = list(iter_decoded((Chunk(raw[at : at + 100], 0.0) for at in range(0, len(raw), 100)), decoder))
    assert [type(item) for item in items] == [Hello, Block]
    assert decoder.health().balances
    check_blocks(items, board)


def test_receive_times_belong_to_the_last_byte():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(3)]
    decoder = Decoder()
    items = decoder.push_many([Chunk(raw, 100.0 + k) for k, raw in enumerate(frames)])
    assert of_type(items, Hello)[0].host_s == 101.0
    assert of_type(items, Block)[0].host_s == 104.0
