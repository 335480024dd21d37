"""Ceilings behind a capacitor: a half-supply output, and a source that clips ahead of its coupling capacitor."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets, clip_signals
from ampwitness.bench.amplifier import Amplifier, Guard, Rails, ResistorLoad
from ampwitness.bench.clip_matching import score_case
from ampwitness.bench.drive import drive
from ampwitness.bench.event_signals import MODEL_RATE_HZ
from ampwitness.bench.music import bass_line, play
from ampwitness.bench.supply_signals import log_roles
from ampwitness.bench.vehicle_supply import VehicleSupply
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clip_ahead, clipping
from ampwitness.detect.clips.bent.clip_coupled import find_coupling, held_back
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates
from ampwitness.detect.result import DetectorResult
from ampwitness.waveform.recursion import follow
from scipy import signal

RATE_HZ = 8000.0
HIGH_HZ = RATE_HZ * clip_signals.OVERSAMPLING
CEILING_V = 12.0


def through_capacitor(ahead_v: np.ndarray, corner_hz: float) -> np.ndarray:
    """A first-order high-pass by scipy."""
    top, bottom = signal.butter(1, corner_hz, "high", fs=HIGH_HZ)
    return np.asarray(signal.lfilter(top, bottom, ahead_v))


def detect(output_v: np.ndarray, window_s: float = 10.0, supply_v: np.ndarray | None = None) -> DetectorResult:
    detector = clipping.ClippingDetector()
    supply_v = np.full(len(output_v), 12.6) if supply_v is None else supply_v
    roles = {"output": output_v.astype(np.float32), "supply": supply_v.astype(np.float32)}
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def cut_music(corner_hz: float, over_db: float, seed: int = 41, seconds: float = 12.0) -> tuple[np.ndarray, np.ndarray]:
    """What is wanted ahead of the capacitor, and what is logged behind it."""
    rng = np.random.default_rng(seed)
    drive = clip_signals.bass_line(rng, seconds, HIGH_HZ)
    wanted = drive / np.max(np.abs(drive)) * CEILING_V * 10 ** (over_db / 20)
    return wanted, clip_signals.log(rng, through_capacitor(np.clip(wanted, -CEILING_V, CEILING_V), corner_hz))


@pytest.mark.parametrize("corner_hz", [3.0, 8.0, 20.0])
def test_what_a_capacitor_held_back_is_added_again(corner_hz: float) -> None:
    rng = np.random.default_rng(1)
    slow, fast = signal.butter(2, [5, 120], "band", fs=HIGH_HZ)
    ahead = signal.lfilter(slow, fast, rng.standard_normal(round(20 * HIGH_HZ)))
    ahead *= 10 / np.max(np.abs(ahead))
    behind = through_capacitor(ahead, corner_hz)[:: clip_signals.OVERSAMPLING].astype(np.float32)
    again = behind + held_back(behind, RATE_HZ, 2 * np.pi * corner_hz)
    inner = slice(round(2 * RATE_HZ), -round(2 * RATE_HZ))
    error = again[inner] - ahead[:: clip_signals.OVERSAMPLING][inner]
    assert np.sqrt(np.mean(error**2)) < 0.02 * np.sqrt(np.mean(ahead**2))


@pytest.mark.parametrize("corner_hz", [5.0, 12.0, 20.0])
def test_cut_off_half_cycles_are_found_behind_a_capacitor(corner_hz: float) -> None:
    wanted, logged = cut_music(corner_hz, 4.0, seconds=20.0)
    result = detect(logged)
    assert result.summary["coupling_hz"] == pytest.approx(corner_hz, rel=0.1)
    assert any("coupling capacitor" in remark for remark in result.summary["remarks"])
    is_over = np.abs(wanted) > CEILING_V
    edges = np.flatnonzero(np.diff(is_over.astype(int), prepend=0, append=0))
    starts, stops = edges[::2] / HIGH_HZ, edges[1::2] / HIGH_HZ
    long = stops - starts >= 0.0008
    found = np.array([f.start_s for f in result.findings])
    hits = [bool(np.any((found >= a - 0.001) & (found <= b))) for a, b in zip(starts[long], stops[long], strict=True)]
    assert len(hits) > 40
    assert np.mean(hits) >= 0.9
    false = [t for t in found if not np.any((t >= starts - 0.001) & (t <= stops + 0.001))]
    assert len(false) <= 0.02 * len(found)


def test_crests_of_the_other_polarity_that_no_fit_describes_do_not_hide_a_capacitor() -> None:
    n = 40
    columns = {name: np.zeros(n) for name in FIELDS}
    is_cut, falls = np.arange(n) < 20, 3.0 * np.arange(n)
    columns |= {
        "sign": np.where(is_cut, -1.0, 1.0), "level_v": np.full(n, 20.0), "gain": np.where(is_cut, 2000.0, 100.0),
        "misfit": np.where(np.arange(n) < 22, 1.2, 15.0), "tilt_v_per_s": -20 * np.where(is_cut, 31.0, falls),
        "stop_s": np.full(n, 0.002), "flank_v_per_s": np.full(n, 9e3), "flatter_flank_ratio": np.ones(n),
    }  # fmt: skip
    table = Candidates(columns, np.zeros((n, 4)), np.zeros((n, 4)))
    assert find_coupling([table]) == pytest.approx(31.0)
    columns["misfit"] = np.full(n, 1.2)  # plateaus on both sides, and they fall as they like
    assert find_coupling([table]) is None


def test_volts_are_those_at_the_terminals_and_their_sum_with_what_was_held_is_the_ceiling() -> None:
    _, logged = cut_music(12.0, 4.0)
    found = [f for f in detect(logged).findings if f.measured["flat_s"] > 0.0015]
    assert len(found) > 20
    ahead = [abs(float(f.measured["plateau_v"]) + float(f.evidence["held_back_v"])) for f in found]
    assert np.median(ahead) == pytest.approx(CEILING_V, rel=0.03)
    slopes = []
    for f in found:
        middle = round((f.start_s + f.stop_s) / 2 * RATE_HZ)
        assert float(f.measured["plateau_v"]) == pytest.approx(
            float(np.mean(logged[middle - 1 : middle + 2])), rel=0.03
        )
        inside = np.arange(np.ceil(f.start_s * RATE_HZ) + 2, f.stop_s * RATE_HZ - 2).astype(int)
        slope = np.polyfit(inside / RATE_HZ, logged[inside], 1)[0]
        told = float(f.measured["plateau_slope_v_per_s"])
        slopes.append((told, slope, told + f.evidence["held_back_v_per_s"]))
        over_db = 20 * np.log10(float(f.measured["crest_v"]) / float(f.measured["plateau_v"]))
        assert f.measured["overdrive_db"] == pytest.approx(over_db, abs=1e-6)
    told, seen, ahead_of_it = np.abs(np.array(slopes)).T
    assert np.median(seen) > 500  # volts a second at the terminals; ahead of the capacitor the ceiling stands
    assert np.median(np.abs(told / seen - 1)) < 0.1
    assert np.median(ahead_of_it) < 0.2 * np.median(seen)


def test_without_a_capacitor_none_is_seen_and_clean_music_behind_one_stays_clean() -> None:
    rng = np.random.default_rng(43)
    drive = clip_signals.bass_line(rng, 12.0, HIGH_HZ)
    wanted = drive / np.max(np.abs(drive)) * CEILING_V * 1.5
    plain = detect(clip_signals.log(rng, np.clip(wanted, -CEILING_V, CEILING_V)))
    assert len(plain.findings) > 20
    assert plain.summary["coupling_hz"] is None
    clean = detect(clip_signals.log(rng, through_capacitor(wanted, 12.0)))
    assert len(clean.findings) == 0


def test_how_windows_are_cut_changes_nothing() -> None:
    _, logged = cut_music(12.0, 4.0, seconds=8.0)
    first, second = (list(detect(logged, window_s).findings) for window_s in (1.0, 10.0))
    assert first == second
    assert len(first) > 20


def test_a_half_supply_output_is_read_through_its_capacitor(monkeypatch: pytest.MonkeyPatch) -> None:
    case = clip_sets.make("stages", "half-supply output behind its capacitor", 106, 10.0)
    tally = score_case(case, 0.0005)
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 40
    assert tally.n_false == 0
    monkeypatch.setattr(clip_ahead, "guess_coupling", lambda sides: None)
    assert score_case(case, 0.0005).n_hit.total() < 0.1 * tally.n_true.total()


def test_a_rail_that_sinks_with_its_supply_is_no_capacitor(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reservoir of a millisecond on a supply of 24 mohm: tops of both polarities fall alike, as the supply does."""
    rng = np.random.default_rng(3)
    supply = VehicleSupply(emf_v=12.6, battery_ohm=0.015, plus_cable_ohm=0.005, return_cable_ohm=0.004)
    amplifier = Amplifier(
        gain_ratio=30.0, rails=Rails(ratio=2.5, reservoir_s=0.001, loss_v=1.0), load=ResistorLoad(1.8),
        efficiency=0.75, idle_w=10.0, under_voltage=Guard(off_at=4.0, on_at=5.0, hold_s=1.0),
    )  # fmt: skip
    source_v, _ = play(bass_line(rng, 0.5, 9.5, peaks=(0.8, 1.2), beat_s=0.5), 10.0, MODEL_RATE_HZ, rng)
    volts = log_roles(rng, drive(amplifier, supply, source_v, MODEL_RATE_HZ))
    result = detect(volts["output"], supply_v=volts["supply"])
    assert result.summary["coupling_hz"] is None
    assert result.summary["rail_model"]["positive"]["kind"] == "follows supply"
    monkeypatch.setattr(clip_ahead, "falls_with_supply", lambda *_: False)
    assert detect(volts["output"], supply_v=volts["supply"]).summary["coupling_hz"] is not None


def test_a_capacitor_is_still_seen_beside_a_supply_that_sags_with_the_music() -> None:
    _, logged = cut_music(5.0, 4.0, seconds=20.0)
    power = follow(logged.astype(float) ** 2 / CEILING_V**2, np.exp(-1 / (RATE_HZ * 0.002)))
    result = detect(logged, supply_v=12.6 - 1.5 * power)
    assert result.summary["coupling_hz"] == pytest.approx(5.0, rel=0.1)


@pytest.mark.parametrize("seed", [9950, 9968])  # 0 of 47 and of 247 where a capacitor was believed
def test_square_notes_whose_tips_pile_up_at_a_ceiling_are_read_at_the_terminals(seed: int) -> None:
    """Tilted by a high-pass before the amplifier, lightly cut off by it: ahead of that the notes lie level, each at its
    own height."""
    tally = score_case(clip_sets.make("hostile", "square bass", seed, 10.0), 0.0005)
    n_true = sum(tally.n_true.values())
    assert n_true > 40
    assert sum(tally.n_hit.values()) >= 0.95 * n_true
    assert tally.n_false == 0
