"""What stops of one amplifier say of one another: the supply at which it lets go, and the silence it leaves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.cutout_cause import LOW, PAUSE, TOGETHER
from ampwitness.findings.road_words import find_next_test
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(16 * RATE_HZ) / RATE_HZ
STEADY = (Edge("remote", 1, 0.01, "drawn", 80),)
LATE_S = 0.003  # the guard acts so long behind the beginning of a low
Low = tuple[float, float, float]  # at, to volts, for so long


def _find(
    rest_v: float,
    lows: Sequence[Low],
    stops: Sequence[tuple[float, float]],
    *,
    left: Sequence[FloatArray | float] = (),
    battery: FloatArray | None = None,
    window_s: float = 10.0,
) -> list[Finding]:
    """Noise that never pauses, beside a supply with these lows; at each of `stops` (at, for so long) it is cut off,
    and `left` sounds on."""
    rng = np.random.default_rng(6)
    smooth = np.convolve(np.random.default_rng(9).standard_normal(len(AT)), np.hanning(25), "same")
    wave, supply = 12 * smooth / np.abs(smooth).max(), np.full(len(AT), rest_v)
    for at_s, to_v, long_s in lows:
        supply = np.where((at_s <= AT) & (at_s + long_s > AT), to_v, supply)
    for place, (at_s, long_s) in enumerate(stops):
        wave = np.where((at_s <= AT) & (at_s + long_s > AT), left[place] if place < len(left) else 0.0, wave)
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": supply + rng.normal(0, 0.003, len(AT))}
    if battery is not None:
        volts["battery"] = battery + rng.normal(0, 0.003, len(AT))
    return list(find_cutouts(CutoutCase(volts, "", edges=STEADY), window_s)[0])


def _causes(found: list[Finding]) -> list[str]:
    return [str(f.measured["cause"]) for f in found]


BEATS: list[Low] = [(0.5 + 0.5 * n, 11.1, 0.03) for n in range(30)]


def _new_lows(to_v: Sequence[float]) -> tuple[list[Low], list[tuple[float, float]]]:
    """A stop at a new low of a tired battery, each of so many volts, every five seconds."""
    at_s = [3.2 + 5.0 * n for n in range(len(to_v))]
    lows = [(at, volts, 0.012) for at, volts in zip(at_s, to_v, strict=True)]
    return [*BEATS, *lows], [(at + LATE_S, 0.9) for at in at_s]


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_stops_at_new_lows_of_a_tired_battery_are_a_guard_of_one_level(window_s: float) -> None:
    """A tenth below what is usual, none below 10.5 V: a level of its own shows by repeating."""
    found = _find(11.8, *_new_lows([10.75, 10.81, 10.77]), window_s=window_s)
    assert [(f.measured["cause"], f.measured["confidence"]) for f in found] == [(LOW, "medium")] * 3
    assert all("came right at new lows" in " ".join(f.evidence["reasons"]) for f in found)
    assert all("an overload that recurs" in " ".join(f.evidence["not_excluded"]) for f in found)


@pytest.mark.parametrize("to_v", [[10.77], [11.04, 10.75]])
def test_one_new_low_or_two_apart_show_no_level(to_v: list[float]) -> None:
    assert _causes(_find(11.8, *_new_lows(to_v))) == [PAUSE] * len(to_v)


def test_new_lows_that_it_plays_through_later_stopped_nothing() -> None:
    lows, stops = _new_lows([10.75, 10.81, 10.77])
    assert LOW not in _causes(_find(11.8, [*lows, (15.0, 10.6, 0.05)], stops))


SHALLOW: Low = (11.2, 9.88, 0.004)  # it goes on through it, as it is too short


def test_what_it_went_on_through_for_an_instant_does_not_exclude_a_level_that_others_show() -> None:
    stops = [(2.0, 0.9), (5.0, 0.9), (8.0, 0.9), (13.0, 0.9)]
    lows: list[Low] = [
        (at_s - LATE_S, volts, 0.4) for (at_s, _), volts in zip(stops, (9.9, 9.85, 9.88, 9.87), strict=True)
    ]
    found = _find(12.0, [*lows, SHALLOW], stops)
    assert _causes(found) == [LOW] * 4
    assert found[3].measured["confidence"] == "medium"
    alone = _find(12.0, [lows[3], SHALLOW], stops[3:])
    assert _causes(alone) == [PAUSE]


def test_behind_a_guard_nothing_sounds_on_where_others_left_silence() -> None:
    stops = [(2.0, 0.9), (5.0, 0.9), (8.0, 0.9), (12.0, 0.4)]
    lows: list[Low] = [(at_s - LATE_S, 9.9 - 0.02 * n, 0.4) for n, (at_s, _) in enumerate(stops)]
    rest = 0.2 * np.sin(2 * np.pi * 61 * AT)
    assert _causes(_find(12.6, lows, stops)) == [LOW] * 4
    assert LOW not in _causes(_find(12.6, lows, stops, left=(0.0, 0.0, 0.0, rest)))[3:]
    assert _causes(_find(12.6, lows, stops, left=(rest,) * 4)) == [LOW] * 4  # an amplifier that hums when it is off


def test_a_stop_that_fell_together_with_its_supply_shows_what_silence_is_as_well() -> None:
    """Two of a guard, of which the second alone would be undecided, and a rest of the programme."""
    stops = [(2.0, 0.9), (5.004, 0.5), (9.0, 0.4)]
    lows: list[Low] = [(2.0 - LATE_S, 9.5, 0.4), (5.0, 9.75, 0.006), (9.0 - LATE_S, 9.3, 0.4)]
    rest = 0.2 * np.sin(2 * np.pi * 61 * AT)
    assert _causes(_find(12.6, lows, stops)) == [LOW, TOGETHER, LOW]
    assert _causes(_find(12.6, lows, stops, left=(0.0, 0.0, rest))) == [LOW, TOGETHER]


@pytest.mark.parametrize(("battery_fell_v", "cause"), [(0.1, LOW), (0.6, TOGETHER)])
def test_a_steep_fall_that_the_battery_does_not_share_is_lost_on_the_way(battery_fell_v: float, cause: str) -> None:
    """Volts divide as ohms do (Ohm's law): ten times the battery's own are no sound lead's, whatever the current."""
    is_down = (AT >= 6.0) & (AT < 6.006)
    battery = 12.6 - battery_fell_v * is_down
    (found,) = _find(12.5, [(6.0, 9.6, 0.006)], [(6.004, 0.5)], battery=battery)
    assert found.measured["cause"] == cause
    assert found.measured["confidence"] == ("medium" if cause == LOW else "low")
    if cause == LOW:
        assert "the volts were lost between battery and amplifier" in " ".join(found.evidence["reasons"])
        assert "fuse holder" in find_next_test(LOW, 12.5, battery_stood=bool(found.evidence["battery_stood"]))


def test_lows_of_a_millisecond_are_compared_over_a_millisecond() -> None:
    """Over two, a needle of 9.4 V reads some tenths of a volt higher than the low of 10 V that it went on through."""
    needles: list[Low] = [(1.0 + 0.5 * n, 10.3, 0.006) for n in range(8)]
    stop: list[Low] = [(6.0, 11.9, 0.002), (6.002, 9.4, 0.001)]
    assert _causes(_find(12.5, [*needles, *stop], [(6.003, 0.5)])) == [LOW]


def _openings(long_s: Sequence[float], volts_per_s: Sequence[float]) -> list[Finding]:
    """A contact that opens for so long: the capacitors behind it run down, and below 8 V the output is off."""
    at_s, wave, supply = AT, 14 * np.sin(2 * np.pi * 47 * AT), np.full(len(AT), 12.6)
    for place, (open_s, slope) in enumerate(zip(long_s, volts_per_s, strict=True)):
        since_s = at_s - (2.0 + 4.0 * place)
        supply = np.where((since_s >= 0) & (since_s < open_s), np.maximum(12.6 - slope * since_s, 0.2), supply)
        wave = np.where((since_s >= 4.6 / slope) & (since_s < open_s + 0.5), 0.0, wave)
    rng = np.random.default_rng(8)
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": supply + rng.normal(0, 0.003, len(AT))}
    return list(find_cutouts(CutoutCase(volts, "", edges=STEADY))[0])


def test_one_contact_that_opens_for_longer_and_shorter_is_one_cause() -> None:
    found = _openings([0.080, 0.028, 0.080], [230.0, 230.0, 230.0])
    assert [str(f.measured["cause"]).startswith("supply") and f.measured["cause"] != LOW for f in found] == [True] * 3
    assert found[1].measured["confidence"] == "medium"
    assert any("2 more stops it fell just so" in why for why in found[1].evidence["reasons"])  # type: ignore[union-attr]


def test_a_low_supply_that_falls_otherwise_is_no_lost_one() -> None:
    assert _causes(_openings([0.080, 0.034, 0.080], [230.0, 150.0, 230.0]))[1] == LOW
