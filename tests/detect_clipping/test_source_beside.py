"""What a logged source shows beside plateaus of the output, where it is known which of the two cut them off."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from ampwitness.bench import witness_scores
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.clip_signals import kick_and_sub
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.detect.clips.clip_witness import name_by_source
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.source_beside import SourceBeside, _judge
from ampwitness.detect.clips.table.clip_candidates import FIELDS, NOT_ASKED, SOURCE_SAYS, Candidates
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S, Stretch
from ampwitness.types import FloatArray, Segment
from ampwitness.waveform.assemble import iter_windows
from scipy import signal

RATE_HZ = 8000.0
N = 64_000


def _rows(wanted_v: FloatArray, ceiling_v: FloatArray) -> Candidates:
    """The plateaus of at least a millisecond, as a look finds them."""
    rows = []
    for sign in (1.0, -1.0):
        over = np.concatenate(([False], sign * wanted_v > ceiling_v, [False]))
        first, last = np.flatnonzero(over[1:] & ~over[:-1]), np.flatnonzero(~over[1:] & over[:-1])
        rows += [(sign, a, b) for a, b in zip(first, last, strict=True) if b - a >= 8]
    columns = {name: np.zeros(len(rows)) for name in FIELDS}
    columns["sign"] = np.array([row[0] for row in rows])
    columns["start_s"], columns["stop_s"] = (np.array([row[k] - 0.5 for row in rows]) / RATE_HZ for k in (1, 2))
    columns["level_v"] = np.array([ceiling_v[row[1]] for row in rows])
    columns["crest_v"] = np.array([np.max(np.abs(wanted_v[row[1] : row[2]])) for row in rows])
    columns["noise_v"] = np.full(len(rows), 0.01)
    return Candidates(columns, np.zeros((len(rows), len(SUPPLY_LAGS_S))), np.zeros((len(rows), len(OUTPUT_LAGS_S))))


def _said(output_v: FloatArray, source_v: FloatArray, rows: Candidates, logged: int = N) -> Counter[str]:
    stretch = Stretch(RATE_HZ, 0, 0.0, 0, N, True, True, output_v.astype(np.float32), None)
    beside = SourceBeside()
    for first in range(0, logged, 10_000):
        beside.push(Segment(first / RATE_HZ, RATE_HZ, source_v[first : min(first + 10_000, logged)]))
    beside.note(stretch, [rows])
    return Counter(SOURCE_SAYS[int(at)] for at in rows["source_says"])


def _twisted(source_v: FloatArray, twist: str) -> FloatArray:
    """What is logged of the source."""
    t_s = np.arange(N) / RATE_HZ
    if twist == "hum":  # 3 % of the highest value
        return source_v + 0.03 * np.sin(2 * np.pi * 50 * t_s + 1.0)
    if twist == "early":
        return np.concatenate((source_v[8:], np.zeros(8)))
    if twist == "tilted":
        return np.asarray(signal.lfilter(*signal.butter(1, 5.0, "high", fs=RATE_HZ), source_v))
    return source_v


@pytest.mark.parametrize("twist", ["plain", "hum", "early", "tilted", "volume turned"])
def test_who_cut_crests_off_is_told_by_the_source(twist: str) -> None:
    wanted = kick_and_sub(np.random.default_rng(7), N / RATE_HZ, RATE_HZ)[:N]
    turned = np.where(np.arange(N) < N // 2, 0.8, 1.6) if twist == "volume turned" else np.ones(N)
    rows = _rows(45 * wanted * turned, np.full(N, 30.0))
    amplifier = _said(np.clip(45 * wanted * turned, -30, 30), _twisted(wanted, twist), rows)
    assert amplifier["round"] >= 0.8 * len(rows) > 10
    assert not amplifier["flat"]
    cut = np.clip(wanted, -0.6, 0.6)
    rows = _rows(40 * wanted * turned, 24.0 * turned)
    source = _said(40 * cut * turned, _twisted(cut, twist), rows)
    assert source["flat"] >= 0.5 * len(rows) > 10
    assert not source["round"]


def test_where_the_source_was_not_logged_throughout_nothing_is_asked() -> None:
    wanted = kick_and_sub(np.random.default_rng(7), N / RATE_HZ, RATE_HZ)[:N]
    rows = _rows(45 * wanted, np.full(N, 30.0))
    assert set(_said(np.clip(45 * wanted, -30, 30), wanted, rows, logged=N - 1)) == {SOURCE_SAYS[NOT_ASKED]}


def test_what_no_stretch_asks_for_any_more_is_let_go() -> None:
    beside = SourceBeside()
    for first in range(0, 64_000, 8_000):
        beside.push(Segment(first / RATE_HZ, RATE_HZ, np.zeros(8_000)))
    beside.forget(5.0)
    assert [piece.start_s for piece in beside._pieces] == [4.0, 5.0, 6.0, 7.0]  # a margin of half a second, twice


@pytest.mark.parametrize(
    ("risen_v", "uneven_v", "crest_v", "word"),
    [
        (0.9, 0.2, 1.0, "round"),
        (0.2, 0.5, 1.0, "round"),  # in music: it rises by little of what flanks promise, but is nothing flat
        (0.2, 0.01, 1.0, "anything"),
        (0.4, 0.2, 1.0, "round"),
        (0.029, 0.01, 0.12, "not round"),
        (0.04, 0.01, 0.1, "not flat"),
        (0.0, 0.01, 1.0, "flat"),
        (0.0, 0.2, 1.0, "anything"),  # not even
        (0.0, 0.01, 0.05, "anything"),  # the crest itself would hardly be seen
        (-0.3, 0.01, 1.0, "not round"),  # falls
    ],
)
def test_by_how_far_and_how_evenly_it_rises(risen_v: float, uneven_v: float, crest_v: float, word: str) -> None:
    (at,) = _judge(np.array([risen_v]), np.array([uneven_v]), np.array([0.01]), np.array([crest_v]))
    assert SOURCE_SAYS[int(at)] == word


def test_names_do_not_depend_on_how_windows_are_cut() -> None:
    case = witness_scores.make("source, kicks", 12, 6.0)
    columns = np.column_stack([*case.volts.values()])
    stimulus = ArrayStimulus(tuple(case.volts), witness_scores.RATE_HZ, columns)
    blocks = list(simulate_blocks(stimulus, ("out_p", "supply", "source"), case.mode, seed=case.board_seed))
    told = []
    for window_s in (1.0, 10.0):
        output, source = ClippingDetector(), ClippingDetector("source")
        for window in iter_windows(blocks, window_s=window_s):
            output.push(window)
            source.push(window)
        found = name_by_source(output.finish(), source.finish()).findings
        told.append([(f.start_s, f.measured["origin"], f.evidence["source_was_flat"]) for f in found])
    assert told[0] == told[1]
    assert {name for _, name, _ in told[0]} == {"source"}
