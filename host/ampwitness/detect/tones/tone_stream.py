"""Passages of a steady tone: found cheaply, then measured every quarter of a second."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ampwitness.detect.streams import RunBlock, RunBlocks
from ampwitness.detect.tones.tone_beats import BeatSpan, BeatWatch, drop_beating
from ampwitness.detect.tones.tone_points import (
    LEAST_LEVEL_V,
    LOWEST_HZ,
    SAME_TONE_RATIO,
    STEP_S,
    TonePoint,
    count_samples,
    is_same_tone,
    measure_coarsely,
    measure_point,
    measure_second,
    step_of,
)
from ampwitness.detect.tones.tone_screen import hann_window, may_be_point, may_be_steady, measure_pieces
from ampwitness.detect.tones.tone_wait import Waiting, WaitingSecond
from ampwitness.types import FloatArray, InputPath, TraceWindow
from ampwitness.waveform.tone_fit import find_strongest_hz

BLOCK_S = 1.0
LEAST_PASSAGE_S = 2.0  # shorter is music
_GATE_RATIO = 0.9  # of the power in one line and its multiples, for a second to be looked at closely
_SAME_LINE_RATIO = 0.02  # of a half-second's strongest line; two tones may take turns, see `_one_line_hz`
_SCREENED_AT_ONCE = 30
_FOLD, _FOLDED_SHARE = 4, 0.05  # samples summed to one; up to this share of the rate that weakens no line by a tenth
_NEARLY_HZ = 5.0
_LEFT_OVER_S = 0.16  # the rest of a second that makes no whole piece, of a 20 Hz tone at most
_LEAST_TWO_TONES_S = 3.0
_THIN_ABOVE = 1200  # points of a recording; beyond, those that repeat the last one are not kept
_LEAST_OWN = 12  # the first seconds of each passage are kept whole: by them it is known as a tone or a note
_THIN_RATIO = 0.003
_THIN_S = 5.0
_THIN_SHARE = 1e-3  # of the recording up to here, where that is longer: a day keeps some thousands of points
_REPEATS_RATIO = 0.001  # pieces whose level differs less from those measured last, in a long passage, repeat them


@dataclass(slots=True)
class TonePassage:
    """One tone at one frequency without a break."""

    run_id: int
    rate_hz: float
    n_before: int = 0  # points of earlier passages that are kept
    points: list[TonePoint] = field(default_factory=list)
    n_points: int = 0
    stop_s: float = 0.0

    @property
    def start_s(self) -> float:
        return self.points[0].start_s

    @property
    def frequency_hz(self) -> float:
        return float(np.median([point.reading.frequency_hz for point in self.points]))

    @property
    def thin_s(self) -> float:
        """How far apart the points of a long passage are kept while they only repeat one another."""
        return max(_THIN_S, _THIN_SHARE * self.stop_s)

    @property
    def is_thinned(self) -> bool:
        """Whether so much is kept that what only repeats the last point is not."""
        return len(self.points) >= _LEAST_OWN and self.n_before + len(self.points) >= _THIN_ABOVE

    def add(self, point: TonePoint) -> None:
        """Append a point; one that only repeats the last one is counted and left out where much is kept already."""
        self.n_points += 1
        self.stop_s = point.stop_s
        if self.is_thinned:
            last = self.points[-1]
            is_same = abs(point.reading.level_v / last.reading.level_v - 1) < _THIN_RATIO
            if is_same and point.stop_s - last.stop_s < self.thin_s:
                return
        self.points.append(point)


class TonePassages:
    """Cuts windows into quarter seconds, measures those that hold a tone, and joins them to passages.

    Parameters
    ----------
    is_live : somebody waits for the points: every second that may hold a tone is measured at once. Otherwise only
        what may belong to a passage that is long enough: measuring costs a hundred times as much as looking.

    Gaps
    ----
    A gap ends a passage; a quarter second that is cut short by one is not measured.

    Limits
    ------
    Tones of LOWEST_HZ and up, LEAST_LEVEL_V and louder, LEAST_PASSAGE_S and longer. Quarter seconds are counted from
    the start of each unbroken run; the one in which a tone sets in or jumps has a high floor and is of no use to a
    curve. A held, pure bass note of music is a tone too.
    """

    def __init__(self, *, is_live: bool = False) -> None:
        self._is_live = is_live
        self._held: list[RunBlock] = []
        self._held_hz = 0.0  # about the line of the last of them
        self._blocks = RunBlocks(("output", "supply", "source"), BLOCK_S, dtype=None)
        self._may_be_steady: dict[int, bool] = {}  # by id, of the blocks that have just come
        self._open: TonePassage | None = None
        self._waiting = Waiting(LEAST_PASSAGE_S)
        self._before: RunBlock | None = None
        self._paths: dict[float, tuple[InputPath, ...]] = {}  # by rate: a block may end after the next mode has begun
        self._measured: RunBlock | None = None  # the block that was measured last
        self._was_tonal = False
        self._beats = BeatWatch()
        self._levels: FloatArray | None = None  # of the pieces of the second that was measured last, in a long passage
        self._n_kept = 0  # points of those that are done
        self.done: list[TonePassage] = []
        self.seen_s = 0.0

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        if "output" in window.traces:
            self._paths[window.rate_hz] = window.traces["output"].paths
        self._take(self._blocks.push(window))

    def finish(self) -> list[TonePassage]:
        """Close what is open; all passages by time."""
        self._take(self._blocks.finish())
        self._close()
        return drop_beating(self.done, self.beats)

    @property
    def beats(self) -> list[BeatSpan]:
        """Seconds of tones that beat, in which no passage is told of."""
        return self._beats.spans

    def passages(self) -> list[TonePassage]:
        """What there is up to now, the open one included, for a live display."""
        known = self.done + ([self._open] if self._open is not None and self._is_worth(self._open) else [])
        return drop_beating(known, self.beats)

    def _take(self, blocks: list[RunBlock]) -> None:
        if not self._is_live:
            self._may_be_steady = _screen(blocks)
        for block in blocks:
            if "output" not in block.volts:
                continue
            self.seen_s += block.n / block.rate_hz
            self._beats.take(block, self._is_live or self._may_be_steady.get(id(block), False))
            is_inside = self._waiting.goes_on or self._has_lasted()
            if not self._is_live and not is_inside and self._is_put_off(block):
                continue
            is_tonal = _is_tonal(block.volts["output"], block.rate_hz)
            before, self._before = self._before, None
            if is_tonal:
                if before is not None and before.run_id == block.run_id:
                    self._measure(before)  # a tone may have set in within it
                self._measure(block)
            elif self._was_tonal and not block.is_last:
                self._measure(block)  # and may end within this one
            else:
                self._before = block
            self._was_tonal = is_tonal
            if block.is_last:
                self._close()
                self._waiting.forget()
                self._before, self._was_tonal = None, False

    def _is_put_off(self, block: RunBlock) -> bool:
        """Whether a block that continues no passage can wait or be passed over.

        A passage of LEAST_PASSAGE_S holds a whole block, and half a block of the same line before or behind that one.
        """
        held, self._held = self._held, []
        if held and _may_be_near(held, self._held_hz, block):
            line_hz = _line_hz(held[-1], held[-1].n)
            if (
                (
                    _is_near(_line_hz(block, block.n // 2), line_hz)
                    or (len(held) > 1 and _is_near(_line_hz(held[0], -(held[0].n // 2)), line_hz))
                )
                and _may_last(held[-1], held[0] if len(held) > 1 else None, block)
                and _is_mostly_points(held[-1], line_hz)
            ):
                for waiting in held:
                    self._measure(waiting)
                self._was_tonal = True
                return False
        is_steady = False
        if self._may_be_steady.get(id(block), True):
            self._held_hz = _steady_line_hz(block.volts["output"], block.rate_hz)
            is_steady = self._held_hz > 0.0
        last = held[-1] if held else self._before
        self._was_tonal, self._before = False, None
        if block.is_last:
            # Nothing comes behind: it is taken with what lies before it, or is too short.
            self._before = last
            return not is_steady
        if is_steady:
            self._held = [last, block] if last is not None and last.run_id == block.run_id else [block]
        else:
            self._before = block
        return True

    def _measure(self, block: RunBlock) -> None:
        if not self._is_live and self._repeats(block):
            return
        self._measure_all(block)

    def _repeats(self, block: RunBlock) -> bool:
        """Whether a second of a long passage only repeats what was measured last, none of whose points would be kept;
        it is then counted and no more."""
        passage, levels = self._open, self._levels
        if passage is None or passage.run_id != block.run_id or not passage.is_thinned:
            self._levels = None
            return False
        last = passage.points[-1]
        line_hz = last.reading.frequency_hz
        step_s = step_of(line_hz)
        n, stop_s = count_samples(step_s, block.rate_hz), block.time_s(block.first + block.n)
        output = block.volts["output"]
        now = measure_pieces(output, n)
        self._levels = now
        if levels is None or len(levels) != len(now) or stop_s - last.stop_s >= passage.thin_s:
            return False
        if last.is_saturated or block.saturated.get("output"):
            return False
        if np.max(np.abs(now / np.mean(levels) - 1)) > _REPEATS_RATIO or _count_points(block, step_s, line_hz) < len(
            now
        ):
            return False
        if abs(find_strongest_hz(output, block.rate_hz, LOWEST_HZ) / line_hz - 1) > SAME_TONE_RATIO:
            return False
        self._levels = levels  # those of the second that was measured: a slow change adds up
        passage.n_points += len(now)
        passage.stop_s = block.time_s(block.first + len(now) * n)
        self._measured = block
        return True

    def _measure_all(self, block: RunBlock) -> None:
        block = _as_doubles(block)
        goes_on = self._open is not None and (self._is_live or self._has_lasted())
        guess_hz = self._open.points[-1].reading.frequency_hz if self._open and goes_on else self._waiting.last_hz
        second = WaitingSecond(block, self._measured, guess_hz or _rough_hz(block.volts["output"], block.rate_hz))
        self._measured = block
        if self._is_live or goes_on:
            self._waiting.follow(self._measure_finely(second))
            return
        for one in self._waiting.take(second, measure_coarsely(block, second.guess_hz, wants_model=False)):
            self._measure_finely(one)

    def _measure_finely(self, second: WaitingSecond) -> list[TonePoint | None]:
        """The second's points, added to the passages."""
        block = second.block
        points = measure_second(block, second.before, second.guess_hz, self._paths.get(block.rate_hz, ()))
        for point in points:
            self._append(point, block)
        return points

    def _append(self, point: TonePoint | None, block: RunBlock) -> None:
        if point is None:
            self._close()
            return
        passage = self._open
        if passage is not None:
            is_same = is_same_tone(passage.points[-1], point)
            if passage.run_id != block.run_id or not is_same or abs(point.start_s - passage.stop_s) > _LEFT_OVER_S:
                self._close()
        if self._open is None:
            self._open = TonePassage(block.run_id, block.rate_hz, self._n_kept)
        self._open.add(point)

    def _is_worth(self, passage: TonePassage) -> bool:
        has_two = np.mean([point.has_two_tones for point in passage.points]) > 0.5
        least_s = _LEAST_TWO_TONES_S if has_two else LEAST_PASSAGE_S
        return passage.stop_s - passage.start_s >= least_s - 1e-6

    def _has_lasted(self) -> bool:
        """Whether what is open is long enough already."""
        passage = self._open
        if passage is None:
            return False
        return passage.stop_s - passage.start_s >= _LEAST_TWO_TONES_S or self._is_worth(passage)

    def _close(self) -> None:
        passage, self._open = self._open, None
        if passage is not None and self._is_worth(passage):
            self._n_kept += len(passage.points)
            self.done.append(passage)


