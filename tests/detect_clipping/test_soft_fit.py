"""Half-cycles bent over under a ceiling that tilts and bows within them."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.second import clip_soft
from ampwitness.detect.clips.second.soft_fit import Effort, Spreads, fit_lobes

NOISE_V = 0.03


def lobe(rng: np.random.Generator, drive: float, k: float, tilt: float, bow: float) -> np.ndarray:
    t = np.linspace(-1, 1, 45)
    ceiling = 30 * (1 + tilt * t + bow * (t**2 - 1 / 3))
    wanted = drive * 30 * np.cos(1.1 * t + 0.2 * t**2)
    bent = wanted / (1 + np.abs(wanted / ceiling) ** k) ** (1 / k)
    return np.asarray(bent + NOISE_V * rng.standard_normal(len(t)))


def test_ceiling_sharpness_and_what_is_missing_are_found_under_a_ceiling_that_tilts() -> None:
    rng = np.random.default_rng(4)
    drives = np.linspace(1.1, 1.6, 12)
    windows = [lobe(rng, drive, 10.0, 0.03, -0.01) for drive in drives]
    fits = fit_lobes(windows, NOISE_V, (5.0, 10.0, 22.0, 200.0))
    middle = np.median(fits.cost, axis=0)
    assert int(np.argmin(middle)) == 1
    assert middle[1] < 1.5 < 2 * middle[1] < middle[[0, 2, 3]].min()
    assert np.median(fits.ceiling_v[:, 1]) == pytest.approx(30, rel=0.01)
    assert np.median(fits.tilt[:, 1]) == pytest.approx(0.03, abs=0.006)
    assert np.median(np.abs(fits.drive[:, 1] / drives - 1)) < 0.03
    assert np.median(np.abs(fits.over_db[:, 1] - 2 * np.log10(1 + drives**10))) < 0.25
    level = fit_lobes(windows, NOISE_V, (5.0, 10.0, 22.0, 200.0), spreads=Spreads(tilt=1e-4, bow=1e-4))
    assert np.median(level.cost, axis=0).min() > 3 * middle[1]


def test_a_known_ceiling_tells_of_half_cycles_that_hardly_show_theirs() -> None:
    rng = np.random.default_rng(5)
    windows = [lobe(rng, 0.95, 10.0, 0.0, 0.0) for _ in range(20)]
    known = fit_lobes(windows, NOISE_V, (10.0,), np.full(20, 30.0), Spreads(0.005, 0.002, 0.002))
    np.testing.assert_allclose(known.over_db[:, 0], 2 * np.log10(1 + 0.95**10), atol=0.08)


def test_a_glance_settles_hard_corners_and_leaves_the_rest_to_a_look(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    asked: list[Effort] = []

    def counted(*args: object, effort: Effort, **options: object) -> object:
        asked.append(effort)
        return fit_lobes(*args, effort=effort, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(clip_soft, "fit_lobes", counted)
    for sharpness, n_looks in ((10.0, 2), (400.0, 1)):
        windows = [lobe(rng, drive, sharpness, 0.0, 0.0) for drive in np.linspace(1.1, 1.6, 8)]
        places = np.arange(len(windows))
        asked.clear()
        assert clip_soft._bends_at_all(clip_soft._Cut(windows, places, places), NOISE_V) == (n_looks == 2)
        assert asked == [clip_soft.GLANCE, Effort()][:n_looks]


def test_a_soft_knee_into_a_loudspeaker_is_found() -> None:
    tally = score_case(clip_sets.make("stages", "soft knee into a loudspeaker", 100, 4.0), 0.0005)
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 20
    assert tally.n_false == 0
    assert np.mean(tally.interval_holds) >= 0.9


@pytest.mark.parametrize("seed", [109, 112])  # all strong half-cycles alike; few of them
def test_a_soft_ceiling_is_found_where_little_shows_it(seed: int) -> None:
    tally = score_case(clip_sets.make("hostile", "soft clipping", seed, 10.0), 0.0005)
    assert tally.n_hit.total() >= 0.95 * tally.n_true.total() > 100
    assert tally.n_false == 0
    if seed == 109:  # short flanks are fitted more closely, by too sharp a law: 0.08 dB off
        assert np.median(tally.overdrive_error_db) < 0.03


def test_a_curve_that_turns_more_often_serves_bass_of_many_harmonics() -> None:
    t = np.linspace(-1, 1, 45)
    wanted = 45 * (np.cos(1.1 * t) + 0.1 * np.cos(5.5 * t + 0.4))
    noise_v = NOISE_V * np.random.default_rng(6).standard_normal(len(t))
    window = wanted / (1 + np.abs(wanted / 30) ** 10.0) ** 0.1 + noise_v
    simple, turning = (fit_lobes([window], NOISE_V, (10.0,), degree=degree).cost[0, 0] for degree in (5, 7))
    assert turning < 2
    assert simple > 5


def test_square_notes_are_not_driven_far_into_a_soft_ceiling() -> None:
    tally = score_case(clip_sets.make("hostile", "square bass", 9942, 10.0), 0.0005)
    assert tally.n_hit.total() >= 0.98 * tally.n_true.total() > 600
    assert tally.n_false <= 3  # 315 were bent by a law that drove half of them by 13 dB and more


def test_many_half_cycles_are_fitted_as_few_are_and_in_as_little_memory() -> None:
    rng = np.random.default_rng(8)
    windows = [lobe(rng, drive, 10.0, 0.0, 0.0) for drive in np.linspace(1.0, 1.6, 400)]
    sharpness = (2.0, 5.0, 10.0, 22.0, 200.0)
    few = fit_lobes(windows[:20], NOISE_V, sharpness)
    tracemalloc.start()
    many = fit_lobes(windows, NOISE_V, sharpness)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    np.testing.assert_array_equal(many.over_db[:20], few.over_db)
    assert peak_bytes < 6e6  # all at once: 12 MB, and twice as much of twice as many
