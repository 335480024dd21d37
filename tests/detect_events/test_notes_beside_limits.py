"""How much of what began beside an older note must be new, a tone, and apart from its lines. No outside source: truth
is by construction."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.notes.note_beside import _find_over
from ampwitness.detect.notes.note_leaving import fit_lines, list_lines
from ampwitness.detect.notes.note_spectrum import Pitch

RATE_HZ, OLD_HZ = 500.0, 41.2
OLD = Pitch(OLD_HZ, 1.0, (5.0, 1.0), np.nan, 1.0)
AHEAD = -np.arange(200, 0, -1) / RATE_HZ
BEHIND = 0.008 + np.arange(200) / RATE_HZ


def _old(time_s: np.ndarray) -> np.ndarray:
    return np.asarray(5.0 * np.sin(2 * np.pi * OLD_HZ * time_s) + 1.0 * np.sin(4 * np.pi * OLD_HZ * time_s + 1.0))


def _find(new: np.ndarray) -> float | None:
    """Pitch of what is added to an older note that sounds on."""
    lines, _ = fit_lines(_old(AHEAD), float(AHEAD[0]), RATE_HZ, list_lines([OLD_HZ]))
    found = _find_over(_old(BEHIND) + new, 0.008, RATE_HZ, OLD, lines)
    return None if found is None else found.frequency_hz


def _tone(hz: float, peak_v: float) -> np.ndarray:
    return np.asarray(peak_v * np.sin(2 * np.pi * hz * BEHIND + 2.0))


def test_an_octave_has_a_sixth_of_the_energy() -> None:
    assert _find(_tone(2 * OLD_HZ, 3.3)) == pytest.approx(2 * OLD_HZ)
    assert _find(_tone(2 * OLD_HZ, 1.7)) is None


@pytest.mark.parametrize(("apart", "is_new"), [(0.018, False), (-0.018, False), (0.045, True), (-0.045, True)])
def test_what_lies_next_to_a_line_of_the_older_note_is_that_line(apart: float, is_new: bool) -> None:
    """The fit of the older one takes it up."""
    hz = 2 * OLD_HZ * (1 + apart)
    assert _find(_tone(hz, 4.0)) == (pytest.approx(hz, rel=0.01) if is_new else None)


@pytest.mark.parametrize(("noise_v", "is_tone"), [(0.30, True), (1.00, False)])
def test_what_is_left_of_the_older_note_is_a_tone(noise_v: float, is_tone: bool) -> None:
    """Of 4 V peak beside so much noise 99 and 89 % are explained."""
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0, noise_v, len(BEHIND))
        assert _find(_tone(61.7, 4.0) + noise) == (pytest.approx(61.7, rel=0.01) if is_tone else None)
