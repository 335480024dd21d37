"""Bass as players, drum machines and synthesisers make it, with truth by construction; each by seed, 12 s at 8 kS/s.

Called by `python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy import signal

from ampwitness.bench.event_signals import EventCase, Samples, add_logger
from ampwitness.bench.truth import TrueNote, Truth

RATE_HZ, SECONDS = 8000, 12.0
SEMITONE = 2.0 ** (1 / 12)


@dataclass(slots=True)
class _Line:
    """Notes as they are added up."""

    rng: np.random.Generator
    wave: Samples = field(default_factory=lambda: np.zeros(round(RATE_HZ * SECONDS)))
    notes: list[TrueNote] = field(default_factory=list)

    def add(self, begins_s: float, stop_s: float, hz: float, sound: Callable[[Samples], Samples]) -> None:
        """`sound` gives volts by seconds since the beginning."""
        at = np.arange(len(self.wave)) / RATE_HZ
        inside = (at >= begins_s) & (at < stop_s)
        self.wave[inside] += sound(at[inside] - begins_s)
        self.notes.append(TrueNote(begins_s, stop_s, hz, 12.6, 12.6, 0.0, begins_s))

    def starts(self, shortest_s: float, longest_s: float) -> list[float]:
        """Beginnings, so far from each other, and the end of the last."""
        steps = self.rng.uniform(shortest_s, longest_s, round(SECONDS / shortest_s))
        at = 0.6 + np.concatenate(([0.0], np.cumsum(steps)))
        return [float(s) for s in at[at < SECONDS - 0.3]]

    def finish(self) -> EventCase:
        """As it is logged."""
        supply = np.full(len(self.wave), 12.6)
        volts = {"output": add_logger(self.rng, self.wave, "output"), "supply": add_logger(self.rng, supply, "supply")}
        return EventCase(volts, float(RATE_HZ), Truth((), tuple(self.notes), (), ()))


def _string(
    rng: np.random.Generator, hz: float, peak_v: float, length_s: float, fall_s: float
) -> Callable[..., Samples]:
    """A plucked string: eight partials, a little sharp, the upper ones dying sooner; let go along a line."""
    numbers = np.arange(1, 9)
    heights = np.sin(np.pi * numbers * rng.uniform(0.1, 0.35)) / numbers
    heights = 1.6 * peak_v * heights / np.abs(heights).sum()
    hz_each = hz * numbers * np.sqrt(1 + 2e-4 * numbers**2)

    def sound(u: Samples) -> Samples:
        waves = np.sin(2 * np.pi * hz_each[:, None] * u) * np.exp(-u * (1 + 0.35 * (numbers[:, None] - 1)) / 0.6)
        shape = np.clip(u / 0.002, 0, 1) * np.clip((length_s - u) / fall_s, 0, 1)
        return np.asarray(heights @ waves * shape)

    return sound


def let_go_case(seed: int) -> EventCase:
    """Strings let go over 3 to 20 ms, right ahead of the next."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.18, 0.5)
    key, peak_v = 0, float(10 ** line.rng.uniform(0.3, 1.3))
    for begins_s, stop_s in pairwise(starts):
        key = int(key + line.rng.integers(1, 10)) % 12
        hz = 41.2 * SEMITONE**key
        sound = _string(line.rng, hz, peak_v, stop_s - begins_s - 0.001, float(line.rng.uniform(0.003, 0.02)))
        line.add(begins_s, stop_s, hz, sound)
    return line.finish()


def _short_tone(hz: float, peak_v: float) -> Callable[..., Samples]:
    """0.2 s, let go over 10 ms."""

    def sound(u: Samples) -> Samples:
        return np.asarray(peak_v * np.clip((0.2 - u) / 0.01, 0, 1) * np.sin(2 * np.pi * hz * u))

    return sound


