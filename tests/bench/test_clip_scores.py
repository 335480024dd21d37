"""The scores' own arithmetic: matching, bounds, and that what is scored is what it says."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_material, clip_sets, clip_signals
from ampwitness.bench.amplifier_flats import TrueFlat
from ampwitness.bench.clip_cases import BASS_RATE_HZ, ScoredCase, make_case, play_source_clipped
from ampwitness.bench.clip_matching import BANDS_DB, Tally, match
from ampwitness.bench.clip_scores import false_bound_per_hour, lines_of
from ampwitness.types import Finding, NotJudged

RATE_HZ = 48_000.0


def case_with(flats: tuple[TrueFlat, ...], has_square_tops: bool = False) -> ScoredCase:
    silence = np.zeros(4800)
    rng = np.random.default_rng(1)
    return make_case("made", rng, silence, silence + 12.0, flats, has_square_tops=has_square_tops)


def flat(start_s: float, length_s: float, half_cycle: int, overdrive_db: float = 0.5, **more: object) -> TrueFlat:
    return TrueFlat(start_s, start_s + length_s, "positive", overdrive_db, 10.0, half_cycle, **more)  # type: ignore[arg-type]


def finding(start_s: float, stop_s: float, overdrive_db: float = 0.5, **measured: object) -> Finding:
    values = {"polarity": "positive", "overdrive_db": overdrive_db, **measured}
    return Finding("clip", start_s, stop_s, "attention", values, {}, {"where": "amplifier"})  # type: ignore[arg-type]


def matched(flats: tuple[TrueFlat, ...], found: list[Finding], **options: object) -> Tally:
    tally = Tally()
    match(case_with(flats, **options), found, (), 0.0005, tally)  # type: ignore[arg-type]
    return tally


def test_two_flats_of_one_half_cycle_are_one_item() -> None:
    flats = (flat(1.0, 0.0010, 1, 0.3), flat(1.002, 0.0006, 1, 0.8), flat(1.02, 0.001, 2))
    tally = matched(flats, [finding(1.002, 1.0026, 0.8)])
    assert tally.n_true.total() == 2
    assert tally.n_hit.total() == 1
    assert tally.n_right == 1
    assert [missed.half_cycle for _, missed in tally.missed] == [2]


def test_one_finding_over_both_flats_is_measured_against_both() -> None:
    flats = (flat(1.0, 0.0010, 1, 0.3), flat(1.002, 0.0006, 1, 0.8))
    tally = matched(flats, [finding(1.0001, 1.0026, 0.7)])
    assert tally.start_error_s == pytest.approx([0.0001])
    assert tally.overdrive_error_db == pytest.approx([0.1])


def test_a_finding_is_named_right_by_the_flat_under_it_not_by_the_longest_of_its_half_cycle() -> None:
    flats = (flat(1.0, 0.004, 1, ceiling="rail"), flat(1.006, 0.0008, 1, ceiling="current"))
    tally = matched(flats, [finding(1.006, 1.0067, ceiling="current")])
    assert tally.ceilings == {("current", "current"): 1}
    assert matched(flats, [finding(1.0, 1.004, ceiling="current")]).ceilings == {("rail", "current"): 1}


def test_short_flats_count_for_precision_only() -> None:
    tally = matched((flat(1.0, 0.0003, 1),), [finding(1.0, 1.0003)])
    assert tally.n_true.total() == 0
    assert (tally.n_right, tally.n_false) == (1, 0)


def test_finding_beside_a_flat_or_of_the_other_sign_is_false() -> None:
    flats = (flat(1.0, 0.001, 1),)
    assert matched(flats, [finding(1.0013, 1.002)]).n_false == 1
    assert matched(flats, [finding(1.0011, 1.002)]).n_false == 0  # within 0.2 ms
    assert matched(flats, [finding(1.0, 1.001, polarity="negative")]).n_false == 1


def test_soft_flats_that_are_not_scored_count_neither_way() -> None:
    tally = matched((flat(1.0, 0.002, 1, 0.2, is_scored=False),), [finding(1.0, 1.002)])
    assert (tally.n_right, tally.n_false, tally.n_ignored, tally.n_true.total()) == (0, 0, 1, 0)


def test_square_tops_may_be_reported_but_not_blamed_on_the_amplifier() -> None:
    blamed, told = finding(1.0, 1.002), finding(1.0, 1.002, origin="source")
    assert matched((), [blamed], has_square_tops=True).n_false == 1
    assert matched((), [told], has_square_tops=True).n_false == 0
    assert matched((), [told]).n_false == 1


def test_half_cycles_not_judged_are_left_out_and_counted() -> None:
    tally = Tally()
    match(case_with((flat(1.0, 0.001, 1),)), (), (NotJudged(0.9, 1.1, "gap"),), 0.0005, tally)
    assert (tally.n_true.total(), tally.n_left_out) == (0, 1)


def test_band_and_interval_are_those_of_the_longest_flat() -> None:
    found = finding(1.0, 1.002, 0.2, overdrive_low_db=0.1, overdrive_high_db=0.15)
    tally = matched((flat(1.0, 0.002, 1, 0.2),), [found])
    assert tally.n_true[BANDS_DB[1]] == 1
    assert tally.interval_holds == [False]


# One-sided 95 % limits of a Poisson mean as tabulated (Garwood 1936 and later tables): 2.996, 4.744, 6.296, 7.754.
@pytest.mark.parametrize(("n", "limit"), [(0, 2.996), (1, 4.744), (2, 6.296), (3, 7.754)])
def test_bound_is_the_tabulated_poisson_limit(n: int, limit: float) -> None:
    assert false_bound_per_hour(n, 2.0) == pytest.approx(limit / 2, abs=3e-4)


def test_goal_not_met_says_so() -> None:
    tally = matched((flat(1.0, 0.001, 1), flat(1.02, 0.001, 2)), [finding(1.0, 1.001)])
    tally.seconds = 2.0
    lines = {line.what: line for line in lines_of("bass", tally)}
    assert lines["recall, 0.25 to 1 dB"].is_met is False
    assert "NOT MET" in lines["recall, 0.25 to 1 dB"].text()
    assert lines["precision"].is_met is True


# ---- what is played


def test_seeds_for_tuning_are_never_scored() -> None:
    assert not set(clip_sets.TUNING_SEEDS) & (set(clip_sets.SCORED_SEEDS) | set(clip_sets.CLEAN_SEEDS))


def test_limiter_cuts_no_crest_off() -> None:
    rng = np.random.default_rng(5)
    x = clip_material.notes(rng, 5.0, RATE_HZ)
    y = clip_material.limited(x, RATE_HZ, 6.0)
    assert np.max(np.abs(y)) == pytest.approx(1.0)
    loud = np.abs(y) > 0.99
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate(([0], loud.astype(int), [0])))))[::2]
    # a 37 Hz sine stays within 1 % of its crest for 1.2 ms; a cut-off one far longer
    assert runs.max() / RATE_HZ < 0.003
    assert np.sqrt(np.mean(y**2)) > 1.3 * np.sqrt(np.mean((x / np.max(np.abs(x))) ** 2))


@pytest.mark.parametrize("name", ["bass", "hostile", "stages", "unusual"])
def test_cases_are_the_same_for_a_seed_and_hold_truth(name: str) -> None:
    case = next(iter(clip_sets.recipes(name)))
    first, again = (clip_sets.make(name, case, 100, 3.0) for _ in range(2))
    assert np.array_equal(first.stimulus.role_v("out_p"), again.stimulus.role_v("out_p"))
    assert first.flats == again.flats
    other = clip_sets.make(name, case, 101, 3.0)
    assert not np.array_equal(first.stimulus.role_v("out_p"), other.stimulus.role_v("out_p"))


def test_case_through_the_board_keeps_time_and_volts() -> None:
    rng = np.random.default_rng(2)
    volts = 20 * clip_signals.tone(rng, 2.0, RATE_HZ, 50.0)
    case = make_case("tone", rng, volts, np.full_like(volts, 12.5), (), common_v=5.0)
    windows = list(case.windows(1.0))
    seen = np.concatenate([window.traces["output"].segments[0].volts for window in windows])
    start_s = windows[0].traces["output"].segments[0].start_s
    t = start_s + np.arange(len(seen)) / windows[0].rate_hz
    true = np.interp(t, np.arange(len(volts)) / RATE_HZ, volts)
    gain = float(seen @ true / (true @ true))
    assert gain == pytest.approx(1.0, abs=0.02)
    assert np.std(seen - gain * true) < 0.12


def test_clean_material_is_clean_and_as_long_as_asked() -> None:
    cases = list(clip_sets.iter_clean(130.0))
    assert [round(case.stimulus.duration_s) for case in cases] == [120, 10]
    assert all(case.flats == () for case in cases)


def test_a_source_that_was_cut_off_at_one_level_only_counts_as_what_nothing_can_tell() -> None:
    t = np.arange(round(4 * BASS_RATE_HZ)) / BASS_RATE_HZ

    def origins(size: np.ndarray, has_supply: bool = True) -> set[str]:
        rng = np.random.default_rng(1)  # half the volume after two seconds
        drive = size * np.sin(2 * np.pi * 50 * t)
        case = play_source_clipped("source", rng, drive, over_db=3.0, has_supply=has_supply)
        return {flat.origin for flat in case.flats}

    assert origins(np.where(t % 2 < 1, 1.0, 0.1)) == {"source"}  # cut off under two settings of the volume
    assert origins(np.where((t > 2.3) & (t < 3.5), 1.0, 0.1)) == {"either"}
    assert origins(np.where((t > 2.3) & (t < 3.5), 1.0, 0.7)) == {"source"}  # something loud stands above it
    # Without the supply a follower at 10.5 to 14.55 V explains 1.39 times, and no more.
    somewhat_above = np.where((t > 2.3) & (t < 3.5), 1.0, 0.4)  # by 1.2 times
    assert origins(somewhat_above) == {"source"}
    assert origins(somewhat_above, has_supply=False) == {"either"}
    assert origins(np.where(t % 2 < 1, 1.0, 0.1), has_supply=False) == {"source"}
