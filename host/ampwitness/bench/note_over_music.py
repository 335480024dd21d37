"""Bass notes over full-range music: how many are found by how far they stand above what else sounds in their band.

Called by `python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from scipy import signal

from ampwitness.bench.event_signals import OUTPUT_NOISE_V, SUPPLY_NOISE_V
from ampwitness.bench.music import Note, bass_line, full_range, play
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.types import FloatArray

RATE_HZ, SECONDS = 8000.0, 20.0
BAND_HZ = (20.0, 165.0)
MATCH_S = 0.050
HEAD_S = 0.200  # of a note, over which it is compared with what else sounds
CLASSES_DB = (20.0, 15.0, 12.0, -np.inf)


@dataclass(frozen=True, slots=True)
class NotesOverMusic:
    """Volts as logged, the true notes, and how far each stands above what else sounds between 20 and 165 Hz, dB."""

    volts: dict[str, FloatArray]
    notes: tuple[Note, ...]
    above_db: FloatArray


@dataclass(slots=True)
class OverMusicScore:
    """Found and true notes by class of CLASSES_DB, and findings that begin near no true note."""

    n_found: dict[float, int] = field(default_factory=lambda: dict.fromkeys(CLASSES_DB, 0))
    n_true: dict[float, int] = field(default_factory=lambda: dict.fromkeys(CLASSES_DB, 0))
    n_others: int = 0


def make_over_music(seed: int) -> NotesOverMusic:
    """A bass line at random levels over pink noise with a beat and chords, peaks of some 25 V each."""
    rng = np.random.default_rng(seed)
    beat_s = float(rng.uniform(0.35, 0.7))
    wanted = bass_line(rng, 0.5, SECONDS - 0.3, peaks=(0.4, 1.0), beat_s=beat_s)
    bass, notes = play(wanted, SECONDS, RATE_HZ, rng)
    beside = signal.lfilter([0.3], [1, -0.7], full_range(SECONDS, RATE_HZ, rng, peak=0.5))
    bass, beside = 25.0 * rng.uniform(0.75, 1.15) * bass, 25.0 * rng.uniform(0.7, 1.3) * beside
    n = len(bass)
    volts = {
        "output": np.clip(bass + beside, -37.0, 37.0) + rng.normal(0, OUTPUT_NOISE_V, n),
        "supply": 12.6 + rng.normal(0, SUPPLY_NOISE_V, n),
    }
    sections = signal.butter(4, BAND_HZ, "band", fs=RATE_HZ, output="sos")
    powers = [signal.sosfiltfilt(sections, part) ** 2 for part in (bass, beside)]
    above_db = []
    for note in notes:
        head = slice(round(note.start_s * RATE_HZ), round(min(note.stop_s, note.start_s + HEAD_S) * RATE_HZ))
        own, others = (float(power[head].mean()) for power in powers)
        above_db.append(10 * np.log10(own / others))
    return NotesOverMusic(volts, notes, np.array(above_db))


def score_over_music(case: NotesOverMusic, score: OverMusicScore) -> None:
    """Add one case."""
    detector = NoteDetector()
    for window in iter_windows_from_arrays(case.volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    left_s = [finding.start_s for finding in detector.finish().findings]
    for note, above_db in zip(case.notes, case.above_db, strict=True):
        mine = next(level for level in CLASSES_DB if above_db >= level)
        score.n_true[mine] += 1
        nearest = min(left_s, key=lambda start_s: abs(start_s - note.start_s), default=np.inf)
        if abs(nearest - note.start_s) < MATCH_S:
            left_s.remove(nearest)
            score.n_found[mine] += 1
    score.n_others += len(left_s)


def print_over_music(seeds: Iterable[int]) -> None:
    """One line for each class."""
    score = OverMusicScore()
    for seed in seeds:
        score_over_music(make_over_music(seed), score)
    print("bass line over full-range music, notes by how far they stand above what else sounds from 20 to 165 Hz")
    for upper, level in zip((None, *CLASSES_DB), CLASSES_DB, strict=False):
        words = f"{level:.0f} dB and more" if upper is None else f"{level:.0f} to {upper:.0f} dB"
        words = f"under {upper:.0f} dB" if level == -np.inf else words
        print(f"  {words:15s} {score.n_found[level]:4d}/{score.n_true[level]:4d}")
    print(f"  findings near no true note: {score.n_others} (chords of the music may lie below 123 Hz)")
