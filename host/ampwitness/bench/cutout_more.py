"""More cut-outs, with other material: organ chords, drums with bass, sliding bass drums, speech; ripple on the supply.

Added after a hunt with a generator that shared nothing with `cutout_material`; its classes are those that found
something, and what is none beside them. `python -m ampwitness.bench.cutout_scores --more` scores them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal

from ampwitness.bench.cutout_material import NONE, RATE_HZ, CutoutCase, Samples, starting_profile
from ampwitness.bench.event_signals import add_logger
from ampwitness.types import Edge

_STEADY = (Edge("remote", 1, 0.012, "drawn", 96),)
_KINDS = ("organ", "drums", "slides", "speech")


def _organ(rng: np.random.Generator, at: Samples) -> Samples:
    wave, begin_s = np.zeros(len(at)), 0.0
    while begin_s < at[-1]:
        long_s, root_hz = float(rng.uniform(0.8, 2.2)), float(rng.choice([55.0, 61.7, 73.4, 98.0]))
        u = at - begin_s
        shape = np.clip(u / 0.025, 0, 1) * np.clip((long_s + 0.03 - u) / 0.03, 0, 1)
        for ratio, level in ((1, 1.0), (1.26, 0.6), (1.5, 0.7), (2, 0.5), (3, 0.3), (6, 0.1)):
            wave += level * shape * np.sin(2 * np.pi * root_hz * ratio * u + float(rng.uniform(0, 6)))
        begin_s += long_s
    return wave


def _drums(rng: np.random.Generator, at: Samples) -> Samples:
    beat_s, wave = 60.0 / float(rng.uniform(95, 150)), np.zeros(len(at))
    for begin_s in np.arange(0.0, at[-1], beat_s):
        u = at - begin_s
        here = (u >= 0) & (u < beat_s)
        wave[here] += np.sin(2 * np.pi * (45 * u[here] + 8 * (1 - np.exp(-u[here] / 0.03)))) * np.exp(-u[here] / 0.18)
        late = here & (u > beat_s / 2)
        saw = signal.lfilter([0.2], [1, -0.8], signal.sawtooth(2 * np.pi * float(rng.choice([41.2, 55.0])) * u[late]))
        wave[late] += 0.5 * saw * np.exp(-(u[late] - beat_s / 2) / 0.25)
    band = signal.butter(2, [300 / (RATE_HZ / 2), 2500 / (RATE_HZ / 2)], "band")
    pad = signal.lfilter(*band, rng.standard_normal(len(at)))
    return np.asarray(wave + 0.12 * pad / np.std(pad))


def _slides(rng: np.random.Generator, at: Samples) -> Samples:
    wave, begin_s = np.zeros(len(at)), 0.1
    while begin_s < at[-1]:
        long_s, end_hz = float(rng.uniform(0.5, 1.4)), float(rng.uniform(38, 62))
        u = at - begin_s
        here = (u >= 0) & (u < long_s)
        turns = end_hz * u[here] + 0.6 * (1 - np.exp(-u[here] / 0.02))
        tone = np.tanh(1.8 * np.sin(2 * np.pi * turns)) * np.exp(-u[here] / float(rng.uniform(0.3, 0.9)))
        wave[here] = tone * np.minimum((long_s - u[here]) / 0.02, 1)
        begin_s += long_s
    return wave


def _speech(rng: np.random.Generator, at: Samples) -> Samples:
    pitch_hz = 110 * (1 + 0.1 * np.sin(2 * np.pi * 0.7 * at + float(rng.uniform(0, 6))))
    source, wave = signal.sawtooth(2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ), np.zeros(len(at))
    for centre_hz in (500, 1400, 2400):
        band = signal.butter(1, [centre_hz * 0.85 / (RATE_HZ / 2), centre_hz * 1.15 / (RATE_HZ / 2)], "band")
        wave += signal.lfilter(*band, source)
    syllables = np.maximum(0.0, np.sin(2 * np.pi * 3.7 * at + 2 * np.sin(2 * np.pi * 0.6 * at + rng.uniform(0, 6))))
    return np.asarray(wave * syllables**0.6)


def make_drive(rng: np.random.Generator, at: Samples, kind: str) -> Samples:
    """What sounds, of a kind: "organ", "drums", "slides", "speech"; heights as they come."""
    makers = {"organ": _organ, "drums": _drums, "slides": _slides, "speech": _speech}
    return makers[kind](rng, at)


class _Scene:
    def __init__(self, rng: np.random.Generator, seconds: float = 9.0, kinds: tuple[str, ...] = _KINDS) -> None:
        self.rng, self.at = rng, np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        drive = make_drive(rng, self.at, str(rng.choice(kinds)))
        self.drive = drive / np.quantile(np.abs(drive), 0.999)
        self.peak_v = float(np.exp(rng.uniform(np.log(1.5), np.log(55))))
        self.wave = self.peak_v * np.clip(self.drive, -1.05, 1.05)
        power = signal.lfilter([0.003], [1, -0.997], self.wave**2)
        self.rest_v = float(rng.choice([rng.uniform(12.0, 12.9), rng.uniform(13.7, 14.9)]))
        whine = np.abs(np.sin(np.pi * float(rng.uniform(200, 900)) * self.at)) * (self.rest_v > 13)
        self.supply = self.rest_v - power / power.max() * float(rng.uniform(0.02, 0.8)) + 0.15 * (whine - 0.5)

    def instant(self, after_s: float, least: float = 0.25) -> float:
        """The next time the wave is high with something before it: only there a stop can be seen."""
        usual_v, n = float(np.quantile(np.abs(self.wave), 0.995)), RATE_HZ // 12
        power = np.convolve(self.wave**2, np.full(n, 1 / n), "full")[: len(self.wave)]
        fine = (np.abs(self.wave) > least * usual_v) & (power > (0.2 * usual_v) ** 2) & (self.at >= after_s)
        return float(self.at[np.flatnonzero(fine)[0]])

    def gate(self, start_s: float, stop_s: float | None) -> Samples:
        fall = np.exp(-np.maximum(self.at - start_s, 0) / float(self.rng.choice([0.0002, 0.0006])))
        gate = np.where(self.at < start_s, 1.0, fall)
        return gate if stop_s is None else np.where(self.at >= stop_s, 1.0, gate)

    def case(self, wave: Samples, supply: Samples, wanted: str, *starts: float, **more: Samples) -> CutoutCase:
        volts = {"output": add_logger(self.rng, wave + float(self.rng.uniform(-0.3, 0.3)), "output")}
        volts["supply"] = add_logger(self.rng, supply, "supply")
        for role, values in more.items():
            volts[role] = values + self.rng.normal(0, 0.002, len(values))
        return CutoutCase(volts, wanted, _STEADY, starts, (None,) * len(starts))


def kick_pulls_it_under(rng: np.random.Generator) -> CutoutCase:
    """A tired battery: the amplifier's own loudest note pulls the supply to where it lets go."""
    scene = _Scene(rng, 9.0, ("drums", "slides"))
    inside = (scene.at >= 4.0) & (scene.at < 6.0)
    start_s = float(scene.at[inside][int(np.argmax(np.abs(scene.wave[inside])))])
    depth_v = scene.rest_v - float(rng.uniform(8.7, 10.2))
    u = scene.at - start_s
    pull = depth_v * np.clip(u / 0.035 + 1, 0, 1) * np.exp(-np.maximum(u - 0.01, 0) / 0.05)
    gate = scene.gate(start_s, start_s + float(rng.uniform(0.3, 1.5)))
    return scene.case(scene.wave * gate, scene.supply - pull, "supply voltage too low", start_s)


