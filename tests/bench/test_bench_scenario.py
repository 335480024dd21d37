"""The built-in scenarios: their truth checked against the runs they were made from, and what each promises."""

import itertools
from functools import cache

import numpy as np
import pytest
from ampwitness.bench.board_model import BoardModel
from ampwitness.bench.scenario import RATE_HZ, Scenario, scenario, scenario_names
from ampwitness.bench.truth import centred_mean, find_true_dips
from ampwitness.errors import UsageError


@cache
def made_once(name: str, seed: int | None) -> Scenario:
    return scenario(name, seed)


def made(name: str, seed: int | None = None) -> Scenario:
    return made_once(name, seed)


@pytest.mark.parametrize("name", scenario_names())
def test_clips_are_where_the_output_is_at_its_ceiling_and_nowhere_else(name: str) -> None:
    run = made(name).drive
    is_clipped = np.zeros(len(run.output_v), dtype=bool)
    for clip in made(name).truth.clips:
        first, last = int(np.ceil(clip.start_s * RATE_HZ)), int(np.ceil(clip.stop_s * RATE_HZ))
        assert not is_clipped[first:last].any()
        is_clipped[first:last] = True
        sign = 1 if clip.polarity == "positive" else -1
        assert np.allclose(run.limited_v[first:last], sign * run.ceiling_v[first:last])
        crest = np.abs(run.wanted_v[first:last]).max()
        assert clip.overdrive_db == pytest.approx(20 * np.log10(crest / abs(clip.plateau_v)), abs=0.1)
    assert np.array_equal(is_clipped, np.abs(run.wanted_v) > run.ceiling_v)


@pytest.mark.parametrize("name", scenario_names())
def test_sag_is_that_of_the_noise_free_supply(name: str) -> None:
    supply_v = made(name).drive.supply.supply_v
    notes = made(name).truth.notes
    assert len(notes) > 25 or (name == "gain_turned" and len(notes) == 1)
    for note in notes:
        at = round(note.begins_s * RATE_HZ)
        during = supply_v[round(note.start_s * RATE_HZ) : round(note.stop_s * RATE_HZ) + 1]
        assert note.supply_before_v == pytest.approx(supply_v[at - RATE_HZ // 20 : at].mean())
        assert note.supply_lowest_v == during.min()
        assert note.sag_v == note.supply_before_v - note.supply_lowest_v
        assert 20 < note.pitch_hz < 120
    for before, after in itertools.pairwise(notes):
        assert before.stop_s < after.start_s


@pytest.mark.parametrize("seed", [None, 5])
def test_the_demo_holds_what_it_promises(seed: int | None) -> None:
    demo = made("demo", seed)
    truth, run = demo.truth, demo.drive
    assert demo.stimulus.duration_s == 40.0
    assert demo.roles == ("out_p", "out_n", "supply")
    assert demo.stimulus.roles == ("out_p", "out_n", "supply", "remote")

    def clips_between(start_s: float, stop_s: float) -> list[float]:
        return [clip.overdrive_db for clip in truth.clips if start_s <= clip.start_s < stop_s]

    assert clips_between(0, 12) == []
    assert clips_between(28, 40) == []
    driven = clips_between(12, 20.5)
    assert len(driven) > 50
    assert max(driven) > 3.5
    assert min(driven) < 0.5
    # In the supply passage every wanted crest fits under the ceiling of a rested supply.
    assert len(clips_between(20.5, 28)) > 50
    in_passage = slice(round(20.5 * RATE_HZ), 28 * RATE_HZ)
    assert np.abs(run.wanted_v[in_passage]).max() < 3.0 * 12.5 - 1.0
    (cutout,) = truth.cutouts
    assert cutout.cause == "supply voltage too low"
    assert 1.2 < cutout.stop_s - cutout.start_s < 2.0
    # Dips stand clear of the threshold, so that 1 % of gain error neither hides nor invents one.
    assert len(truth.dips) == 9
    assert max(dip.residual_v for dip in truth.dips) < 0.9 * 12.6 - 0.2
    outside = centred_mean(run.supply.supply_v, 480)
    for dip in truth.dips:
        outside[round((dip.start_s - 0.02) * RATE_HZ) : round((dip.stop_s + 0.02) * RATE_HZ)] = np.inf
    assert outside.min() > 0.9 * 12.6 + 0.15


def test_the_clean_scenario_has_nothing_but_notes() -> None:
    truth = made("clean").truth
    assert truth.clips == truth.dips == truth.cutouts == ()


def test_the_running_engine_charges_and_ripples() -> None:
    run = made("engine_running").drive
    quiet = run.supply.supply_v[: RATE_HZ // 2]
    assert 13.5 < quiet.mean() < 14.5
    assert 0.01 < np.ptp(quiet) < 0.1
    assert made("engine_running").truth.clips
    assert not made("engine_running").truth.dips


@pytest.mark.parametrize("name", ["clean", "engine_running"])
def test_a_seed_decides_everything(name: str) -> None:
    again = scenario(name)
    assert again.truth == made(name).truth
    assert np.array_equal(again.stimulus.volts(0, 10**6), made(name).stimulus.volts(0, 10**6))


def test_the_board_takes_the_demo_without_reaching_a_rail() -> None:
    demo = made("demo")
    assert BoardModel(demo.stimulus, demo.roles, "bass").n_scans == 40 * 64_000
    codes = BoardModel(demo.stimulus, demo.roles, "bass", start_s=12.0).conversions(9 * 192_000)  # the loudest part
    assert codes.min() > 0
    assert codes.max() < 4095


def test_unknown_scenario() -> None:
    with pytest.raises(UsageError, match="unknown scenario 'loud'; the scenarios are demo, clean, engine_running"):
        scenario("loud")


def vector(*spans: tuple[float, float, float]) -> np.ndarray:
    """1 kS/s of 13.8 V with spans (start_s, stop_s, volts)."""
    volts = np.full(20_000, 13.8)
    for start_s, stop_s, level_v in spans:
        volts[round(start_s * 1000) : round(stop_s * 1000)] = level_v
    return volts


def test_dips_by_threshold_and_hysteresis() -> None:
    # The same vectors went through ObsPy's trigger_onset (two thresholds): 12.42 V, hysteresis 0.276 V; all exact.
    spans = [(2.0, 2.2, 11.5), (5.0, 5.05, 10.0), (5.1, 5.3, 11.0), (10.0, 13.0, 12.1), (15.0, 15.01, 9.0)]
    volts = vector(*spans)
    volts[17_000:17_500] = np.tile(np.repeat([12.35, 12.55], 5), 50)
    dips = find_true_dips("supply", volts, 1000, 13.8, mean_s=0.001)
    expected = [*spans, (17.0, 17.5, 12.35)]
    assert [(dip.start_s, dip.stop_s) for dip in dips] == [(start, stop) for start, stop, _ in expected]
    assert [dip.residual_v for dip in dips] == pytest.approx([level for _, _, level in expected])
