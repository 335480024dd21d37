"""Volts as NPZ: one float32 array a role and run, with the times of runs and gaps beside them."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from ampwitness.export.files import PartFiles, refuse_existing, said_plainly
from ampwitness.export.runs import Piece, RunCutter

_COPY_BYTES = 1 << 20


class NpzExport:
    """Writes `run000_output` and so on in volts, with `run_start_s`, `run_rate_hz` and `gap_start_s`, `gap_stop_s`,
    `gap_cause`, `gap_is_exact`. Not compressed.

    While it works it needs the room on the disk twice: an array's length stands in front of its numbers.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        refuse_existing(path)
        self._parts = PartFiles()
        self._spools: dict[str, IO[bytes]] = {}
        self._start_s: list[float] = []
        self._rate_hz: list[float] = []
        with said_plainly(path):
            part = self._parts.begin(path)
            self._zip = zipfile.ZipFile(part, "w", zipfile.ZIP_STORED, allowZip64=True)

    def push(self, piece: Piece) -> None:
        """Take the next samples."""
        with said_plainly(self._path):
            if piece.is_first:
                self._empty_spools()
                self._start_s.append(piece.start_s)
                self._rate_hz.append(piece.rate_hz)
                for role in piece.roles:
                    spool: IO[bytes] = tempfile.TemporaryFile(dir=self._path.parent)  # noqa: SIM115 - lives as long as its run
                    self._spools[f"run{piece.run:03d}_{role}"] = spool
            for spool, column in zip(self._spools.values(), piece.volts.T, strict=True):
                spool.write(column.astype("<f4").tobytes())

    def finish(self, cutter: RunCutter) -> list[Path]:
        """Write the times, close, give the file its name."""
        gaps = cutter.gaps
        with said_plainly(self._path):
            self._empty_spools()
            self._write_small("run_start_s", np.array(self._start_s, dtype=np.float64))
            self._write_small("run_rate_hz", np.array(self._rate_hz, dtype=np.float64))
            self._write_small("gap_start_s", np.array([gap.start_s for gap in gaps], dtype=np.float64))
            self._write_small("gap_stop_s", np.array([gap.stop_s for gap in gaps], dtype=np.float64))
            self._write_small("gap_cause", np.array([gap.cause for gap in gaps], dtype="U16"))
            self._write_small("gap_is_exact", np.array([gap.is_exact for gap in gaps], dtype=np.bool_))
            self._zip.close()
        return self._parts.keep()

    def drop(self) -> None:
        """Take away what was written."""
        for spool in self._spools.values():
            spool.close()
        try:
            self._zip.close()
        except (OSError, ValueError):
            pass  # the disk is full: the file goes anyway
        self._parts.drop()

    def _empty_spools(self) -> None:
        for name, spool in self._spools.items():
            n = spool.tell() // 4
            spool.seek(0)
            with self._zip.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array_header_1_0(member, {"descr": "<f4", "fortran_order": False, "shape": (n,)})
                shutil.copyfileobj(spool, member, _COPY_BYTES)
            spool.close()
        self._spools = {}

    def _write_small(self, name: str, array: npt.NDArray[Any]) -> None:
        with self._zip.open(f"{name}.npy", "w") as member:
            np.lib.format.write_array(member, array, allow_pickle=False)