def loose_lead(rng: np.random.Generator) -> CutoutCase:
    """A loose plus lead flickers, then stops the sound several times within seconds."""
    scene = _Scene(rng, 9.0, ("organ", "drums"))
    wave, supply, after_s = scene.wave, scene.supply, float(rng.uniform(2.5, 3.5))
    for k in range(3):
        begin_s = after_s - 0.25 + 0.07 * k
        supply = np.where((scene.at >= begin_s) & (scene.at < begin_s + float(rng.uniform(0.002, 0.006))), 0.4, supply)
    starts: list[float] = []
    for _ in range(int(rng.integers(2, 4))):
        start_s = scene.instant(after_s)
        stop_s = start_s + float(rng.uniform(0.12, 0.5))
        wave = wave * scene.gate(start_s, stop_s)
        supply = np.where((scene.at >= start_s - 0.004) & (scene.at < stop_s - 0.03), 0.06, supply)
        supply = np.where((scene.at >= start_s + 0.06) & (scene.at < start_s + 0.064), scene.rest_v - 1, supply)
        starts.append(start_s)
        after_s = stop_s + float(rng.uniform(0.25, 0.6))
    return scene.case(wave, supply, "supply connection intermittent", *starts)


def tries_at_new_notes(rng: np.random.Generator) -> CutoutCase:
    """Over-current at the beginning of a note, again and again; the source is logged."""
    scene = _Scene(rng, 9.0, ("drums", "slides"))
    wave, after_s, starts = scene.wave, 3.0, list[float]()
    while after_s < 6.5 and len(starts) < 4:
        start_s = scene.instant(after_s, 0.8)
        stop_s = start_s + float(rng.uniform(0.25, 0.6))
        wave = wave * scene.gate(start_s, stop_s)
        starts.append(start_s)
        after_s = stop_s + float(rng.uniform(0.15, 0.4))
    return scene.case(wave, scene.supply, "protection with supply and remote fine", *starts, source=scene.drive * 0.8)


