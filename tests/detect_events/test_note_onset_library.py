"""Onsets of the note detector beside those of independent libraries, matched as music research does it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.bench import event_signals
from ampwitness.bench.onset_scores import match_onsets
from ampwitness.detect.notes.notes import NoteDetector
from event_material import decaying_notes, logged, run, seconds
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

# mir_eval's default: an onset counts as found within 50 ms (mir_eval.onset.f_measure).
WINDOW_S = 0.050
LIBRARY_HZ = 44100


def load_librosa() -> Any:
    # Not among the development tools: it draws in some 265 MB. Installed by hand, the test runs.
    return pytest.importorskip("librosa", reason="librosa is not installed here: no second outside opinion on onsets")


def count_matches(reference_s: np.ndarray, estimated_s: np.ndarray) -> float:
    """F-measure of two lists of onsets within mir_eval's window."""
    return float(mir_eval.onset.f_measure(reference_s, estimated_s, window=WINDOW_S)[0])


def listen_with_aubio(output: np.ndarray, folder: Path) -> np.ndarray:
    """Onsets by aubio's own program with its defaults (hfc, buffer 512, hop 256) at 44.1 kS/s."""
    program = shutil.which("aubioonset")
    if program is None:
        sentence = "aubioonset is not installed (Debian: aubio-tools): no outside onsets to compare with"
        pytest.fail(sentence) if os.environ.get("CI") else pytest.skip(sentence)
    wave = resample_poly(output / np.abs(output).max(), 441, 80).astype(np.float32)
    scipy.io.wavfile.write(folder / "notes.wav", LIBRARY_HZ, wave)
    told = subprocess.run([program, "-i", folder / "notes.wav"], capture_output=True, text=True, check=True, timeout=60)
    return np.array([float(line) for line in told.stdout.split()])


def listen_with_librosa(output: np.ndarray) -> np.ndarray:
    """Onsets by librosa's spectral flux below 500 Hz, hop 5.8 ms at 44.1 kS/s."""
    librosa = load_librosa()
    wave = resample_poly(output / np.abs(output).max(), 441, 80).astype(np.float32)
    strength = librosa.onset.onset_strength(y=wave, sr=LIBRARY_HZ, hop_length=256, n_fft=2048, fmax=500.0, n_mels=24)
    return np.asarray(
        librosa.onset.onset_detect(onset_envelope=strength, sr=LIBRARY_HZ, hop_length=256, units="time", delta=0.1)
    )


def test_aubio_finds_the_same_onsets(tmp_path: Path) -> None:
    # The vector on which aubio's own program found 8 of 8 within -0.7 to -2.3 ms.
    starts_s = (0.5, 1.0, 1.75, 2.5, 3.0, 3.6, 4.4, 5.0)
    time_s = seconds(6.0)
    wave = decaying_notes(time_s, starts_s, (41.2, 55.0, 49.0, 41.2, 61.7, 55.0, 41.2, 36.7))
    ours_s = np.array([f.start_s for f in run(NoteDetector(), logged(wave)).findings])
    theirs_s = listen_with_aubio(wave, tmp_path)
    assert count_matches(theirs_s, ours_s) == 1.0
    assert np.abs(theirs_s - ours_s).max() < 512 / LIBRARY_HZ + 0.001  # its hop, and 1 ms


@pytest.mark.parametrize("seed", [601, 602, 603])
def test_librosa_agrees_on_drawn_bass_lines(seed: int) -> None:
    case = event_signals.music_case(seed, kinds=("plucked", "drum"), seconds=12.0)
    ours_s = np.array([f.start_s for f in run(NoteDetector(), case.volts).findings])
    true_s = np.array([note.begins_s for note in case.notes])
    theirs_s = listen_with_librosa(case.volts["output"])
    assert count_matches(true_s, ours_s) == 1.0
    assert count_matches(theirs_s, ours_s) >= 0.9


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_the_score_program_matches_onsets_as_mir_eval_does(data: st.DataObject) -> None:
    times = st.lists(st.floats(0.0, 5.0), min_size=1, max_size=12, unique=True).map(sorted)
    reference_s, estimated_s = np.array(data.draw(times)), np.array(data.draw(times))
    # Pairs that lie just as far apart as the window is wide are a matter of rounding.
    apart_s = np.abs(reference_s[:, None] - estimated_s)
    assume(np.all(np.abs(apart_s - WINDOW_S) > 1e-9))
    n_pairs, late_s = match_onsets(reference_s, estimated_s)
    precision, recall = n_pairs / len(estimated_s), n_pairs / len(reference_s)
    _, theirs_precision, theirs_recall = mir_eval.onset.f_measure(reference_s, estimated_s, window=WINDOW_S)
    assert (precision, recall) == pytest.approx((theirs_precision, theirs_recall))
    assert np.all(np.abs(late_s) <= WINDOW_S)
