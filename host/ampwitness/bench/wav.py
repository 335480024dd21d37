"""WAV files whose samples are volts at the terminals: read in pieces whatever their length, and written."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.stimulus import Volts, hold_edges
from ampwitness.errors import OutputError, RecordingUnreadableError, UsageError

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_FORMATS = {(_FLOAT, 32): "<f4", (_FLOAT, 64): "<f8", (_PCM, 16): "<i2", (_PCM, 24): "u1", (_PCM, 32): "<i4"}
_SCAN_ROWS = 1 << 18


@dataclass(frozen=True, slots=True)
class _WavFormat:
    is_float: bool
    bits: int
    n_channels: int
    rate_hz: int
    data_at: int
    n_rows: int
    is_cut_off: bool


class WavStimulus:
    """A WAV file as a stimulus, memory-mapped. Made by `read_stimulus`.

    `warnings` are sentences for the person at the keyboard; `largest_v` is the largest |volts| of each role.
    """

    def __init__(self, path: Path, roles: tuple[str, ...], layout: _WavFormat) -> None:
        self.path = path
        self.roles = roles
        self.rate_hz = float(layout.rate_hz)
        self._layout = layout
        dtype = np.dtype(_FORMATS[(_FLOAT if layout.is_float else _PCM, layout.bits)])
        columns = layout.n_channels * (3 if layout.bits == 24 and not layout.is_float else 1)
        self._rows = np.memmap(path, dtype=dtype, mode="r", offset=layout.data_at, shape=(layout.n_rows, columns))
        self.warnings = self._describe_oddities()
        self.largest_v = self._scan()

    @property
    def n_samples(self) -> int:
        return self._layout.n_rows

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz

    def volts(self, start_sample: int, n: int) -> Volts:
        """Volts (n, n_roles) from `start_sample`; before the start and after the end the edge value is held."""
        first = min(max(0, start_sample), self.n_samples - 1)
        last = max(first + 1, min(start_sample + n, self.n_samples))
        piece = self._to_volts(np.asarray(self._rows[first:last]))
        return hold_edges(piece, start_sample - first, n)

    def _to_volts(self, rows: npt.NDArray[Any]) -> Volts:
        if self._layout.is_float:
            return rows.astype(np.float64)
        if self._layout.bits == 24:
            parts = rows.reshape(len(rows), -1, 3).astype(np.int32)
            codes = (parts[..., 0] << 8) | (parts[..., 1] << 16) | (parts[..., 2] << 24)
            return codes / 2.0**31
        return rows / 2.0 ** (self._layout.bits - 1)

    def _describe_oddities(self) -> tuple[str, ...]:
        said = []
        if not self._layout.is_float:
            said.append(
                f"{self.path} holds {self._layout.bits}-bit integers, so full scale is read as 1 V at the terminals; "
                "write the volts as a float WAV to go beyond that"
            )
        if self._layout.is_cut_off:
            said.append(f"{self.path} ends before its header says it should; it is read up to its end")
        return tuple(said)

    def _scan(self) -> dict[str, float]:
        largest = np.zeros(len(self.roles))
        for first in range(0, self.n_samples, _SCAN_ROWS):
            piece = self.volts(first, min(_SCAN_ROWS, self.n_samples - first))
            at_most = np.abs(piece).max(axis=0)
            if not np.isfinite(at_most).all():
                row, column = np.argwhere(~np.isfinite(piece))[0]
                raise RecordingUnreadableError(
                    f"{self.path}: sample {first + row} ({(first + row) / self.rate_hz:.6f} s) of channel "
                    f"{column + 1} ({self.roles[column]}) is {piece[row, column]}, not a voltage; mend the file"
                )
            largest = np.maximum(largest, at_most)
        return dict(zip(self.roles, largest.tolist(), strict=True))


def read_stimulus(path: str | Path, roles: tuple[str, ...]) -> WavStimulus:
    """Open a WAV file whose samples are volts at the terminals.

    Parameters
    ----------
    path : float WAV (32 or 64 bits), or integer WAV (16, 24, 32 bits; full scale is then 1 V), any sample rate
    roles : what each channel of the file is, e.g. ("out_p", "out_n", "supply")

    Returns
    -------
    WavStimulus, memory-mapped; every sample has been looked at once.

    Raises
    ------
    UsageError : unknown or repeated role, or not as many roles as channels
    RecordingUnreadableError : missing, empty, not a WAV, an unknown sample format, or samples that are no voltages
    """
    path = Path(path)
    check_roles(roles)
    try:
        with path.open("rb") as file:
            layout = _read_format(file, path)
    except OSError as error:
        raise RecordingUnreadableError(f"{path} cannot be read: {error.strerror}") from error
    if layout.n_channels != len(roles):
        raise UsageError(
            f"{path} has {layout.n_channels} channel{'s' if layout.n_channels != 1 else ''}, but {len(roles)} "
            f"role{'s were' if len(roles) != 1 else ' was'} given ({', '.join(roles)}); name one role for each channel"
        )
    return WavStimulus(path, tuple(roles), layout)


def check_roles(roles: tuple[str, ...]) -> None:
    """Raise UsageError unless every role is one the board knows, and stands once."""
    known = tuple(load_board_config().INPUT_OF_ROLE)
    for role in roles:
        if role not in known:
            raise UsageError(f"unknown role {role!r}; the roles are {', '.join(known)}")
        if roles.count(role) > 1:
            raise UsageError(f"role {role!r} is given {roles.count(role)} times; each may stand once")
    if not roles:
        raise UsageError(f"no roles given; the roles are {', '.join(known)}")


def write_volts_wav(path: str | Path, volts: npt.NDArray[np.floating[Any]], rate_hz: int) -> None:
    """Write volts (n, n_roles) as a 32-bit float WAV that `read_stimulus` reads back exactly. Raises OutputError."""
    if volts.ndim != 2:
        raise ValueError(f"volts must be (n, n_roles), got shape {volts.shape}")
    if rate_hz != int(rate_hz):
        raise ValueError(f"a WAV header holds whole samples a second, got {rate_hz}")
    n_bytes = volts.shape[0] * volts.shape[1] * 4
    if n_bytes + 50 > 0xFFFFFFFF:
        raise OutputError(f"{path}: {n_bytes} bytes of samples do not fit a WAV file (4 GB at most); write it in parts")
    width = 4 * volts.shape[1]
    header = struct.pack("<HHIIHHH", _FLOAT, volts.shape[1], int(rate_hz), int(rate_hz) * width, width, 32, 0)
    fact = struct.pack("<I", volts.shape[0])
    body = b"WAVE" + b"fmt " + struct.pack("<I", len(header)) + header + b"fact" + struct.pack("<I", 4) + fact
    try:
        with Path(path).open("wb") as file:
            file.write(b"RIFF" + struct.pack("<I", len(body) + 8 + n_bytes) + body + b"data")
            file.write(struct.pack("<I", n_bytes))
            for first in range(0, len(volts), _SCAN_ROWS):
                file.write(np.ascontiguousarray(volts[first : first + _SCAN_ROWS], dtype="<f4").tobytes())
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {error.strerror}") from error


def _read_format(file: BinaryIO, path: Path) -> _WavFormat:
    """Walk the RIFF chunks up to the samples."""
    n_file = file.seek(0, 2)
    file.seek(0)
    head = file.read(12)
    if n_file == 0:
        raise RecordingUnreadableError(f"{path} is empty")
    if len(head) < 12 and head[:4] in (b"RIFF", b"RF64"):
        raise RecordingUnreadableError(
            f"{path} is a WAV file cut off in its header, after {n_file} bytes; copy it again"
        )
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        raise RecordingUnreadableError(f"{path} is not a WAV file: its first letters are not RIFF")
    fields: tuple[int, int, int, int] | None = None
    long_data_bytes: int | None = None
    while len(chunk := file.read(8)) == 8:
        name, n_bytes = chunk[:4], struct.unpack("<I", chunk[4:])[0]
        at = file.tell()
        if name == b"ds64":  # RF64: sizes that do not fit 32 bits
            long_data_bytes = struct.unpack("<Q", file.read(16)[8:])[0]
        elif name == b"fmt ":
            fields = _parse_fmt(file.read(n_bytes), path)
        elif name == b"data":
            if fields is None:
                raise RecordingUnreadableError(f"{path}: the samples at byte {at} come before their format")
            if n_bytes == 0xFFFFFFFF and long_data_bytes is not None:
                n_bytes = long_data_bytes
            return _finish_format(fields, at, n_bytes, n_file - at, path)
        file.seek(at + n_bytes + (n_bytes & 1))
    raise RecordingUnreadableError(f"{path} is a WAV file without samples (no data chunk in its {n_file} bytes)")


def _parse_fmt(raw: bytes, path: Path) -> tuple[int, int, int, int]:
    """Tag, channels, samples a second, bits a sample; the extensible form is resolved to the plain tag."""
    if len(raw) < 16:
        raise RecordingUnreadableError(f"{path}: its format chunk has {len(raw)} bytes, 16 are the least")
    tag, n_channels, rate_hz, _, _, bits = struct.unpack("<HHIIHH", raw[:16])
    if tag == _EXTENSIBLE and len(raw) >= 26:
        tag = struct.unpack("<H", raw[24:26])[0]  # the sub-format's GUID starts with the plain tag
    if (tag, bits) not in _FORMATS:
        raise RecordingUnreadableError(
            f"{path}: samples of format {tag} with {bits} bits are not read; "
            "make it a WAV of 32-bit floats, or of 16-, 24- or 32-bit integers"
        )
    if n_channels == 0 or rate_hz == 0:
        raise RecordingUnreadableError(f"{path}: its header says {n_channels} channels at {rate_hz} samples a second")
    return tag, n_channels, rate_hz, bits


def _finish_format(
    fields: tuple[int, int, int, int], data_at: int, n_said: int, n_present: int, path: Path
) -> _WavFormat:
    tag, n_channels, rate_hz, bits = fields
    row_bytes = n_channels * bits // 8
    is_streamed = n_said in (0, 0xFFFFFFFF) or n_said >= 0x7FFFF000  # written to a pipe: the length was never known
    n_bytes = n_present if is_streamed else min(n_said, n_present)
    if n_bytes < row_bytes:
        raise RecordingUnreadableError(f"{path} holds no samples")
    return _WavFormat(
        is_float=tag == _FLOAT,
        bits=bits,
        n_channels=n_channels,
        rate_hz=rate_hz,
        data_at=data_at,
        n_rows=n_bytes // row_bytes,
        is_cut_off=not is_streamed and n_said > n_present,
    )