def sliding_drum_case(seed: int) -> EventCase:
    """Drums that fall from up to five times their pitch while they die away, some right behind a tone as loud."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.45, 0.8)
    for begins_s in starts[:-1]:
        peak_v, hz = float(10 ** line.rng.uniform(0.3, 1.3)), float(line.rng.uniform(42.0, 65.0))
        above, slide_s = float(line.rng.uniform(1.0, 4.0)), float(line.rng.uniform(0.01, 0.03))
        drum_s = begins_s
        if line.rng.uniform() < 0.4:
            tone_hz, drum_s = float(line.rng.uniform(70.0, 100.0)), begins_s + 0.2
            line.add(begins_s, drum_s, tone_hz, _short_tone(tone_hz, peak_v))

        def sound(
            u: Samples, hz: float = hz, above: float = above, slide_s: float = slide_s, v: float = peak_v
        ) -> Samples:
            cycles = hz * (u + above * slide_s * -np.expm1(-u / slide_s))
            return np.asarray(v * np.exp(-u / 0.06) * np.clip((0.24 - u) / 0.01, 0, 1) * np.sin(2 * np.pi * cycles))

        line.add(drum_s, drum_s + 0.24, hz, sound)
    return line.finish()


def fast_repeats_case(seed: int) -> EventCase:
    """One pitch struck every 70 to 110 ms, dying within 30."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.07, 0.11)
    hz, peak_v = float(line.rng.uniform(50.0, 110.0)), float(10 ** line.rng.uniform(0.0, 1.3))
    for begins_s, stop_s in pairwise(starts):
        length_s = stop_s - begins_s - 0.001

        def sound(u: Samples, length_s: float = length_s) -> Samples:
            shape = np.clip(u / 0.002, 0, 1) * np.clip((length_s - u) / 0.003, 0, 1) * np.exp(-u / 0.03)
            return np.asarray(peak_v * shape * np.sin(2 * np.pi * hz * u))

        line.add(begins_s, stop_s, hz, sound)
    return line.finish()


def legato_partials_case(seed: int) -> EventCase:
    """One oscillator with up to four partials whose pitch turns, phase and level without a step."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.2, 0.6)
    key, cycles = 5, 0.0
    peak_v, n_partials = float(10 ** line.rng.uniform(0.3, 1.2)), int(line.rng.integers(1, 5))
    for place, (begins_s, stop_s) in enumerate(pairwise(starts)):
        key = int(key + line.rng.choice([-7, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 7])) % 19
        hz = 36.7 * SEMITONE**key

        def sound(u: Samples, hz: float = hz, cycles: float = cycles, is_first: bool = place == 0) -> Samples:
            turn = 2 * np.pi * (cycles + hz * u)
            wave = sum(np.sin(k * turn) / k**1.5 for k in range(1, n_partials + 1))
            return np.asarray(peak_v * wave * (np.clip(u / 0.003, 0, 1) if is_first else 1.0))

        line.add(begins_s, stop_s, hz, sound)
        cycles += hz * (stop_s - begins_s)
    return line.finish()


def opening_filter_case(seed: int) -> EventCase:
    """Held notes whose partials come and go two to six times a second."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(1.0, 2.0)
    for begins_s, next_s in pairwise(starts):
        hz, peak_v = float(line.rng.uniform(35.0, 60.0)), float(10 ** line.rng.uniform(0.3, 1.2))
        per_s, length_s = float(line.rng.uniform(2.0, 6.0)), next_s - begins_s - 0.15

        def sound(
            u: Samples, hz: float = hz, v: float = peak_v, per_s: float = per_s, length_s: float = length_s
        ) -> Samples:
            opened = 0.5 - 0.5 * np.cos(2 * np.pi * per_s * u)
            partials = [np.sin(2 * np.pi * hz * k * u) / k * (opened ** (k / 3) if k > 1 else 1.0) for k in range(1, 9)]
            shape = np.clip(u / 0.003, 0, 1) * np.clip((length_s - u) / 0.01, 0, 1)
            return np.asarray(0.6 * v * shape * np.sum(partials, axis=0))

        line.add(begins_s, begins_s + length_s, hz, sound)
    return line.finish()


def lost_root_case(seed: int) -> EventCase:
    """Notes of 26 to 34 Hz whose root a high-pass took, all or nearly all of it."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.6, 1.2)
    for begins_s, next_s in pairwise(starts):
        hz, length_s = float(line.rng.uniform(26.0, 34.0)), next_s - begins_s - 0.12
        peaks_v = float(10 ** line.rng.uniform(0.3, 1.2)) * np.array([0.0, 1.0, *line.rng.uniform(0.4, 0.9, 4)])
        peaks_v[0] = line.rng.choice([0.0, 0.06]) * peaks_v[1]

        def sound(u: Samples, hz: float = hz, peaks_v: Samples = peaks_v, length_s: float = length_s) -> Samples:
            waves = np.sin(2 * np.pi * hz * np.arange(1, 7)[:, None] * u)
            return np.asarray(peaks_v @ waves * np.clip(u / 0.003, 0, 1) * np.clip((length_s - u) / 0.005, 0, 1))

        line.add(begins_s, begins_s + length_s, hz, sound)
    return line.finish()


def vibrato_case(seed: int) -> EventCase:
    """Held notes whose pitch swings by 10 to 45 cents and their level by up to a third, three to six times a second."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(1.0, 2.0)
    for begins_s, next_s in pairwise(starts):
        hz, peak_v = float(line.rng.uniform(38.0, 105.0)), float(10 ** line.rng.uniform(0.3, 1.2))
        per_s, octaves = float(line.rng.uniform(3.0, 6.5)), float(line.rng.uniform(10.0, 45.0)) / 1200
        tremolo, length_s = float(line.rng.uniform(0.0, 0.35)), next_s - begins_s - float(line.rng.uniform(0.05, 0.3))

        def sound(
            u: Samples,
            hz: float = hz,
            v: float = peak_v,
            per_s: float = per_s,
            octaves: float = octaves,
            tremolo: float = tremolo,
            length_s: float = length_s,
        ) -> Samples:
            turn = 2 * np.pi * per_s * u
            cycles = np.cumsum(hz * 2.0 ** (octaves * np.sin(turn) * np.clip(4 * u - 1, 0, 1))) / RATE_HZ
            partials = [np.sin(2 * np.pi * k * cycles) / k**2 for k in range(1, 6)]
            shape = np.clip(u / 0.004, 0, 1) * np.clip((length_s - u) / 0.02, 0, 1)
            return np.asarray(0.7 * v * shape * (1 + tremolo * np.sin(turn + 1.0)) * np.sum(partials, axis=0))

        line.add(begins_s, begins_s + length_s, hz, sound)
    return line.finish()


