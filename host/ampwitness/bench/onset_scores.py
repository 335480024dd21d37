"""Onsets beside those of an independent program, aubio's `aubioonset`: `python -m ampwitness.bench.onset_scores`.

Both are matched with the truth and with each other as music research does it: one to one, within 50 ms; the F-measure
is the harmonic mean of the shares found and right. aubio hears the logged output at 44.1 kS/s with its own defaults
(high frequency content, buffer 512, hop 256), so that it looks every 5.8 ms.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from scipy.io import wavfile
from scipy.signal import resample_poly

from ampwitness.bench.event_scores import NOTE_FAMILIES, detect
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.errors import MissingToolError
from ampwitness.types import FloatArray

WINDOW_S = 0.050  # mir_eval's default for onsets
LIBRARY_HZ = 44_100
FAMILIES = ("tones of 1 s", "plucked", "drums", "bass line, mixed", "struck again, same pitch")


def find_aubio() -> str:
    """Path of aubio's onset program.

    Raises
    ------
    MissingToolError : it is not installed here
    """
    program = shutil.which("aubioonset")
    if program is None:
        raise MissingToolError("aubioonset is not on this machine: install it (Debian: aubio-tools) and try again")
    return program


def listen_with_aubio(program: str, output_v: FloatArray, rate_hz: float) -> FloatArray:
    """Seconds at which aubio hears onsets."""
    wave = resample_poly(output_v / np.abs(output_v).max(), LIBRARY_HZ // 100, round(rate_hz) // 100)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "notes.wav"
        wavfile.write(path, LIBRARY_HZ, wave.astype(np.float32))
        told = subprocess.run([program, "-i", path], capture_output=True, text=True, check=True, timeout=120)
    return np.array([float(line) for line in told.stdout.split()])


def match_onsets(
    reference_s: FloatArray, estimated_s: FloatArray, window_s: float = WINDOW_S
) -> tuple[int, FloatArray]:
    """How many pairs lie within the window, one to one in order of time, and by how much each estimate is late."""
    late_s = []
    at = 0
    for reference in np.sort(reference_s):
        while at < len(estimated_s) and estimated_s[at] < reference - window_s:
            at += 1
        if at < len(estimated_s) and estimated_s[at] <= reference + window_s:
            late_s.append(float(estimated_s[at] - reference))
            at += 1
    return len(late_s), np.array(late_s)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m ampwitness.bench.onset_scores", description=main.__doc__)
    parser.add_argument("--seeds", type=int, default=4, help="how many seeds a family (4)")
    parser.add_argument("--first-seed", type=int, default=9800, help="seeds below 1000 were tuned on (9800)")
    asked = parser.parse_args()
    program = find_aubio()
    print("onsets within 50 ms: F-measures, and how late of the truth (median ms)")
    for name, make in NOTE_FAMILIES:
        if name not in FAMILIES:
            continue
        # Ours with the truth, aubio's with the truth, aubio's with ours: pairs, first, second.
        counts = np.zeros((3, 3))
        late: tuple[list[float], list[float]] = ([], [])
        for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
            case = make(seed)
            ours_s = np.array([finding.start_s for finding in detect(NoteDetector(), case)])
            true_s = np.array([note.begins_s for note in case.truth.notes]) if case.truth is not None else np.empty(0)
            theirs_s = np.sort(listen_with_aubio(program, case.volts["output"], case.rate_hz))
            for row, (first_s, second_s) in enumerate(((true_s, ours_s), (true_s, theirs_s), (theirs_s, ours_s))):
                n_pairs, late_s = match_onsets(first_s, second_s)
                counts[row] += n_pairs, len(first_s), len(second_s)
                if row < 2:
                    late[row].extend(late_s.tolist())
        ours, theirs, both = 2 * counts[:, 0] / np.maximum(counts[:, 1] + counts[:, 2], 1)
        medians_ms = [1e3 * float(np.median(values)) if values else float("nan") for values in late]
        print(
            f"{name:26s} ours with the truth {ours:.3f} ({medians_ms[0]:+.1f}), aubio with the truth {theirs:.3f} "
            f"({medians_ms[1]:+.1f}), aubio with ours {both:.3f}; {counts[0, 1]:.0f} notes"
        )


if __name__ == "__main__":
    main()
