"""One second of a tone as points of a curve: quarters of it, or finer pieces where a hand passes the edge.

Gaps: works inside one unbroken second.
Limits: what is no tone, or hardly louder than the converter's noise, makes no point.
Source: our choice, measured by `python -m ampwitness.bench.tone_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ampwitness.detect.streams import RunBlock
from ampwitness.types import FloatArray, InputPath, Interval
from ampwitness.waveform.response import PASS_FRACTION
from ampwitness.waveform.tone_cycles import measure_cycles
from ampwitness.waveform.tone_fit import find_strongest_hz
from ampwitness.waveform.tone_folded import read_folded
from ampwitness.waveform.tone_meter import (
    CONVERTER_FLOOR_V,
    LEAST_HARMONICS,
    OTHER_TONE_PERCENT,
    TWO_TONES_PERCENT,
    ToneReading,
    measure_tone,
)

STEP_S = 0.25  # a point of the curve; 10 cycles of 40 Hz
LONG_STEP_S = 0.5  # below LONG_BELOW_HZ, for cycles enough
LONG_BELOW_HZ = 36.5
LOWEST_HZ = 18.0
LEAST_LEVEL_V = 0.2  # rms; less is hardly more than the converter's noise
# A second in which the level moves this much while it passes the edge is measured again in shorter pieces.
_MOVING_RATIO = 1.005
_FINE_STEP_S = 0.05
_FINE_CYCLES = 3.0
_FINE_HARMONICS = 24
_EDGE_PERCENT = (0.2, 12.0)  # a quarter second that ends at the edge reads little
# Where it moves faster than this it is measured every half cycle, or every half of so long a span of a high tone.
_QUICK_DB = 0.12  # over two pieces
_QUICK_SPAN_S = 0.0125
_QUICK_PERCENT = (0.1, 15.0)
SAME_TONE_RATIO, _TAKE_TURNS_RATIO = 0.004, 0.1
_PLACE_RATIO, _AWAY_RATIO = 0.45, 1.2  # around the bin of a piece, and off the tone's own foot
_TWO_TONES_RATIO = 0.6  # of the rest: so much in one other line makes it two tones
_REST_PERCENT = 15.0  # what is neither tone nor harmonic may be so much of a point
_FEWEST_OF_NOTE = 4  # points
_STRUCK_FALL_DB, _STRUCK_RISE_DB = 3.0, 0.1  # from the loudest to the last; between two points
_STRUCK_EARLY_S, _STRUCK_EARLY_DB = 0.5, 0.3  # what is struck falls at once


@dataclass(frozen=True, slots=True)
class TonePoint:
    """A quarter of a second of a tone, with what the supply and the source did."""

    start_s: float
    stop_s: float
    reading: ToneReading
    supply_v: float | None  # mean
    supply_lowest_v: float | None
    source_v: float | None  # rms
    source_thd_percent: float | None
    is_saturated: bool  # the logger's own input was at its limit
    moved_db: float = 0.0  # how far the level went from the last piece to the next, over two pieces

    @property
    def middle_s(self) -> float:
        return (self.start_s + self.stop_s) / 2

    @property
    def has_two_tones(self) -> bool:
        return self.reading.other_percent > TWO_TONES_PERCENT

    @property
    def thd_percent(self) -> float | None:
        """THD that may be used: judged, not saturated, and above its floor by a good part of itself."""
        r = self.reading
        if r.thd_f_percent is None or self.is_saturated:
            return None
        return r.thd_f_percent


def is_struck(points: Sequence[TonePoint]) -> bool:
    """Whether a passage is a note of a string or a key: loudest where it sets in, and falling from there to its end.

    A hand that turns a tone down lets it stand before it does. A note that is held, as an organ's, is a tone.
    """
    level_db = 20 * np.log10([max(point.reading.level_v, 1e-9) for point in points])
    start_s = points[0].start_s
    early_db = level_db[[point.start_s - start_s <= _STRUCK_EARLY_S for point in points]]
    if len(level_db) < _FEWEST_OF_NOTE or np.argmax(level_db) > 1 or np.max(np.diff(level_db)[1:]) > _STRUCK_RISE_DB:
        return False
    falls_db = level_db.max() - level_db[-1]
    return bool(falls_db >= _STRUCK_FALL_DB and level_db.max() - early_db[-1] >= _STRUCK_EARLY_DB)


def is_same_tone(last: TonePoint, point: TonePoint) -> bool:
    """Whether two points that follow each other are of one tone; of two tones now one and now the other is stronger."""
    ratio = _TAKE_TURNS_RATIO if point.has_two_tones and last.has_two_tones else SAME_TONE_RATIO
    return abs(point.reading.frequency_hz / last.reading.frequency_hz - 1) < ratio


def step_of(frequency_hz: float) -> float:
    """Seconds of a point of a tone's curve."""
    return LONG_STEP_S if frequency_hz < LONG_BELOW_HZ else STEP_S


