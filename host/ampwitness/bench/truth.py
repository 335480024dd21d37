"""What is known to be true of a scenario, and how each truth is defined. All times are stimulus time in seconds.

Clip: one unbroken span in which the wanted output lies beyond the ceiling (hard), or is compressed by 0.1 dB or more
    (soft, and only spans whose crest is compressed by 0.25 dB or more). `start_s` and `stop_s` are the crossings,
    interpolated between samples. `overdrive_db` = 20 lg(wanted crest / ceiling at that crest) for hard clipping, wanted
    crest / actual crest for soft. `plateau_v` is the mean of the output over the span, with its sign. A half-cycle
    with two separate flats gives two clips.
Note: `begins_s` is when the note's own waveform leaves zero; `start_s`, its onset, is when |own waveform| first
    reaches 10 % (-20 dB) of its own largest value; `stop_s` when it is last at or above that, or when the amplifier
    switches off if that is earlier. A note that starts while the amplifier is off does not exist before it is back.
    `supply_before_v` is the mean of the supply over the 50 ms before `begins_s`; `supply_lowest_v` its lowest
    instantaneous value from `start_s` to `stop_s`; both of the noise-free terminal volts. sag_v = before - lowest.
Dip: the supply's mean over 10 ms (centred) falls below 90 % of the reference, and ends when it is back at 92 % (2 %
    hysteresis), in the manner of IEC 61000-4-30 with our own averaging. The reference is the nominal supply of the
    session notes. `residual_v` is the lowest value of that mean.
Cut-out: from the first sample with the amplifier switched off to the first with it on again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.bench.drive import Drive
from ampwitness.bench.music import Note

Samples = npt.NDArray[np.float64]

ONSET_RATIO = 0.1
BEFORE_S = 0.05
DIP_THRESHOLD_RATIO = 0.90
DIP_HYSTERESIS_RATIO = 0.02
DIP_MEAN_S = 0.010
_SOFT_SPAN_DB = 0.1
_SOFT_CREST_DB = 0.25


@dataclass(frozen=True, slots=True)
class TrueClip:
    """A clipped span of the output; see the definitions above."""

    start_s: float
    stop_s: float
    polarity: Literal["positive", "negative"]
    overdrive_db: float
    plateau_v: float


@dataclass(frozen=True, slots=True)
class TrueNote:
    """A note that reached the terminals, with the supply under it; see the definitions above."""

    start_s: float
    stop_s: float
    pitch_hz: float
    supply_before_v: float
    supply_lowest_v: float
    sag_v: float
    begins_s: float


@dataclass(frozen=True, slots=True)
class TrueDip:
    """A dip of a supply; see the definitions above."""

    role: str
    start_s: float
    stop_s: float
    residual_v: float


@dataclass(frozen=True, slots=True)
class TrueCutout:
    """A time with the amplifier switched off, and why, in the report's words."""

    start_s: float
    stop_s: float
    cause: str


@dataclass(frozen=True, slots=True)
class Truth:
    """All that is true of a scenario, each in order of time."""

    clips: tuple[TrueClip, ...]
    notes: tuple[TrueNote, ...]
    dips: tuple[TrueDip, ...]
    cutouts: tuple[TrueCutout, ...]


def find_true_clips(drive: Drive) -> tuple[TrueClip, ...]:
    """Clips of a run, both polarities in order of time."""
    clips: list[TrueClip] = []
    for polarity, sign, ceiling_v in (
        ("positive", 1.0, drive.ceiling_v),
        ("negative", -1.0, drive.negative_ceiling_v),
    ):
        wanted_v, limited_v = sign * drive.wanted_v, sign * drive.limited_v
        excess_v = wanted_v - limited_v * 10 ** (_SOFT_SPAN_DB / 20) if drive.is_soft else wanted_v - ceiling_v
        excess_v = np.where(wanted_v > 0, excess_v, -1.0)
        for first, last in find_runs(excess_v > 0):
            crest = first + int(np.argmax(wanted_v[first:last]))
            limit_v = limited_v[first:last].max() if drive.is_soft else ceiling_v[crest]
            overdrive_db = 20 * math.log10(wanted_v[crest] / limit_v) if limit_v > 0 else math.inf
            if drive.is_soft and overdrive_db < _SOFT_CREST_DB:
                continue
            clips.append(
                TrueClip(
                    start_s=_crossing(excess_v, first) / drive.rate_hz,
                    stop_s=_crossing(excess_v, last) / drive.rate_hz,
                    polarity="positive" if polarity == "positive" else "negative",
                    overdrive_db=overdrive_db,
                    plateau_v=float(drive.limited_v[first:last].mean()),
                )
            )
    return tuple(sorted(clips, key=lambda clip: clip.start_s))