def ground_through_its_input(rng: np.random.Generator) -> CutoutCase:
    """The ground lifts by volts, of which the input shows two."""
    scene = _Scene(rng, 9.0, ("organ", "drums"))
    start_s = scene.instant(float(rng.uniform(2.5, 4.5)))
    stop_s = start_s + float(rng.uniform(0.2, 1.5))
    lifted = (scene.at >= start_s - float(rng.uniform(0.002, 0.015))) & (scene.at < stop_s - 0.02)
    ground: Samples = np.where(lifted, min(float(rng.uniform(3, 12)), float(rng.uniform(2.0, 3.3))), 0.03)
    return scene.case(
        scene.wave * scene.gate(start_s, stop_s), scene.supply, "ground connection lost", start_s, ground=ground
    )


def speech_under_a_load(rng: np.random.Generator) -> CutoutCase:
    """Another consumer pulls volts for seconds, while somebody speaks."""
    scene = _Scene(rng, 9.0, ("speech",))
    pull = float(rng.uniform(1.2, 3.5)) * (1 - np.exp(-np.maximum(scene.at - 3.3, 0) / 0.05)) * (scene.at < 6.5)
    return scene.case(scene.wave, scene.supply - pull, NONE)


def collapse_in_speech(rng: np.random.Generator) -> CutoutCase:
    """Somebody speaks, another consumer pulls the supply to where the amplifier lets go, and it waits before it plays
    again: told from the stops that speech makes."""
    scene = _Scene(rng, 9.0, ("speech",))
    start_s = scene.instant(float(rng.uniform(3.0, 5.0)))
    depth_v = scene.rest_v - float(rng.uniform(8.7, 10.0))
    u = scene.at - start_s
    pull = depth_v * np.clip(u / 0.03 + 1, 0, 1) * np.exp(-np.maximum(u - 0.2, 0) / 0.05)
    gate = scene.gate(start_s, start_s + float(rng.uniform(0.6, 1.5)))
    supply = scene.supply * gate + scene.rest_v * (1 - gate)  # what is off draws nothing
    case = scene.case(scene.wave * gate, supply - pull, "supply voltage too low", start_s)
    case.pauses = True
    return case


def supply_flickers(rng: np.random.Generator) -> CutoutCase:
    """A supply that is gone for milliseconds, which the amplifier outlives."""
    scene = _Scene(rng)
    supply = scene.supply
    for begin_s in rng.uniform(2, 7, 6):
        gone = (scene.at >= begin_s) & (scene.at < begin_s + float(rng.uniform(0.001, 0.006)))
        supply = np.where(gone, float(rng.uniform(0.2, 8)), supply)
    return scene.case(scene.wave, supply, NONE)


def cranked_and_plays_on(rng: np.random.Generator) -> CutoutCase:
    """An engine is cranked, and the amplifier plays on."""
    scene = _Scene(rng, 9.0, ("organ", "drums"))
    profile = starting_profile(scene.at, 4.0, 12.4, lowest_v=7.0, run_v=9.2, ripple_hz=5.0, after_v=14.0)
    return scene.case(scene.wave, profile, NONE)


def ground_shifts(rng: np.random.Generator) -> CutoutCase:
    """The ground's drop follows the music and other consumers."""
    scene = _Scene(rng)
    shifts = float(rng.uniform(0.2, 1.2)) * ((scene.at % 2.3) < 0.4)
    return scene.case(scene.wave, scene.supply, NONE, ground=np.asarray(0.05 + shifts))


CLASSES: dict[str, Callable[[np.random.Generator], CutoutCase]] = {
    "kick pulls the supply under": kick_pulls_it_under,
    "loose lead, several times": loose_lead,
    "tries at new notes": tries_at_new_notes,
    "ground through a short input": ground_through_its_input,
    "speech under a load (none)": speech_under_a_load,
    "supply flickers (none)": supply_flickers,
    "cranked, plays on (none)": cranked_and_plays_on,
    "ground shifts (none)": ground_shifts,
    "collapse in speech": collapse_in_speech,
}


def make_case(name: str, seed: int) -> CutoutCase:
    """A case of a class."""
    return CLASSES[name](np.random.default_rng([seed, 600 + list(CLASSES).index(name)]))
