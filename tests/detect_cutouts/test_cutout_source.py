"""A logged source decides between a protection and a pause, also where the programme falls by itself."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, FloatArray

AT = np.arange(6 * RATE_HZ) / RATE_HZ
CUT_S = 3.104


def _notes(decay_s: float) -> FloatArray:
    """A decaying note every 1.5 s."""
    return np.asarray(15 * np.sin(2 * np.pi * 50 * AT) * np.exp(-(AT % 1.5) / decay_s))


def _causes(output: FloatArray, source: FloatArray, supply: FloatArray | float = 12.6) -> list[tuple[float, str]]:
    rng = np.random.default_rng(5)
    volts = {"output": output + rng.normal(0, 0.025, len(AT)), "source": source + rng.normal(0, 0.002, len(AT))}
    volts["supply"] = supply + rng.normal(0, 0.01, len(AT))
    edge = Edge("remote", 1, 0.01, "drawn", 80)
    found, _ = find_cutouts(CutoutCase(volts, "", edges=(edge,)))
    return [(round(f.start_s, 2), str(f.measured["cause"])) for f in found]


@pytest.mark.parametrize("decay_s", [0.055, 0.08, 0.2])
def test_a_note_that_decays_across_the_stop_is_heard_at_the_source(decay_s: float) -> None:
    wave = _notes(decay_s)
    ((start_s, cause),) = _causes(np.where((CUT_S < AT) & (AT < 4.2), 0.0, wave), wave / 10)
    assert start_s == pytest.approx(CUT_S, abs=0.01)
    assert cause.startswith("protection with supply and remote fine")


def test_a_stop_hardly_longer_than_the_least_is_told_by_the_source_too() -> None:
    wave = 15 * np.sin(2 * np.pi * 50 * AT + 1)
    ((_, cause),) = _causes(np.where((CUT_S < AT) & (AT < CUT_S + 0.0515), 0.0, wave), wave / 10)
    assert cause.startswith("protection with supply and remote fine")


def test_a_stop_right_at_a_notes_beginning_is_told_by_the_source_too() -> None:
    wave = _notes(0.1)
    ((_, cause),) = _causes(np.where((AT > 3.004) & (AT < 4.2), 0.0, wave), wave / 10)
    assert cause.startswith("protection with supply and remote fine")


def test_a_source_that_comes_back_before_the_output_played_on() -> None:
    """The stop falls together with a rest of the programme: what tells is that the next note does not come through."""
    sounds = ~((AT > CUT_S + 0.01) & (AT < CUT_S + 0.3))
    wave = _notes(0.3) * np.where(sounds, 1.0, 0.12)
    ((_, cause),) = _causes(np.where((CUT_S < AT) & (AT < 5.2), 0.0, wave), wave / 10)
    assert cause.startswith("protection with supply and remote fine")


@pytest.mark.parametrize(
    ("fell_s", "wanted"), [(3.4, "supply voltage too low"), (3.9, "protection with supply and remote fine")]
)
def test_a_supply_that_fell_while_the_source_was_silent_may_have_stopped_the_output(fell_s: float, wanted: str) -> None:
    """Short notes; the next one at 3.75 s is not heard. The supply falls ahead of it, or once it ought to have been."""
    wave = 15 * np.sin(2 * np.pi * 50 * AT) * np.exp(-(AT % 0.75) / 0.08)
    supply = 12.6 - 3.4 * ((fell_s < AT) & (AT < 5.1))
    ((_, cause),) = _causes(np.where((AT > 3.4) & (AT < 5.2), 0.0, wave), wave / 10, supply)
    assert cause.startswith(wanted)


@pytest.mark.parametrize("seed", [533, 727, 764, 814])
def test_a_fade_of_the_source_is_no_protection(seed: int) -> None:
    assert find_cutouts(make_case("fade, source logged (none)", seed))[0] == ()


@pytest.mark.parametrize(("late_s", "is_stop"), [(1.2, True), (0.25, False)])
def test_what_stopped_while_the_programme_paused_is_told_by_the_notes_that_do_not_come(
    late_s: float, is_stop: bool
) -> None:
    """Soft notes with rests of 0.25 s between; behind one the output stays away, or only wakes a little late."""
    source = 15 * np.sin(2 * np.pi * 50 * AT) * np.clip(np.sin(2 * np.pi * AT / 0.7) + 0.3, 0, 1) ** 0.5
    rest_s = 3.95 * 0.7  # a rest ends
    found = _causes(np.where((rest_s - 0.1 < AT) & (rest_s + late_s > AT), 0.0, source), source / 10)
    assert [cause[:10] for _, cause in found] == (["protection"] if is_stop else [])


def test_an_output_that_follows_its_weak_source_on_has_not_stopped() -> None:
    """A soft note behind a loud passage, which its source ends with a murmur: 0.05 V rms at the output."""
    murmurs = (AT > CUT_S) & (AT < CUT_S + 0.17)
    level = np.where(
        AT < 2.0,
        20.0 * np.clip((2.0 - AT) / 0.3, 0, 1),
        np.where(AT < CUT_S, 3.0 * np.exp(-np.abs(AT - 3.0) / 0.06), 1.6),
    )
    wave = np.where(murmurs, 0.07, level) * np.sin(2 * np.pi * 50 * AT + 1)
    assert _causes(wave, wave / 13.4) == []
    ((start_s, cause),) = _causes(np.where(murmurs, 0.0, wave), wave / 13.4)
    assert start_s == pytest.approx(CUT_S, abs=0.01)
    assert cause.startswith("not decided")  # too little of it to say that it ought to be heard
