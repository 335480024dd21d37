"""Cut-outs of every class with their truth, and what is none: what the cut-out detector is scored on.

Each case is drawn by seed: programme (tones, music-like mixes, noise), supply, level, instant, return. The truth holds
the order of events. Volts are those at the logger's inputs, relative to the amplifier's minus terminal unless a case
says otherwise. The models are kinder than amplifiers: gates, thumps and ramps are exponentials and half-cosines.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from ampwitness.bench.event_signals import add_logger
from ampwitness.bench.music import WantedNote, bass_line, key_to_hz, play
from ampwitness.types import Edge

Samples = npt.NDArray[np.float64]
RATE_HZ = 8000
NONE = "none"


@dataclass(slots=True)
class CutoutCase:
    """Volts as logged, the digital remote line, and what is true of them."""

    volts: dict[str, Samples]
    wanted: str  # what the cause must begin with, several with "|" between; NONE: no finding, or one not decided
    edges: tuple[Edge, ...] = ()
    start_s: tuple[float, ...] = ()
    stop_s: tuple[float | None, ...] = ()
    order: tuple[str, ...] = ()  # what happened, in order; only events at least 2 ms apart
    is_abrupt: bool = True
    at_level_ratio: float = 1.0
    is_continuous: bool = False
    pauses: bool = False  # the programme stops by itself as well: what is said to be not decided is right
    unheard_s: tuple[float, ...] = ()  # stops in so soft a moment that they may be told, and dated, or not
    protection: str | None = None
    returned: str | None = None  # "thump", "ramp", "at once"
    lost: tuple[tuple[int, int], ...] = ()
    level_v: float | None = None  # at which the amplifier lets go
    extra: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Scene:
    """A programme and its supply before anything happens."""

    rng: np.random.Generator
    at: Samples
    wave: Samples
    source: Samples
    rest_v: float
    sag: Samples

    @property
    def n(self) -> int:
        return len(self.at)


def _set(rng: np.random.Generator, seconds: float = 8.0, kind: str = "any") -> _Scene:
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = programme(rng, at, kind)
    rest_v = float(rng.uniform(12.2, 14.4))
    power = lfilter([0.02], [1, -0.98], wave**2)
    sag = power * float(rng.uniform(0.1, 1.0)) / max(float(power.max()), 1e-9)
    return _Scene(rng, at, wave, wave / float(rng.uniform(5, 20)), rest_v, np.asarray(sag))


def programme(rng: np.random.Generator, at: Samples, kind: str) -> Samples:
    """Something that sounds: "tone", "mix", "noise" (without pauses), "music" (bass and treble, with short gaps)."""
    kind = str(rng.choice(["tone", "mix", "noise", "music"])) if kind == "any" else kind
    n, peak = len(at), float(rng.uniform(3.0, 30.0))
    if kind == "tone":
        return np.asarray(peak * np.sin(2 * np.pi * rng.uniform(30, 110) * at + rng.uniform(0, 6.28)))
    if kind == "mix":
        hz = rng.uniform(40, 80)
        mix = np.sin(2 * np.pi * hz * at) + 0.4 * np.sin(2 * np.pi * 7.3 * hz * at) + 0.2 * rng.standard_normal(n)
        return np.asarray(peak * mix / 2)
    smooth = np.convolve(rng.standard_normal(n), np.hanning(25), "same")
    smooth /= np.abs(smooth).max()
    if kind == "noise":
        return np.asarray(peak * smooth)
    seconds = n / RATE_HZ
    wanted = bass_line(rng, 0.2, seconds - 0.2, peaks=(0.5, 1.0), beat_s=float(rng.uniform(0.35, 0.6)))
    bass, _ = play(wanted, seconds, RATE_HZ, rng)
    beat = 0.35 + 0.65 * np.exp(-((at * 2.1) % 1.0) / 0.2)
    return np.asarray(peak * (np.pad(bass, (0, max(0, n - len(bass))))[:n] + 0.5 * smooth * beat))


def _instant(scene: _Scene, after_s: float, least_ratio: float = 0.25) -> float:
    """The next time the wave stands above a share of its peak: only there a stop can be seen.

    Where it never does again (a line of notes may end early), its next time at half of that, and so on.
    """
    size, later = np.abs(scene.wave), scene.at >= after_s
    least_v = least_ratio * float(np.quantile(size, 0.995))
    while not (loud := np.flatnonzero((size > least_v) & later)).size:
        least_v /= 2
    return float(scene.at[loud[0]])


def _peak_instant(scene: _Scene, after_s: float) -> float:
    """Where the wave is highest within two seconds."""
    inside = (scene.at >= after_s) & (scene.at < after_s + 2.0)
    return float(scene.at[inside][int(np.argmax(np.abs(scene.wave[inside])))])


def _gate(scene: _Scene, start_s: float, stop_s: float | None, fall_s: float, how: str = "at once") -> Samples:
    """1, then falling with a time constant, then back as told."""
    at = scene.at
    gate = np.where(at < start_s, 1.0, np.exp(-np.maximum(at - start_s, 0) / fall_s))
    if stop_s is not None:
        ramp_s = 0.2 if how == "ramp" else 0.03 if how == "thump" else 0.0003
        gate = np.where(at >= stop_s, np.clip((at - stop_s) / ramp_s, 0, 1), gate)
    return np.asarray(gate)


def _thump(scene: _Scene, stop_s: float | None, volts: float) -> Samples:
    if stop_s is None:
        return np.zeros(scene.n)
    since = np.maximum(scene.at - stop_s, 0)
    return np.asarray(np.where(scene.at >= stop_s, volts * np.exp(-since / 0.02), 0.0))


def _draw_end(rng: np.random.Generator, start_s: float, longest_s: float = 2.5) -> float | None:
    return None if rng.uniform() < 0.2 else start_s + float(rng.uniform(0.1, longest_s))


def _finish(scene: _Scene, wave: Samples, supply: Samples | None, **more: Samples) -> dict[str, Samples]:
    """Volts with the logger's noise and non-linearity."""
    rng = scene.rng
    volts = {"output": add_logger(rng, wave, "output")}
    if supply is not None:
        volts["supply"] = add_logger(rng, supply, "supply")
    for role, values in more.items():
        if role == "source":
            volts[role] = values + rng.standard_normal(len(values)) * 0.002
        else:
            volts[role] = add_logger(rng, values, "supply")
    return volts


