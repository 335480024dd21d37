"""A recording for people who write Python: what the board said, volts with their gaps, findings. See host/API.md."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ampwitness.errors import UsageError
from ampwitness.pipeline import AnalyseOptions, RecordingVolts, analyse, read_span
from ampwitness.recording import open_parts
from ampwitness.types import Analysis, Calibration, Hello, Trace, TraceWindow

MAX_VOLTS_S = 600.0  # of one call: longer spans are what `windows` is for


class OpenedRecording:
    """One recording. Made by `ampwitness.open`; nothing is kept open. `volts` finds its span in a long one through the
    index beside it, which the first call makes and which may be deleted at any time; all else reads from the beginning.

    Raises, in any call that reads, RecordingUnreadableError or UnknownProtocolError.
    """

    def __init__(self, path: str | os.PathLike[str], *, correct_adc: bool = True) -> None:
        self._recording = open_parts([Path(path)])
        self._correct_adc = correct_adc
        self._first: tuple[Hello, tuple[Calibration, ...], tuple[str, ...]] | None = None

    def __repr__(self) -> str:
        return f"<recording {self.name}>"

    @property
    def name(self) -> str:
        """The file's name."""
        return self._recording.name

    @property
    def notes(self) -> Mapping[str, Any]:
        """What was typed when it was recorded: amplifier, load_ohm, nominal_supply_v, remark, ..."""
        return self._recording.notes

    @property
    def hello(self) -> Hello:
        """How the board described itself at the beginning: mode, rate_hz, channels, firmware."""
        return self._beginning()[0]

    @property
    def calibrations(self) -> tuple[Calibration, ...]:
        """What each channel's volts rest on, with uncertainties."""
        return self._beginning()[1]

    @property
    def roles(self) -> tuple[str, ...]:
        """What `volts` can be asked for: output, supply, ..."""
        return self._beginning()[2]

    def windows(self, window_s: float = 10.0) -> Iterator[TraceWindow]:
        """Everything in order, `window_s` seconds at a time, in memory that does not grow with the recording."""
        if not (math.isfinite(window_s) and window_s > 0):
            raise UsageError(f"a window lasts longer than 0 s, not {window_s}")
        return self._volts(window_s).windows()

    def volts(self, role: str, start_s: float = 0.0, stop_s: float = MAX_VOLTS_S) -> Trace:
        """Volts of one role over a span of recording time.

        Parameters
        ----------
        role : one of `roles`
        start_s, stop_s : recording time; at most MAX_VOLTS_S apart

        Returns
        -------
        Trace; `.segments` are unbroken runs (start_s, rate_hz, volts), `.gaps` what is missing, `.saturated` where the
        logger itself was at the end of its range. Nothing is filled in. It ends where the recording, or its mode, ends.

        Raises
        ------
        UsageError : no such role, or no such span
        """
        if not (0 <= stop_s - start_s <= MAX_VOLTS_S) or stop_s == start_s:
            raise UsageError(f"ask for more than 0 and at most {MAX_VOLTS_S:g} s at a time; windows() gives everything")
        if role not in self.roles:
            raise UsageError(f"{self.name} has no {role!r}; it has {', '.join(self.roles)}")
        window = read_span(self._recording, start_s, stop_s, AnalyseOptions(correct_adc=self._correct_adc))
        return window.traces.get(role) or Trace(role, start_s, stop_s, (), (), ())

    def analyse(self, *, continuous: bool = False) -> Analysis:
        """Run every detector: the findings, and what was looked at, that `ampwitness report` words.

        continuous : the signal never paused, any silence is a cut-out
        """
        return analyse(self._recording, AnalyseOptions(correct_adc=self._correct_adc, continuous=continuous))

    def _volts(self, window_s: float) -> RecordingVolts:
        return RecordingVolts(self._recording, AnalyseOptions(window_s=window_s, correct_adc=self._correct_adc))

    def _beginning(self) -> tuple[Hello, tuple[Calibration, ...], tuple[str, ...]]:
        if self._first is None:
            volts = self._volts(1.0)
            window = next(volts.windows(), None)
            self._first = (volts.hello, volts.calibrations, tuple(window.traces) if window else ())
        return self._first