def wobble_case(seed: int) -> EventCase:
    """Long notes of an oscillator whose partials swell and fade two to six times a second by frequency modulation."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(1.2, 2.4)
    for begins_s, next_s in pairwise(starts):
        hz, peak_v = float(line.rng.uniform(38.0, 60.0)), float(10 ** line.rng.uniform(0.3, 1.2))
        per_s, length_s = float(line.rng.uniform(2.0, 6.0)), next_s - begins_s - float(line.rng.uniform(0.05, 0.3))

        def sound(
            u: Samples, hz: float = hz, v: float = peak_v, per_s: float = per_s, length_s: float = length_s
        ) -> Samples:
            turn = 2 * np.pi * hz * u
            bent = turn + 1.25 * (1 - np.cos(2 * np.pi * per_s * u)) * np.sin(turn)
            return np.asarray(v * np.clip(u / 0.004, 0, 1) * np.clip((length_s - u) / 0.02, 0, 1) * np.sin(bent))

        line.add(begins_s, begins_s + length_s, hz, sound)
    return line.finish()


def drum_roll_case(seed: int) -> EventCase:
    """One drum that falls from up to five times its pitch, struck ten to twelve times a second."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.08, 0.10)
    hz, above = float(line.rng.uniform(48.0, 62.0)), float(line.rng.uniform(1.0, 4.0))
    slide_s, peak_v = float(line.rng.uniform(0.006, 0.015)), float(10 ** line.rng.uniform(0.3, 1.2))
    for begins_s, stop_s in pairwise(starts):
        length_s, dies_s = stop_s - begins_s - 0.001, float(line.rng.uniform(0.025, 0.04))

        def sound(u: Samples, length_s: float = length_s, dies_s: float = dies_s) -> Samples:
            cycles = hz * (u + above * slide_s * -np.expm1(-u / slide_s))
            return np.asarray(
                peak_v * np.exp(-u / dies_s) * np.clip((length_s - u) / 0.004, 0, 1) * np.sin(2 * np.pi * cycles)
            )

        line.add(begins_s, stop_s, hz, sound)
    return line.finish()