def _rough_hz(volts: FloatArray, rate_hz: float) -> float:
    n = min(len(volts), round(0.5 * rate_hz))
    spectrum = np.abs(np.fft.rfft(volts[-n:] * hann_window(n)))
    return float(np.argmax(spectrum[2:]) + 2) * rate_hz / n


def _is_tonal(volts: FloatArray, rate_hz: float) -> bool:
    """Whether the first or the last quarter of a second is nearly all one line and its multiples."""
    n = count_samples(STEP_S, rate_hz)
    if len(volts) < n:
        return False
    return _is_quarter_tonal(volts[-n:], rate_hz) or (len(volts) > n and _is_quarter_tonal(volts[:n], rate_hz))


def _line_hz(block: RunBlock, n: int) -> float:
    """The strongest line of a block's first n samples, or of its last -n."""
    volts = block.volts["output"][:n] if n >= 0 else block.volts["output"][n:]
    return find_strongest_hz(volts, block.rate_hz, LOWEST_HZ)


def _screen(blocks: list[RunBlock]) -> dict[int, bool]:
    """Of whole blocks, by id: whether they may be steady. Others have no entry."""
    whole = [b for b in blocks if "output" in b.volts and b.n >= (BLOCK_S - 1e-6) * b.rate_hz]
    alike: dict[tuple[int, float], list[RunBlock]] = {}
    for block in whole:
        alike.setdefault((block.n, block.rate_hz), []).append(block)
    found: dict[int, bool] = {}
    for (_, rate_hz), same in alike.items():
        for first in range(0, len(same), _SCREENED_AT_ONCE):
            few = same[first : first + _SCREENED_AT_ONCE]
            told = may_be_steady([block.volts["output"] for block in few], rate_hz, LOWEST_HZ, LEAST_LEVEL_V)
            found.update((id(block), bool(steady)) for block, steady in zip(few, told, strict=True))
    return found


