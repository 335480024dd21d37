"""The level line: one long scale of volts, a pointer, the clean ceiling as a post; plain lines without a terminal."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from typing import TextIO

from ampwitness.guide.set_gain import View

_PLAIN_EVERY_S = 1.0
_THIN_ROWS, _THICK_ROWS = 2, 4  # of the level line; the thick one where the screen has the room
_ROWS_FOR_THICK = 18
_SCALES_V = (2, 5, 10, 20, 30, 50, 75, 100, 150)


def pick_scale_v(highest_v: float) -> float:
    """End of the scale that holds the highest level seen with room to spare."""
    return next((float(top) for top in _SCALES_V if top >= 1.1 * highest_v), 1.2 * highest_v)


def draw_lines(
    view: View, scale_v: float, width: int, is_plain_ascii: bool = False, n_rows: int = _THIN_ROWS
) -> list[str]:
    """The screen as lines of at most `width` columns, the level line `n_rows` high."""
    n = max(20, width - 6)
    full, pointer, post, rest = ("#", ">", "|", "-") if is_plain_ascii else ("█", "▶", "┃", "╌")
    at = min(n - 1, round(view.level_v / scale_v * (n - 1)))
    line = [full] * at + [pointer] + [rest] * (n - 1 - at)
    above = ""
    if view.ceiling_v is not None:
        place = min(n - 1, round(view.ceiling_v / scale_v * (n - 1)))
        line[place] = post
        label = f"clean ceiling {view.ceiling_v:.2f} V"
        above = " " * max(0, min(place - len(label) // 2, n - len(label))) + label
    ticks = [" "] * (n + 4)
    for part in range(6):
        text = f"{scale_v * part / 5:g}"
        place = round(part / 5 * (n - 1))
        ticks[place : place + len(text)] = list(text)
    supply = "" if view.supply_v is None else f"   supply {view.supply_v:.2f} V"
    is_loud = view.state in ("clipped", "at the edge", "source clipped")
    big = view.words.upper().replace(" DB", " dB") if is_loud else view.words
    figures = textwrap.wrap(f"{view.level_v:7.2f} V rms{supply}   {view.thd_words}", width - 2, drop_whitespace=False)
    return [
        *(f"  {line}" for line in [*figures, ""][:2]),
        ("  " + above)[:width],
        *["  " + "".join(line)] * n_rows,
        ("  " + "".join(ticks).rstrip() + " V")[:width],
        "",
        *textwrap.wrap(f">> {big}", max(30, width - 4), initial_indent="  ", subsequent_indent="     "),
        *(textwrap.wrap(view.notice, max(30, width - 4), initial_indent="  ", subsequent_indent="  ") or [""]),
        *textwrap.wrap(view.instruction, max(30, width - 4), initial_indent="  ", subsequent_indent="  "),
    ]


def _made_loud(line: str) -> str:
    """The line that says how it stands in bold, turned round where it is in capitals: seen from an arm's length."""
    if not line.startswith("  >> "):
        return line
    return f"\x1b[{'1;7' if line[5:7].isupper() else '1'}m{line}\x1b[0m"


class GainScreen:
    """Draws a view: in place on a terminal, a line a second or at each new state elsewhere. Never clears history."""

    def __init__(self, stream: TextIO | None = None, *, is_quiet: bool = False, wants_sound: bool = False) -> None:
        self._stream = stream or sys.stderr
        self._is_quiet = is_quiet
        self._is_terminal = self._stream.isatty() and os.environ.get("TERM") != "dumb"  # such a one cannot go back up
        self._wants_sound = wants_sound
        self._n_drawn = 0
        self._highest_v = 1.0
        self._last = ("", "")
        self._last_notice = ""
        self._last_s = -1e9
        self._was_at_edge = False

    def show(self, view: View, now_s: float) -> None:
        """Draw; `now_s` is any clock in seconds."""
        if self._is_quiet:
            return
        if view.is_at_edge and not self._was_at_edge and self._wants_sound:
            self._stream.write("\a")
        self._was_at_edge = view.is_at_edge
        if self._is_terminal:
            self._draw(view)
        else:
            self._tell(view, now_s)
        self._stream.flush()

    def _draw(self, view: View) -> None:
        self._highest_v = max(self._highest_v, view.level_v, view.ceiling_v or 0.0)
        width, height = shutil.get_terminal_size((90, 24))
        is_ascii = (self._stream.encoding or "ascii").lower().replace("-", "") != "utf8"
        n_rows = _THICK_ROWS if height >= _ROWS_FOR_THICK else _THIN_ROWS
        lines = draw_lines(view, pick_scale_v(self._highest_v), width - 1, is_ascii, n_rows)
        if len(lines) >= height:  # what the screen does not hold would scroll away at each refresh
            lines = [line for line in lines if line.strip()][: max(4, height - 1)]
        # A view with fewer lines than the last one leaves blank ones, so that nothing stale stays.
        lines += [""] * min(self._n_drawn - len(lines), height - 1 - len(lines))
        if self._n_drawn:
            self._stream.write(f"\x1b[{self._n_drawn}A")
        self._stream.write("".join(f"\r{_made_loud(line)}\x1b[K\n" for line in lines))
        self._n_drawn = len(lines)

    def _tell(self, view: View, now_s: float) -> None:
        # New words are told at once, new figures once a second.
        if view.notice and view.notice != self._last_notice:
            self._stream.write(f"{view.notice}\n")
        self._last_notice = view.notice
        key = (view.step, "".join(c for c in view.words if not c.isdigit()))
        if key == self._last and now_s - self._last_s < _PLAIN_EVERY_S:
            return
        if view.step != self._last[0]:
            self._stream.write(f"[{view.step}] {view.instruction}\n")
        supply = "" if view.supply_v is None else f", supply {view.supply_v:.2f} V"
        self._stream.write(f"{view.level_v:.2f} V rms, {view.thd_words or 'no reading'}{supply}: {view.words}\n")
        self._last, self._last_s = key, now_s
