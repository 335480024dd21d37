"""Limits of an output stage's current into a loudspeaker, and the load that is learned from them."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from ampwitness.bench import clip_sets, clip_signals
from ampwitness.bench.clip_cases import ScoredCase
from ampwitness.bench.clip_matching import Tally, match
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.second import clip_current
from ampwitness.detect.clips.second.clip_current import BOTH, mark_rails_behind
from ampwitness.detect.clips.second.load_current import learn_load
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates
from ampwitness.detect.result import DetectorResult
from ampwitness.types import TraceWindow
from scipy import signal

RATE_HZ = 8000.0


def detect(windows: Iterator[TraceWindow] | list[TraceWindow]) -> DetectorResult:
    detector = clipping.ClippingDetector()
    for window in windows:
        detector.push(window)
    return detector.finish()


@pytest.fixture(scope="module")
def limited() -> ScoredCase:
    return clip_sets.make("stages", "current limit into a loudspeaker", 105, 3.0)


def score(case: ScoredCase, result: DetectorResult) -> Tally:
    tally = Tally()
    match(case, result.findings, result.coverage.not_judged, 0.0005, tally)
    return tally


def test_bites_out_of_flanks_are_found_and_named_a_limit_of_the_current(
    limited: ScoredCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    windows = list(limited.windows())
    tally = score(limited, detect(windows))
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 50
    assert tally.n_false <= 0.05 * tally.n_hit.total()
    assert tally.ceilings[("current", "current")] == tally.n_hit.total()
    assert tally.origins[("amplifier", "amplifier")] == tally.n_hit.total()
    assert np.percentile(tally.start_error_s, 90) < 2e-4
    assert np.mean(tally.interval_holds) >= 0.9
    monkeypatch.setattr(clipping, "find_current_limited", lambda sides: [])
    assert score(limited, detect(windows)).n_hit.total() < 0.1 * tally.n_true.total()


def test_how_windows_are_cut_changes_no_bite(limited: ScoredCase) -> None:
    first, second = (list(detect(limited.windows(window_s)).findings) for window_s in (1.0, 10.0))
    assert len(first) > 50
    assert first == second


def test_a_load_is_learned_from_where_its_current_reaches_one_size_and_from_nothing_else() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(round(6 * RATE_HZ)) / RATE_HZ
    swell = 1 + 0.5 * np.sin(2 * np.pi * 0.7 * t)
    volts = swell * np.sin(2 * np.pi * (40 * t + 8 * t**2)) + 0.3 * np.sin(2 * np.pi * 71 * t)
    w, electrical, mechanical, coil_s = 2 * np.pi * 45, 0.8, 6.0, 3e-4
    motion = np.array([1 / w**2, 1 / (w * mechanical), 1.0])
    whole = np.polyadd(np.polymul([coil_s, 1.0], motion), [1 / (w * electrical), 0.0])
    current = signal.lfilter(*signal.bilinear(motion, whole, RATE_HZ), volts)
    over = np.abs(current) > 0.8
    knees = np.flatnonzero(over[1:] & ~over[:-1] & (current * volts > 0)[1:]) - 1
    volts = volts.astype(np.float32)
    load = learn_load(volts, RATE_HZ, knees, np.ones(len(knees)))
    assert load is not None
    assert load.resonance_hz == pytest.approx(45, rel=0.1)
    assert np.corrcoef(load.current(volts), current)[0, 1] > 0.999  # held, it would not rise on
    anywhere = np.sort(rng.choice(np.flatnonzero(np.abs(volts) > 0.5), len(knees), replace=False))
    assert learn_load(volts, RATE_HZ, anywhere, np.ones(len(anywhere))) is None
    assert learn_load(volts, RATE_HZ, knees[:4], np.ones(4)) is None


def _fold_back(drive_v: np.ndarray, rate_hz: float, least_a: float, rise_a_per_v: float) -> tuple[np.ndarray, ...]:
    """Volts at a loudspeaker (1.7 ohm, 10.7 ohm at its resonance of 30 Hz, Q 4 there: from memory, no source), and
    where the current was held, of a stage that allows `least_a` and `rise_a_per_v` more for each volt of output."""
    w = 2 * np.pi * 30
    motion = np.array([1, w / 4, w * w])
    (b0, b1, b2), (_, a1, a2) = signal.bilinear(motion, 1.7 * motion + np.array([0, 9 * w / 4, 0]), rate_hz)
    volts, held = np.array(drive_v), np.zeros(len(drive_v), dtype=bool)
    first = second = before_v = 0.0
    for k, wanted_v in enumerate(drive_v):
        most_a = least_a + rise_a_per_v * abs(before_v)
        current = b0 * wanted_v + first
        if abs(current) > most_a:
            current, held[k] = np.copysign(most_a, current), True
            wanted_v = (current - first) / b0
        volts[k] = before_v = wanted_v
        first, second = b1 * wanted_v - a1 * current + second, b2 * wanted_v - a2 * current
    return volts, held


@pytest.mark.parametrize("folds", [True, False])
def test_a_limit_that_folds_back_into_a_loudspeaker_is_found(folds: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(7)
    high_hz = RATE_HZ * clip_signals.OVERSAMPLING
    t = np.arange(round(6 * high_hz)) / high_hz
    drive = 17 * (1 + 0.4 * np.sin(2 * np.pi * 0.9 * t)) * np.sin(2 * np.pi * (44 * t + 2 * t**2))
    volts, held = _fold_back(drive, high_hz, 3.0, 0.086)
    if not folds:
        monkeypatch.setattr(clip_current, "learn_load", lambda *given, folds: None if folds else learn_load(*given))
    logged = clip_signals.log(rng, volts)
    roles = {"output": logged.astype(np.float32), "supply": np.full(len(logged), 12.6, dtype=np.float32)}
    findings = detect(iter_windows_from_arrays(roles, RATE_HZ, window_s=10.0)).findings
    edges = np.flatnonzero(np.diff(held.astype(int), prepend=0, append=0)) / high_hz
    long = edges[1::2] - edges[::2] > 0.001
    middles = np.array([(one.start_s + one.stop_s) / 2 for one in findings])
    n_hit = sum(
        bool(np.any((middles > start_s) & (middles < stop_s)))
        for start_s, stop_s in zip(edges[::2][long], edges[1::2][long], strict=True)
    )
    assert np.count_nonzero(long) > 200
    if not folds:
        assert n_hit == 0
        return
    assert n_hit > 0.9 * np.count_nonzero(long)
    assert len(findings) < 1.05 * np.count_nonzero(long)
    assert {one.measured["ceiling"] for one in findings} <= {"current", "undecided"}


def test_steep_notes_that_nothing_limits_are_none() -> None:
    rng = np.random.default_rng(6)
    high_hz = RATE_HZ * clip_signals.OVERSAMPLING
    drive = clip_signals.saw_bass(rng, 6.0, high_hz)
    logged = clip_signals.log(rng, 30 * drive / np.max(np.abs(drive)))
    roles = {"output": logged.astype(np.float32), "supply": np.full(len(logged), 12.6, dtype=np.float32)}
    assert len(detect(iter_windows_from_arrays(roles, RATE_HZ, window_s=10.0)).findings) == 0


def test_data_that_end_within_a_hold_are_looked_at_like_any_other() -> None:
    """A recording may end anywhere; parts of a rotated one did end there."""
    current = np.zeros(4000)
    current[1000:1010] = current[2000:2010] = current[3990:] = 1.5
    stretch = SimpleNamespace(output_v=20 * current, own_first=0, own_last=4000, rate_hz=RATE_HZ)
    side: Any = SimpleNamespace(stretch=stretch, sign=1.0, blocked=None, noise_v=0.01)
    load: Any = SimpleNamespace(spread=0.01)
    start, stop, _ = clip_current._spans(side, current, load)
    assert start == pytest.approx([1000, 2000], abs=2.0)
    assert stop == pytest.approx([1010, 2010], abs=2.0)


def test_a_hold_with_a_level_top_or_a_plateau_behind_it_is_no_limit_of_the_current_alone() -> None:
    def marked(
        is_coarse: float, plateau_s: tuple[float, float] = (0.5, 0.501), sign: float = 1.0, is_faint: bool = False
    ) -> float:
        """What is said of a hold from 0.0100 to 0.0115 s, with a plateau that another look saw."""
        columns = {name: np.zeros(2) for name in FIELDS}
        spans = np.array([(0.0100, 0.0115), plateau_s])
        columns |= {"start_s": spans[:, 0], "stop_s": spans[:, 1], "is_coarse": np.array([is_coarse, 0.0])}
        columns |= {"sign": np.array([1.0, sign]), "limited": np.array([1.0, 0.0])}
        columns |= {"gain": np.array([0.0, 25.0 if is_faint else 500.0])}
        return float(mark_rails_behind(Candidates(columns, np.ones((2, 4)), np.ones((2, 4))))["limited"][0])

    assert marked(0.0) == BOTH  # a top was fitted
    assert marked(1.0) == 1.0  # a bridge: nothing was
    assert marked(1.0, (0.0108, 0.0135)) == BOTH  # the volts were held on
    assert marked(1.0, (0.0108, 0.0135), sign=-1.0) == 1.0
    assert marked(1.0, (0.0108, 0.0135), is_faint=True) == 1.0  # the crest to which the output came back
    assert marked(1.0, (0.0101, 0.0116)) == 1.0  # the same span, seen otherwise