def _as_doubles(block: RunBlock) -> RunBlock:
    return replace(block, volts={role: np.asarray(v, dtype=np.float64) for role, v in block.volts.items()})


def _may_last(inside: RunBlock, before: RunBlock | None, after: RunBlock) -> bool:
    """Whether a block and what lies around it may be a passage that is long enough, by the spectra of their pieces.

    Every piece of the block must do, and the pieces beside it; what is measured in shorter pieces may reach into one
    more on each side.
    """
    line_hz = _line_hz(inside, inside.n)
    step_s = step_of(line_hz)
    own = _count_points(inside, step_s, line_hz)
    if own < inside.n // count_samples(step_s, inside.rate_hz):
        return False
    n_after = _count_points(after, step_s, line_hz)
    if (n_after + 1) * step_s >= BLOCK_S:
        return True
    n_before = 0 if before is None else _count_points(before, step_s, line_hz, from_end=True)
    return (n_before + own + n_after + 2) * step_s >= LEAST_PASSAGE_S - 1e-6 or (n_before + 1) * step_s >= BLOCK_S


def _count_points(block: RunBlock, step_s: float, line_hz: float, *, from_end: bool = False) -> int:
    """How many pieces in a row may be points, from a block's start or its end."""
    output, n = block.volts["output"], count_samples(step_s, block.rate_hz)
    starts = list(range(0, block.n - n + 1, n))
    for count, at in enumerate(reversed(starts) if from_end else starts):
        if not may_be_point(output[at : at + n], block.rate_hz, line_hz, LOWEST_HZ):
            return count
    return len(starts)


