"""What turning down and mending gain in clean output, held to networks that are solved for both."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.cause.clean_gain import (
    COARSE_SHARE,
    LIMITED_SHARE,
    SHARE,
    clipped_mean_square,
    find_clean_gain,
    is_guess,
    share_to_fit,
)
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding

EMF_V, RATIO, LOSS_V, LOAD_OHM, EFFICIENCY = 12.6, 2.4, 1.0, 1.6, 0.75
TONE = np.sin((np.arange(200) + 0.5) / 200 * 2 * np.pi)


def _stand(crest_v: float, source_ohm: float) -> float:
    """Ceiling, volts, under a tone that wants `crest_v`, where the supply stands: Ohm's law, until it stays.

    The mean square of the tone is taken sample by sample."""
    supply_v = EMF_V
    for _ in range(40):
        ceiling_v = RATIO * supply_v - LOSS_V
        square_v2 = float(np.mean(np.clip(crest_v * TONE, -ceiling_v, ceiling_v) ** 2))
        supply_v = 0.4 * supply_v + 0.6 * (EMF_V - source_ohm * square_v2 / LOAD_OHM / EFFICIENCY / supply_v)
    return RATIO * supply_v - LOSS_V


def _clean_crest_v(source_ohm: float) -> float:
    """The highest crest that just fits: it is the ceiling that it leaves itself."""
    crest_v = RATIO * EMF_V
    for _ in range(25):
        crest_v = 0.3 * crest_v + 0.7 * _stand(crest_v, source_ohm)
    return crest_v


def _db(ratio: float) -> float:
    return 20 * float(np.log10(ratio))


@pytest.mark.parametrize("overshoot_db", [0.3, 2.0, 6.0])
@pytest.mark.parametrize("source_ohm", [0.01, 0.04])
def test_turning_down_and_mending_gain_what_a_solved_network_says(overshoot_db: float, source_ohm: float) -> None:
    crest_v = _clean_crest_v(source_ohm) * 10 ** (overshoot_db / 20)
    ceiling_v = _stand(crest_v, source_ohm)
    over_db, lost_db = _db(crest_v / ceiling_v), _db((RATIO * EMF_V - LOSS_V) / ceiling_v)
    gain = find_clean_gain(np.array([over_db]), np.array([lost_db]))
    assert gain is not None
    # Turned down by all that it overshot it would be more than clean: the supply sags less by then.
    assert gain.turn_down_db() == pytest.approx(overshoot_db, abs=0.05)
    assert overshoot_db < over_db
    for share in (0.25, 0.5, 1.0):
        truth_db = _db(_clean_crest_v(source_ohm * (1 - share)) / _clean_crest_v(source_ohm))
        assert gain.mending_gains_db(share) == pytest.approx(truth_db, abs=0.08)


def test_the_mean_square_of_a_sine_that_is_cut_off_is_that_of_its_samples() -> None:
    phase = (np.arange(20_000) + 0.5) / 20_000 * 2 * np.pi
    for overshoot in (1.0, 1.2, 2.0, 10.0):
        sampled = float(np.mean(np.clip(overshoot * np.sin(phase), -1.0, 1.0) ** 2))
        assert float(clipped_mean_square(np.array([overshoot]))[0]) == pytest.approx(sampled, abs=1e-4)


def test_what_is_not_known_gains_nothing() -> None:
    assert find_clean_gain(np.array([np.nan]), np.array([1.0])) is None
    gain = find_clean_gain(np.array([1.0, np.nan]), np.array([np.nan, 2.0]))
    assert gain is not None
    assert gain.turn_down_db() == 1.0
    assert gain.mending_gains_db(1.0) == 0.0


def test_where_the_furthest_are_guesses_three_of_four_decide() -> None:
    """Error stretches what crests seem to ask for: here all overshot by 2 dB, and estimates err by 1.5 dB."""
    told_db = np.maximum(2.0 + 1.5 * np.random.default_rng(1).standard_normal(400), 0.1)
    nothing = np.zeros(400)
    coarse, fine = (find_clean_gain(told_db, nothing, share=share) for share in (COARSE_SHARE, SHARE))
    assert coarse is not None
    assert fine is not None
    assert coarse.turn_down_db() == pytest.approx(3.0, abs=0.2)
    assert fine.turn_down_db() > 4.0


@pytest.mark.parametrize(
    ("told_db", "more_db", "n", "guess"),
    [(1.0, 0.9, 40, True), (1.0, 0.5, 40, False), (1.0, 0.9, 19, False), (0.7, 0.9, 40, False)],
)
def test_the_furthest_are_guesses_where_half_may_lie_far_above(
    told_db: float, more_db: float, n: int, guess: bool
) -> None:
    """Unless none is told to have gone far: "by 0.0 dB and record again" was the step for crests of 0.7 dB at most."""
    measured = {"overdrive_db": told_db, "overdrive_high_db": told_db + more_db}
    clips = FindingList.of([Finding("clip", 1.0, 1.003, "attention", measured, {}, {}) for _ in range(n)])
    assert is_guess(clips) is guess


@pytest.mark.parametrize(
    ("apart_s", "more_db", "share"),
    [(0.2, 4.0, LIMITED_SHARE), (0.4, 4.0, COARSE_SHARE), (0.2, 0.1, SHARE), (0.1, 4.0, COARSE_SHARE)],
)
def test_where_nearly_every_moment_clips_a_first_step_asks_for_less(
    apart_s: float, more_db: float, share: float
) -> None:
    """Behind a limiter crests end at one level, whatever their flanks promise; within 4 s nothing tells."""
    measured = {"overdrive_db": 2.0, "overdrive_high_db": 2.0 + more_db}
    start_s = 1.0 + apart_s * np.arange(40)
    clips = FindingList.of([Finding("clip", s, s + 0.003, "attention", measured, {}, {}) for s in start_s.tolist()])
    assert share_to_fit(clips) == share
