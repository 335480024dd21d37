"""Volts as WAV: 32-bit float, one channel a role, one file an unbroken run, and a JSON beside them that says the rest.

Why one file a run: a WAV has no time of its own, so a gap can only be held, zeroed or left out in it, and each of the
three would be taken for signal by whoever opens it. Files that end at a gap cannot be misread.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import IO, Any

import numpy as np

from ampwitness.export.files import PartFiles, refuse_existing, said_plainly
from ampwitness.export.runs import Piece, RunCutter

MAX_DATA_BYTES = 1 << 31  # a WAV counts its bytes in 32 bits and many programs take them as signed
FORMAT_FLOAT = 3  # WAVE_FORMAT_IEEE_FLOAT
_HEADER = struct.Struct("<4sI4s4sIHHIIHHH4sII4sI")


class WavExport:
    """Writes the runs of a recording. OUT.wav is the first, OUT.2.wav the next, ...; OUT.wav.json tells of all.

    Parameters
    ----------
    path : of the first file
    full_scale_v : volts that a sample of 1.0 stands for
    max_data_bytes : a longer run goes on in the next file, and the JSON says so
    """

    def __init__(self, path: Path, full_scale_v: float = 1.0, max_data_bytes: int = MAX_DATA_BYTES) -> None:
        self._path, self._full_scale_v, self._max_bytes = path, full_scale_v, max_data_bytes
        self._sidecar = path.with_name(path.name + ".json")
        refuse_existing(path)
        refuse_existing(self._sidecar)
        self._parts = PartFiles()
        self._file: IO[bytes] | None = None
        self._told: list[dict[str, Any]] = []

    def push(self, piece: Piece) -> None:
        """Write the next samples."""
        volts, start_s = piece.volts, piece.start_s
        if piece.is_first:
            self._begin(piece, start_s, is_continuation=False)
        frame_bytes = 4 * len(piece.roles)
        while len(volts):
            room = self._max_bytes // frame_bytes - self._told[-1]["n_samples"]
            if room <= 0:
                self._begin(piece, start_s, is_continuation=True)
                continue
            with said_plainly(self._path):
                assert self._file is not None
                self._file.write((volts[:room] / np.float32(self._full_scale_v)).astype("<f4").tobytes())
            taken = min(room, len(volts))
            self._told[-1]["n_samples"] += taken
            start_s += taken / piece.rate_hz
            self._told[-1]["stop_s"] = start_s
            volts = volts[taken:]

    def finish(self, cutter: RunCutter) -> list[Path]:
        """Close, write the JSON, give the files their names."""
        self._end()
        plain = {
            "what": "volts as WAV, by ampwitness",
            "scale": f"sample value x {self._full_scale_v:g} = volts at the terminals",
            "full_scale_v": self._full_scale_v,
            "time": "seconds since the first scan of the recording, by the board's clock",
            "files": self._told,
            "gaps": cutter.gaps_as_plain(),
            "beyond_logger_range": cutter.saturated,
            "n_spans_not_listed": cutter.n_left_out,
        }
        with said_plainly(self._sidecar):
            self._parts.begin(self._sidecar).write_text(json.dumps(plain, indent=1) + "\n", encoding="utf-8")
        return self._parts.keep()

    def drop(self) -> None:
        """Take away what was written."""
        if self._file is not None:
            self._file.close()
        self._parts.drop()

    def _begin(self, piece: Piece, start_s: float, *, is_continuation: bool) -> None:
        self._end()
        number = len(self._told) + 1
        target = self._path if number == 1 else self._path.with_name(f"{self._path.stem}.{number}{self._path.suffix}")
        with said_plainly(target):
            self._file = self._parts.begin(target).open("wb")
            self._file.write(bytes(_HEADER.size))
        self._told.append(
            {
                "file": target.name,
                "run": piece.run + 1,
                "goes_on_from_the_file_before": is_continuation,
                "channels": list(piece.roles),
                "unit": "V",
                "rate_hz": piece.rate_hz,
                "rate_in_header_hz": round(piece.rate_hz),
                "start_s": start_s,
                "stop_s": start_s,
                "n_samples": 0,
            }
        )

    def _end(self) -> None:
        if self._file is None:
            return
        told = self._told[-1]
        n_channels, rate_hz = len(told["channels"]), told["rate_in_header_hz"]
        n_data = 4 * n_channels * told["n_samples"]
        header = _HEADER.pack(
            b"RIFF", _HEADER.size - 8 + n_data, b"WAVE", b"fmt ", 18, FORMAT_FLOAT, n_channels, rate_hz,
            4 * n_channels * rate_hz, 4 * n_channels, 32, 0, b"fact", 4, told["n_samples"], b"data", n_data,
        )  # fmt: skip
        with said_plainly(self._path):
            self._file.seek(0)
            self._file.write(header)
            self._file.close()
        self._file = None