def count_samples(step_s: float, rate_hz: float) -> int:
    """Samples of a piece, rounded down, so that whole pieces fill a second whatever the rate."""
    return int(step_s * rate_hz + 1e-6)


def measure_coarsely(block: RunBlock, guess_hz: float, *, wants_model: bool = True) -> list[TonePoint | None]:
    """The points of one second in its coarse pieces, None for those that are no tone; see `measure_second`.

    wants_model : as for `measure_point`
    """
    step = count_samples(step_of(guess_hz), block.rate_hz)
    starts = range(0, block.n - step + 1, step)
    return [measure_point(block, at, step, wants_model=wants_model) for at in starts]


def measure_second(
    block: RunBlock, before: RunBlock | None, guess_hz: float, paths: tuple[InputPath, ...]
) -> list[TonePoint | None]:
    """The points of one second, None for pieces that are no tone.

    Parameters
    ----------
    block : the second, in doubles
    before : the second measured before it, if there was one
    guess_hz : about where the tone lies
    paths : of the output, for tones whose harmonics lie beyond the band
    """
    points = _with_folded(block, measure_coarsely(block, guess_hz), paths)
    if passes_the_edge(points):
        points = _with_folded(block, _measure_fine(block, points, guess_hz), paths)
        points = _with_quick_cycles(block, before, _with_moves(points))
    points = _with_moves(points)
    whole = _other_line_of_second(block.volts["output"], block.rate_hz, points)
    if whole is None:  # the level moves: a line beside the tone need not, and pieces are too short to place it
        return _with_places(points, block.volts["output"], block.rate_hz)
    return [point if point is None else _with_other(point, whole) for point in points]


def passes_the_edge(points: list[TonePoint | None]) -> bool:
    """Of the points of a second: whether the level moves in this second, and distortion comes or goes."""
    known = [point for point in points if point is not None]
    if not known or max(p.reading.level_v for p in known) < _MOVING_RATIO * min(p.reading.level_v for p in known):
        return False
    thd = [p.reading.thd_f_percent or 0.0 for p in known]
    return max(thd) > _EDGE_PERCENT[0] and min(thd) < _EDGE_PERCENT[1]


def _measure_fine(block: RunBlock, points: list[TonePoint | None], guess_hz: float) -> list[TonePoint | None]:
    """The same second in pieces of a few cycles, each with a level that may change evenly."""
    known = [point.reading.frequency_hz for point in points if point is not None]
    hz = float(np.median(known)) if known else guess_hz
    step = round(max(_FINE_STEP_S, _FINE_CYCLES / hz) * block.rate_hz)
    fine = [measure_point(block, at, step, hz) for at in range(0, block.n - step + 1, step)]
    return fine if sum(point is not None for point in fine) > len(fine) / 2 else points


def _with_folded(
    block: RunBlock, points: list[TonePoint | None], paths: tuple[InputPath, ...]
) -> list[TonePoint | None]:
    """Points of tones whose harmonics lie beyond the band, with distortion by where they fold to."""
    if not paths or all(p is None or p.reading.n_harmonics >= LEAST_HARMONICS for p in points):
        return points
    read: list[TonePoint | None] = []
    for point in points:
        if point is None or not point.reading.not_judged:
            read.append(point)
            continue
        at = round((point.start_s - block.time_s(block.first)) * block.rate_hz)
        volts = block.volts["output"][at : at + round((point.stop_s - point.start_s) * block.rate_hz)]
        folded = read_folded(volts, block.rate_hz, point.reading, paths, converter_floor_v=CONVERTER_FLOOR_V)
        read.append(replace(point, reading=folded))
    return read


