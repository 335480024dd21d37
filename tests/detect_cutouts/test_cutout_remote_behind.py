"""A player that goes off takes signal and remote lead with it: told, though the sound ended softly, and dated to it."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.types import Edge, Finding, FloatArray

RATE_HZ = 8000
AT = np.arange(14 * RATE_HZ) / RATE_HZ
LAST_S, FELL_S, BACK_S = 5.55, 5.63, 9.7


def _wave() -> FloatArray:
    """Plucked notes twice a second, each gone within a third of a second; the last had faded when the player went."""
    beat = (AT - 0.3) % 0.5
    return np.asarray(np.sin(2 * np.pi * 55 * AT) * np.exp(-beat / 0.05) * ((AT < LAST_S) | (AT >= BACK_S)))


def _find(
    fell_s: float, *, is_logged: bool, is_digital: bool = False, is_back: bool = True, window_s: float = 10.0
) -> tuple[Finding, ...]:
    wave = _wave() * ((AT < BACK_S) | is_back)
    rng = np.random.default_rng(1)
    volts = {"output": 20 * wave + rng.normal(0, 0.02, len(AT)), "supply": np.full(len(AT), 12.6)}
    rose_s = BACK_S - 0.6
    is_low = np.diff((AT[:, None] >= np.array([rose_s, fell_s])).astype(int), axis=1)[:, 0] > 0
    if is_logged:
        volts["source"] = 1.2 * wave + rng.normal(0, 0.001, len(AT))
    edges: tuple[Edge, ...] = ()
    if is_digital:
        levels = ((0.01, 1), (fell_s, 0), (rose_s, 1))
        edges = tuple(Edge("remote", level, time_s, "s", round(time_s * RATE_HZ)) for time_s, level in levels)
    else:
        volts["remote"] = np.where(is_low, 0.1, 12.2)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=window_s, edges=edges):
        detector.push(window)
    return detector.finish().findings


@pytest.mark.parametrize("is_digital", [True, False])
def test_a_logged_source_that_stops_ahead_of_its_remote_lead_is_told(is_digital: bool) -> None:
    told = [_find(FELL_S, is_logged=True, is_digital=is_digital, window_s=window_s) for window_s in (1.0, 10.0, 60.0)]
    (cutout,) = told[0]
    assert (cutout.measured["cause"], cutout.severity) == ("signal stopped at the source", "attention")
    assert LAST_S - 0.2 < cutout.start_s <= LAST_S + 0.02
    assert cutout.stop_s == pytest.approx(BACK_S, abs=0.2)
    assert any("behind the last sound" in reason for reason in cutout.evidence["reasons"])  # type: ignore[union-attr]
    assert all(one == told[0] for one in told)


def test_without_the_source_it_is_left_open_which_came_first() -> None:
    (cutout,) = _find(FELL_S, is_logged=False)
    assert cutout.measured["cause"] == "not decided: remote lead fell right behind the last sound"
    assert "remote lead dropped" in cutout.evidence["not_excluded"]  # type: ignore[operator]


def test_a_lead_that_falls_long_behind_the_last_sound_was_switched_in_a_pause() -> None:
    assert _find(6.6, is_logged=True) == ()


def test_a_player_that_stays_off_was_switched_off() -> None:
    assert _find(FELL_S, is_logged=True, is_back=False) == ()


def test_a_rest_that_ends_as_the_lead_falls_is_none_of_it() -> None:
    """What sounds on behind the fall is not off yet: the stop that follows is the lead's, and the only one."""
    is_off = ((AT >= 5.0) & (AT < 5.15)) | ((AT >= 5.17) & (AT < 6.0))
    volts = {"output": np.where(is_off, 0.0, 20 * np.sin(2 * np.pi * 55 * AT))}
    volts["output"] = volts["output"] + np.random.default_rng(1).normal(0, 0.02, len(AT))
    volts["supply"] = np.full(len(AT), 12.6)
    volts["remote"] = np.where(np.abs(AT - 5.34) < 0.2, 0.1, 12.2)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    assert not any("behind the last" in str(one.measured["cause"]) for one in detector.finish().findings)
