"""Columns about the supply under many notes of one rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.detect.notes.note_decimate import SMOOTH_S, Bands, parabola_taps
from ampwitness.detect.notes.note_recovery import RecoveryFitter
from ampwitness.detect.notes.note_sag import (
    TAIL_S,
    LowestMeter,
    fell_at_end,
    measure_before,
    measure_ripples,
    measure_slopes,
)
from ampwitness.detect.notes.note_spectrum import HIGHEST_HZ
from ampwitness.detect.notes.sounding_note import SoundingNote, join
from ampwitness.types import FloatArray

_AVERAGE = f"parabola, found over {1000 * SMOOTH_S:.0f} ms, taken over the span it fits"
_SUPPLY_MEASURED = (
    "supply_before_v",
    "supply_before_looked_s",
    "supply_lowest_v",
    "supply_lowest_averaged_v",
    "supply_lowest_raw_v",
    "supply_end_v",
    "sag_v",
    "sag_without_end_v",
    "sag_percent",
    "sag_slope_v_per_s",
    "recovery_s",
    "ripple_v",
)
_SUPPLY_EVIDENCE = (
    "supply_before_looked_s",
    "supply_lowest_raw_v",
    "supply_lowest_s_after_onset",
    "supply_lowest_parabola_v",
    "supply_average_s",
)


@dataclass(frozen=True, slots=True)
class UnderNotes:
    """Columns about the supply under some notes; NaN where not judged."""

    measured: dict[str, FloatArray]
    evidence: dict[str, FloatArray]
    texts: dict[str, list[str]]
    is_settled: FloatArray


class SupplyMeter:
    """Measures the supply under notes of one rate."""

    def __init__(self, bands: Bands) -> None:
        self._rate_hz, self._thin_hz = bands.rate_hz, bands.rate_hz / bands.thin_step
        self._lowest = LowestMeter(bands.rate_hz)
        self._recovery = RecoveryFitter(self._thin_hz)
        self._taps = parabola_taps(max(1, round(0.5 * SMOOTH_S * bands.rate_hz)))
        self._at = np.arange(len(self._taps)) - len(self._taps) // 2

    def measure(self, notes: list[SoundingNote], pitch_hz: FloatArray) -> UnderNotes:
        """All columns."""
        tails = [note.supply_tail for note in notes if note.supply_tail is not None]
        befores = [note.supply_before for note in notes if note.supply_before is not None]
        if len(tails) < len(notes) or len(befores) < len(notes):
            return self._without(len(notes))
        rate_hz, thin_hz = self._rate_hz, self._thin_hz
        before = measure_before(befores, thin_hz, np.array([note.since_last_s for note in notes]))
        lowest_v, average_s = self._lowest.measure(
            [
                tail if note.supply_around is None else note.supply_around
                for note, tail in zip(notes, tails, strict=True)
            ],
            [note.supply_around_at for note in notes],
        )
        is_seen = np.array([note.supply_around is not None for note in notes])
        lowest_v, average_s = np.where(is_seen, lowest_v, np.nan), np.where(is_seen, average_s, np.nan)
        raw_v = np.array([note.supply_raw_v for note in notes])
        raw_v = np.where(np.isfinite(raw_v), raw_v, np.nan)
        # Under a flat bottom of 1.5 ms the parabola overshoots: what stands for an average lies below no sample.
        lowest_v = np.where(raw_v > lowest_v, raw_v, lowest_v)
        sag_v = before.volts - lowest_v
        sag_percent = np.where(before.volts > 1.0, 100.0 * sag_v / np.maximum(before.volts, 1.0), np.nan)
        n_tail = round(TAIL_S * thin_hz)
        heads = [join(note.supply_head) for note in notes]
        # Of a drum no pitch is known, and no ripple told.
        hz = np.where(np.isfinite(pitch_hz), pitch_hz, HIGHEST_HZ)
        ripple_v = np.where(np.isfinite(pitch_hz), measure_ripples(tails, thin_hz, 2.0 * hz), np.nan)
        angle = (4 * np.pi * hz / rate_hz)[:, None] * self._at[None, :]
        recovery_s, how = self._recovery.fit([join([note.supply_after]) for note in notes])
        lowest_at = np.array([np.nan if note.supply_lowest_at is None else note.supply_lowest_at for note in notes])
        end_v = np.array([float(t[-n_tail:].sum()) / min(len(t), n_tail) if len(t) else np.nan for t in tails])
        onset, end = np.array([note.onset for note in notes]), np.array([note.end for note in notes])
        fell_late = fell_at_end(before.volts - end_v, sag_v, (end - lowest_at) / rate_hz, (end - onset) / rate_hz)
        measured = {
            "supply_before_v": before.volts,
            "supply_before_looked_s": before.looked_s,
            "supply_lowest_v": lowest_v,
            "supply_lowest_averaged_v": lowest_v,
            "supply_lowest_raw_v": raw_v,
            "supply_end_v": end_v,
            "sag_v": sag_v,
            "sag_without_end_v": np.where(fell_late, before.volts - end_v, sag_v),
            "sag_percent": sag_percent,
            "sag_slope_v_per_s": measure_slopes(heads, thin_hz, before.volts, before.wobble_v),
            "recovery_s": recovery_s,
            "ripple_v": ripple_v / (np.cos(angle) @ self._taps),  # what the moving parabola leaves of it
        }
        evidence = {
            "supply_before_looked_s": before.looked_s,
            "supply_lowest_raw_v": raw_v,
            "supply_lowest_s_after_onset": (lowest_at - onset) / rate_hz,
            "supply_lowest_parabola_v": np.where(is_seen, np.array([note.supply_smooth_v for note in notes]), np.nan),
            "supply_average_s": average_s,
        }
        texts = {
            "supply_before_not_settled": list(before.why_not),
            "supply_average": [_AVERAGE] * len(notes),
            "recovery": how,
        }
        return UnderNotes(measured, evidence, texts, before.is_settled.astype(float))

    @staticmethod
    def _without(n: int) -> UnderNotes:
        nothing = np.full(n, np.nan)
        return UnderNotes(
            dict.fromkeys(_SUPPLY_MEASURED, nothing),
            dict.fromkeys(_SUPPLY_EVIDENCE, nothing),
            {"supply": ["not judged: no supply channel"] * n},
            nothing,
        )
