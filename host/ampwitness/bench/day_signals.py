"""A recording of hours of music in seconds: wire bytes made in bulk, clipped in 2 % of their half-cycles, never twice
the same.

What is drawn once: a shelf of bass lines and full-range stretches of 20 s. A stretch of the recording adds one of each,
turned by a random number of samples and at random levels, so that no stretch comes back. The amplifier follows its
supply's sag and clips at its rail; now and then the supply dips, and the output stops for half a second. Each terminal
passes through the input's own response and the converter's mean transfer, so that the reconstruction has to undo what
it has to undo on a real board.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from ampwire import layout
from ampwire.framing import pack_frame
from scipy.signal import lfilter

from ampwitness.bench.music import bass_line, full_range, play
from ampwitness.recording import RecordingWriter
from ampwitness.types import Chunk
from ampwitness.waveform.adc_correction import CENTRE_CODE, NOMINAL_ADC, make_correction
from ampwitness.waveform.response import HALF_TAPS, PASS_FRACTION, ChannelResponse

RATE_HZ = 8000
SCANS = layout.scans_per_frame(3)
STRETCH_FRAMES = 4096  # 19.5 s
STRETCH = STRETCH_FRAMES * SCANS
FRAMES_PER_HELLO = RATE_HZ // SCANS  # a hello and a status about every second
FRAME_WIRE_BYTES = layout.MAX_SHORT_BYTES + 2
CLIPPED_SHARE = 0.02

_TAG = 5
_AVERAGING = 8
_ROLES = ("out_p", "out_n", "supply")
_GAINS_V = (3.3 * 38.84 / 4096, 3.3 * 38.84 / 4096, 3.3 * 7.723 / 4096)  # as the hello of a stock board says
_OFFSETS_V = (-63.87, -63.87, 0.0)
_OFFSETS_NS = (0, 5208, 10417)
_N_SHELF = 24
_REST_V = 7.0  # common level of a bridged output
_RAIL_RATIO, _RAIL_LOSS_V = 3.0, 1.0
_EMF_V, _SOURCE_OHM, _LOAD_OHM, _EFFICIENCY = 13.2, 0.018, 4.0, 0.85
_SAG_S = 0.030  # time constant of the supply
_DIP_EVERY_S, _DIP_S, _DIP_V = 1200.0, 0.15, 2.5
_CUT_EVERY_S, _CUT_S = 3600.0, 0.5

Samples = npt.NDArray[np.float64]


class DayOfMusic:
    """Counts of a board that listens to music, stretch by stretch; `share_clipped` says how it came out."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._bass, self._full = self._make_shelf()
        self._noise = self._rng.normal(0.0, NOMINAL_ADC.noise_lsb / np.sqrt(_AVERAGING), (3, 1 << 20))
        still = make_correction(NOMINAL_ADC, _AVERAGING, float(_AVERAGING)).still + CENTRE_CODE
        self._transfer = np.interp(np.arange(4096 * 16) / 16, still[: 4096 * _AVERAGING], np.arange(4096 * _AVERAGING))
        self._taps = [_response_taps(delay_ns) for delay_ns in _OFFSETS_NS]
        self._before = [np.full(2 * HALF_TAPS, level) for level in (_REST_V, _REST_V, _EMF_V)]
        self._sag_state = np.zeros(1)
        self._at = 0
        self._n_lobes = self._n_clipped = 0
        self._level_v = self._find_level_v()

    @property
    def share_clipped(self) -> float:
        """Share of the half-cycles so far that met the rail."""
        return self._n_clipped / max(1, self._n_lobes)

    def next_counts(self) -> npt.NDArray[np.uint16]:
        """The next STRETCH scans, (STRETCH, 3)."""
        drive_v = self._draw_drive() * self._level_v
        output_v, supply_v = self._amplify(drive_v, count=True)
        terminals = (_REST_V + output_v / 2, _REST_V - output_v / 2, supply_v)
        counts = np.empty((STRETCH, 3), dtype=np.uint16)
        for channel, volts in enumerate(terminals):
            joined = np.concatenate((self._before[channel], volts))
            self._before[channel] = joined[-2 * HALF_TAPS :]
            seen = _filter(joined, self._taps[channel])
            code = (seen - _OFFSETS_V[channel]) / _GAINS_V[channel]
            code += self._draw_noise(channel)
            at = np.clip(code * 16 + 0.5, 0, len(self._transfer) - 1).astype(np.intp)
            counts[:, channel] = self._transfer[at] + 0.5
        self._at += STRETCH
        # Stretches differ: hold the share where it shall be over the whole.
        self._level_v *= 1 + float(np.clip(CLIPPED_SHARE - self.share_clipped, -0.01, 0.01))
        return counts

    def next_volts(self) -> tuple[Samples, Samples]:
        """Output and supply of a stretch of this music in which nothing stops and no supply dips; (STRETCH,) each."""
        return self._amplify(self._draw_drive() * self._level_v, count=False)

    def _make_shelf(self) -> tuple[list[Samples], list[Samples]]:
        seconds = 20.0
        bass, full = [], []
        for _ in range(_N_SHELF):
            wanted = bass_line(
                self._rng, 0.1, seconds - 0.3, peaks=(0.4, 1.0), beat_s=float(self._rng.uniform(0.35, 0.7))
            )
            bass.append(play(wanted, seconds, RATE_HZ, self._rng)[0])
            sound = full_range(seconds, RATE_HZ, self._rng, peak=0.5)
            full.append(lfilter([0.3], [1, -0.7], sound))  # little left near half the rate, as in programme material
        return bass, full

    def _draw_drive(self) -> Samples:
        rng = self._rng
        drive = np.zeros(STRETCH)
        for shelf, level in ((self._bass, rng.uniform(0.75, 1.15)), (self._full, rng.uniform(0.7, 1.3))):
            turn = int(rng.integers(len(shelf[0])))
            drive += level * np.roll(shelf[int(rng.integers(len(shelf)))], turn)[:STRETCH]
        return drive

    def _draw_noise(self, channel: int) -> Samples:
        noise = self._noise[channel]
        at = int(self._rng.integers(len(noise) - STRETCH))
        return np.asarray(noise[at : at + STRETCH])

    def _amplify(self, drive_v: Samples, *, count: bool) -> tuple[Samples, Samples]:
        """Output and supply; the rail follows the sag that the wanted power makes."""
        decay = float(np.exp(-1 / (_SAG_S * RATE_HZ)))
        current_a = drive_v**2 / (_LOAD_OHM * _EMF_V * _EFFICIENCY)
        sag_v, state = lfilter([_SOURCE_OHM * (1 - decay)], [1, -decay], current_a, zi=self._sag_state)
        supply_v = _EMF_V - np.minimum(sag_v, 2.0)
        if count:
            self._sag_state = state
            time_s = (self._at + np.arange(STRETCH)) / RATE_HZ
            supply_v -= _DIP_V * (time_s % _DIP_EVERY_S > _DIP_EVERY_S - _DIP_S)
        rail_v = _RAIL_RATIO * supply_v - _RAIL_LOSS_V
        output_v = np.clip(drive_v, -rail_v, rail_v)
        if count:
            output_v[time_s % _CUT_EVERY_S > _CUT_EVERY_S - _CUT_S] = 0.0
        lobes = np.flatnonzero(np.diff(np.signbit(drive_v)))
        clipped = np.add.reduceat(np.abs(drive_v) >= rail_v, lobes) > 0
        if count:
            self._n_lobes += len(lobes)
            self._n_clipped += int(clipped.sum())
        else:
            self._trial = (len(lobes), int(clipped.sum()))
        return output_v, supply_v

    def _find_level_v(self) -> float:
        """The level at which CLIPPED_SHARE of the half-cycles meet the rail, by halving."""
        drives = [self._draw_drive() for _ in range(20)]
        low, high = 5.0, 200.0
        for _ in range(12):
            middle = (low + high) / 2
            totals = np.zeros(2)
            for drive in drives:
                self._amplify(drive * middle, count=False)
                totals += self._trial
            low, high = (middle, high) if totals[1] < CLIPPED_SHARE * totals[0] else (low, middle)
        return (low + high) / 2