def _with_quick_cycles(
    block: RunBlock, before: RunBlock | None, points: list[TonePoint | None]
) -> list[TonePoint | None]:
    """The same second with those pieces measured every half span in which a hand passes the edge quickly."""
    quick = [k for k in range(len(points)) if _is_quick(points, k)]
    first = points[quick[0]] if quick else None
    last = points[quick[-1]] if quick else None
    if first is None or last is None or first.reading.n_harmonics < LEAST_HARMONICS:
        return points
    hz = float(np.median([p.reading.frequency_hz for k in quick if (p := points[k]) is not None]))
    n_cycles = max(1, round(_QUICK_SPAN_S * hz))
    span = n_cycles * block.rate_hz / hz
    n_before = 0
    if before is not None and before.run_id == block.run_id and before.first + before.n == block.first:
        # The last span of the second before could not be looked at without this one.
        n_before = min(before.n, round(2 * span))
    volts = {role: np.concatenate([before.volts[role][-n_before:], v]) if n_before and before is not None else v
             for role, v in block.volts.items()}  # fmt: skip
    origin = block.first - n_before
    begin = (first.start_s - block.time_s(origin)) * block.rate_hz
    end = (last.stop_s - block.time_s(origin)) * block.rate_hz
    begin = span if begin < n_before + span else begin
    middles = np.arange(begin, min(end, len(volts["output"]) - 1 - span), span / 2)
    like = replace(first.reading, frequency_hz=hz)
    band_hz = PASS_FRACTION * block.rate_hz / 2
    found = measure_cycles(
        volts["output"],
        block.rate_hz,
        middles,
        like,
        band_hz=band_hz,
        n_cycles=n_cycles,
        converter_floor_v=CONVERTER_FLOOR_V,
    )
    spans = [_span_point(block, volts, origin, one.middle, span, one.reading, first) for one in found]
    kept = [p for k, p in enumerate(points) if k not in quick]
    return sorted([*kept, *spans], key=lambda p: -1.0 if p is None else p.start_s)


def _is_quick(points: list[TonePoint | None], k: int) -> bool:
    near = [p for p in points[max(0, k - 1) : k + 2] if p is not None]
    point = points[k]
    if point is None or point.moved_db < _QUICK_DB or point.is_saturated:
        return False
    thd = [p.reading.thd_f_percent or 0.0 for p in near]
    return max(thd) > _QUICK_PERCENT[0] and min(thd) < _QUICK_PERCENT[1]


def _span_point(
    block: RunBlock,
    volts: dict[str, FloatArray],
    origin: int,
    middle: float,
    span: float,
    reading: ToneReading,
    near: TonePoint,
) -> TonePoint:
    start_s, stop_s = block.time_s(origin + middle - span / 4), block.time_s(origin + middle + span / 4)
    first, last = round(middle - span / 2), round(middle + span / 2)
    supply = volts.get("supply")
    return replace(
        near,
        start_s=start_s,
        stop_s=stop_s,
        reading=reading,
        supply_v=None if supply is None else float(supply[first:last].mean()),
        supply_lowest_v=None if supply is None else float(supply[first:last].min()),
        is_saturated=_overlaps(block.saturated.get("output", ()), start_s, stop_s),
    )


def _with_moves(points: list[TonePoint | None]) -> list[TonePoint | None]:
    """Points with how much the level moved around them."""
    moved: list[TonePoint | None] = []
    for k, point in enumerate(points):
        if point is None:
            moved.append(None)
            continue
        near = [p.reading.level_v for p in points[max(0, k - 1) : k + 2] if p is not None]
        moved.append(replace(point, moved_db=20 * float(np.log10(max(near) / min(near)))))
    return moved


