"""The one line that says how a recording goes: rewritten on a terminal, repeated now and then in a pipe."""

from __future__ import annotations

import re
import shutil
import sys
import time
from dataclasses import dataclass

from ampwitness.cli.soak import Streaming
from ampwitness.link.monitor import StreamMonitor
from ampwitness.units import seconds_to_clock

EVERY_S = 0.25
EVERY_PIPED_S = 5.0
# An output's mean is said from here on: half-supply outputs stand at 6 V, a stuck one at more; the mean over
# the newest tenth of a second (wide mode) is up to 0.16 of a 20 Hz tone's peak, so less tells nothing.
LEAST_STANDING_V, STANDING_RATIO = 1.0, 0.2
_RATE = re.compile(r"   [\d.]+ kB/s")


class LiveLine:
    """Elapsed, rate, losses, levels: one line rewritten on a terminal, a new line every 5 s in a pipe."""

    def __init__(self, is_quiet: bool) -> None:
        self._is_quiet = is_quiet
        self._is_terminal = sys.stderr.isatty()
        self._shown_s = time.monotonic()
        self._n_bytes_shown = 0
        self._width = 0

    def show(self, streaming: Streaming, n_bytes: int, question: str = "", now: bool = False, said: str = "") -> None:
        """Show an open question, how the recording goes, and what was `said` last. `now`: at once, as one types."""
        now_s = time.monotonic()
        if self._is_quiet or not ((now and self._is_terminal) or self._is_due(now_s)):
            return
        passed_s = max(now_s - self._shown_s, 1e-3)
        text = live_text(streaming.session.monitor, (n_bytes - self._n_bytes_shown) / passed_s, count(streaming))
        if said:
            text += f"   {said}"
        if streaming.n_resumed:
            text += f"   came back {streaming.n_resumed} time{'s' if streaming.n_resumed > 1 else ''}"
        n_again = streaming.losses.n_restarts - streaming.n_resumed
        if n_again > 0:
            text += f"   board began again {n_again} time{'s' if n_again > 1 else ''}"
        if question:
            text = f"{question}   {text}"
        if not now:
            self._shown_s, self._n_bytes_shown = now_s, n_bytes
        self._write(text)

    def say(self, text: str) -> None:
        """Show something else in the line's place, as often as the line itself."""
        now_s = time.monotonic()
        if not self._is_quiet and self._is_due(now_s):
            self._shown_s = now_s
            self._write(text)

    def _is_due(self, now_s: float) -> bool:
        return now_s - self._shown_s >= (EVERY_S if self._is_terminal else EVERY_PIPED_S)

    def _write(self, text: str) -> None:
        if self._is_terminal:
            text = fit(text, shutil.get_terminal_size().columns - 1)
            sys.stderr.write("\r" + text.ljust(self._width))
            self._width = len(text)
        else:
            sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def clear(self) -> None:
        if self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
            self._width = 0


def fit(text: str, width: int) -> str:
    """The line in one row, as a longer one leaves a row behind each time it is rewritten: without the rate, then with
    narrower gaps, at last without its end."""
    if len(text) > width:
        text = _RATE.sub("", text)
    if len(text) > width:
        text = text.replace("   ", "  ")
    return text[:width]


@dataclass(frozen=True, slots=True)
class Counts:
    """What the line says of the whole recording, conversations before the present one included."""

    recorded_s: float
    n_scans_lost: int
    n_frames_lost: int
    n_bad_frames: int
    n_marks: int


def count(streaming: Streaming) -> Counts:
    """Time and marks as just received; losses as `verify` will count them, about a second late."""
    health = streaming.losses.health()
    return Counts(
        streaming.recorded_s,
        sum(health.n_scans_lost.values()),
        health.n_frames_lost,
        health.n_frames_bad,
        streaming.count("n_marks"),
    )


def live_text(monitor: StreamMonitor, bytes_per_s: float, counts: Counts) -> str:
    """The progress line's text. `bytes_per_s` is the rate of received bytes, `monitor` the present conversation's."""
    lost = f"{counts.n_scans_lost} scans lost" if counts.n_scans_lost or counts.n_frames_lost else "0 lost"
    parts = [seconds_to_clock(counts.recorded_s), f"{bytes_per_s / 1000:.1f} kB/s", lost]
    if counts.n_frames_lost:
        parts[-1] += f" ({counts.n_frames_lost} frames)"
    if counts.n_bad_frames:
        parts.append(f"{counts.n_bad_frames} bad frames")
    if monitor.faults:
        parts.append(f"board: {monitor.faults[-1]}")
    levels = monitor.levels()
    if levels is None:
        parts.append("waiting for samples")
    else:
        if levels.output_peak_v is not None:
            standing_v = levels.output_mean_v or 0.0
            is_standing = abs(standing_v) > max(LEAST_STANDING_V, STANDING_RATIO * levels.output_peak_v)
            about = f" about {standing_v:.1f} V" if is_standing else ""
            parts.append(f"output {levels.output_peak_v:.1f} V peak{about}")
        if levels.supply_lowest_v is not None:
            parts.append(f"supply {levels.supply_lowest_v:.2f} V")
    if counts.n_marks:
        parts.append(f"{counts.n_marks} mark{'s' if counts.n_marks > 1 else ''}")
    return "   ".join(parts)
