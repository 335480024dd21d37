"""The clipping detector against closed forms, made signals with truth, and what must never count as a clip."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench import clip_signals
from ampwitness.bench.clip_array_scores import Score, make_case, score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.types import Interval

RATE_HZ = 8000.0
HIGH_HZ = RATE_HZ * clip_signals.OVERSAMPLING
RAIL_V = 30.0


def detect(volts_by_role: dict[str, np.ndarray], rate_hz: float = RATE_HZ, **options: object) -> DetectorResult:
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts_by_role, rate_hz, **{"window_s": 10.0, **options}):
        detector.push(window)
    return detector.finish()


def logged_sine(
    level_v: float, pitch_hz: float = 40.0, high_v: float = RAIL_V, low_v: float = RAIL_V, residue_codes: float = 0.7
) -> np.ndarray:
    rng = np.random.default_rng(1)
    wanted = clip_signals.tone(rng, 3.0, HIGH_HZ, pitch_hz) * level_v
    return clip_signals.log(rng, np.clip(wanted, -low_v, high_v), residue_codes=residue_codes)


# Hard-clipped sine y = clip(sin, c): flat share of each half-cycle 1 - 2 asin(c) / pi, checked outside this project by
# numerical integration and ngspice; the row 0.971487 is 1 % THD of all harmonics.
@pytest.mark.parametrize(
    ("ratio", "overdrive_db", "flat_ms"),
    [(0.99, 0.087, 1.126), (0.98, 0.175, 1.594), (0.971487, 0.2513, 1.905), (0.95, 0.446, 2.527), (0.90, 0.915, 3.589),
     (0.80, 1.938, 5.121), (0.70, 3.098, 6.330), (0.50, 6.021, 8.333)],
)  # fmt: skip
def test_clipped_sine_is_measured_as_the_closed_form_says(ratio: float, overdrive_db: float, flat_ms: float) -> None:
    result = detect({"output": logged_sine(RAIL_V / ratio, residue_codes=0.0)})
    inside = [f for f in result.findings if 0.2 < f.start_s < 2.8]
    least = 0.95 if overdrive_db < 0.1 else 0.99
    assert least * 2 * 40 * 2.6 <= len(inside) <= 2 * 40 * 2.6 + 1
    assert {f.measured["polarity"] for f in inside} == {"positive", "negative"}
    flats = np.array([f.measured["flat_s"] for f in inside]) * 1e3
    over = np.array([f.measured["overdrive_db"] for f in inside])
    assert np.median(flats) == pytest.approx(flat_ms, abs=0.05)
    assert np.percentile(np.abs(flats - flat_ms), 90) < 0.12
    assert np.median(over) == pytest.approx(overdrive_db, abs=0.05 + 0.03 * overdrive_db)
    for finding in inside:
        assert abs(abs(float(finding.measured["plateau_v"] or 0)) - RAIL_V) < 0.15
        assert finding.evidence["shape"] == "hard"


@pytest.mark.parametrize("level_v", [0.5, 2.0, 4.0, 8.0, 14.0, 16.0, 19.0, 30.0, 45.0])
def test_clean_sine_is_no_clip_at_any_level(level_v: float) -> None:
    for pitch_hz in (25.0, 40.0, 100.0):
        assert detect({"output": logged_sine(level_v, pitch_hz, 99.0, 99.0)}).findings == ()


@pytest.mark.parametrize("family", ["bass_line", "kick_and_sub", "sub_noise", "saw_bass", "fm_bass"])
def test_clean_music_holds_no_clip(family: str) -> None:
    case = make_case(family, 41, drive_db=-0.3)
    assert case.clips == ()
    assert detect({"output": case.output_v}).findings == ()
    quiet = make_case(family, 42, drive_db=-0.3, rail_v=6.0)
    assert detect({"output": quiet.output_v}).findings == ()


def test_slowly_decaying_low_drum_is_no_clip() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(int(3 * HIGH_HZ)) / HIGH_HZ
    drum = np.exp(-t / 0.9) * np.sin(2 * math.pi * (38 * t + 1.2 * (1 - np.exp(-t / 0.02)))) * 32
    assert detect({"output": clip_signals.log(rng, drum)}).findings == ()


@pytest.mark.parametrize("family", ["sub_noise", "saw_bass", "fm_bass"])
@pytest.mark.parametrize("rail", ["fixed", "following"])
def test_nothing_above_one_decibel_is_missed_in_bass(family: str, rail: str) -> None:
    score = score_case(make_case(family, 7, drive_db=4.0, rail=rail, seconds=12.0), Score(), 0.0005)
    assert score.n_true[(1.0, 99.0)] >= 5
    assert score.n_hit[(1.0, 99.0)] == score.n_true[(1.0, 99.0)]
    assert score.n_false == 0
    assert np.percentile(score.start_error_s, 90) < 1e-4


def test_rail_that_follows_the_supply_is_learned() -> None:
    case = make_case("kick_and_sub", 5, drive_db=5.0, rail="following")
    assert case.supply_v is not None
    summary = detect({"output": case.output_v, "supply": case.supply_v}).summary
    rails, model = summary["rails"], summary["rail_model"]
    for polarity, ratio in (("positive", 30.0 / 13.6), ("negative", 0.985 * 30.0 / 13.6)):
        assert rails[polarity]["kind"] == "following"
        assert rails[polarity]["supply_ratio"] == pytest.approx(ratio, rel=0.03)
        assert model[polarity]["kind"] == "follows supply"
        assert model[polarity]["ratio"] == pytest.approx(ratio, rel=0.03)
        assert model[polarity]["level_v"] * (1 if polarity == "positive" else -1) > 20


def test_fixed_rail_on_a_moving_supply_is_called_regulated() -> None:
    case = make_case("kick_and_sub", 6, drive_db=4.0, rail="fixed")
    assert case.supply_v is not None
    result = detect({"output": case.output_v, "supply": case.supply_v})
    assert result.summary["rails"]["positive"]["kind"] == "regulated"
    assert result.summary["rails"]["positive"]["level_v"] == pytest.approx(RAIL_V, abs=0.1)
    assert all(f.measured["supply_v"] is not None for f in result.findings)


@pytest.mark.parametrize("polarity", ["positive", "negative"])
def test_clipping_on_one_side_only(polarity: str) -> None:
    rails = {"high_v": RAIL_V, "low_v": 99.0} if polarity == "positive" else {"high_v": 99.0, "low_v": RAIL_V}
    result = detect({"output": logged_sine(RAIL_V * 1.05, **rails)})
    assert len(result.findings) > 100
    assert {f.measured["polarity"] for f in result.findings} == {polarity}
    sign = 1 if polarity == "positive" else -1
    assert all(sign * float(f.measured["plateau_v"] or 0) > 0 for f in result.findings)


def test_answer_does_not_depend_on_the_windows() -> None:
    case = make_case("kick_and_sub", 3, drive_db=5.0, rail="following", seconds=13.0)
    assert case.supply_v is not None
    roles = {"output": case.output_v, "supply": case.supply_v}
    lost, saturated = ((30000, 30100), (64000, 64003)), (Interval(9.5, 9.52),)
    first = detect(roles, window_s=1.0, lost=lost, saturated=saturated)
    assert first.findings
    for window_s in (10.0, 60.0, 0.237):
        other = detect(roles, window_s=window_s, lost=lost, saturated=saturated)
        assert other.findings == first.findings
        assert other.coverage.not_judged == first.coverage.not_judged
        assert other.summary == first.summary


def test_where_the_logger_is_at_its_rail_nothing_is_judged() -> None:
    volts = logged_sine(RAIL_V * 1.2)
    result = detect({"output": volts}, saturated=(Interval(1.0, 2.0),))
    assert not [f for f in result.findings if f.start_s < 2.0 and f.stop_s > 1.0]
    assert [f for f in result.findings if f.start_s < 0.9]
    assert result.coverage.judged_s == pytest.approx(2.0)
    assert any("converter" in span.reason for span in result.coverage.not_judged)


def test_no_output_and_too_slow_a_rate_are_not_judged() -> None:
    nothing = detect({"supply": np.full(8000, 12.0)})
    assert nothing.findings == ()
    assert nothing.coverage.judged_s == 0
    assert "not recorded" in nothing.coverage.not_judged[0].reason
    slow = detect({"output": np.zeros(4000)}, rate_hz=2000.0)
    assert slow.coverage.judged_s == 0
    assert "too few" in slow.coverage.not_judged[0].reason
    assert not slow.summary["remarks"]  # of rails that nobody looked for nothing is left open


def test_empty_and_silent_recordings() -> None:
    empty = ClippingDetector().finish()
    assert empty.findings == ()
    assert {side["kind"] for side in empty.summary["rail_model"].values()} == {"unknown"}
    assert set(empty.summary["rail_model"]) == {"positive", "negative"}
    assert detect({"output": np.zeros(100)}).findings == ()
    assert detect({"output": np.zeros(40000)}).findings == ()


def test_signal_clipped_in_the_source_at_many_levels_is_named_so() -> None:
    case = make_case("kick_and_sub", 9, source_db=5.0, seconds=20.0)
    assert case.supply_v is not None
    result = detect({"output": case.output_v, "supply": case.supply_v})
    named = [f.evidence["where"] for f in result.findings]
    assert len(named) > 20
    assert named.count("source") >= 0.95 * len(named)
    assert {f.measured["origin"] for f in result.findings} == {"source"}


def test_a_rail_that_follows_the_supply_is_no_source_and_is_called_a_rail() -> None:
    case = make_case("kick_and_sub", 5, drive_db=5.0, rail="following")
    assert case.supply_v is not None
    result = detect({"output": case.output_v, "supply": case.supply_v})
    assert all(f.measured["origin"] != "source" for f in result.findings)
    ceilings = [f.measured["ceiling"] for f in result.findings]
    assert ceilings.count("rail") >= 0.9 * len(ceilings)


def test_one_constant_level_leaves_open_who_clipped() -> None:
    result = detect({"output": logged_sine(RAIL_V * 1.1)})
    assert {f.measured["origin"] for f in result.findings} == {"undecided"}
    assert {f.measured["ceiling"] for f in result.findings} == {"undecided"}


@pytest.mark.parametrize("family", ["bass_line", "sub_noise", "fm_bass"])
def test_stated_interval_holds_the_overdrive(family: str) -> None:
    case = make_case(family, 1011, drive_db=4.0, seconds=12.0)
    result = detect({"output": case.output_v})
    held = []
    for clip in case.clips:
        for f in result.findings:
            if f.measured["polarity"] == clip.polarity and f.start_s < clip.stop_s and f.stop_s > clip.start_s:
                low, high = float(f.measured["overdrive_low_db"] or 0), float(f.measured["overdrive_high_db"] or 0)
                assert low <= float(f.measured["overdrive_db"] or 0) <= high
                held.append(low <= clip.overdrive_db <= high)
    assert len(held) > 10
    assert np.mean(held) >= 0.9


def test_short_flats_of_full_range_music_are_found_at_a_known_rail() -> None:
    case = make_case("full_range", 1004, drive_db=9.0, seconds=12.0)
    score = score_case(case, Score(), 0.0005)
    assert sum(score.n_true.values()) > 50
    assert score.n_found - score.n_false > 0.5 * sum(score.n_true.values())
    assert score.n_false <= 0.02 * score.n_found
