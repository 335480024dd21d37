"""A programme that goes on more softly has not stopped, and hides no cut-out that comes later."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(16 * RATE_HZ) / RATE_HZ
STEADY = (Edge("remote", 1, 0.01, "", 80),)
CUT_S = 9.2037
BEAT = np.where(AT % 0.4 < 0.3, 1.0, 0.35) * 14 * np.sin(2 * np.pi * 61 * AT)
SOFT = BEAT * np.where(AT < 4.0023, 1.0, 0.035)  # 29 dB


def _find(wave: FloatArray, window_s: float = 10.0, **more: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6), **more}
    noisy = {role: values + rng.normal(0, 0.01, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0])


@pytest.mark.parametrize("has_source", [False, True])
def test_a_cut_out_of_music_that_had_been_turned_down_is_found(has_source: bool) -> None:
    cut = SOFT * ((AT < CUT_S) | (AT > 12.0))
    found = _find(cut, **({"source": SOFT / 10} if has_source else {}))
    (stop,) = (one for one in found if one.start_s > 5.0)
    assert stop.start_s == pytest.approx(CUT_S, abs=0.005)
    assert stop.stop_s == pytest.approx(12.0, abs=0.05)
    if has_source:
        assert str(stop.measured["cause"]).startswith("protection")


def test_music_that_is_turned_down_at_its_source_has_not_stopped() -> None:
    assert not _find(SOFT, source=SOFT / 10)


def test_windows_do_not_matter() -> None:
    cut = SOFT * ((AT < CUT_S) | (AT > 12.0))
    assert _find(cut, 1.0) == _find(cut) == _find(cut, 60.0)
