"""Run the firmware on the emulated board and judge what it sends: the stimulus, the host's side, the exact comparison.

The emulator is no part of this project: `AMPWITNESS_EMULATOR` names a folder with its `board.py`, `PICO_UF2` the
MicroPython image. All times are the board's, in seconds since power-on.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
from ampwire import layout
from ampwire.framing import FrameError, WireFrame, pack_frame, unpack_frame
from ampwitness.firmware_files import find_firmware_dir, find_wire_dir

BOOT_S = 4.5  # by then the firmware has compiled itself and listens
HEARTBEAT_S = 0.5
ADC_CODES = 4096


class Numbered:
    """ADC stimulus in which every conversion of every channel can be told from every other.

    Conversion n of channel c reads codes[c][n % PERIOD]: random codes, both rails among them. The period is prime, so
    that no loss of a round number of scans can look like none.
    """

    PERIOD = 65521
    vector = True

    def __init__(self, seed: int = 1) -> None:
        draw = np.random.default_rng(seed).integers(-40, ADC_CODES + 40, size=(5, self.PERIOD))
        self.codes = np.clip(draw, 0, ADC_CODES - 1)
        self._lists = [row.tolist() for row in self.codes]
        self._next = [0] * 5

    def __call__(self, channels: list[int], times: list[float]) -> list[int]:
        """Codes of the next conversions, one for each entry of `channels`."""
        lists, following, period = self._lists, self._next, self.PERIOD
        out = []
        for c in channels:
            n = following[c]
            out.append(lists[c][n])
            n += 1
            following[c] = n if n < period else 0
        return out

    def sums(self, channel: int, averaging: int) -> np.ndarray:
        """Sum of `averaging` conversions that begin at each place of the period."""
        row = self.codes[channel]
        cumulated = np.concatenate(([0], np.cumsum(np.concatenate((row, row[:averaging])))))
        return cumulated[averaging : averaging + self.PERIOD] - cumulated[: self.PERIOD]

    def rails(self, channel: int, n_conversions: int, code: int) -> np.ndarray:
        """How many of `n_conversions` that begin at each place of the period read `code`."""
        row = (self.codes[channel] == code).astype(np.int64)
        cumulated = np.concatenate(([0], np.cumsum(np.concatenate((row, row[:n_conversions])))))
        return cumulated[n_conversions : n_conversions + self.PERIOD] - cumulated[: self.PERIOD]


def copy_firmware(target: Path, changes: dict[str, str] | None = None) -> Path:
    """Put the board's files into `target` as the installer puts them onto a board.

    changes: texts to replace in board_config.py or other files, as {"file: old text": "new text"}; each must be there.
    """
    source = find_firmware_dir()
    for path in sorted(source.rglob("*.py")):
        if path.name == "board_check.py":
            continue
        to = target / path.relative_to(source)
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, to)
    shutil.copytree(find_wire_dir(), target / "ampwire", ignore=shutil.ignore_patterns("__pycache__", "*.typed"))
    for where, new in (changes or {}).items():
        name, _, old = where.partition(": ")
        text = (target / name).read_text(encoding="utf-8")
        assert old in text, f"{name} no longer holds {old!r}"
        (target / name).write_text(text.replace(old, new), encoding="utf-8")
    return target


def command(kind: int, payload: bytes = b"") -> bytes:
    """A command as the host sends it, with a delimiter before it."""
    return b"\x00" + pack_frame(kind, 0, 0, 0, 0, payload)


def heartbeats(start_s: float, stop_s: float) -> list[tuple[float, bytes]]:
    """Heartbeats for `host_tx` from `start_s` to `stop_s`."""
    beat = command(layout.KIND_HEARTBEAT)
    return [(start_s + k * HEARTBEAT_S, beat) for k in range(int((stop_s - start_s) / HEARTBEAT_S) + 1)]


def session(mode: str, start_s: float, stop_s: float) -> list[tuple[float, bytes]]:
    """What a host sends to stream in `mode` from `start_s` on, with heartbeats until `stop_s`."""
    return [
        *heartbeats(start_s - 0.4, stop_s),
        (start_s - 0.2, command(layout.KIND_MODE, mode.encode())),
        (start_s, command(layout.KIND_START)),
    ]


@dataclass
class Heard:
    """What the host received, taken apart.

    frames: (emulated time of the frame's last packet, frame); bad: reasons of what was no frame
    """

    frames: list[tuple[float, WireFrame]] = field(default_factory=list)
    bad: list[str] = field(default_factory=list)

    def of_kind(self, kind: int) -> list[tuple[float, WireFrame]]:
        """Frames of one kind."""
        return [(t, f) for t, f in self.frames if f.kind == kind]

    def messages(self, kind: int) -> list[tuple[float, dict]]:
        """JSON messages of one kind."""
        return [(t, json.loads(f.payload)) for t, f in self.of_kind(kind)]

    def samples(self, tag: int | None = None) -> list[tuple[float, WireFrame]]:
        """SAMPLES frames, of one session if `tag` says which."""
        return [(t, f) for t, f in self.of_kind(layout.KIND_SAMPLES) if tag is None or f.tag == tag]

    def tags(self) -> list[int]:
        """Session tags of the SAMPLES frames, in the order in which they came."""
        return list(dict.fromkeys(f.tag for _, f in self.samples()))

    def last_status(self) -> dict:
        """The last status message."""
        return self.messages(layout.KIND_STATUS)[-1][1]


def hear(chunks: list[tuple[float, bytes]]) -> Heard:
    """Take apart what the emulated host received, packet after packet."""
    heard = Heard()
    rest = bytearray()
    for time_s, packet in chunks:
        rest += packet
        *whole, rest = rest.split(b"\x00")
        for encoded in whole:
            if encoded:
                try:
                    heard.frames.append((time_s, unpack_frame(encoded)))
                except FrameError as error:
                    heard.bad.append(f"{error.reason} at {time_s:.4f} s: {bytes(encoded[:40])!r}")
    return heard


@dataclass
class Exactness:
    """Result of the exact comparison of one session."""

    n_frames: int
    n_scans: int  # received
    n_wrong_counts: int
    n_wrong_rails: int
    n_missing_scans: int  # by the sample index, within the session
    first_conversions: list[int]  # place in the stimulus of each channel's first conversion


def compare(samples: list[tuple[float, WireFrame]], hello: dict, stimulus: Numbered) -> Exactness:
    """Compare every count and at-rail count of a session with the stimulus, each frame at its own sample index."""
    inputs = [c["pin"] - 26 for c in hello["channels"]]
    averaging, n_scans = hello["averaging"], hello["scans_per_frame"]
    shift = 0
    while averaging / 2**shift != hello["counts_per_code"]:
        shift += 1
        assert shift < 16
    n_channels = len(inputs)
    head = 2 * n_channels
    index = np.array([f.index for _, f in samples], dtype=np.int64)
    raw = np.frombuffer(b"".join(f.payload for _, f in samples), np.uint8).reshape(len(samples), -1)
    counts = np.ascontiguousarray(raw[:, head:]).view("<u2").reshape(len(samples), n_scans, n_channels)
    rails = raw[:, :head] & 0x7F
    n_wrong_counts = n_wrong_rails = 0
    starts = []
    for c, channel in enumerate(inputs):
        sums = stimulus.sums(channel, averaging) >> shift
        at = index[0] * averaging
        places = np.arange(stimulus.PERIOD)
        for k in range(n_scans):
            places = places[sums[(places + (at + k * averaging)) % stimulus.PERIOD] == counts[0, k, c]]
        assert len(places) == 1, f"channel {c}: the first frame fits {len(places)} places of the stimulus"
        starts.append(int(places[0]))
        first = (starts[-1] + index * averaging) % stimulus.PERIOD
        wanted = sums[(first[:, None] + averaging * np.arange(n_scans)) % stimulus.PERIOD]
        n_wrong_counts += int(np.count_nonzero(wanted != counts[:, :, c]))
        for which, code in enumerate((0, ADC_CODES - 1)):
            wanted_rails = np.minimum(stimulus.rails(channel, averaging * n_scans, code)[first], 127)
            n_wrong_rails += int(np.count_nonzero(wanted_rails != rails[:, 2 * c + which]))
    span = int(index[-1] - index[0]) + n_scans
    n_heard = len(samples) * n_scans
    return Exactness(len(samples), n_heard, n_wrong_counts, n_wrong_rails, span - n_heard, starts)


def streaming_hello(heard: Heard, tag: int) -> dict:
    """The hello of the session with this tag."""
    return next(m for _, m in heard.messages(layout.KIND_HELLO) if m["session_tag"] == tag and m["streaming"])


def assert_exact(heard: Heard, stimulus: Numbered, tag: int | None = None) -> Exactness:
    """Every count and at-rail count of the (only) session is right; print what was compared."""
    tags = heard.tags()
    assert not heard.bad, heard.bad[:3]
    if tag is None:
        assert len(tags) == 1, f"{len(tags)} sessions"
        tag = tags[0]
    exactness = compare(heard.samples(tag), streaming_hello(heard, tag), stimulus)
    print(exactness)
    assert exactness.n_wrong_counts == 0
    assert exactness.n_wrong_rails == 0
    return exactness


def seq_holes(heard: Heard, tag: int) -> int:
    """Frames of a session that the board made and the host did not get."""
    seqs = [f.seq for _, f in heard.frames if f.tag == tag]
    return sum((b - a - 1) % (1 << 28) for a, b in pairwise(seqs))
