"""Candidates judged in blocks, as in long recordings, against the same judged at once."""

from __future__ import annotations

import gc
import sys
import tracemalloc
import weakref
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from ampwitness.bench import clip_signals
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clip_ledger, clipping
from ampwitness.detect.clips.clip_ledger import ClipLedger
from ampwitness.detect.clips.clip_look import Screened
from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.clips.judge.clip_verdict import Verdicts
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests

RATE_HZ = 8000.0
RAIL_V = 30.0
SECONDS = 400.0


@pytest.fixture(scope="module")
def output_v() -> np.ndarray:
    rng = np.random.default_rng(41)
    high_hz = RATE_HZ * clip_signals.OVERSAMPLING
    drive = np.tile(clip_signals.bass_line(rng, SECONDS / 20, high_hz), 20)
    return clip_signals.log(rng, np.clip(drive * 2.0 * RAIL_V, -RAIL_V, RAIL_V)).astype(np.float32)


def detect(output_v: np.ndarray) -> tuple[ClipTable, Mapping[str, Any], int]:
    """Clips, summary, and the most candidates that waited."""
    supply = np.full(len(output_v), 12.6, dtype=np.float32)
    detector, most = clipping.ClippingDetector(), 0
    for window in iter_windows_from_arrays({"output": output_v, "supply": supply}, RATE_HZ, window_s=10.0):
        detector.push(window)
        most = max(most, sum(detector._run.ledger._waiting.sizes))
    result = detector.finish()
    return result.findings.tables[0], result.summary, most  # type: ignore[attr-defined]


def test_blocks_give_the_same_clips(output_v: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, whole_summary, most_at_once = detect(output_v)
    monkeypatch.setattr(clip_ledger, "AT_ONCE", 150)
    parts, parts_summary, most_in_blocks = detect(output_v)
    assert most_in_blocks < most_at_once / 2
    assert len(whole) > 500
    assert len(np.setxor1d(whole.start_s, parts.start_s)) <= 0.002 * len(whole)
    assert np.all(np.diff(parts.start_s) > 0)  # none twice
    for key in ("n_clips", "n_positive", "n_negative", "n_candidates"):
        assert parts_summary[key] == pytest.approx(whole_summary[key], rel=0.002)
    assert parts_summary["rail_model"]["positive"]["level_v"] == pytest.approx(RAIL_V, abs=0.05)
    passages = parts_summary["headroom"]["n_passages"]
    assert passages == pytest.approx(whole_summary["headroom"]["n_passages"], abs=1)


def make_rows(start_s: np.ndarray, gain: float, level_v: np.ndarray) -> Candidates:
    """Flats half a millisecond long that look alike but for their gain."""
    n = len(start_s)
    columns = {name: np.zeros(n) for name in FIELDS}
    columns |= {
        "sign": np.ones(n), "start_s": start_s, "stop_s": start_s + 0.0015, "level_v": level_v,
        "crest_v": level_v * 1.05, "crest_sd_v": np.full(n, 0.01), "flank_v_per_s": np.full(n, 3000.0),
        "flatter_flank_ratio": np.ones(n), "gain": np.full(n, gain), "narrow_gain": np.full(n, gain / 2),
        "misfit": np.ones(n), "n_top": np.full(n, 12.0), "noise_v": np.full(n, 0.01), "peak_v": level_v,
    }  # fmt: skip
    return Candidates(columns, np.full((n, 4), np.nan), np.ones((n, 4)))


def test_clips_of_earlier_blocks_vouch_for_faint_ones_and_count_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clip_ledger, "AT_ONCE", 5)
    rng = np.random.default_rng(2)
    plain = make_rows(np.arange(60) + 0.5, 500.0, RAIL_V + 0.01 * rng.standard_normal(60))
    at_rail = make_rows(np.arange(100, 108) + 0.5, 12.0, np.full(8, RAIL_V))
    ledger = ClipLedger()
    for first in range(0, 60, 10):
        ledger.add([plain.take(np.arange(first, first + 10))], [])
        ledger.judge_ready()
    ledger.add([at_rail], [])
    ledger.judge_ready()
    ledger.finish()
    assert len(ledger.table) == ledger.counts["n_positive"] == 68
    alone = ClipLedger()
    alone.add([at_rail], [])
    alone.finish()
    assert len(alone.table) == 0


def test_blocks_are_the_same_however_many_stretches_come_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clip_ledger, "AT_ONCE", 12)
    blocks: list[list[int]] = [[], []]
    for ledger_blocks, every in zip(blocks, (1, 7), strict=True):
        ledger = ClipLedger()
        monkeypatch.setattr(ledger, "_judge", lambda n, into=ledger_blocks, of=ledger: (
            into.append(n), of._waiting.take(n)
        ))  # fmt: skip
        for k, n in enumerate((3, 9, 0, 14, 5, 5, 31, 2, 8, 8, 8, 1, 40, 2), start=1):
            ledger.add([make_rows(np.arange(float(n)), 50.0, np.full(n, RAIL_V))], [])
            if k % every == 0:
                ledger.judge_ready()
    assert blocks[0] == blocks[1]
    assert len(blocks[0]) > 3


def test_what_waits_takes_no_memory_and_comes_back_as_it_was() -> None:
    rows = [make_rows(np.arange(1000.0) + 1000 * k, 50.0, np.full(1000, RAIL_V)) for k in range(2)]
    n_bytes = sum(column.nbytes for column in rows[0].columns.values())
    waiting = clip_ledger._Waiting()
    tracemalloc.start()
    for k in range(40):
        waiting.append([rows[k % 2]], [])
    held_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held_bytes < 2 * clip_ledger.ASIDE_BYTES
    assert 40 * n_bytes > 8 * clip_ledger.ASIDE_BYTES
    table, _ = waiting.take(3)
    assert np.array_equal(table["start_s"], np.concatenate([rows[k]["start_s"] for k in (0, 1, 0)]))
    table, _ = waiting.take(1)
    assert np.array_equal(table["start_s"], rows[1]["start_s"])
    assert waiting.sizes == 36 * [1000]


def test_stretches_are_let_go_of_before_a_block_is_judged(
    output_v: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clip_ledger, "AT_ONCE", 150)
    n_alive: list[int] = []
    judge = ClipLedger._judge

    def counted(self: ClipLedger, n_stretches: int, is_last: bool = False) -> None:
        gc.collect()
        n_alive.append(sum(isinstance(thing, Screened) for thing in gc.get_objects()))
        judge(self, n_stretches, is_last)

    monkeypatch.setattr(ClipLedger, "_judge", counted)
    detect(output_v)
    assert len(n_alive) > 2
    assert max(n_alive) == 0


@pytest.mark.skipif(sys.version_info < (3, 11), reason="Python 3.10 keeps a call's arguments until it returns")
def test_a_block_is_let_go_of_as_soon_as_it_is_taken_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    judge = clip_ledger.judge
    seen: list[bool] = []

    def look(table: Candidates, crests: list[HighCrests]) -> Verdicts:
        rows = weakref.ref(table.supply)
        few = table.take(np.zeros(len(table), dtype=bool))
        del table
        seen.append(rows() is None)
        return judge(few, crests)

    monkeypatch.setattr(clip_ledger, "judge", look)
    ledger = ClipLedger()
    ledger.add([make_rows(np.arange(5.0), 50.0, np.full(5, RAIL_V))], [])
    ledger.finish()
    assert seen == [True]
