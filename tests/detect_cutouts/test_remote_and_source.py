"""A source unit that loses its feed takes signal and remote lead at once; a latched protection asks for the lead."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(12 * RATE_HZ) / RATE_HZ
STOP_S = 5.2068


def _find(
    output: FloatArray, source: FloatArray | None, low_s: tuple[float, float], *, is_digital: bool = False
) -> Finding:
    rng = np.random.default_rng(4)
    volts = {"output": 15 * output + rng.normal(0, 0.02, len(AT)), "supply": np.full(len(AT), 12.6)}
    if source is not None:
        volts["source"] = 1.2 * source + rng.normal(0, 0.001, len(AT))
    edges: tuple[Edge, ...] = ()
    if is_digital:
        levels = ((0.01, 1), (low_s[0], 0), (low_s[1], 1))
        edges = tuple(Edge("remote", level, time_s, "s", round(time_s * RATE_HZ)) for time_s, level in levels)
    else:
        volts["remote"] = np.where(_is_between(*low_s), 0.1, 12.2)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0, edges=edges):
        detector.push(window)
    (finding,) = detector.finish().findings
    return finding


def _is_between(from_s: float, to_s: float) -> np.ndarray:
    at_s = AT
    return (at_s >= from_s) & (at_s < to_s)


def _tone(off_s: float, on_s: float) -> FloatArray:
    return np.asarray(np.sin(2 * np.pi * 47 * AT) * ~_is_between(off_s, on_s))


@pytest.mark.parametrize("is_digital", [True, False])
@pytest.mark.parametrize(
    ("output_s", "source_s", "remote_s", "cause"),
    [
        (0.0, 0.0, 0.0005, "signal stopped at the source"),  # the amplifier mutes 30 ms later: nothing is left to mute
        (0.0, 0.0, 0.0015, "signal stopped at the source"),
        (0.0300, 0.0300, 0.0, "remote lead dropped"),
        (0.0040, 0.0300, 0.0, "remote lead dropped"),
        (0.0040, 2.0, 0.0, "remote lead dropped"),
    ],
)
def test_what_falls_with_the_source_and_not_ahead_of_it_had_not_stopped_the_output(
    output_s: float, source_s: float, remote_s: float, cause: str, is_digital: bool
) -> None:
    source, output = _tone(STOP_S + source_s, STOP_S + 2.5), _tone(STOP_S + output_s, STOP_S + 2.5)
    found = _find(output, source, (STOP_S + remote_s, STOP_S + 1.2), is_digital=is_digital)
    assert found.measured["cause"] == cause
    if cause.startswith("signal"):
        assert (found.measured["confidence"], found.severity) == ("medium", "attention")
        assert "remote lead dropped" in found.evidence["not_excluded"]  # type: ignore[operator]
        assert any("what feeds both went off" in why for why in found.evidence["reasons"])  # type: ignore[union-attr]


@pytest.mark.parametrize("is_logged", [True, False])
@pytest.mark.parametrize("is_digital", [True, False])
def test_what_comes_back_once_the_remote_lead_was_cycled_had_latched(is_logged: bool, is_digital: bool) -> None:
    source = np.asarray(np.sin(2 * np.pi * 47 * AT))
    output = _tone(STOP_S, STOP_S + 4.6)
    low_s = (STOP_S + 3.0, STOP_S + 4.0)
    reasons = _find(output, source if is_logged else None, low_s, is_digital=is_digital).evidence["reasons"]
    assert any("only after the remote lead was switched off and on" in why for why in reasons)  # type: ignore[union-attr]
    assert not any("by itself" in why for why in reasons)  # type: ignore[union-attr]
    assert "the remote lead did not fall" not in reasons  # type: ignore[operator]
