"""A supply that was low once, in a programme that stops by itself: the two may have met by chance."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(16 * RATE_HZ) / RATE_HZ
STEADY = (Edge("remote", 1, 0.01, "drawn", 80),)
LOW, PAUSE = "supply voltage too low", "not decided: the signal may have paused at the source"


def _find(
    stops_s: dict[float, float], lows_s: dict[float, float], rest: FloatArray | float = 0.0, blip_s: float = np.inf
) -> list[Finding]:
    """Noise that stops at these times for so long, and a supply that falls by 3 V at those for so long; by another
    0.4 V for 20 ms from `blip_s` on."""
    rng = np.random.default_rng(3)
    smooth = np.convolve(np.random.default_rng(8).standard_normal(len(AT)), np.hanning(25), "same")
    wave, supply = 12 * smooth / np.abs(smooth).max() + rest, np.full(len(AT), 12.6)
    for start_s, long_s in stops_s.items():
        wave = np.where((start_s <= AT) & (start_s + long_s > AT), rest, wave)
    for start_s, long_s in lows_s.items():
        supply = supply - 3.0 * ((start_s <= AT) & (start_s + long_s > AT))
    supply = supply - 0.4 * ((blip_s <= AT) & (blip_s + 0.02 > AT))
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": supply + rng.normal(0, 0.003, len(AT))}
    return list(find_cutouts(CutoutCase(volts, "", edges=STEADY))[0])


def _causes(found: list[Finding]) -> list[str]:
    return [str(f.measured["cause"]) for f in found]


def test_one_low_among_stops_of_the_programme_may_be_chance() -> None:
    found = _find({3.0: 1.2, 7.0: 1.0, 11.0: 1.1}, {6.99: 0.8})
    assert _causes(found) == [PAUSE] * 3
    assert LOW in found[1].evidence["not_excluded"]
    assert any("a programme that stops so by itself" in reason for reason in found[1].evidence["reasons"])


@pytest.mark.parametrize("stops_s", [{7.0: 1.0}, {3.0: 1.2, 7.0: 1.0}, {3.0: 0.4, 7.0: 1.0, 11.0: 0.4}])
def test_one_other_stop_or_shorter_ones_explain_nothing(stops_s: dict[float, float]) -> None:
    assert _causes(_find(stops_s, {6.99: 0.8}))[min(1, len(stops_s) - 1)] == LOW


def test_a_guard_that_has_acted_at_that_supply_three_times_has_one() -> None:
    found = _find(dict.fromkeys((2.0, 4.0, 6.0, 9.0, 12.0), 1.0), {1.99: 0.8, 3.99: 0.8, 5.99: 0.8})
    assert _causes(found) == [LOW] * 3 + [PAUSE] * 2


def test_two_stops_at_one_supply_need_more_of_the_programme_than_one() -> None:
    found = _find(dict.fromkeys((2.0, 6.0, 9.0, 12.0), 1.0), {1.99: 0.8, 5.99: 0.8})
    assert _causes(found) == [LOW] * 2 + [PAUSE] * 2


def test_a_supply_at_which_nothing_plays_is_no_chance() -> None:
    found = _find({3.0: 1.2, 7.0: 1.0, 11.0: 1.1}, {6.99: 0.8, 6.991: 0.75})
    assert _causes(found)[1] == LOW


def test_behind_the_lowest_supply_one_other_stop_of_the_programme_is_enough() -> None:
    assert _causes(_find({3.0: 1.0, 7.0: 1.0}, {6.93: 0.85}, blip_s=6.94))[1] == PAUSE
    assert _causes(_find({7.0: 1.0}, {6.93: 0.85}, blip_s=6.94)) == [LOW]


def test_an_amplifier_that_hums_on_has_not_let_go_long_after_the_lowest_supply() -> None:
    hum = 0.4 * np.sin(2 * np.pi * 50 * AT)
    assert LOW not in _causes(_find({7.0: 1.0}, {6.93: 0.85}, hum, blip_s=6.94))
