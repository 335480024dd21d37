"""What the page shows of a stream: small windows of volts in, one picture of plain values out."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.dips import THRESHOLD_RATIO
from ampwitness.livepage.clean_ceiling import NONE_KNOWN, CleanCeiling
from ampwitness.livepage.supply_watch import SupplyWatch
from ampwitness.livepage.wave_view import WaveRing, WaveView
from ampwitness.types import Segment, Trace, TraceWindow

STEP_S = 0.1
MINUTE_STEPS = 600  # what the strips show
_SENT_STEPS = 30  # of them in every picture: a page that missed pictures for less than 3 s misses nothing
_LEVEL_S = 0.1
_HOLD_STEPS = 20
_KEPT_EVENTS = 200
_NEAR_DB = 0.5
_QUIET_V = 0.2
SUPPLY_ROLES = ("supply", "battery")


class StepStrip:
    """Lowest and highest value of one role in steps of STEP_S, the last minute of them; None where there was none."""

    def __init__(self) -> None:
        self.steps: dict[int, tuple[float, float]] = {}
        self.newest = -1

    def push(self, trace: Trace) -> None:
        """Take the next trace."""
        for segment in trace.segments:
            self._take(segment)
        self.newest = max(self.newest, math.floor(trace.stop_s / STEP_S - 1e-6))
        for old in [k for k in self.steps if k <= self.newest - MINUTE_STEPS]:
            del self.steps[old]

    def _take(self, segment: Segment) -> None:
        at = 0
        while at < len(segment.volts):
            step = math.floor((segment.start_s + at / segment.rate_hz) / STEP_S + 1e-6)
            stop = math.ceil(((step + 1) * STEP_S - segment.start_s) * segment.rate_hz - 1e-4)
            part = segment.volts[at : max(stop, at + 1)]
            low, high = self.steps.get(step, (math.inf, -math.inf))
            self.steps[step] = (min(low, float(part.min())), max(high, float(part.max())))
            at = max(stop, at + 1)

    def columns(self, first: int) -> dict[str, list[float | None]]:
        """Steps `first` to the newest, as two lists."""
        rows = [self.steps.get(k) for k in range(first, self.newest + 1)]
        return {
            "lowest_v": [None if row is None else round(row[0], 3) for row in rows],
            "highest_v": [None if row is None else round(row[1], 3) for row in rows],
        }


class FeedState:
    """Everything the page shows. One thread pushes windows and takes pictures.

    Parameters
    ----------
    ceiling : up to which volts the output is clean; None: not known
    nominal_supply_v : declared volts of the supply, for dips

    Gaps
    ----
    A wave never spans a gap; strips are empty where nothing came, and the gaps are listed.

    Limits
    ------
    For looking at now. What a recording shows is said by its report.
    """

    def __init__(self, ceiling: CleanCeiling | None = None, nominal_supply_v: float | None = None) -> None:
        self.ceiling = ceiling
        self._wave = WaveRing()
        self._output = StepStrip()
        self._supply = StepStrip()
        self._watch = SupplyWatch(nominal_supply_v)
        self._supply_role: str | None = None
        self._supply_v: float | None = None
        self._saturated_until_s = -math.inf  # never: any earlier time would hold into the first seconds
        self._supply_beyond_until_s = -math.inf
        self._has_output: bool | None = None
        self._now_s = 0.0
        self._rate_hz = 0.0
        self._mode = ""
        self._marks: deque[dict[str, Any]] = deque(maxlen=_KEPT_EVENTS)
        self._gaps: deque[dict[str, Any]] = deque(maxlen=_KEPT_EVENTS)
        self.n_marks = 0
        self.engine_said = ""  # the last label that said what the engine does

    def push(self, window: TraceWindow) -> None:
        """Take the next window."""
        self._now_s, self._rate_hz, self._mode = window.stop_s, window.rate_hz, window.mode
        self._has_output = "output" in window.traces
        if self._has_output:
            output = window.traces["output"]
            self._wave.push(output)
            self._output.push(output)
            self._saturated_until_s = max([self._saturated_until_s, *(span.stop_s for span in output.saturated)])
        self._supply_role = next((role for role in SUPPLY_ROLES if role in window.traces), None)
        if self._supply_role is not None:
            supply = window.traces[self._supply_role]
            self._supply.push(supply)
            self._watch.push(supply)
            self._supply_beyond_until_s = max(
                [self._supply_beyond_until_s, *(span.stop_s for span in supply.saturated)]
            )
            if supply.segments and len(supply.segments[-1].volts):
                self._supply_v = float(np.mean(supply.segments[-1].volts))
        for mark in window.marks:
            self.n_marks += 1
            self._marks.append({"number": self.n_marks, "time_s": round(mark.time_s, 3), "source": mark.source})
        for gap in window.gaps:
            self._gaps.append({"start_s": gap.start_s, "stop_s": gap.stop_s, "cause": gap.cause})

    def picture(self, losses: Mapping[str, int], recorded_s: float, whole: bool = False) -> dict[str, Any]:
        """The picture as JSON values.

        Parameters
        ----------
        losses : n_scans_lost, n_frames_lost, n_bad_frames
        recorded_s : by the board's own counter
        whole : all steps of the last minute, not only the newest
        """
        newest = max(self._output.newest, self._supply.newest)
        first = max(0, newest + 1 - (MINUTE_STEPS if whole else _SENT_STEPS))
        level = self._level()
        wave = self._wave.view() if self._has_output else None
        return {
            "now_s": round(self._now_s, 4),
            "clock": _clock(recorded_s),
            "mode": self._mode,
            "rate_hz": self._rate_hz,
            "losses": losses_in_words(losses),
            "has_losses": any(losses.values()),
            "level": level,
            "level_words": self._level_words(level),
            "supply_words": self._supply_words(),
            "wave": None if wave is None else _plain_wave(wave),
            "first_step": first,
            "output": self._output.columns(first) if self._has_output else None,
            "supply": self._supply.columns(first) if self._supply_role is not None else None,
            "dip_below_v": self._dip_below_v(),
            "dips": [
                {"start_s": d.start_s, "stop_s": d.stop_s, "lowest_v": round(d.lowest_v, 3), "is_open": d.is_open}
                for d in self._watch.dips()[-20:]
            ],
            "n_dips": self._watch.n_dips,
            "marks": list(self._marks)[-20:],
            "n_marks": self.n_marks,
            "engine_said": self.engine_said,
            "gaps": list(self._gaps)[-20:],
        }

    def _dip_below_v(self) -> float | None:
        reference_v = self._watch.reference_v
        return None if reference_v is None else round(THRESHOLD_RATIO * reference_v, 3)

    def _level(self) -> dict[str, Any]:
        peak_v = self._wave.peak_v(_LEVEL_S) if self._has_output else None
        rows = [self._output.steps.get(self._output.newest - k) for k in range(_HOLD_STEPS)]
        rest_v = self._wave.rest_v() if self._has_output else 0.0
        held = [max(rest_v - row[0], row[1] - rest_v) for row in rows if row is not None]
        held_v = max([*held, *([peak_v] if peak_v is not None else [])], default=None)
        ceiling_v = self.ceiling.at(self._supply_v) if self.ceiling is not None else None
        below_db = None
        if ceiling_v and held_v and held_v > _QUIET_V:
            below_db = round(20 * math.log10(ceiling_v / held_v), 2)
        return {
            "peak_v": None if peak_v is None else round(peak_v, 3),
            "held_v": None if held_v is None else round(held_v, 3),
            "rest_v": round(rest_v, 3),
            "ceiling_v": None if ceiling_v is None else round(ceiling_v, 3),
            "ceiling_source": NONE_KNOWN if self.ceiling is None else self.ceiling.source,
            "below_db": below_db,
            "is_saturated": self._saturated_until_s > self._now_s - _HOLD_STEPS * STEP_S,
        }

    def _level_words(self, level: Mapping[str, Any]) -> str:
        if self._has_output is False:
            return "The board logs no amplifier output: there is no wave and no level."
        if level["held_v"] is None:
            return "Waiting for samples."
        if level["is_saturated"]:
            return "The output is beyond what the logger can take: its level is not judged."
        if level["held_v"] < _QUIET_V:
            return "The output is quiet."
        below_db = level["below_db"]
        if below_db is None:
            return f"Output {level['held_v']:.1f} V peak; no clean ceiling is known."
        if below_db > _NEAR_DB:
            return f"Output {below_db:.1f} dB below its clean ceiling."
        if below_db >= -_NEAR_DB:
            return "Output at its clean ceiling: turn down."
        return f"Output {-below_db:.1f} dB above the clean ceiling: turn down."

    def _supply_words(self) -> str:
        if self._supply_role is None:
            return "The board logs no supply."
        if self._supply_v is None:
            return "Supply: waiting for samples."
        dips = self._watch.dips()
        name = self._supply_role.capitalize()
        if dips and dips[-1].is_open:
            return f"{name} in a dip: {self._supply_v:.2f} V, {dips[-1].reference_v:.2f} V before."
        if self._supply_beyond_until_s > self._now_s - _HOLD_STEPS * STEP_S:
            return (
                f"{name} at the end of what the logger can take, {self._supply_v:.2f} V: how far it goes is not judged."
            )
        recent = [dip for dip in dips if dip.stop_s > self._now_s - 60]
        if not recent:
            return f"{name} {self._supply_v:.2f} V, no dip in the last minute."
        many = "1 dip" if len(recent) == 1 else f"{len(recent)} dips"
        lowest_v = min(dip.lowest_v for dip in recent)
        return f"{name} {self._supply_v:.2f} V, {many} in the last minute, down to {lowest_v:.2f} V."


def _clock(seconds: float) -> str:
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def losses_in_words(losses: Mapping[str, int]) -> str:
    """Every loss so far, or `0 lost`."""
    n_scans, n_frames, n_bad = losses["n_scans_lost"], losses["n_frames_lost"], losses["n_bad_frames"]
    words = f"{n_scans:,} scans lost" if n_scans or n_frames else "0 lost"
    if n_frames:
        words += f" ({n_frames:,} frames)"
    return words + (f", {n_bad:,} bad frames" if n_bad else "")


def _plain_wave(wave: WaveView) -> dict[str, Any]:
    return {
        "start_ms": round(1e3 * wave.start_s, 4),
        "step_ms": 1e3 * wave.step_s,
        "span_ms": 1e3 * wave.span_s,
        "is_held": wave.is_held,
        "volts": plain_volts(wave.volts),
    }


def plain_volts(volts: npt.NDArray[np.floating[Any]]) -> list[float | None]:
    """Volts to the millivolt as JSON knows them: None where there are none."""
    return [None if math.isnan(v) else v for v in np.round(volts.astype(np.float64), 3).tolist()]