def _seen_end(scene: _Scene, wave: Samples, stop_s: float | None) -> float | None:
    """When the output can be seen again: 3 % of the usual peak above the noise."""
    if stop_s is None:
        return None
    usual_v = float(np.quantile(np.abs(scene.wave), 0.995))
    loud = np.flatnonzero((np.abs(wave) > max(0.15, 0.03 * usual_v)) & (scene.at >= stop_s))
    return float(scene.at[loud[0]]) if len(loud) else None


def _edges(fell_s: float, rose_s: float | None) -> tuple[Edge, ...]:
    edges = [Edge("remote", 0, fell_s, "drawn", round(fell_s * RATE_HZ))]
    if rose_s is not None:
        edges.append(Edge("remote", 1, rose_s, "drawn", round(rose_s * RATE_HZ)))
    return tuple(edges)


_STEADY = (Edge("remote", 1, 0.01, "drawn", 80),)  # the line was seen, and stayed


# ---- causes ----------------------------------------------------------------------------------------------------------


def under_voltage(rng: np.random.Generator) -> CutoutCase:
    """A consumer pulls the supply down three times; the amplifier lets go at one level, give or take 50 mV."""
    scene = _set(rng, 16.0, str(rng.choice(["tone", "mix", "noise"])))
    level_v = float(rng.uniform(9.0, 10.4))
    supply = scene.rest_v - scene.sag
    gate = np.ones(scene.n)
    starts: list[float] = []
    stops: list[float | None] = []
    for pulled_s in (2.5, 7.0, 11.5):
        pulled_s += float(rng.uniform(0, 1.0))
        fall_s, depth_v = float(rng.choice([0.02, 0.2, 0.5])), scene.rest_v - level_v + float(rng.uniform(0.4, 1.2))
        u = scene.at - pulled_s
        held_s = fall_s + 0.3
        pull = depth_v * np.clip(u / fall_s, 0, 1) * (u < held_s) + depth_v * np.exp(
            -np.maximum(u - held_s, 0) / 0.1
        ) * (u >= held_s)
        supply = supply - pull
        under = np.flatnonzero((supply < level_v + float(rng.normal(0, 0.02))) & (scene.at > pulled_s - 0.1))
        start_s = float(scene.at[under[0]]) + 0.003
        back = np.flatnonzero((supply > 11.0) & (scene.at > pulled_s + held_s))
        stop_s = float(scene.at[back[0]]) + float(rng.uniform(0.3, 1.0))
        gate *= _gate(scene, start_s, stop_s, 0.0003, "thump")
        starts.append(start_s)
        stops.append(stop_s)
        supply = np.where((scene.at > start_s) & (scene.at < stop_s), supply + scene.sag, supply)
    wave = scene.wave * gate
    ends = tuple(_seen_end(scene, wave, s) for s in stops)
    return CutoutCase(
        _finish(scene, wave, supply),
        "supply voltage too low",
        _STEADY if rng.uniform() < 0.5 else (),
        tuple(starts),
        ends,
        ("supply below", "output stopped"),
        level_v=level_v,
    )


