"""Whatever the bytes and however they are cut: nothing is invented, nothing goes uncounted."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from ampwire import layout
from ampwire.framing import FrameError, pack_frame, unpack_frame
from ampwitness.decode import Decoder
from ampwitness.link.deframe import Deframer
from ampwitness.types import BadFrame, Block, Chunk, Frame, Gap, Hello, Skipped
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_stream import CHANNELS, SCANS, Board, as_comparable, decode


def eventful_stream() -> bytes:
    """Two sessions with every kind of frame, damage, losses, repeats, garbage and an unfinished end."""
    board = Board()
    board.start(5, index=2**35)
    parts = [b"half a fra", b"\0", *board.samples(3), board.hello(), *board.samples(10), board.status()]
    board.lose_frames(2)
    parts += [*board.samples(4), b"\0\0", board.frame(layout.KIND_EDGE, b"\x80\x80")]
    board.lose_on_board(99)
    damaged = bytearray(b"".join(board.samples(6, layout.FLAG_BOARD_LOSS)))
    damaged[300] ^= 0x10
    damaged[600] = 0
    parts += [bytes(damaged), b"noise" * 700, b"\0", parts[-1], board.hello(), board.frame(0x90, b"?")]
    board.start(6)
    parts += [*board.samples(2), board.hello(), board.frame(layout.KIND_MARK, b"\x81"), *board.samples(5), b"\x05tail"]
    return b"".join(parts)


STREAM = eventful_stream()


def decode_cut(raw: bytes, cuts: list[int]):
    decoder = Decoder()
    items = []
    for start, stop in zip([0, *cuts], [*cuts, len(raw)], strict=True):
        items += decoder.push(Chunk(raw[start:stop], 0.0))
        assert decoder.health().balances
    items += decoder.finish()
    health = decoder.health()
    assert health.balances
    assert health.n_bytes == len(raw)
    return items, health


WHOLE = decode_cut(STREAM, [])


def test_the_eventful_stream_is_eventful():
    items, health = WHOLE
    assert {type(item).__name__ for item in items} == {"Hello", "Block", "Gap", "Edge", "Mark", "Status"}
    assert health.n_sessions == 2
    assert health.n_frames_bad == 4  # CRC, the two halves of a frame that was cut by a zero, too long
    assert {gap.cause for gap in items if isinstance(gap, Gap)} >= {"link", "restart"}


@pytest.mark.parametrize("size", [1, 2, 3, 63, 64, 255, 256, 257, 1000])
def test_equal_pieces_decode_the_same(size):
    items, health = decode_cut(STREAM, list(range(size, len(STREAM), size)))
    assert as_comparable(items) == as_comparable(WHOLE[0])
    assert health == WHOLE[1]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, len(STREAM)), max_size=12).map(sorted))
def test_any_pieces_decode_the_same(cuts):
    items, health = decode_cut(STREAM, cuts)
    assert as_comparable(items) == as_comparable(WHOLE[0])
    assert health == WHOLE[1]


frames_of_any_kind = st.builds(
    pack_frame,
    st.sampled_from([*range(0x81, 0x89), 0xC1, 0xC2]),
    st.sampled_from([0, 5, 6]),
    st.integers(0, 40),
    st.sampled_from([0, 38, 76, 10**6]),
    st.integers(0, 127),
    st.one_of(st.binary(max_size=40), st.just(b"\x80" * 6 + b"\x00" * 228), st.just(b'{"code":"a","text":"b"}')),
)
good_frames = st.sampled_from([frame + b"\0" for frame in STREAM.split(b"\0")])
pieces = st.lists(st.one_of(st.binary(max_size=60), frames_of_any_kind, good_frames, st.just(b"\0")), max_size=25)


@settings(max_examples=150, deadline=None)
@given(pieces, st.integers(1, 400))
def test_any_bytes_balance_and_cutting_never_matters(parts, size):
    raw = b"".join(parts)
    items, health = decode_cut(raw, [])
    again, health_again = decode_cut(raw, list(range(size, len(raw), size)))
    assert as_comparable(items) == as_comparable(again)
    assert health == health_again


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=3000), st.integers(1, 400))
def test_deframer_gives_every_byte_back(raw, size):
    deframer = Deframer()
    items = []
    for at in range(0, len(raw), size):
        items += deframer.push(Chunk(raw[at : at + size], 0.0))
    items += deframer.finish()
    lengths = [raw.find(b"\0", x.stream_offset) - x.stream_offset if isinstance(x, Frame) else x.n_bytes for x in items]
    assert sum(lengths) + raw.count(b"\0") == len(raw)
    whole = Deframer()
    assert whole.push(Chunk(raw, 0.0)) + whole.finish() == items


def test_deframer_and_decoder_agree():
    deframer = Deframer()
    items = deframer.push(Chunk(STREAM, 0.0)) + deframer.finish()
    health = WHOLE[1]
    assert sum(isinstance(item, BadFrame) for item in items) == health.n_frames_bad
    skipped = sum(item.n_bytes for item in items if isinstance(item, Skipped))
    assert (
        skipped
        == health.skipped_reasons["before the first delimiter"] + health.skipped_reasons["unfinished at the end"]
    )


def test_every_flipped_bit_of_three_frames_yields_no_wrong_frame():
    """Each of the 8 x 768 single-bit errors, delimiters included, through the bulk decoder and the deframer."""
    board = Board()
    hello = board.hello()
    three = b"".join(board.samples(3))
    true_frames = {three[k : k + 255] for k in (0, 256, 512)}
    n_lost = []
    for bit in range(8 * len(three)):
        flipped = bytearray(three)
        flipped[bit // 8] ^= 1 << bit % 8
        items, health = decode([b"\0", hello, bytes(flipped) + b"\0"])
        for block in items:
            if isinstance(block, Block):
                stop = block.first_sample_index + len(block.counts)
                np.testing.assert_array_equal(block.counts, board.true_counts(block.first_sample_index, stop))
        n_lost.append(3 - health.n_scans_received // SCANS)
        for encoded in bytes(flipped).split(b"\0"):
            try:
                unpack_frame(encoded)
            except FrameError:
                continue
            assert encoded in true_frames
    # One bad byte may cost two frames (a delimiter that was damaged), and always costs one.
    assert set(n_lost) == {1, 2}
    assert n_lost.count(2) == 3 * 8 - 8  # the last delimiter is followed by another one


def test_three_thousand_corruptions_lose_only_the_frames_they_hit():
    board = Board(seed=3)
    n_frames = 16_000
    frames = [board.hello(), *board.samples(n_frames)]
    raw = np.frombuffer(b"\0" + b"".join(frames), dtype=np.uint8).copy()
    rng = np.random.default_rng(11)
    first = 1 + len(frames[0])
    hit_bytes = np.sort(rng.choice(np.arange(first, len(raw)), 3000, replace=False))
    raw[hit_bytes] ^= rng.integers(1, 256, 3000).astype(np.uint8)
    hit_frames, place = (hit_bytes - first) // 256, (hit_bytes - first) % 256
    # A delimiter that is hit takes the frame behind it along.
    lost = set(hit_frames.tolist()) | set((hit_frames[place == 255] + 1).tolist()) - {n_frames}
    items, health = decode([raw.tobytes()])
    received = np.zeros(n_frames, dtype=bool)
    for block in items:
        if isinstance(block, Block):
            start, stop = block.first_sample_index, block.first_sample_index + len(block.counts)
            np.testing.assert_array_equal(block.counts, board.true_counts(start, stop))
            assert not received[start // SCANS : stop // SCANS].any()
            received[start // SCANS : stop // SCANS] = True
    assert set(np.flatnonzero(~received).tolist()) == lost
    assert health.n_scans_received == int(received.sum()) * SCANS
    assert health.n_scans_lost["unknown"] == health.n_scans_lost["overrun"] == 0


def test_a_seq_half_way_round_is_old_however_it_arrives():
    board = Board()
    frames = [b"\0", board.hello(), *board.samples(10)]
    board.seq += 2**27
    raw = b"".join([*frames, *board.samples(10)])
    _, health = decode_cut(raw, [])
    assert health.skipped_reasons == {"old or repeated frame": 10 * 255}
    assert decode_cut(raw, list(range(256, len(raw), 256)))[1] == health


def test_constant_zero_and_constant_full_samples():
    for count in (0, 65535, 0x0100, 0xFF00):
        board = Board()
        payload = b"\x80" * 2 * CHANNELS + count.to_bytes(2, "little") * SCANS * CHANNELS
        frames = [b"\0", board.hello()]
        for _ in range(20):
            frames.append(board.frame(layout.KIND_SAMPLES, payload))
            board.index += SCANS
        items, health = decode(frames)
        (block,) = [item for item in items if isinstance(item, Block)]
        assert (block.counts == count).all()
        assert health.n_scans_received == 20 * SCANS


@pytest.mark.parametrize(("n_channels", "n_scans"), [(1, 116), (2, 57), (3, 38), (4, 28), (8, 13)])
def test_other_numbers_of_channels(n_channels, n_scans):
    assert layout.scans_per_frame(n_channels) == n_scans
    board = Board()
    channel = {"pin": 26, "gain_v_per_code": 0.1, "offset_v": 0.0, "in_scan_offset_ns": 0}
    channels = [{"role": f"r{k}", **channel} for k in range(n_channels)]
    rng = np.random.default_rng(n_channels)
    truth = rng.integers(0, 65536, (20 * n_scans, n_channels)).astype("<u2")
    frames = [b"\0", board.hello(channels=channels, scans_per_frame=n_scans)]
    for k in range(20):
        rows = truth[k * n_scans : (k + 1) * n_scans]
        frames.append(board.frame(layout.KIND_SAMPLES, b"\x83" * 2 * n_channels + rows.tobytes()))
        board.index += n_scans
    items, _ = decode(frames)
    (block,) = [item for item in items if isinstance(item, Block)]
    np.testing.assert_array_equal(block.counts, truth)
    assert (block.at_rail == 3).all()
    assert replace(block.hello, host_s=0.0).roles == tuple(f"r{k}" for k in range(n_channels))
    assert isinstance(items[0], Hello)


@pytest.mark.parametrize("seed", range(40))
def test_random_histories_are_told_to_the_scan(seed):
    """Frames lost on the link and scans lost on the board in any order: every scan is received once or counted lost."""
    rng = np.random.default_rng(seed)
    board = Board(seed=seed)
    frames = [b"\0", board.hello(), *board.samples(3)]
    lost = {"link": 0, "overrun": 0}
    n_frames_lost = 0
    flags = 0
    for _ in range(40):
        match int(rng.integers(5)):
            case 0:
                n_frames_lost += (n := int(rng.integers(1, 4)))
                # What the first of them says about the board is lost with it, so nothing may be due by then.
                frames += board.samples(1, flags)
                flags = 0
                board.lose_frames(n)
                lost["link"] += n * SCANS
            case 1:
                board.lose_on_board(n := int(rng.integers(1, 500)))
                lost["overrun"] += n
                flags = layout.FLAG_BOARD_LOSS
            case 2:
                frames.append(board.status())
            case 3:
                frames.append(frames[-1])
            case 4:
                frames += board.samples(int(rng.integers(1, 9)), flags)
                flags = 0
    frames += board.samples(1, flags)
    items, health = decode_cut(b"".join(frames), sorted(rng.integers(0, sum(map(len, frames)), 5).tolist()))
    gaps = [item for item in items if isinstance(item, Gap)]
    assert health.n_scans_lost == {"restart": 0, "unknown": 0, **lost}
    assert health.n_scans_expected == board.index
    assert health.n_frames_lost == n_frames_lost
    assert sum(gap.stop_index - gap.start_index for gap in gaps) == sum(lost.values())
    spans = [(gap.start_index, gap.stop_index) for gap in gaps]
    for block in items:
        if isinstance(block, Block):
            start, stop = block.first_sample_index, block.first_sample_index + len(block.counts)
            spans.append((start, stop))
            np.testing.assert_array_equal(block.counts, board.true_counts(start, stop))
    spans.sort()
    assert spans[0][0] == 0
    assert spans[-1][1] == board.index
    assert all(before[1] == after[0] for before, after in pairwise(spans))
