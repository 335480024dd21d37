"""Breaks of less than 50 ms in a row are one finding; none of them alone, and no programme, is."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(5 * RATE_HZ) / RATE_HZ
BEGIN_S, END_S = 2.5033, 3.1
WAVE = 14 * np.sin(2 * np.pi * 47 * AT) + 6 * np.sin(2 * np.pi * 211 * AT)


def _find(gate: FloatArray, source: FloatArray | None = None, window_s: float = 10.0) -> tuple[Finding, ...]:
    rng = np.random.default_rng(2)
    volts = {"output": WAVE * gate + rng.normal(0, 0.025, len(AT)), "supply": 12.6 + rng.normal(0, 0.004, len(AT))}
    if source is not None:
        volts["source"] = source + rng.normal(0, 0.002, len(AT))
    return find_cutouts(CutoutCase(volts, "", (Edge("remote", 1, 0.01, "", 80),)), window_s)[0]


def _break_off(off_s: float, on_s: float, n: int = 1000) -> FloatArray:
    since = AT - BEGIN_S
    is_off = (since >= 0) & (since % (off_s + on_s) < off_s) & (since < n * (off_s + on_s)) & (AT < END_S)
    return np.where(is_off, 0.0, 1.0)


@pytest.mark.parametrize(("off_s", "on_s"), [(0.012, 0.006), (0.025, 0.012), (0.028, 0.06)])
def test_an_amplifier_that_tries_again_within_milliseconds_is_told(off_s: float, on_s: float) -> None:
    (found,) = _find(_break_off(off_s, on_s), WAVE / 9)
    assert str(found.measured["cause"]).endswith("consistent with over-current")
    assert found.start_s == pytest.approx(BEGIN_S, abs=0.002)
    assert found.stop_s == pytest.approx(END_S, abs=off_s + on_s + 0.002)
    said = " ".join(found.evidence["reasons"])
    assert f"times in a row, for {1e3 * off_s:.0f} ms each" in said or f"for {1e3 * off_s - 1:.0f} ms each" in said


def test_without_a_source_it_may_have_been_the_programme_and_with_one_that_breaks_off_it_was() -> None:
    gate = _break_off(0.02, 0.012)
    (found,) = _find(gate)
    assert str(found.measured["cause"]).startswith("not decided: the signal may have paused")
    assert all(str(f.measured["cause"]) == "signal stopped at the source" for f in _find(gate, WAVE * gate / 9))


def test_two_breaks_are_no_finding_and_windows_change_nothing() -> None:
    assert _find(_break_off(0.02, 0.012, n=2), WAVE / 9) == ()
    gate = _break_off(0.02, 0.012)
    assert _find(gate, WAVE / 9, 0.7) == _find(gate, WAVE / 9)