def supply_lost(rng: np.random.Generator) -> CutoutCase:
    """The plus lead comes off; the amplifier's own reservoir plays on for some milliseconds."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = _draw_end(rng, start_s)
    lead_s = float(rng.uniform(0.004, 0.02))
    off = (scene.at >= start_s - lead_s) & (scene.at < (stop_s - 0.05 if stop_s else 99.0))
    drop = np.where(off, 1 - np.exp(-np.maximum(scene.at - start_s + lead_s, 0) / 0.0005), 0.0)
    supply = (scene.rest_v - scene.sag) * (1 - drop) + 0.05
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.0003)
    more = {"battery": np.full(scene.n, scene.rest_v + 0.1)} if rng.uniform() < 0.5 else {}
    return CutoutCase(
        _finish(scene, wave, supply, **more),
        "supply lost at the terminals",
        (),
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        ("supply gone", "output stopped"),
    )


def supply_intermittent(rng: np.random.Generator) -> CutoutCase:
    """A loose plus lead chatters before it opens."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = start_s + float(rng.uniform(0.3, 2.0))
    supply = scene.rest_v - scene.sag
    for k in range(int(rng.integers(2, 6))):
        begin_s = start_s - 0.02 - 0.05 * (k + 1) + float(rng.uniform(0, 0.02))
        supply = np.where((scene.at >= begin_s) & (scene.at < begin_s + float(rng.uniform(0.002, 0.012))), 0.3, supply)
    supply = np.where((scene.at >= start_s - 0.006) & (scene.at < stop_s - 0.1), 0.05, supply)
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.0003)
    return CutoutCase(
        _finish(scene, wave, supply),
        "supply connection intermittent",
        (),
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        ("supply gone", "output stopped"),
    )


