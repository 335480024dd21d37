"""What the output goes on through later counts as what it had gone on through before: no guard lets go above that."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.cutout_cause import LOW, TOGETHER
from ampwitness.detect.cutouts.cutout_watch import RunWatch
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
STOP_S, BACK_S = 0.953, 1.45
STEADY = (Edge("remote", 1, 0.01, "", 80),)


def _dip(supply: FloatArray, at_s: float, to_v: float, long_s: float) -> FloatArray:
    """Down to some volts for a while, over 2 ms each way."""
    way = np.clip(np.minimum(AT - at_s, at_s + long_s - AT) / 0.002, 0.0, 1.0)
    return supply - way * (12.6 - to_v)


def _find(later: tuple[tuple[float, float], ...], window_s: float = 10.0) -> list[str]:
    """Causes of a drum loop's first rest behind a loud hit, and of none other; `later`: volts and lengths of hits."""
    rng = np.random.default_rng(3)
    wave = 12.0 * np.sin(2 * np.pi * 61 * AT) * ((AT < STOP_S) | (AT > BACK_S))
    supply = _dip(np.full(len(AT), 12.6), STOP_S - 0.016, 10.2, 0.014)
    for number, (to_v, long_s) in enumerate(later):
        supply = _dip(supply, 3.0 + number, to_v, long_s)
    volts = {"output": wave, "supply": supply}
    noisy = {role: values + rng.normal(0, 0.01, len(AT)) for role, values in volts.items()}
    return [str(f.measured["cause"]) for f in find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0]]


@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_a_supply_at_which_it_plays_on_later_stopped_nothing(window_s: float) -> None:
    causes = _find(((9.6, 0.02), (9.7, 0.02)), window_s)
    assert not {LOW, TOGETHER} & set(causes)


@pytest.mark.parametrize("later", [(), ((10.6, 0.02),), ((9.6, 0.006),)])
def test_later_lows_that_are_higher_or_too_short_for_a_guard_say_nothing(
    later: tuple[tuple[float, float], ...],
) -> None:
    (cause,) = _find(later)
    assert cause in (LOW, TOGETHER)


@pytest.mark.parametrize(("is_silent_behind", "survived_v"), [(True, 12.4), (False, 10.2)])
def test_a_supply_at_which_the_output_fell_silent_was_not_outlived(is_silent_behind: bool, survived_v: float) -> None:
    """Whatever it fell silent for: a guard lets go in the tail of a note as well, which is no stop by itself."""
    at = np.arange(4 * RATE_HZ) / RATE_HZ
    wave = 20 * np.sin(2 * np.pi * 47.3 * at)
    wave[(at > 2.0) & (at < 2.0 + is_silent_behind)] = 0.0
    supply = np.where((at > 1.95) & (at < 2.0), 10.2, 12.4)
    run = RunSteps(0.0, RATE_HZ, ("output", "supply"), ())
    run.append({"output": wave, "supply": supply})
    watch = RunWatch(run, False, (), lambda stop: None, lambda run, start, limit, known: None)
    watch._learn_survived(3500)
    assert watch._survived_v == pytest.approx(survived_v, abs=0.01)
