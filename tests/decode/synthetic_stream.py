"""A board in a few lines, that says what it was told to say and remembers the truth."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from ampwire import layout, messages
from ampwire.framing import pack_frame
from ampwitness.decode import Decoder
from ampwitness.types import Block, Chunk, Decoded, LinkHealth

SCANS = 38
CHANNELS = 3
RATE_HZ = 8000


def hello_fields(**changes: Any) -> dict[str, Any]:
    """A complete hello of three channels at 8 kS/s."""
    roles = ("out_p", "out_n", "supply")
    fields = {
        "protocol": 1,
        "firmware": "test 1",
        "board_id": "b0",
        "reset_cause": "power on",
        "mode": "bass",
        "rate_hz": [8000, 1],
        "averaging": 8,
        "counts_per_code": 8.0,
        "scans_per_frame": SCANS,
        "channels": [
            {"role": role, "pin": 26 + k, "gain_v_per_code": 0.03, "offset_v": -60.0, "in_scan_offset_ns": 5208 * k}
            for k, role in enumerate(roles)
        ],
        "digital": [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 1}],
        "input_corner_hz": 5100,
        "time_scale": 1.0,
        "streaming": True,
        "remarks": [],
    }
    return {**fields, **changes}


STATUS = {
    "uptime_s": 12,
    "uptime_ms": 5,
    "overrun_scans": 0,
    "fifo_overflows": 0,
    "queue_dropped_frames": 0,
    "queue_dropped_scans": 0,
    "bad_commands": 0,
    "die_c": None,
    "free_bytes": 100000,
    "busy_share": 0.2,
    "worst_loop_us": 900,
}


class Board:
    """Makes frames of one session after the other. `counts` of a scan depend on session and index alone."""

    def __init__(self, tag: int = 5, seed: int = 0) -> None:
        self.seed = seed
        self.start(tag)

    def start(self, tag: int, seq: int = 0, index: int = 0) -> None:
        """Begin a session."""
        self.tag, self.seq, self.index = tag, seq, index
        self.session_id = f"{tag:04x}{self.seed:04x}"

    def frame(self, kind: int, payload: bytes, flags: int = 0, index: int | None = None) -> bytes:
        """Any frame, taking a number."""
        at = self.index if index is None else index
        made = pack_frame(kind, self.tag, self.seq % 2**28, at, flags, payload)
        self.seq += 1
        return made

    def hello(self, **changes: Any) -> bytes:
        """The hello of the running session."""
        fields = hello_fields(**{"session_id": self.session_id, "session_tag": self.tag, **changes})
        return self.frame(layout.KIND_HELLO, json.dumps(fields).encode())

    def status(self, **changes: Any) -> bytes:
        """A status."""
        return self.frame(layout.KIND_STATUS, json.dumps({**STATUS, **changes}).encode())

    def true_counts(self, start: int, stop: int) -> np.ndarray[Any, Any]:
        """(n, 3) counts of these scans, zero bytes and zero words among them."""
        index = np.arange(start, stop, dtype=np.uint64)[:, None] * 3 + np.arange(CHANNELS, dtype=np.uint64)
        mixed = (index * 2654435761 + self.seed + 977 * self.tag) >> 7
        counts = (mixed % 32761).astype(np.uint16)
        counts[mixed % 11 == 0] = 0
        return counts

    def samples(self, n_frames: int = 1, flags: int = 0) -> list[bytes]:
        """The next frames of samples; `flags` on the first."""
        made = []
        for k in range(n_frames):
            counts = self.true_counts(self.index, self.index + SCANS)
            payload = messages.pack_samples([(self.index % 128, 1), (0, 0), (0, 200)], counts.ravel().tolist())
            made.append(self.frame(layout.KIND_SAMPLES, payload, flags if k == 0 else 0))
            self.index += SCANS
        return made

    def lose_on_board(self, n_scans: int) -> None:
        """Scans that are never framed."""
        self.index += n_scans

    def lose_frames(self, n_frames: int) -> None:
        """Frames of samples that are made and do not arrive."""
        self.samples(n_frames)


def decode(frames: list[bytes], host_s: list[float] | None = None) -> tuple[list[Decoded], LinkHealth]:
    """Decode frames, each in a chunk of its own when `host_s` says when it came, else all in one."""
    decoder = Decoder()
    if host_s is None:
        items = decoder.push(Chunk(b"".join(frames), 0.0))
    else:
        items = [x for raw, at in zip(frames, host_s, strict=True) for x in decoder.push(Chunk(raw, at))]
    items += decoder.finish()
    health = decoder.health()
    assert health.balances, health
    assert health.n_bytes == sum(len(raw) for raw in frames)
    return items, health


def merge(items: list[Decoded]) -> list[Decoded]:
    """Join blocks that follow on one another, and put messages before the block they lie in: one canonical order."""
    blocks: list[Block] = []
    for item in items:
        if not isinstance(item, Block):
            continue
        last = blocks[-1] if blocks else None
        if (
            last is not None
            and last.session_id == item.session_id
            and last.first_sample_index + len(last.counts) == item.first_sample_index
        ):
            item = Block(
                last.session_id,
                last.seq,
                last.n_frames + item.n_frames,
                last.first_sample_index,
                last.start_s,
                last.rate_hz,
                np.concatenate([last.counts, item.counts]),
                np.concatenate([last.at_rail, item.at_rail]),
                last.scans_per_frame,
                last.hello,
                item.host_s,
            )
            blocks.pop()
        blocks.append(item)
    return [item for item in items if not isinstance(item, Block)] + blocks


def as_comparable(items: list[Decoded]) -> list[Any]:
    """`merge`, in a form that == can compare."""
    out: list[Any] = []
    for item in merge(items):
        if isinstance(item, Block):
            where = (item.session_id, item.seq, item.n_frames, item.first_sample_index, item.start_s, item.host_s)
            out.append(("block", where, item.counts.tobytes(), item.at_rail.tobytes(), item.hello))
        else:
            out.append(item)
    return out