def ground_lost(rng: np.random.Generator, chatters: bool = False) -> CutoutCase:
    """The amplifier's ground opens. Seen from its minus terminal the other ground and the battery jump together."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = start_s + float(rng.uniform(0.3, 2.0))
    open_ = ((scene.at >= start_s - 0.005) & (scene.at < stop_s - 0.1)).astype(float)
    if chatters:
        for k in range(int(rng.integers(2, 6))):
            begin_s = start_s - 0.02 - 0.05 * (k + 1) + float(rng.uniform(0, 0.02))
            open_ = np.maximum(
                open_, ((scene.at >= begin_s) & (scene.at < begin_s + float(rng.uniform(0.002, 0.012)))).astype(float)
            )
    jump = open_ * (scene.rest_v - 0.3)
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.0003)
    elsewhere = rng.uniform() < 0.3  # reference at the battery minus: the ground channel is the amplifier's minus
    if elsewhere:
        more = {"ground": jump + 0.05}
        supply = scene.rest_v - scene.sag
    else:
        more = {"battery": scene.rest_v + 0.1 - jump}
        if rng.uniform() < 0.5:
            more["ground"] = -0.05 - jump
        supply = scene.rest_v - scene.sag - jump
    words = "ground connection intermittent" if chatters else "ground connection lost"
    return CutoutCase(
        _finish(scene, wave, supply, **more),
        words,
        (),
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        ("ground jumped", "output stopped") if "ground" in more else ("supply gone", "output stopped"),
    )


def remote_dropped(rng: np.random.Generator, kind: str = "digital") -> CutoutCase:
    """The remote lead opens; the amplifier mutes at once or over a ramp."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = _draw_end(rng, start_s)
    lead_s = float(rng.uniform(0.003, 0.03))
    # A slow mute that nothing else shows cannot be told from a fade: it is drawn only where the lead is logged.
    is_slow = rng.uniform() < 0.2 and kind != "none"
    how = str(rng.choice(["thump", "ramp"]))
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.02 if is_slow else 0.0004, how)
    if how == "thump":
        wave = wave + _thump(scene, stop_s, float(rng.choice([-1, 1])) * 0.25 * float(np.abs(scene.wave).max()))
    more = {}
    edges: tuple[Edge, ...] = ()
    rose_s = stop_s - 0.1 if stop_s else None
    if kind == "analog":
        off = (scene.at >= start_s - lead_s) & (scene.at < (rose_s or 99.0))
        more["remote"] = np.where(off, 0.2, scene.rest_v - 0.3)
    elif kind == "digital":
        edges = _edges(start_s - lead_s, rose_s)
    supply = scene.rest_v - scene.sag * (scene.at < start_s)
    return CutoutCase(
        _finish(scene, wave, supply, **more),
        "remote lead dropped" if kind != "none" else "not decided",
        edges,
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        ("remote lead fell", "output stopped") if kind != "none" else (),
        is_abrupt=not is_slow,
        returned=how if stop_s else None,
    )


def together(rng: np.random.Generator) -> CutoutCase:
    """Remote lead and supply fall together."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = _draw_end(rng, start_s)
    fell_s = start_s - float(rng.uniform(0.004, 0.02))
    off = (scene.at >= fell_s + float(rng.uniform(-0.001, 0.001))) & (scene.at < (stop_s - 0.05 if stop_s else 99.0))
    supply = np.where(off, 0.05, scene.rest_v - scene.sag)
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.0003)
    return CutoutCase(
        _finish(scene, wave, supply),
        "not decided: remote lead and supply fell together",
        _edges(fell_s, stop_s - 0.05 if stop_s else None),
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
    )


def over_current(rng: np.random.Generator, with_source: bool = True, retries: bool = False) -> CutoutCase:
    """It lets go at the very top of a crest that is rarely reached, and comes back soon, again and again, or never."""
    scene = _set(rng, 10.0, str(rng.choice(["noise", "music"])))
    start_s = _peak_instant(scene, 3.0)
    starts: list[float] = [start_s]
    stops: list[float | None] = []
    gate = np.ones(scene.n)
    if retries:
        back_s = start_s + float(rng.uniform(0.3, 0.8))
        stops.append(back_s)
        for _ in range(2):
            if back_s + 0.3 >= scene.at[-1]:
                break  # a crest as high came too late for another try
            starts.append(_instant(scene, back_s + 0.3, 0.9))
            back_s = starts[-1] + float(rng.uniform(0.3, 0.8))
            stops.append(back_s)
    else:
        stops.append(None if rng.uniform() < 0.4 else start_s + float(rng.uniform(0.3, 1.5)))
    for a, b in zip(starts, stops, strict=True):
        gate *= _gate(scene, a, b, 0.0003)
    wave = scene.wave * gate
    more = {"source": scene.source} if with_source else {}
    ends = tuple(_seen_end(scene, wave, s) for s in stops)
    supply = scene.rest_v - np.where(gate > 0.5, scene.sag, 0.0)
    return CutoutCase(
        _finish(scene, wave, supply, **more),
        "protection with supply and remote fine" if with_source else "not decided",
        _STEADY,
        tuple(starts),
        ends,
        (),
        protection="consistent with over-current",
    )


def thermal(rng: np.random.Generator, with_source: bool = True) -> CutoutCase:
    """After three quarters of a minute of heat it goes, anywhere in the wave; back after six seconds or more."""
    scene = _set(rng, 62.0, str(rng.choice(["tone", "mix", "noise"])))
    usual_v = float(np.quantile(np.abs(scene.wave), 0.995))
    after_s = float(rng.uniform(45.0, 50.0))
    fine = np.flatnonzero(
        (np.abs(scene.wave) > 0.25 * usual_v) & (np.abs(scene.wave) < 0.75 * usual_v) & (scene.at >= after_s)
    )
    start_s = float(scene.at[fine[0]])
    stop_s = None if rng.uniform() < 0.3 else start_s + float(rng.uniform(6.0, 10.0))
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.0003, "ramp")
    more = {"source": scene.source} if with_source else {}
    supply = scene.rest_v - scene.sag * (scene.at < start_s)
    return CutoutCase(
        _finish(scene, wave, supply, **more),
        "protection with supply and remote fine" if with_source else "not decided",
        _STEADY,
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        (),
        protection="consistent with thermal",
        returned="ramp" if stop_s else None,
    )


def source_gone(rng: np.random.Generator, with_source: bool = True) -> CutoutCase:
    """The signal lead loses contact: the source channel, behind the contact, stops with the output."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = _draw_end(rng, start_s)
    gate = _gate(scene, start_s, stop_s, 0.0002)
    wave = scene.wave * gate
    more = {"source": scene.source * gate} if with_source else {}
    return CutoutCase(
        _finish(scene, wave, scene.rest_v - scene.sag * gate, **more),
        "signal stopped at the source" if with_source else "not decided",
        _STEADY,
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
    )


