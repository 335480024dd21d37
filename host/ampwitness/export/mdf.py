"""Volts as MDF 4 for measurement programs: a channel group a run, its own time in seconds; gaps as an attached JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from ampwitness.errors import MissingToolError
from ampwitness.export.files import PartFiles, refuse_existing, said_plainly
from ampwitness.export.runs import Piece, RunCutter

MDF_VERSION = "4.10"


class MdfExport:
    """Writes a group `run 1`, `run 2`, ... each with one float32 channel a role, unit V, and a float64 time.

    A group a run, because a program that draws lines between samples would else draw one across each gap.

    Raises MissingToolError where asammdf is not installed.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        refuse_existing(path)
        try:
            from asammdf import MDF, Signal
        except ImportError as error:
            raise MissingToolError(
                "asammdf, which writes MDF files, is not installed here: python -m pip install 'ampwitness[mdf]'"
            ) from error
        self._signal = Signal
        # Samples wait in a file beside the result, not in memory and not on a small /tmp.
        self._mdf: Any = MDF(version=MDF_VERSION, temporary_folder=path.parent)
        self._parts = PartFiles()
        self._group = -1

    def push(self, piece: Piece) -> None:
        """Take the next samples."""
        times_s = piece.start_s + np.arange(len(piece.volts)) / piece.rate_hz
        columns = [np.ascontiguousarray(column) for column in piece.volts.T]
        with said_plainly(self._path):
            if not piece.is_first:
                self._mdf.extend(self._group, [(times_s, None), *((column, None) for column in columns)])
                return
            signals = [
                self._signal(samples=column, timestamps=times_s, name=role, unit="V", comment="volts at the terminals")
                for role, column in zip(piece.roles, columns, strict=True)
            ]
            name = f"run {piece.run + 1}"
            self._group = int(self._mdf.append(signals, acq_name=name, comment=name, common_timebase=True))

    def finish(self, cutter: RunCutter) -> list[Path]:
        """Attach the gaps, write the file, give it its name."""
        plain = {
            "time": "seconds since the first scan of the recording, by the board's clock",
            "gaps": cutter.gaps_as_plain(),
            "beyond_logger_range": cutter.saturated,
            "n_spans_not_listed": cutter.n_left_out,
        }
        with said_plainly(self._path):
            self._mdf.attach(
                json.dumps(plain).encode(),
                file_name="gaps.json",
                comment="gaps between the runs",
                mime="application/json",
            )
            part = self._parts.begin(self._path)
            written = Path(self._mdf.save(part, overwrite=True))
            if written != part:  # the library insists on its own ending
                written.replace(part)
            self._mdf.close()
        return self._parts.keep()

    def drop(self) -> None:
        """Take away what was written."""
        self._mdf.close()
        self._parts.drop()
