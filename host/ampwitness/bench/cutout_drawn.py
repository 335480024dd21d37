"""Cut-outs as an examiner would draw them: other programmes, other output stages, and levels down to what can be seen.

Programmes: kicks with an off-beat bass, a plucked line with rests, a slow string sound, a band, noise. Each is played
by a stage that is drawn apart from it: bridged, at half its supply and logged there, one that switches (with a rest of
its own and hiss), with a test tone mixed in, turned down by 20 dB seconds before, or logged with gaps near by. Stops
are drawn where the programme can be heard: right before it sounded for 60 ms, and stood ten times over the noise. What
is drawn softer than that cannot be told from what is logged. Scored by
`python -m ampwitness.bench.cutout_scores --drawn`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from ampwitness.bench.cutout_material import NONE, RATE_HZ, CutoutCase, Samples
from ampwitness.types import Edge

_PAUSE = "not decided: the signal may have paused"
_AMPLIFIER = "protection with supply and remote fine|not decided: the amplifier"
STAGES = ("bridged", "half-supply", "switching", "with a tone", "turned down", "with gaps")
_OVER_NOISE, _HEARD_S = 10.0, 0.03


def _edge(level: int, time_s: float) -> Edge:
    return Edge("remote", level, time_s, "drawn", round(time_s * RATE_HZ))


def _kicks(rng: np.random.Generator, at: Samples) -> Samples:
    beat_s = 60 / float(rng.uniform(118, 140))
    u = (at - 0.1) % beat_s
    high_hz, low_hz, glide_s = rng.uniform(90, 180), rng.uniform(42, 60), rng.uniform(0.02, 0.05)
    phase = 2 * np.pi * (low_hz * u + (high_hz - low_hz) * glide_s * (1 - np.exp(-u / glide_s)))
    kick = np.sin(phase) * np.exp(-u / rng.uniform(0.06, 0.15)) * np.minimum(u / 0.002, 1)
    gate = lfilter([0.01], [1, -0.99], ((at / beat_s) % 1.0 > 0.5).astype(float))
    bass = 0.36 * gate * np.sign(np.sin(2 * np.pi * rng.uniform(45, 70) * at))
    hat = 0.15 * rng.standard_normal(len(at)) * np.exp(-((at / beat_s + 0.5) % 1.0) / 0.15)
    return np.asarray(kick + bass + hat)


def _plucks(rng: np.random.Generator, at: Samples) -> Samples:
    out, time_s = np.zeros_like(at), 0.15
    while time_s < at[-1]:
        hz, long_s = 41.2 * 2 ** (rng.integers(0, 19) / 12), float(rng.choice([0.08, 0.15, 0.3]))
        inside = (at >= time_s) & (at < time_s + long_s + 0.05)
        v = at[inside] - time_s
        shape = np.minimum(v / 0.004, 1) * np.exp(-v / 0.35) * np.clip((long_s + 0.02 - v) / 0.02, 0, 1)
        partials = ((1, 1.0, 0.0), (2, 0.5, 1.0), (3, 0.3, 2.0), (4, 0.15, 0.4))
        out[inside] += rng.uniform(0.5, 1) * shape * sum(a * np.sin(2 * np.pi * hz * h * v + p) for h, a, p in partials)
        time_s += long_s + float(rng.choice([0.0, 0.05, 0.12, 0.3]))
    return out


def _strings(rng: np.random.Generator, at: Samples) -> Samples:
    out = np.zeros_like(at)
    for _ in range(7):
        vibrato = 1 + 0.004 * np.sin(2 * np.pi * rng.uniform(4, 6.5) * at + rng.uniform(0, 6))
        phase = 2 * np.pi * rng.uniform(55, 300) * np.cumsum(vibrato) / RATE_HZ
        swell = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.05, 0.3) * at + rng.uniform(0, 6))
        out += swell * sum(np.sin(h * phase + h) / h for h in range(1, 6))
    return out + 0.6 * _coloured(rng, at, (80, 1500), 2)


def _band(rng: np.random.Generator, at: Samples) -> Samples:
    out, beat_s = 0.6 * _plucks(rng, at), 60 / float(rng.uniform(90, 130))
    out = out + 0.9 * _kicks(rng, at) * 0.8
    snare = rng.standard_normal(len(at)) * np.exp(-((at - beat_s) % (2 * beat_s)) / 0.08)
    guitar = sum(np.tanh(3 * np.sin(2 * np.pi * hz * at)) for hz in (82.4, 123.5, 164.8))
    return np.asarray(out + 0.7 * snare + 0.3 * guitar)


def _noise(rng: np.random.Generator, at: Samples) -> Samples:
    return _coloured(rng, at, (30, 600), 1)


def _coloured(rng: np.random.Generator, at: Samples, band_hz: tuple[float, float], order: int) -> Samples:
    sections = butter(order, band_hz, "band", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sections, rng.standard_normal(len(at))))


PROGRAMMES = {"kicks": _kicks, "plucks": _plucks, "strings": _strings, "band": _band, "noise": _noise}


class _Scene:
    """A programme, the stage that plays it, and the supply it pulls at."""

    def __init__(self, rng: np.random.Generator, seconds: float = 14.0, has_source: bool | None = None) -> None:
        self.rng, self.at = rng, np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        self.programme, self.stage = str(rng.choice(list(PROGRAMMES))), str(rng.choice(STAGES))
        wave = PROGRAMMES[self.programme](rng, self.at)
        self.peak_v = float(np.exp(rng.uniform(np.log(2.5), np.log(40))))
        self.noise_v = float(rng.choice([0.01, 0.025, 0.05]))
        self.rest_v = float(rng.choice([rng.uniform(12.0, 12.9), rng.uniform(13.5, 14.6)]))
        self.sag_v = float(rng.uniform(0.1, 1.5))
        if self.stage == "half-supply":
            self.peak_v, self.sag_v = min(self.peak_v, 0.45 * self.rest_v), min(self.sag_v, 0.4)
        if self.stage == "turned down":
            self.peak_v, self.sag_v = 3 * self.peak_v, min(self.sag_v, 0.4)
        self.wave: Samples = self.peak_v * np.clip(wave / np.quantile(np.abs(wave), 0.999), -1, 1)
        if self.stage == "with a tone":
            self.wave = 0.5 * self.wave + 0.5 * self.peak_v * np.sin(2 * np.pi * rng.uniform(40, 120) * self.at)
        if self.stage == "turned down":
            self.wave = self.wave * np.where(self.at < rng.uniform(1.5, 2.2), 1.0, 0.1)
        share = np.exp(-1 / (rng.uniform(0.002, 0.02) * RATE_HZ))
        load = lfilter([1 - share], [1, -share], self.wave**2)
        self.load: Samples = load / load.max()
        self.drive: Samples = self.wave / float(rng.uniform(6, 30))
        self.has_source = bool(rng.random() < 0.5) if has_source is None else has_source
        self.remote = str(rng.choice(["digital", "analog", "none"]))

    def instant(self, after_s: float) -> float:
        """The next time, within 2.5 s if there is one, at which a stop can be seen."""
        n = round(_HEARD_S * RATE_HZ)
        heard = np.sqrt(np.convolve(self.wave**2, np.full(n, 1 / n), "full")[: len(self.at)])
        near = (self.at >= after_s) & (self.at < after_s + 2.5)
        high_v = float(np.quantile(np.abs(self.wave[near]), 0.99))
        least_v = max(0.15 * high_v, _OVER_NOISE * self.noise_v)
        earlier = np.concatenate((np.zeros(n), heard[:-n]))  # no note that has only just begun
        fine = (np.abs(self.wave) > 0.3 * high_v) & (heard > least_v) & (earlier > least_v)
        later = np.flatnonzero(fine & (self.at >= after_s))
        return float(self.at[later[0] if len(later) else np.argmax(heard * near)])

    def gate(self, start_s: float, stop_s: float | None, fall_s: float = 0.0004, ramp_s: float = 0.003) -> Samples:
        gate = np.where(self.at < start_s, 1.0, np.exp(-np.maximum(self.at - start_s, 0) / fall_s))
        return gate if stop_s is None else np.where(self.at >= stop_s, np.clip((self.at - stop_s) / ramp_s, 0, 1), gate)

    def supply(self, gate: Samples | float = 1.0) -> Samples:
        """Volts with what the programme and, where the engine runs, the alternator leave on them."""
        ripple = 0.02 * np.sin(2 * np.pi * self.rng.uniform(0.2, 2) * self.at)
        return np.asarray(self.rest_v + ripple - self.sag_v * self.load * np.square(gate))

    def remote_low(self, spans: list[tuple[float, float]]) -> tuple[tuple[Edge, ...], Samples]:
        """The lead, on a line of its own and as a share of the supply."""
        low = np.zeros(len(self.at), dtype=bool)
        edges = [_edge(1, 0.01)]
        for a, b in spans:
            low |= (self.at >= a) & (self.at < b)
            edges += [_edge(0, a), _edge(1, b)]
        return tuple(edges), np.where(low, 0.2, 1.0)

    def case(
        self,
        wave: Samples,
        supply: Samples,
        wanted: str,
        starts_s: tuple[float, ...],
        stops_s: tuple[float | None, ...] = (),
        spans: list[tuple[float, float]] | None = None,
        order: tuple[str, ...] = (),
    ) -> CutoutCase:
        """As logged; `spans`: the remote lead is low."""
        rng = self.rng
        if self.stage == "half-supply":
            wave = wave + self.rest_v / 2
        if self.stage == "switching":
            wave = wave + rng.uniform(-0.3, 0.3) + 0.04 * rng.standard_normal(len(wave))
        rounded = ((wave, self.noise_v, 0.008), (supply, 0.003, 0.0017))
        output, volts = (np.round((v + n * rng.standard_normal(len(v))) / step) * step for v, n, step in rounded)
        logged: dict[str, Samples] = {"output": output, "supply": volts}
        if self.has_source:
            logged["source"] = self.drive + 0.002 * rng.standard_normal(len(self.at))
        edges, share = self.remote_low(spans or [])
        if self.remote == "analog":
            logged["remote"] = np.maximum(supply - 0.3, 0) * share + 0.004 * rng.standard_normal(len(supply))
        return CutoutCase(
            logged,
            wanted,
            edges if self.remote == "digital" else (),
            starts_s,
            stops_s or (None,) * len(starts_s),
            order,
            pauses=True,
            lost=self._gaps(starts_s) if self.stage == "with gaps" else (),
        )

    def _gaps(self, starts_s: tuple[float, ...]) -> tuple[tuple[int, int], ...]:
        """Up to two hundred milliseconds lost beside each stop."""
        lost: list[tuple[int, int]] = []
        for start_s in starts_s:
            a = start_s + float(self.rng.choice([-1, 1]) * self.rng.uniform(0.4, 1.2))
            b = a + float(self.rng.uniform(0.005, 0.2))
            if all(b < s - 0.2 or a > s + 0.2 for s in starts_s) and (not lost or a * RATE_HZ > lost[-1][1] + 100):
                lost.append((round(a * RATE_HZ), round(b * RATE_HZ)))
        return tuple(sorted(lost))


def over_current(rng: np.random.Generator) -> CutoutCase:
    """It stops by itself, and comes back within seconds."""
    scene = _Scene(rng)
    start_s = scene.instant(float(rng.uniform(4, 6)))
    gate = scene.gate(start_s, start_s + float(rng.uniform(0.3, 4)), ramp_s=float(rng.choice([0.002, 0.05])))
    wanted = _AMPLIFIER if scene.has_source else _PAUSE
    return scene.case(scene.wave * gate, scene.supply(gate), wanted, (start_s,))


def latched(rng: np.random.Generator) -> CutoutCase:
    """It stays off until somebody switches it off and on."""
    scene = _Scene(rng, 24.0)
    scene.remote = str(rng.choice(["digital", "analog"]))
    start_s = scene.instant(float(rng.uniform(4, 6)))
    off_s = start_s + float(rng.uniform(4, 8))
    on_s = off_s + float(rng.uniform(0.5, 2))
    gate = scene.gate(start_s, on_s + float(rng.uniform(0.5, 1.5)), ramp_s=0.05)
    wanted = _AMPLIFIER if scene.has_source else _PAUSE
    return scene.case(scene.wave * gate, scene.supply(gate), wanted, (start_s,), spans=[(off_s, on_s)])


def remote_once(rng: np.random.Generator) -> CutoutCase:
    """The remote lead falls, some milliseconds later the output."""
    scene = _Scene(rng)
    scene.remote = "digital" if scene.remote == "none" else scene.remote
    start_s, lead_s = scene.instant(float(rng.uniform(4, 6))), float(rng.uniform(0.004, 0.03))
    stop_s = start_s + float(rng.uniform(1, 5))
    fall_s = float(rng.choice([0.0004, 0.002]))
    gate = scene.gate(start_s, stop_s, fall_s, 0.05)
    spans = [(start_s - lead_s, stop_s - 0.2)]
    order = ("remote lead fell", "output stopped")
    case = scene.case(
        scene.wave * gate, scene.supply(gate), "remote lead dropped", (start_s,), spans=spans, order=order
    )
    case.is_abrupt = fall_s < 0.001
    return case


def supply_lost(rng: np.random.Generator) -> CutoutCase:
    """The plus lead loses contact, some milliseconds later the output is gone."""
    scene = _Scene(rng)
    scene.remote = "digital" if scene.remote == "analog" else scene.remote
    start_s, lead_s = scene.instant(float(rng.uniform(4, 6))), float(rng.uniform(0.003, 0.02))
    stop_s = start_s + float(rng.uniform(0.5, 4))
    gate, since = scene.gate(start_s, stop_s, ramp_s=0.05), scene.at - start_s + lead_s
    is_gone = (since >= 0) & (scene.at < stop_s - 0.15)
    supply = scene.supply(gate) * np.where(is_gone, np.exp(-np.maximum(since, 0) / 0.003), 1.0)
    wanted, order = "supply lost|supply connection intermittent", ("supply gone", "output stopped")
    return scene.case(scene.wave * gate, supply, wanted, (start_s,), order=order)


def source_gone(rng: np.random.Generator) -> CutoutCase:
    """What feeds the amplifier stops in mid-cycle, as its own channel shows."""
    scene = _Scene(rng, has_source=True)
    start_s = scene.instant(float(rng.uniform(4, 6)))
    inside = (scene.at >= start_s) & (scene.at < start_s + float(rng.uniform(0.5, 4)))
    wave = np.where(inside, 0.0, scene.wave)
    scene.drive = np.where(inside, 0.0, scene.drive)
    rms_v = float(np.std(scene.drive[(scene.at > start_s - 0.3) & (scene.at < start_s)]))
    wanted = "signal stopped at the source" + ("" if rms_v > 0.015 else f"|{_PAUSE}")  # softer than is judged
    return scene.case(wave, scene.supply(), wanted, (start_s,))


def pulled_under(rng: np.random.Generator) -> CutoutCase:
    """Other consumers pull the supply under where it lets go, again and again; the level moves as it warms up."""
    scene = _Scene(rng, 50.0)
    level_v, drift_v = float(rng.uniform(9.2, 10.2)), float(rng.uniform(-0.4, 0.4))
    supply, gate = scene.supply(), np.ones(len(scene.at))
    starts: tuple[list[float], list[float]] = ([], [])  # in a soft moment, where it can be heard
    for number in range(5):
        least_v = level_v + drift_v * number / 5
        wanted_s = scene.instant(4 + 9 * number + float(rng.uniform(0, 1.5)))
        fall_s, depth_v = float(rng.choice([0.03, 0.15, 0.4])), scene.rest_v - least_v + float(rng.uniform(0.3, 1.0))
        u = scene.at - wanted_s + fall_s * float(rng.uniform(0.5, 0.9))
        held_s = fall_s + float(rng.uniform(0.2, 0.6))
        supply = supply - depth_v * np.where(
            u < held_s, np.clip(u / fall_s, 0, 1), np.exp(-(u - held_s) / 0.15).clip(0, 1)
        )
        under = np.flatnonzero((supply < least_v) & (u > 0))[0]
        start_s = float(scene.at[under]) + float(rng.uniform(0.001, 0.006))
        back = np.flatnonzero((supply > least_v + 1) & (u > held_s))
        off = scene.gate(start_s, float(scene.at[back[0]]) + float(rng.uniform(0.2, 0.8)), ramp_s=0.05)
        supply, gate = supply + scene.sag_v * scene.load * (1 - off**2), gate * off
        starts[_is_heard(scene, start_s)].append(start_s)
    case = scene.case(scene.wave * gate, supply, "supply voltage too low", tuple(starts[1]))
    case.unheard_s = tuple(starts[0])
    return case


def _is_heard(scene: _Scene, time_s: float) -> bool:
    before = np.abs(scene.wave[(scene.at > time_s - 0.012) & (scene.at <= time_s)])
    long_before = scene.wave[(scene.at > time_s - 0.06) & (scene.at <= time_s)]
    high_v = float(np.quantile(np.abs(scene.wave[(scene.at > time_s - 0.5) & (scene.at < time_s)]), 0.99))
    return float(before.max()) > 0.3 * high_v and float(np.std(long_before)) > max(0.15 * high_v, 10 * scene.noise_v)


def cranked(rng: np.random.Generator) -> CutoutCase:
    """The starter turns, and the amplifier mutes; it may be drawn to stop first."""
    scene = _Scene(rng, 16.0)
    scene.rest_v = float(rng.uniform(12.1, 12.9))
    start_s = scene.instant(float(rng.uniform(4, 5)))
    u, long_s = scene.at - start_s + float(rng.uniform(0.006, 0.05)), float(rng.uniform(0.5, 1.5))
    low_v, run_v, after_v = float(rng.uniform(5, 8.5)), float(rng.uniform(9.2, 10.8)), float(rng.uniform(13.8, 14.5))
    notch = (low_v - run_v) * np.exp(-np.maximum(u, 0) / rng.uniform(0.03, 0.1))
    strokes = 0.4 * np.sin(2 * np.pi * rng.uniform(3, 9) * u) * (1 - np.exp(-np.maximum(u, 0) / 0.1))
    charging = after_v - (after_v - run_v) * np.exp(-np.maximum(u - long_s, 0) / rng.uniform(0.1, 0.5))
    profile = np.where(u < 0, scene.rest_v, np.where(u < long_s, run_v + notch + strokes, charging))
    profile = lfilter([0.05], [1, -0.95], profile - scene.rest_v) + scene.rest_v
    stop_s = start_s + long_s + float(rng.uniform(0.5, 2.5))
    gate = scene.gate(start_s, stop_s, ramp_s=float(rng.choice([0.05, 0.3])))
    supply = profile - scene.sag_v * scene.load * gate**2
    return scene.case(scene.wave * gate, supply, "muted while the engine was cranked", (start_s,))


def programme_stops(rng: np.random.Generator) -> CutoutCase:
    """Hard rests, fades, short rests and gates of the programme itself, while other consumers come and go."""
    scene = _Scene(rng, 30.0, has_source=bool(rng.random() < 0.4))
    gate, time_s = np.ones(len(scene.at)), 4.0
    while time_s < 26:
        how, long_s = str(rng.choice(["hard", "fade", "rest", "gated"])), float(rng.uniform(0.1, 2.0))
        inside = (scene.at >= time_s) & (scene.at < time_s + long_s)
        if how == "gated":
            inside = (scene.at >= time_s) & (scene.at < time_s + 1.2) & ((scene.at - time_s) % 0.2 < 0.08)
        if how in ("fade", "rest"):
            fall_s = float(rng.uniform(0.1, 1.5) if how == "fade" else rng.uniform(0.01, 0.06))
            fall = np.clip((time_s - scene.at) / fall_s, 0, 1)
            gate = np.where((scene.at >= time_s - fall_s) & (scene.at < time_s), np.minimum(gate, fall), gate)
        gate = np.where(inside, 0.0, gate)
        time_s += long_s + float(rng.uniform(1.5, 4))
    scene.wave, scene.drive, scene.load = scene.wave * gate, scene.drive * gate, scene.load * gate**2
    supply = scene.supply()
    for _ in range(3):
        u = scene.at - float(rng.uniform(3, 27))
        pull = np.clip(u / 0.01, 0, 1) * (u < rng.uniform(0.5, 3)) + rng.uniform(0, 1) * np.exp(-np.abs(u) / 0.05) * (
            u >= 0
        )
        supply = supply - float(rng.uniform(0.3, 1.8)) * pull
    return scene.case(scene.wave, supply, NONE, ())


CLASSES: dict[str, Callable[[np.random.Generator], CutoutCase]] = {
    "drawn: over-current": over_current,
    "drawn: latched": latched,
    "drawn: remote dropped": remote_once,
    "drawn: supply lost": supply_lost,
    "drawn: source gone, logged": source_gone,
    "drawn: pulled under, five times": pulled_under,
    "drawn: cranking mute": cranked,
    "drawn: programme stops (none)": programme_stops,
}


def make_case(name: str, seed: int) -> CutoutCase:
    """A case of a class."""
    return CLASSES[name](np.random.default_rng([seed, 900 + list(CLASSES).index(name)]))