def stuck_at_dc(rng: np.random.Generator) -> CutoutCase:
    """An output stage fails: the output stands at a rail."""
    scene = _set(rng)
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    dc_v = float(rng.choice([-1, 1])) * float(rng.uniform(4.0, 30.0))
    stop_s = None if rng.uniform() < 0.5 else start_s + float(rng.uniform(0.5, 2.0))
    gate = _gate(scene, start_s, stop_s, 0.0003)
    wave = scene.wave * gate + dc_v * (1 - gate) + (1 - gate) * 0.005 * abs(dc_v) * np.sin(2 * np.pi * 300 * scene.at)
    return CutoutCase(
        _finish(scene, wave, scene.rest_v - scene.sag * gate), "output stuck at DC", _STEADY, (start_s,), (stop_s,)
    )


def slow_mute(rng: np.random.Generator) -> CutoutCase:
    """A tone or noise that never pauses is muted over some tens of milliseconds; the person said `--continuous`."""
    scene = _set(rng, 8.0, str(rng.choice(["tone", "noise", "mix"])))
    start_s = _instant(scene, float(rng.uniform(2.5, 4.0)))
    stop_s = _draw_end(rng, start_s)
    wave = scene.wave * _gate(scene, start_s, stop_s, float(rng.uniform(0.004, 0.02)), "ramp")
    return CutoutCase(
        _finish(scene, wave, scene.rest_v - scene.sag),
        "not decided",
        _STEADY,
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        is_abrupt=False,
        is_continuous=True,
    )


def very_slow_mute(rng: np.random.Generator) -> CutoutCase:
    """The same over 0.1 to 1 s, exponential or in a straight line."""
    scene = _set(rng, 8.0, str(rng.choice(["tone", "noise", "mix"])))
    start_s, long_s = _instant(scene, float(rng.uniform(2.5, 4.0))), float(np.exp(rng.uniform(np.log(0.1), 0.0)))
    u = np.maximum(scene.at - start_s, 0.0) / long_s
    gate = np.exp(-4.0 * u) if rng.uniform() < 0.5 else np.maximum(1.0 - u, 0.0)
    stop_s = start_s + long_s + 1.0
    wave = scene.wave * np.where(scene.at >= stop_s, 1.0, gate)
    return CutoutCase(
        _finish(scene, wave, scene.rest_v - scene.sag),
        "not decided",
        _STEADY,
        (start_s,),
        (None,),
        is_abrupt=False,
        is_continuous=True,
    )


