"""Crests that come just up to a known ceiling: told by where their flanks lead, not by how flat they look."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.second.clip_promise import Tops, measure_promises
from ampwitness.types import FloatArray
from scipy import signal

RATE_HZ, NOISE_V, CEILING_V, PITCH_HZ = 8000.0, 0.027, 30.0, 38.0


def note(crest_v: float, seconds: float, ceiling_v: float = CEILING_V) -> FloatArray:
    """A steady note of two partials, cut off at the ceiling four samples for one, then logged without noise."""
    angle = 2 * np.pi * PITCH_HZ * np.arange(round(4 * RATE_HZ * seconds)) / (4 * RATE_HZ)
    shape = np.sin(angle) + 0.15 * np.sin(3 * angle + 0.5)
    wanted = crest_v / np.max(shape) * shape
    return np.asarray(signal.resample_poly(np.minimum(wanted, ceiling_v), 1, 4))


def noisy(volts: FloatArray) -> FloatArray:
    return volts + NOISE_V * np.random.default_rng(4).standard_normal(len(volts))


@pytest.mark.parametrize(("beyond_v", "fewest", "most"), [(-0.01, 0, 8), (0.06, 105, 116), (0.12, 112, 116)])
def test_a_steady_note_just_below_or_above_a_ceiling_that_others_showed(
    beyond_v: float, fewest: int, most: int
) -> None:
    """The ceiling is known by strong clips; a hundredth of a volt under it is clean, 0.02 dB above it is cut off."""
    silence = np.zeros(round(RATE_HZ / 2))
    parts = [note(1.25 * CEILING_V, 3.0), silence, note(CEILING_V + beyond_v, 3.0)]
    output = noisy(np.concatenate(parts)).astype(np.float32)
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(
        {"output": output, "supply": np.full_like(output, 12.6)}, RATE_HZ, window_s=10.0
    ):
        detector.push(window)
    n_late = sum(finding.start_s > 3.5 for finding in detector.finish().findings)
    assert fewest <= n_late <= most


def test_promised_crests_are_right_to_the_deviation_stated() -> None:
    output = noisy(note(30.3, 2.0)).astype(np.float32)
    period = RATE_HZ / PITCH_HZ
    tops = np.array([int(k * period + np.argmax(note(30.3, 0.026, 99.0))) for k in range(2, 60)])
    (found,) = measure_promises([Tops(output, RATE_HZ, tops, np.ones(len(tops)), NOISE_V)])
    off = (found.crest_v - 30.3) / found.sd_v
    assert np.all(np.isfinite(off))
    assert np.median(found.sd_v) < NOISE_V
    assert 0.5 < np.std(off) < 1.6
    assert abs(np.mean(off)) < 0.6


def test_a_flank_that_the_stretch_cuts_off_promises_nothing() -> None:
    output = note(30.3, 0.1).astype(np.float32)
    (found,) = measure_promises([Tops(output, RATE_HZ, np.array([20]), np.ones(1), NOISE_V)])
    assert np.isnan(found.crest_v).all()


def test_stretches_that_are_asked_together_answer_as_each_alone() -> None:
    output = noisy(note(30.3, 1.0)).astype(np.float32)
    tops = [np.array([int(k * RATE_HZ / PITCH_HZ) + 40 for k in some]) for some in (range(2, 9), (), range(9, 30, 4))]
    asked = [
        Tops(output, RATE_HZ / (1 + (k == 1)), at, np.ones(len(at)), NOISE_V * (1 + k)) for k, at in enumerate(tops)
    ]
    asked.insert(2, Tops(output, RATE_HZ / 2, tops[0], np.ones(len(tops[0])), NOISE_V))
    for some, together in zip(asked, measure_promises(asked), strict=True):
        (alone,) = measure_promises([some])
        np.testing.assert_allclose(together.crest_v, alone.crest_v, rtol=1e-12)
        np.testing.assert_allclose(together.sd_v, alone.sd_v, rtol=1e-9)