def _is_mostly_points(block: RunBlock, line_hz: float) -> bool:
    """Whether at least half of a block's pieces would be points of a passage; without the costly part of measuring."""
    block = _as_doubles(block)
    n = count_samples(step_of(line_hz), block.rate_hz)
    starts, n_points = range(0, block.n - n + 1, n), 0
    for n_tried, at in enumerate(starts, start=1):  # each costs as much as ten seconds of music: not one too many
        n_points += measure_point(block, at, n, wants_model=False) is not None
        if 2 * n_points >= len(starts) or 2 * (n_tried - n_points) > len(starts):
            break
    return 2 * n_points >= len(starts)


def _is_near(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) < max(1.0, _SAME_LINE_RATIO * other_hz)


def _may_be_near(held: list[RunBlock], line_hz: float, block: RunBlock) -> bool:
    """Whether half a block of about the same line may lie before or behind the one that is held last: a coarse look
    where the line is low, as hardly any music passes."""
    if line_hz > _FOLDED_SHARE * block.rate_hz:
        return True
    halves = [block.volts["output"][: block.n // 2]]
    if len(held) > 1:
        halves.append(held[0].volts["output"][-(held[0].n // 2) :])
    return any(abs(_folded_line_hz(half, block.rate_hz) - line_hz) < max(_NEARLY_HZ, 0.1 * line_hz) for half in halves)


def _folded_line_hz(volts: FloatArray, rate_hz: float) -> float:
    n = len(volts) // _FOLD
    folded = np.asarray(volts[: n * _FOLD], dtype=np.float32).reshape(n, _FOLD) @ np.ones(_FOLD, dtype=np.float32)
    return find_strongest_hz(folded, rate_hz / _FOLD, LOWEST_HZ)


def _steady_line_hz(volts: FloatArray, rate_hz: float) -> float:
    """About the line of a whole block that may be the inside of a passage: one line or two, and multiples, as narrow as
    it shows. 0: it is none."""
    if len(volts) < (BLOCK_S - 1e-6) * rate_hz:
        return 0.0
    centred = (volts - volts.mean()).astype(np.float32)
    if float(centred @ centred) < 0.25 * LEAST_LEVEL_V**2 * len(volts):
        return 0.0
    return _one_line_hz(centred * hann_window(len(volts), np.float32), rate_hz)


def _is_quarter_tonal(volts: FloatArray, rate_hz: float) -> bool:
    centred = volts - volts.mean()
    if float(centred @ centred) < LEAST_LEVEL_V**2 * len(volts):
        return False
    return _one_line_hz(centred * hann_window(len(volts)), rate_hz) > 0.0


def _one_line_hz(windowed: FloatArray, rate_hz: float) -> float:
    """The strongest line, to a bin, where nearly all power lies in it and its multiples, or in two lines; else 0."""
    transformed = np.fft.rfft(windowed)
    spectrum = transformed.real**2 + transformed.imag**2
    total = float(spectrum.sum())
    first = int(LOWEST_HZ * len(windowed) / rate_hz)
    at = first + int(np.argmax(spectrum[first:]))
    near = float(spectrum[max(0, at - 3) : at + 4].sum())
    if near < 0.4 * total:
        return 0.0
    line_hz = at * rate_hz / len(windowed)
    # Two tones are let through as well: what is strongest besides may be one other line.
    for order in range(2, 8):
        near += float(spectrum[max(at + 4, order * at - 3) : order * at + 4].sum())
    if near >= _GATE_RATIO * total:
        return line_hz
    spectrum[max(0, at - 3) : at + 4] = 0.0
    second = int(np.argmax(spectrum))
    both = near + float(spectrum[max(0, second - 3) : second + 4].sum())
    return line_hz if both >= 0.97 * total else 0.0
