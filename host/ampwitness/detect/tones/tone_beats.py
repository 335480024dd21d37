"""Seconds of a tone that beats: two tones a few hertz apart, or one that swells evenly. No level of it means anything.

Gaps: a span ends at a gap.
Limits: three seconds and more, 0.75 to 6 Hz apart, the weaker tone a tenth of the other or more; see `find_beat`.
Source: our choice, measured in tests/detect_tones/test_tone_beats.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import numpy as np

from ampwitness.detect.streams import RunBlock
from ampwitness.detect.tones.tone_points import LEAST_LEVEL_V, LOWEST_HZ
from ampwitness.detect.tones.tone_screen import measure_pieces
from ampwitness.waveform.tone_beat import Beat, find_beat
from ampwitness.waveform.tone_fit import find_strongest_hz

_N_BLOCKS = 3
_PIECE_S, _SWINGS_RATIO = 0.1, 1.06  # the level of one that beats swings by this from tenth to tenth of a second
_SAME_HZ = 0.3


class Spanning(Protocol):
    """What has a start and a stop."""

    @property
    def start_s(self) -> float:
        """Recording time at which it begins."""

    @property
    def stop_s(self) -> float:
        """Recording time at which it ends."""


T = TypeVar("T", bound=Spanning)


@dataclass(frozen=True, slots=True)
class BeatSpan:
    """A tone that beats, from whole second to whole second of its run."""

    run_id: int
    start_s: float
    stop_s: float
    level_v: float  # rms
    beat: Beat

    @property
    def words(self) -> str:
        """Why nothing else is said of it."""
        return word_beat(self.beat)


def word_beat(beat: Beat) -> str:
    """A beat in words."""
    return f"two tones or a beating tone, {beat.apart_hz:.1f} Hz apart"


class BeatWatch:
    """Looks at seconds that may hold a tone; most are told to be steady, or too short, without a fit."""

    def __init__(self) -> None:
        self._blocks: list[RunBlock] = []
        self.spans: list[BeatSpan] = []

    def take(self, block: RunBlock, may_be_tone: bool) -> None:
        """Take the next second of a run."""
        last = self._blocks[-1] if self._blocks else None
        if last is not None and (last.run_id != block.run_id or last.first + last.n != block.first):
            self._blocks, last = [], None
        if not (may_be_tone and (last is None or block.n >= 0.99 * last.n) and _swings(block)):
            self._blocks = []
            return
        self._blocks = [*self._blocks[1 - _N_BLOCKS :], block]
        if len(self._blocks) < _N_BLOCKS:
            return
        beat = _find(self._blocks[-2:])
        if beat is None:
            return
        start_s, stop_s = block.time_s(self._blocks[-2].first), block.time_s(block.first + block.n)
        before = self.spans[-1] if self.spans else None
        if before is not None and before.run_id == block.run_id and before.stop_s > start_s - 1e-6 and _is_same(
            before.beat, beat
        ):  # fmt: skip
            self.spans[-1] = replace(before, stop_s=stop_s)
            return
        earlier = _find(self._blocks[:2])
        if earlier is None or not _is_same(earlier, beat):
            return
        start_s = block.time_s(self._blocks[0].first)
        level_v = float(np.std(np.concatenate([b.volts["output"] for b in self._blocks]), dtype=np.float64))
        self.spans.append(BeatSpan(block.run_id, start_s, stop_s, level_v, beat))


def drop_beating(passages: Sequence[T], spans: Sequence[BeatSpan]) -> list[T]:
    """The passages of which less than half lies within spans that beat."""
    kept = []
    for passage in passages:
        inside_s = sum(max(0.0, min(passage.stop_s, s.stop_s) - max(passage.start_s, s.start_s)) for s in spans)
        if inside_s < 0.5 * (passage.stop_s - passage.start_s):
            kept.append(passage)
    return kept


def _swings(block: RunBlock) -> bool:
    output = block.volts["output"]
    levels = measure_pieces(output, max(1, round(_PIECE_S * block.rate_hz)))
    return len(levels) > 1 and float(levels.max()) > max(_SWINGS_RATIO * float(levels.min()), LEAST_LEVEL_V)


def _find(blocks: Sequence[RunBlock]) -> Beat | None:
    output = np.concatenate([block.volts["output"] for block in blocks]).astype(np.float64)
    rate_hz = blocks[0].rate_hz
    return find_beat(output, rate_hz, find_strongest_hz(output, rate_hz, LOWEST_HZ))


def _is_same(one: Beat, other: Beat) -> bool:
    return abs(one.apart_hz - other.apart_hz) < _SAME_HZ and abs(one.strong_hz - other.strong_hz) < 2 * one.apart_hz