def cranking_mute(rng: np.random.Generator) -> CutoutCase:
    """The engine is cranked while something plays: the supply falls as ISO 16750-2 draws it, the radio mutes."""
    scene = _set(rng, 12.0)
    scene.rest_v = float(rng.uniform(12.2, 12.8))
    crank_s = float(rng.uniform(3.0, 4.0))
    supply = starting_profile(
        scene.at,
        crank_s,
        scene.rest_v,
        lowest_v=float(rng.uniform(5.0, 8.5)),
        run_v=float(rng.uniform(9.0, 10.0)),
        ripple_hz=float(rng.uniform(2, 12)),
        cranked_s=float(rng.uniform(0.5, 2.0)),
        after_v=float(rng.uniform(13.6, 14.5)),
    )
    start_s = _instant(scene, crank_s + 0.004, 0.15)
    stop_s = start_s + float(rng.uniform(3.0, 5.0))
    wave = scene.wave * _gate(scene, start_s, stop_s, 0.001, "ramp")
    return CutoutCase(
        _finish(scene, wave, supply - scene.sag * (scene.at < start_s)),
        "muted while the engine was cranked",
        (),
        (start_s,),
        (_seen_end(scene, wave, stop_s),),
        extra={"crank_s": crank_s},
    )


def starting_profile(
    at: Samples,
    start_s: float,
    rest_v: float,
    *,
    lowest_v: float,
    run_v: float,
    ripple_hz: float = 2.0,
    cranked_s: float = 1.0,
    after_v: float | None = None,
    recover_s: float = 0.04,
    swing_v: float = 1.0,
) -> Samples:
    """Supply of a start: down within 5 ms, 15 ms at the lowest, up within 50 ms, a sine on the cranking level, back.

    Source: the shape of ISO 16750-2's starting profile, as reproduced in a public waveform library of the 2003 edition
    (12 V, level I: 8 V, then 9.5 to 11.5 V at 2 Hz for 1 s, back in 40 ms); other depths from memory.
    """
    u = at - start_s
    after_v = rest_v if after_v is None else after_v
    centre_v = run_v + swing_v
    knots_s = [-1e9, 0.0, 0.005, 0.020, 0.070, 0.070 + cranked_s, 0.070 + cranked_s + recover_s, 1e9]
    knots_v = [rest_v, rest_v, lowest_v, lowest_v, centre_v, centre_v, after_v, after_v]
    ripple = np.where(
        (u > 0.070) & (u < 0.070 + cranked_s), -swing_v * np.sin(2 * np.pi * ripple_hz * (u - 0.070)), 0.0
    )
    return np.asarray(np.interp(u, knots_s, knots_v) + ripple)


# ---- what is none ----------------------------------------------------------------------------------------------------


def pauses(rng: np.random.Generator) -> CutoutCase:
    """Decaying notes with pauses."""
    seconds = 8.0
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wanted = [
        WantedNote(
            "plucked" if rng.uniform() < 0.7 else "drum", float(b), 0.9, key_to_hz(int(rng.integers(26, 43))), 15.0
        )
        for b in np.arange(0.3, seconds - 1.2, 1.2)
    ]
    sound, _ = play(wanted, seconds, RATE_HZ, rng)
    scene = _Scene(rng, at, sound, sound / 10, 12.6, np.zeros(len(at)))
    return CutoutCase(_finish(scene, sound, 12.6 - 0.02 * np.abs(sound)), NONE, _STEADY)


def fade(rng: np.random.Generator, fade_s: float | None = None) -> CutoutCase:
    """The programme fades out and another begins."""
    scene = _set(rng)
    fade_s = float(rng.uniform(0.15, 2.0)) if fade_s is None else fade_s
    start_s = float(rng.uniform(2.0, 4.0))
    gate = np.clip((start_s + fade_s - scene.at) / fade_s, 0, 1) + (
        scene.at >= start_s + fade_s + float(rng.uniform(0.3, 1.5))
    )
    return CutoutCase(_finish(scene, scene.wave * gate, scene.rest_v - scene.sag * gate), NONE, _STEADY)


