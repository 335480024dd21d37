"""Where the logger's ground was clipped decides whether a lost ground can be told. Which terminals move when a ground
opens is Kirchhoff's voltage law on a loop of battery, leads and amplifier: no other source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.findings.road_words import find_next_test
from ampwitness.pipeline import AnalyseOptions, detect_options
from ampwitness.recording import RecordingWriter, open_parts
from ampwitness.types import Chunk, Finding

RATE_HZ = 8000
ELSEWHERE = ("battery-negative", "battery negative", "chassis")


def _find(reference: str | None, off_from_rest_v: dict[str, tuple[float, float]]) -> Finding:
    """The one cut-out where each role rests at the first figure and jumps to the second for a second."""
    at = np.arange(8 * RATE_HZ) / RATE_HZ
    is_off = (at >= 4.003) & (at < 5.0)
    rng = np.random.default_rng(11)
    volts = {"output": np.where(is_off, 0.0, 12 * np.sin(2 * np.pi * 47 * at))}
    volts |= {role: np.where(is_off, off_v, rest_v) for role, (rest_v, off_v) in off_from_rest_v.items()}
    noisy = {role: values + rng.normal(0, 0.02, len(at)) for role, values in volts.items()}
    detector = CutoutDetector(is_continuous=True, reference_point=reference)
    for window in iter_windows_from_arrays(noisy, RATE_HZ, window_s=1.0):
        detector.push(window)
    (finding,) = detector.finish().findings
    return finding


def _not_excluded(finding: Finding) -> str:
    return "; ".join(finding.evidence["not_excluded"])


def test_from_the_amplifiers_ground_a_lost_supply_may_be_a_lost_ground() -> None:
    finding = _find("amplifier-ground", {"supply": (12.6, 0.2)})
    assert finding.measured["cause"] == "supply lost at the terminals"
    assert "ground lost (not judged: no ground channel, and all volts count from the amplifier ground)" in (
        _not_excluded(finding)
    )
    assert "plus lead or ground, not told apart" in _not_excluded(finding)


@pytest.mark.parametrize("reference", ELSEWHERE)
def test_from_elsewhere_a_supply_that_falls_was_lost_itself(reference: str) -> None:
    """The amplifier's ground open, its plus terminal stays at the battery's plus: it does not fall."""
    finding = _find(reference, {"supply": (12.6, 0.2)})
    assert finding.measured["cause"] == "supply lost at the terminals"
    assert "ground" not in _not_excluded(finding)
    assert any("not the amplifier's ground" in reason for reason in finding.evidence["reasons"])


@pytest.mark.parametrize("reference", [None, "amplifier-ground", *ELSEWHERE])
def test_a_supply_that_stood_does_not_exclude_a_lost_ground(reference: str | None) -> None:
    finding = _find(reference, {"supply": (12.6, 12.6)})
    assert "ground lost (not judged: no ground channel" in _not_excluded(finding)
    assert ("seen from the" in _not_excluded(finding)) == (reference in ELSEWHERE)


@pytest.mark.parametrize(
    ("reference", "cause"),
    [(None, "ground"), ("amplifier-ground", "ground"), ("battery-negative", "supply"), ("chassis", "supply")],
)
def test_a_common_jump_is_a_ground_only_as_seen_from_the_amplifier(reference: str | None, cause: str) -> None:
    finding = _find(reference, {"supply": (12.6, 0.2), "battery": (12.7, 0.3)})
    assert str(finding.measured["cause"]).startswith(cause)
    assert "the battery itself disconnected" in _not_excluded(finding)


@pytest.mark.parametrize(("reference", "off_v"), [("amplifier-ground", -12.3), ("battery-negative", 12.3)])
def test_a_ground_channel_tells_it_from_anywhere(reference: str, off_v: float) -> None:
    supply = (12.6, 0.3) if reference == "amplifier-ground" else (12.6, 12.6)
    finding = _find(reference, {"supply": supply, "ground": (0.02, off_v)})
    assert finding.measured["cause"] == "ground connection lost"
    assert "not judged" not in _not_excluded(finding)


@pytest.mark.parametrize(("typed", "told"), [("chassis", "chassis"), (None, None)])
def test_what_was_typed_reaches_the_detectors(tmp_path: Path, typed: str | None, told: str | None) -> None:
    notes = {} if typed is None else {"reference_point": typed}
    writer = RecordingWriter(tmp_path / "a.mcap", notes)
    writer.append(Chunk(b"\0" * 64, 1.0))
    writer.close("stopped")
    assert detect_options(open_parts([tmp_path / "a.mcap"]), AnalyseOptions()).reference_point == told


@pytest.mark.parametrize(
    ("reference", "is_alike"), [(None, True), ("amplifier-ground", True), ("battery-negative", False)]
)
def test_supply_and_remote_lead_that_fall_alike_look_like_a_lost_ground(reference: str | None, is_alike: bool) -> None:
    finding = _find(reference, {"supply": (12.6, 5.6), "remote": (12.2, 5.2)})
    assert ("fell alike, as where a ground is lost" in str(finding.measured["cause"])) == is_alike
    assert ("Clip the logger's ground" in find_next_test(str(finding.measured["cause"]))) == is_alike


def test_a_remote_lead_that_falls_farther_than_the_supply_does_not() -> None:
    finding = _find("amplifier-ground", {"supply": (12.6, 9.6), "remote": (12.2, 0.1)})
    assert "fell while the supply was low" in str(finding.measured["cause"])
