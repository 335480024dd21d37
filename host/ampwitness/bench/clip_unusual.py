"""Amplifiers and sources that the other sets lack.

A bootstrapped output, a crossover notch, a rail behind a resistance, a high-pass behind a cut. Everything is clipped
sample by sample under a ceiling that is known, at the simulation's rate, as in clip_cases.py.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal

from ampwitness.bench.amplifier_flats import flats_under_ceiling
from ampwitness.bench.clip_cases import BASS_RATE_HZ, RESTED_V, ScoredCase, lagged, make_case
from ampwitness.bench.clip_signals import sagging_supply
from ampwitness.types import FloatArray

Play = Callable[[np.random.Generator, FloatArray], ScoredCase]


def _rails(rng: np.random.Generator, drive: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Rail of a rested supply, rail that follows the supply (n,), supply (n,); volts."""
    supply_v = sagging_supply(rng, drive, BASS_RATE_HZ, float(rng.uniform(0.5, 2.5)))
    rail_v = float(rng.uniform(15, 45))
    return rail_v, rail_v / RESTED_V * lagged(supply_v, 0.004, BASS_RATE_HZ), supply_v


def play_bootstrapped(rng: np.random.Generator, drive: FloatArray) -> ScoredCase:
    """The positive ceiling hangs on a capacitor that runs down while the output is high; the negative one does not."""
    rail_v, follows_v, supply_v = _rails(rng, drive)
    held = lagged(np.clip(drive, 0, 1), float(rng.uniform(0.005, 0.03)), BASS_RATE_HZ)
    high_v, low_v = follows_v * (1 - rng.uniform(0.05, 0.2) * held), 0.97 * follows_v
    wanted_v = drive * rail_v * 10 ** (rng.uniform(1, 4) / 20)
    output_v = np.clip(wanted_v, -low_v, high_v)
    flats = flats_under_ceiling(wanted_v, output_v, high_v, low_v, BASS_RATE_HZ)
    return make_case("bootstrapped", rng, output_v, supply_v, flats, is_bridged=False)


def play_notched(rng: np.random.Generator, drive: FloatArray) -> ScoredCase:
    """An output stage without bias: nothing comes out near zero, and kinks stand there; clean in one of three."""
    rail_v, follows_v, supply_v = _rails(rng, drive)
    wanted_v = drive * rail_v * 10 ** (rng.uniform(-4, 4) / 20)
    dead_v = rng.uniform(0.3, 1.5)
    wanted_v = np.sign(wanted_v) * np.maximum(np.abs(wanted_v) - dead_v * np.exp(-np.abs(wanted_v) / dead_v), 0)
    output_v = np.clip(wanted_v, -follows_v, follows_v)
    flats = flats_under_ceiling(wanted_v, output_v, follows_v, follows_v, BASS_RATE_HZ)
    return make_case("notched", rng, output_v, supply_v, flats, is_bridged=False)


def play_behind_resistance(rng: np.random.Generator, drive: FloatArray) -> ScoredCase:
    """A rail behind a resistance, through which a coil draws its current out of step: tops lean and bow."""
    rail_v, follows_v, supply_v = _rails(rng, drive)
    wanted_v = drive * rail_v * 10 ** (rng.uniform(1, 4) / 20)
    drawn = lagged(wanted_v, float(rng.uniform(0.0003, 0.003)), BASS_RATE_HZ) * rng.uniform(0.03, 0.15)
    high_v, low_v = follows_v - np.maximum(drawn, 0), 0.99 * follows_v - np.maximum(-drawn, 0)
    output_v = np.clip(wanted_v, -low_v, high_v)
    flats = flats_under_ceiling(wanted_v, output_v, high_v, low_v, BASS_RATE_HZ)
    return make_case("behind a resistance", rng, output_v, supply_v, flats, is_bridged=False)


def play_cut_ahead_of_high_pass(rng: np.random.Generator, drive: FloatArray) -> ScoredCase:
    """Cut off at a line output at one level, with a high-pass of 8 to 25 Hz behind it: tops that tilt."""
    top = float(10 ** (-rng.uniform(1, 4) / 20))
    cut = np.clip(drive, -top, top)
    flats = flats_under_ceiling(drive, cut, top, top, BASS_RATE_HZ, origin="either")
    passed = signal.sosfilt(signal.butter(1, rng.uniform(8, 25), "highpass", fs=BASS_RATE_HZ, output="sos"), cut)
    output_v = np.asarray(passed / np.max(np.abs(passed)) * rng.uniform(8, 30))
    supply_v = sagging_supply(rng, drive, BASS_RATE_HZ, 1.0)
    return make_case("cut ahead of a high-pass", rng, output_v, supply_v, flats, is_bridged=False)


UNUSUAL: dict[str, Play] = {
    "bootstrapped on one side": play_bootstrapped,
    "crossover notch": play_notched,
    "rail behind a resistance, current out of step": play_behind_resistance,
    "source clipped at one level, high-pass behind it": play_cut_ahead_of_high_pass,
}