def find_true_notes(notes: Sequence[Note], drive: Drive) -> tuple[TrueNote, ...]:
    """The notes that reached the terminals, with the supply under each."""
    supply_v, rate_hz = drive.supply.supply_v, drive.rate_hz
    found = []
    for note in notes:
        for on_s, off_s in _on_spans(drive):
            start_s, stop_s = max(note.start_s, on_s), min(note.stop_s, off_s)
            if stop_s - start_s < 1 / note.pitch_hz:  # less than a cycle is no note
                continue
            begins_s = max(note.begins_s, on_s)
            before = supply_v[max(0, round((begins_s - BEFORE_S) * rate_hz)) : max(1, round(begins_s * rate_hz))]
            during = supply_v[round(start_s * rate_hz) : round(stop_s * rate_hz) + 1]
            before_v, lowest_v = float(before.mean()), float(during.min())
            found.append(TrueNote(start_s, stop_s, note.pitch_hz, before_v, lowest_v, before_v - lowest_v, begins_s))
    return tuple(found)


def find_true_dips(
    role: str, volts: Samples, rate_hz: float, reference_v: float, mean_s: float = DIP_MEAN_S
) -> tuple[TrueDip, ...]:
    """Dips of one supply against a fixed reference; one that has not ended lasts to the end."""
    mean_v = centred_mean(volts, max(1, round(mean_s * rate_hz)))
    low = mean_v < DIP_THRESHOLD_RATIO * reference_v
    high = mean_v >= (DIP_THRESHOLD_RATIO + DIP_HYSTERESIS_RATIO) * reference_v
    changes = np.where(low, 1, np.where(high, -1, 0))
    at = np.flatnonzero(changes)
    if len(at) == 0:
        return ()
    last_change = np.maximum.accumulate(np.where(changes != 0, np.arange(len(changes)), at[0]))
    in_dip = changes[last_change] > 0
    in_dip[: at[0]] = False
    return tuple(
        TrueDip(role, first / rate_hz, last / rate_hz, float(mean_v[first:last].min()))
        for first, last in find_runs(in_dip)
    )


def find_true_cutouts(drive: Drive) -> tuple[TrueCutout, ...]:
    """Each switching off, up to the switching on that follows (or the end)."""
    duration_s = len(drive.output_v) / drive.rate_hz
    cutouts = []
    for place, switching in enumerate(drive.switchings):
        if not switching.is_on:
            later = drive.switchings[place + 1 :]
            stop_s = later[0].sample / drive.rate_hz if later else duration_s
            cutouts.append(TrueCutout(switching.sample / drive.rate_hz, stop_s, switching.cause))
    return tuple(cutouts)


def find_truth(drive: Drive, notes: Sequence[Note], nominal_supply_v: float) -> Truth:
    """All truths of a run."""
    return Truth(
        clips=find_true_clips(drive),
        notes=find_true_notes(notes, drive),
        dips=find_true_dips("supply", drive.supply.supply_v, drive.rate_hz, nominal_supply_v),
        cutouts=find_true_cutouts(drive),
    )


def find_runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open index ranges in which the flags hold."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def centred_mean(volts: Samples, n: int) -> Samples:
    """Mean over n samples centred on each; at the ends over the samples there are."""
    total = np.concatenate(([0.0], np.cumsum(volts - volts[0])))
    at = np.arange(len(volts))
    first, last = np.maximum(at - n // 2, 0), np.minimum(at - n // 2 + n, len(volts))
    return np.asarray((total[last] - total[first]) / (last - first) + volts[0])


def _crossing(excess_v: Samples, at: int) -> float:
    """Where the excess crosses zero between samples at - 1 and at."""
    if at == 0 or at >= len(excess_v):
        return float(at)
    before, after = float(excess_v[at - 1]), float(excess_v[at])
    return at - after / (after - before)


def _on_spans(drive: Drive) -> list[tuple[float, float]]:
    """When the amplifier was on."""
    duration_s = len(drive.output_v) / drive.rate_hz
    is_on = drive.switchings[0].is_on is False if drive.switchings else True
    spans, since_s = [], 0.0
    for switching in drive.switchings:
        at_s = switching.sample / drive.rate_hz
        if is_on:
            spans.append((since_s, at_s))
        is_on, since_s = switching.is_on, at_s
    if is_on:
        spans.append((since_s, duration_s))
    return spans