def measure_point(
    block: RunBlock, at: int, n: int, fine_hz: float | None = None, *, wants_model: bool = True
) -> TonePoint | None:
    """The point of `n` samples from `at` on; None where they are no tone.

    fine_hz : the tone's frequency, where the piece is short and its level may change evenly
    wants_model : as for `measure_tone`
    """
    volts = block.volts["output"][at : at + n]
    if fine_hz is None:
        reading = measure_tone(
            volts, block.rate_hz, converter_floor_v=CONVERTER_FLOOR_V, wants_peak=wants_model, wants_model=wants_model
        )
    else:
        reading = measure_tone(
            volts,
            block.rate_hz,
            expected_hz=fine_hz,
            converter_floor_v=CONVERTER_FLOOR_V,
            n_fitted=_FINE_HARMONICS,
            follows_trend=True,
        )
    in_band = reading.thd_in_band_percent or 0.0
    rest = float(np.sqrt(max(0.0, reading.thd_n_percent**2 - min(in_band, 99.0) ** 2)))
    is_two = reading.other_percent > TWO_TONES_PERCENT and rest < 100 and reading.frequency_hz > 0
    if is_two:
        is_two = (reading.other_percent**2) > _TWO_TONES_RATIO * rest**2 and reading.fundamental_v > 0
    if not (reading.is_tone and rest <= _REST_PERCENT) and not is_two:
        return None
    if reading.level_v < LEAST_LEVEL_V or reading.frequency_hz < LOWEST_HZ:
        return None
    start_s, stop_s = block.time_s(block.first + at), block.time_s(block.first + at + n)
    supply = block.volts.get("supply")
    source = block.volts.get("source")
    source_v = source_thd = None
    if source is not None and float(np.std(source[at : at + n])) > 0.02:
        of_source = measure_tone(source[at : at + n], block.rate_hz, expected_hz=reading.frequency_hz, wants_peak=False)
        if of_source.is_tone:
            source_v, source_thd = of_source.level_v, of_source.thd_f_percent
    return TonePoint(
        start_s=start_s,
        stop_s=stop_s,
        reading=reading,
        supply_v=None if supply is None else float(supply[at : at + n].mean()),
        supply_lowest_v=None if supply is None else float(supply[at : at + n].min()),
        source_v=source_v,
        source_thd_percent=source_thd,
        is_saturated=_overlaps(block.saturated.get("output", ()), start_s, stop_s),
    )


def _overlaps(spans: tuple[Interval, ...], start_s: float, stop_s: float) -> bool:
    return any(span.start_s < stop_s and span.stop_s > start_s for span in spans)


def _other_line_of_second(
    output: FloatArray, rate_hz: float, points: list[TonePoint | None]
) -> tuple[float | None, float] | None:
    """A second tone or hum seen over the whole second, where the level is steady enough for fine lines."""
    levels = [point.reading.level_v for point in points if point is not None]
    if len(levels) < len(points) or not levels or max(levels) > 1.03 * min(levels) or len(output) < 0.9 * rate_hz:
        return None
    expected_hz = next(point.reading.frequency_hz for point in points if point is not None)
    whole = measure_tone(output, rate_hz, expected_hz=expected_hz, n_harmonics=10, wants_peak=False)
    return (whole.other_hz, whole.other_percent) if whole.is_tone else None


def _with_places(points: list[TonePoint | None], output: FloatArray, rate_hz: float) -> list[TonePoint | None]:
    """The points of a second, with the frequency of what sounds beside the tone read over all of it."""
    out, places = list(points), dict[float, float]()
    for at, point in enumerate(points):
        if point is None or point.reading.other_hz is None or point.reading.other_percent < OTHER_TONE_PERCENT:
            continue
        other_hz, tone_hz = point.reading.other_hz, point.reading.frequency_hz
        if other_hz not in places:
            low_hz, high_hz = other_hz * (1 - _PLACE_RATIO), other_hz * (1 + _PLACE_RATIO)
            if other_hz < tone_hz:
                high_hz = min(high_hz, tone_hz / _AWAY_RATIO)
            else:
                low_hz = max(low_hz, tone_hz * _AWAY_RATIO)
            places[other_hz] = find_strongest_hz(output, rate_hz, low_hz, high_hz) if low_hz < high_hz else 0.0
        if places[other_hz] > 0:
            out[at] = replace(point, reading=replace(point.reading, other_hz=places[other_hz]))
    return out


def _with_other(point: TonePoint, other: tuple[float | None, float]) -> TonePoint:
    if other[1] <= 0:
        return point
    reading = replace(point.reading, other_hz=other[0], other_percent=other[1])
    if other[1] > TWO_TONES_PERCENT and reading.thd_f_percent is not None:
        words = f"two tones: another one is {other[1]:.0f} % of the first"
        reading = replace(reading, thd_f_percent=None, thd_r_percent=None, not_judged=words)
    return replace(point, reading=reading)