def _response_taps(delay_ns: int) -> Samples:
    """The input's response as a FIR: the mirror image of what the reconstruction fits."""
    averaged_s = (_AVERAGING - 1) / (2.0 * _AVERAGING * RATE_HZ)
    response = ChannelResponse(5100.0, float(RATE_HZ), _AVERAGING, delay_ns * 1e-9 + averaged_s)
    turn = np.linspace(0.0, np.pi, 1500)
    fraction = turn / np.pi
    beyond = np.clip((fraction - PASS_FRACTION) / (1.0 - PASS_FRACTION), 0.0, 1.0)
    wanted = response.gain_at(turn / np.pi * RATE_HZ / 2) * np.cos(np.pi / 2 * beyond) ** 2
    basis = np.exp(-1j * np.outer(turn, np.arange(-HALF_TAPS, HALF_TAPS + 1)))
    right = np.concatenate([wanted.real, wanted.imag])
    taps = np.linalg.lstsq(np.vstack([basis.real, basis.imag]), right, rcond=None)[0]
    return np.asarray(taps / taps.sum())


def _filter(joined: Samples, taps: Samples) -> Samples:
    """FIR by a banded product, as long as `joined` less what the taps reach."""
    row = 2 * HALF_TAPS
    matrix = np.zeros((2 * row, row))
    for column in range(row):
        matrix[column : column + len(taps), column] = taps[::-1]
    n = len(joined) - row
    padded = np.zeros((-(-n // row) + 1, row))
    padded.reshape(-1)[: len(joined)] = joined
    return (padded[:-1] @ matrix[:row] + padded[1:] @ matrix[row:]).reshape(-1)[:n]


# ---- counts to wire bytes -------------------------------------------------------------------------------------------


def hello_fields() -> dict[str, Any]:
    """What the board of this recording says of itself."""
    return {
        "protocol": layout.PROTOCOL_VERSION,
        "firmware": "bench",
        "board_id": "bench-day",
        "session_id": "00050001",
        "session_tag": _TAG,
        "reset_cause": "power on",
        "mode": "bass",
        "rate_hz": [RATE_HZ, 1],
        "averaging": _AVERAGING,
        "counts_per_code": float(_AVERAGING),
        "scans_per_frame": SCANS,
        "channels": [
            {
                "role": role,
                "pin": 26 + k,
                "gain_v_per_code": _GAINS_V[k],
                "offset_v": _OFFSETS_V[k],
                "in_scan_offset_ns": _OFFSETS_NS[k],
            }
            for k, role in enumerate(_ROLES)
        ],
        "digital": [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 1}],
        "input_corner_hz": 5100,
        "time_scale": 1.0,
        "streaming": True,
        "remarks": [],
    }


_STATUS = {
    "uptime_s": 1,
    "uptime_ms": 0,
    "overrun_scans": 0,
    "fifo_overflows": 0,
    "queue_dropped_frames": 0,
    "queue_dropped_scans": 0,
    "bad_commands": 0,
    "die_c": None,
    "free_bytes": 100_000,
    "busy_share": 0.2,
    "worst_loop_us": 900,
}


class WireMaker:
    """Counts in, frames out, all frames of a stretch at once; a hello and a status about every second."""

    def __init__(self) -> None:
        self._frame = 0
        self._hello = json.dumps(hello_fields()).encode()
        self._status = json.dumps(_STATUS).encode()

    def next_bytes(self, counts: npt.NDArray[np.uint16]) -> list[bytes]:
        """Wire bytes of the next whole frames, cut where a hello comes: about a second each."""
        n_frames = len(counts) // SCANS
        number = self._frame + np.arange(n_frames, dtype=np.int64)
        seqs = number + 2 * (number // FRAMES_PER_HELLO + 1)
        frames = _sample_frames(counts, seqs, number * SCANS)
        pieces, at = [], 0
        while at < n_frames:
            stop = min(n_frames, at + FRAMES_PER_HELLO - (self._frame + at) % FRAMES_PER_HELLO)
            piece = frames[at:stop].tobytes()
            if (self._frame + at) % FRAMES_PER_HELLO == 0:
                piece = self._messages(int(seqs[at]), int(number[at]) * SCANS) + piece
            pieces.append(piece)
            at = stop
        self._frame += n_frames
        return pieces

    def _messages(self, next_seq: int, index: int) -> bytes:
        return pack_frame(layout.KIND_HELLO, _TAG, next_seq - 2, index, 0, self._hello) + pack_frame(
            layout.KIND_STATUS, _TAG, next_seq - 1, index, 0, self._status
        )


def _sample_frames(
    counts: npt.NDArray[np.uint16], seqs: npt.NDArray[np.int64], indices: npt.NDArray[np.int64]
) -> npt.NDArray[np.uint8]:
    """SAMPLES frames, (n, FRAME_WIRE_BYTES), stuffed and with their delimiters."""
    n = len(seqs)
    wire = np.zeros((n, FRAME_WIRE_BYTES), dtype=np.uint8)
    body = wire[:, 1:-1]
    body[:, layout.KIND_AT] = layout.KIND_SAMPLES
    body[:, layout.VERSION_AT] = layout.PROTOCOL_VERSION | 0x80
    tags = np.full(n, _TAG, dtype=np.int64)
    places = (
        (tags, layout.TAG_AT, layout.TAG_BYTES),
        (seqs, layout.SEQ_AT, layout.SEQ_BYTES),
        (indices, layout.INDEX_AT, layout.INDEX_BYTES),
    )
    for value, at, width in places:
        for k in range(width):
            body[:, at + k] = (value >> (7 * k)) & 0x7F | 0x80
    body[:, layout.FLAGS_AT] = layout.FLAG_ALWAYS
    at_rail = layout.HEADER_BYTES + 2 * len(_ROLES)
    body[:, layout.HEADER_BYTES : at_rail] = 0x80
    body[:, at_rail : -layout.CRC_BYTES] = counts.astype("<u2").reshape(n, -1).view(np.uint8)
    plain = np.ascontiguousarray(body[:, : -layout.CRC_BYTES])
    flat, length = plain.reshape(-1).data, plain.shape[1]
    crcs = [zlib.crc32(flat[at : at + length]) for at in range(0, n * length, length)]
    body[:, -layout.CRC_BYTES :] = np.array(crcs, dtype="<u4").view(np.uint8).reshape(n, -1)
    # COBS for all at once: every zero, and the first byte, says how far the next zero is; the delimiter stays zero.
    flat_wire = wire.reshape(-1)
    zeros = np.flatnonzero(flat_wire == 0)
    steps = np.diff(zeros, append=len(flat_wire))
    is_code = zeros % FRAME_WIRE_BYTES != FRAME_WIRE_BYTES - 1
    flat_wire[zeros[is_code]] = steps[is_code]
    return wire


def iter_day(hours: float, seed: int) -> Iterator[tuple[list[bytes], float]]:
    """Wire bytes of hours of music in pieces of about a second, a stretch at a time, and the share clipped so far."""
    music, maker = DayOfMusic(seed), WireMaker()
    for _ in range(max(1, round(hours * 3600 * RATE_HZ / STRETCH))):
        yield maker.next_bytes(music.next_counts()), music.share_clipped


def write_day(path: Path, hours: float, seed: int) -> float:
    """Write the recording as `ampwitness record` would; returns the share of half-cycles that are clipped."""
    clipped, host_s = 0.0, 1_700_000_000.0
    with RecordingWriter(path, {"amplifier": "bench, a day of music"}, fsync_every_s=1e9) as writer:
        for pieces, clipped in iter_day(hours, seed):  # noqa: B007 (the last one counts)
            for piece in pieces:
                host_s += len(piece) / FRAME_WIRE_BYTES * SCANS / RATE_HZ
                writer.append(Chunk(piece, host_s))
    return clipped
