"""Rails behind a resistance: tops that a current out of step bends are judged ahead of it."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import Finding
from scipy import signal

RATE_HZ, TIMES, SECONDS = 8000.0, 16, 2.0
FloatArray = np.ndarray


def wanted_v() -> FloatArray:
    """Three notes that beat, up to 5 dB above 39 V."""
    t = np.arange(round(SECONDS * RATE_HZ * TIMES)) / RATE_HZ / TIMES
    return 40 * (
        np.sin(2 * np.pi * 51 * t) + 0.6 * np.sin(2 * np.pi * 54.3 * t) + 0.2 * np.sin(2 * np.pi * 153 * t + 1)
    )


def cut_off(wanted: FloatArray, share: float, tau_s: float) -> FloatArray:
    """What a ceiling of 39 V leaves that `share` of what came out, `tau_s` later, is lost ahead of."""
    keep = np.exp(-1 / (tau_s * RATE_HZ * TIMES))
    out, drawn = np.empty_like(wanted), 0.0
    for k, volts in enumerate(wanted.tolist()):
        volts = min(max(volts, -39 - share * min(drawn, 0)), 39 - share * max(drawn, 0))
        drawn = keep * drawn + (1 - keep) * volts
        out[k] = volts
    return out


def find(volts: FloatArray) -> list[Finding]:
    logged = signal.resample_poly(volts, 1, TIMES)
    logged += 0.03 * np.random.default_rng(8).standard_normal(len(logged))
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": logged.astype(np.float32)}, RATE_HZ, window_s=10.0):
        detector.push(window)
    return list(detector.finish().findings)


@pytest.mark.parametrize(("share", "tau_s"), [(0.25, 0.003), (0.25, 0.0008), (-0.12, 0.003)])
def test_tops_that_a_late_current_bends_lie_level_ahead_of_it(share: float, tau_s: float) -> None:
    wanted = wanted_v()
    volts = cut_off(wanted, share, tau_s)
    edges = np.flatnonzero(np.diff((np.abs(volts - wanted) > 1e-9).astype(int), prepend=0, append=0))
    starts, stops = edges[::2] / RATE_HZ / TIMES, edges[1::2] / RATE_HZ / TIMES
    long = stops - starts > 0.0006
    found = find(volts)
    at = np.array([f.start_s for f in found])
    hits = [np.any((at > a - 3e-4) & (at < b)) for a, b in zip(starts[long], stops[long], strict=True)]
    assert len(hits) > 100
    assert np.mean(hits) > 0.98
    assert len(found) <= len(starts)
    ahead = np.abs([float(f.measured["plateau_v"]) + float(f.evidence["held_back_v"]) for f in found])
    terminals = np.abs([float(f.measured["plateau_v"]) for f in found])
    assert np.std(ahead) < 0.5 * np.std(terminals)
    # Flanks rise from what is lost at the corners, not from what is lost in between, which the cut-off top decides.
    errors = []
    for start_s, stop_s in zip(starts[long], stops[long], strict=True):
        top = slice(round(start_s * RATE_HZ * TIMES), round(stop_s * RATE_HZ * TIMES))
        crest = top.start + int(np.argmax(np.abs(wanted[top])))
        true_db = 20 * np.log10(abs(wanted[crest] / volts[crest]))
        near = np.flatnonzero((at > start_s - 3e-4) & (at < stop_s))
        errors += [float(found[k].measured["overdrive_db"]) - true_db for k in near[:1] if true_db < 3.0]
    assert np.median(np.abs(errors)) < 0.15


def test_the_same_notes_below_their_ceiling_have_no_tops() -> None:
    assert not find(0.5 * wanted_v())