def track_change(rng: np.random.Generator) -> CutoutCase:
    """One track ends in mid-music, digital silence, the next one begins: no logger can call that decided."""
    scene = _set(rng, 10.0, "music")
    start_s = float(rng.uniform(3.0, 4.0))
    stop_s = start_s + float(rng.uniform(0.3, 2.5))
    gate = np.ones(scene.n)
    gate[(scene.at >= start_s) & (scene.at < stop_s)] = 0.0
    if rng.uniform() < 0.6:
        gate *= 1 - np.clip((scene.at - start_s + 0.03) / 0.03, 0, 1) * (scene.at < start_s)
    return CutoutCase(_finish(scene, scene.wave * gate, scene.rest_v - scene.sag * gate), NONE, _STEADY)


def fade_with_source(rng: np.random.Generator) -> CutoutCase:
    """A fade that the logged source shows as well."""
    scene = _set(rng)
    start_s, fade_s = float(rng.uniform(2.0, 4.0)), float(rng.uniform(0.1, 1.0))
    gate = np.clip((start_s + fade_s - scene.at) / fade_s, 0, 1) + (scene.at >= start_s + fade_s + 1.0)
    wave = scene.wave * gate
    return CutoutCase(_finish(scene, wave, scene.rest_v - scene.sag * gate, source=scene.source * gate), NONE, _STEADY)


def gap(rng: np.random.Generator) -> CutoutCase:
    """The logger loses scans while it plays, the person said the signal never pauses."""
    scene = _set(rng, 8.0, str(rng.choice(["tone", "noise"])))
    begin = int(rng.integers(3 * RATE_HZ, 4 * RATE_HZ))
    lost = ((begin, begin + int(rng.integers(100, 2 * RATE_HZ))),)
    return CutoutCase(
        _finish(scene, scene.wave, scene.rest_v - scene.sag), NONE, _STEADY, lost=lost, is_continuous=True
    )


def heavy_load(rng: np.random.Generator) -> CutoutCase:
    """Another consumer pulls the supply down by volts while notes end and pause: no cut-out."""
    case = pauses(rng)
    at = np.arange(len(case.volts["output"])) / RATE_HZ
    for begin_s in (2.0, 4.4, 6.1):
        u = at - begin_s - float(rng.uniform(0, 0.4))
        case.volts["supply"] = case.volts["supply"] - float(rng.uniform(1.5, 3.5)) * np.clip(u / 0.02, 0, 1) * (u < 0.5)
    return case


CLASSES: dict[str, Callable[[np.random.Generator], CutoutCase]] = {
    "under-voltage, three times": under_voltage,
    "supply lost": supply_lost,
    "supply intermittent": supply_intermittent,
    "ground lost": ground_lost,
    "loose ground": lambda rng: ground_lost(rng, True),
    "remote dropped, digital": remote_dropped,
    "remote dropped, analog": lambda rng: remote_dropped(rng, "analog"),
    "remote dropped, not logged": lambda rng: remote_dropped(rng, "none"),
    "remote and supply together": together,
    "over-current, source logged": over_current,
    "over-current, retrying": lambda rng: over_current(rng, True, True),
    "over-current, no source": lambda rng: over_current(rng, False),
    "thermal, source logged": thermal,
    "thermal, no source": lambda rng: thermal(rng, False),
    "source gone, logged": source_gone,
    "source gone, not logged": lambda rng: source_gone(rng, False),
    "stuck at DC": stuck_at_dc,
    "slow mute, continuous": slow_mute,
    "cranking mute": cranking_mute,
    "pauses (none)": pauses,
    "fade (none)": fade,
    "fade, source logged (none)": fade_with_source,
    "track change (none)": track_change,
    "logger's gap (none)": gap,
    "heavy load in pauses (none)": heavy_load,
    "very slow mute, continuous": very_slow_mute,  # by name the last: what the others draw stays
}


def make_case(name: str, seed: int) -> CutoutCase:
    """A case of a class."""
    return CLASSES[name](np.random.default_rng([seed, sorted(CLASSES).index(name)]))