def pumped_case(seed: int) -> EventCase:
    """Held notes that something else pulls down by half and more twice a second, and lets up again slowly."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(1.8, 3.0)
    every_s, depth = float(line.rng.uniform(0.4, 0.6)), float(line.rng.uniform(0.4, 0.85))
    recovers_s, n_partials = float(line.rng.uniform(0.08, 0.25)), int(line.rng.integers(1, 6))
    for begins_s, next_s in pairwise(starts):
        hz, peak_v = float(line.rng.uniform(38.0, 105.0)), float(10 ** line.rng.uniform(0.3, 1.2))
        length_s = next_s - begins_s - 0.1

        def sound(u: Samples, hz: float = hz, v: float = peak_v, length_s: float = length_s) -> Samples:
            since = np.where(u < every_s, np.inf, np.mod(u, every_s))  # not pulled down as it begins
            pulled = np.where(since < 0.004, since / 0.004, np.exp(-(since - 0.004) / recovers_s))
            wave = sum(np.sin(2 * np.pi * k * hz * u) / k**1.5 for k in range(1, n_partials + 1))
            return np.asarray(
                v * wave * (1 - depth * pulled) * np.clip(u / 0.004, 0, 1) * np.clip((length_s - u) / 0.02, 0, 1)
            )

        line.add(begins_s, begins_s + length_s, hz, sound)
    return line.finish()


def soft_among_loud_case(seed: int) -> EventCase:
    """Strings let go some 15 ms ahead of the next, of which every other one is 14 to 18 dB softer."""
    line = _Line(np.random.default_rng(seed))
    starts = line.starts(0.2, 0.4)
    peak_v = float(10 ** line.rng.uniform(1.0, 1.4))
    for place, (begins_s, stop_s) in enumerate(pairwise(starts)):
        hz = 41.2 * SEMITONE ** int(line.rng.integers(0, 13))
        softer = 10 ** (-line.rng.uniform(14.0, 18.0) / 20) if place % 2 else 1.0
        length_s = stop_s - begins_s - float(line.rng.uniform(0.012, 0.02))
        line.add(begins_s, begins_s + length_s, hz, _string(line.rng, hz, peak_v * softer, length_s, 0.01))
    return line.finish()


def behind_crossover_case(seed: int) -> EventCase:
    """A string a beat, a drum struck with every other one, behind a crossover of 80 Hz, 24 dB an octave; either pitch
    is right where both sound, and the string's is the truth as it sounds longer."""
    line = _Line(np.random.default_rng(seed))
    rng, beat_s = line.rng, 60 / float(line.rng.uniform(85, 130))
    peak_v, drum_hz = float(10 ** rng.uniform(0.6, 1.2)), float(rng.uniform(48, 60))
    for place, begins_s in enumerate(np.arange(0.5, SECONDS - 1.0, beat_s).tolist()):
        if place % 2 == 0:
            line.add(begins_s, begins_s + 0.3, drum_hz, _drum(drum_hz, peak_v))
            line.notes.pop()
        hz, length_s = 36.7 * SEMITONE ** int(rng.integers(0, 12)), beat_s * float(rng.uniform(0.7, 0.95))
        line.add(begins_s, begins_s + length_s, hz, _string(rng, hz, 0.8 * peak_v, length_s, 0.012))
    section = signal.butter(2, 80.0, fs=RATE_HZ, output="sos")
    line.wave = np.asarray(signal.sosfilt(section, signal.sosfilt(section, line.wave)))
    return line.finish()


def _ring_on_case(seed: int, steps: tuple[int, ...]) -> EventCase:
    """Strings by twos: the second is struck while the first sounds, which is let go while the second sounds on."""
    line = _Line(np.random.default_rng(seed))
    peak_v = float(10 ** line.rng.uniform(0.3, 1.3))
    for first_s in line.starts(1.8, 2.2)[:-1]:
        key = int(line.rng.integers(0, 7))
        keys = [key, key + int(line.rng.choice(steps))]
        line.rng.shuffle(keys)
        second_s = first_s + float(line.rng.uniform(0.35, 0.6))
        for begins_s, one in zip((first_s, second_s), keys, strict=True):
            lasts_s = float(line.rng.uniform(0.8, 1.1))
            hz, strength = 41.2 * SEMITONE**one, peak_v * float(line.rng.uniform(0.5, 1.0))
            sound = _string(line.rng, hz, strength, lasts_s, float(line.rng.uniform(0.015, 0.06)))
            line.add(begins_s, begins_s + lasts_s, hz, sound)
    return line.finish()


def ring_on_case(seed: int) -> EventCase:
    """Two at a time, a third to a tenth apart."""
    return _ring_on_case(seed, (3, 4, 5, 7, 8, 9, 10))


def octave_case(seed: int) -> EventCase:
    """Two at a time, an octave apart."""
    return _ring_on_case(seed, (12,))


def _drum(hz: float, peak_v: float) -> Callable[..., Samples]:
    """It falls from three times its pitch and dies within 0.3 s."""

    def sound(u: Samples) -> Samples:
        cycles = hz * (u + 2.0 * 0.015 * -np.expm1(-u / 0.015))
        return np.asarray(peak_v * np.exp(-u / 0.07) * np.clip((0.3 - u) / 0.01, 0, 1) * np.sin(2 * np.pi * cycles))

    return sound


UNUSUAL_FAMILIES: tuple[tuple[str, Callable[[int], EventCase]], ...] = (
    ("let go as the next begins", let_go_case),
    ("drums with wide slides", sliding_drum_case),
    ("struck every 70 to 110 ms", fast_repeats_case),
    ("legato with partials", legato_partials_case),
    ("partials that come and go", opening_filter_case),
    ("root lost to a high-pass", lost_root_case),
    ("drum rolls", drum_roll_case),
    ("vibrato and tremolo", vibrato_case),
    ("partials that wobble", wobble_case),
    ("pulled down twice a second", pumped_case),
    ("every other one 14 to 18 dB softer", soft_among_loud_case),
    ("drum and string behind a crossover", behind_crossover_case),
    ("let go beside another", ring_on_case),
    ("let go beside its octave", octave_case),
)
