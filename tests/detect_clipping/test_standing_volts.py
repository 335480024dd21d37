"""An output on a single supply: both of its crests, counted from where it stands and not from 0 V."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_signals
from ampwitness.bench.clip_array_scores import make_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.table import standing_volts
from ampwitness.detect.clips.table.standing_volts import standing_course
from ampwitness.detect.result import DetectorResult
from ampwitness.types import FloatArray

RATE_HZ = 8000.0
SUPPLY_V, LOSS_V = 12.5, 0.5


def detect(output_v: FloatArray, window_s: float = 10.0) -> DetectorResult:
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": output_v}, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def half_supply_tone(ratio: float, off_s: float = 0.0) -> FloatArray:
    """A sine of 40 Hz that asks for 1 / ratio of the swing, about half the supply; at rest at 0 V for `off_s`."""
    rng = np.random.default_rng(4)
    high_hz = RATE_HZ * clip_signals.OVERSAMPLING
    swing_v = SUPPLY_V / 2 - LOSS_V
    wanted_v = clip_signals.tone(rng, 6.0, high_hz, 40.0) * swing_v / ratio
    played = np.clip(wanted_v, -swing_v, swing_v) + SUPPLY_V / 2
    return clip_signals.log(rng, np.concatenate((np.zeros(round(off_s * high_hz)), played)))


# A sine clipped at `ratio` of its peak is -20 log10(ratio) past: the ceiling lies swing_v from where it stands. Against
# 0 V the upper crests would be half as far past, and there would be no lower ones.
@pytest.mark.parametrize("ratio", [0.95, 0.8])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_both_crests_are_found_and_measured_from_where_it_stands(ratio: float, sign: float) -> None:
    result = detect(sign * half_supply_tone(ratio))
    for polarity in ("positive", "negative"):
        mine = [f.measured for f in result.findings if f.measured["polarity"] == polarity]
        assert len(mine) >= 0.97 * 40 * 6
        over_db = np.median([m["overdrive_db"] for m in mine])
        assert over_db == pytest.approx(-20 * np.log10(ratio), abs=0.05)
        plateau_v = abs(float(np.median([m["plateau_v"] for m in mine])))
        assert plateau_v == pytest.approx(SUPPLY_V / 2 - LOSS_V, abs=0.05)
    assert result.summary["standing_v"] == pytest.approx(sign * SUPPLY_V / 2, abs=0.05)


def test_a_stage_that_was_off_first_is_measured_as_one_that_was_not() -> None:
    late = detect(half_supply_tone(0.8, off_s=20.0))
    plain = detect(half_supply_tone(0.8))
    assert len(late.findings) == pytest.approx(len(plain.findings), abs=2)
    over_db = np.median([f.measured["overdrive_db"] for f in late.findings])
    assert over_db == pytest.approx(1.94, abs=0.05)


@pytest.mark.parametrize("window_s", [1.0, 60.0])
def test_windows_do_not_move_them(window_s: float) -> None:
    volts = half_supply_tone(0.9)
    assert list(detect(volts, window_s).findings) == list(detect(volts).findings)


def test_a_crest_that_is_cut_off_on_one_side_alone_does_not_draw_the_volts_it_is_counted_from() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    played = np.where(t % 1.0 < 0.6, np.minimum(5 * np.sin(2 * np.pi * 40 * t), 2.5), 0.0)  # pauses of 0.4 s
    volts = (played + 6.25 + rng.normal(0, 0.02, len(t))).astype(np.float32)
    course = standing_course(volts, RATE_HZ, 0)
    assert course is not None
    assert abs(float(played.mean())) > 0.3
    assert np.abs(course - 6.25).max() < 0.05


@pytest.mark.parametrize("offset_v", [0.0, 0.3, 1.5])
def test_an_output_about_0_v_keeps_its_volts(offset_v: float) -> None:
    case = make_case("kick_and_sub", 5, drive_db=3.0)
    assert standing_course((case.output_v + offset_v).astype(np.float32), case.rate_hz, 0) is None
    assert detect(case.output_v).summary["standing_v"] is None


@pytest.mark.parametrize("played_s", [0.0, 8.0])
def test_an_output_stuck_at_its_rail_is_no_stage_on_a_single_supply(played_s: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    stuck_v = 31.0 + (0.6 * np.sin(2 * np.pi * 50 * t) if played_s else 0.0)  # with hum on it, once it had played
    volts = np.where(t < played_s, 20 * np.sin(2 * np.pi * 50 * t), stuck_v) + rng.normal(0, 0.02, len(t))
    assert standing_course(volts.astype(np.float32), RATE_HZ, 0) is None


@pytest.mark.parametrize("n_across", [0, 3, 4, 6, 7, 60, 240])  # of 240 pieces that play a second tone about 0 V
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_few_pieces_decide_only_what_all_would(n_across: int, sign: float, monkeypatch: pytest.MonkeyPatch) -> None:
    at_s = np.arange(round(30 * RATE_HZ)) / RATE_HZ
    stands_v = np.full(240, sign * SUPPLY_V / 2)
    stands_v[np.arange(n_across) * 16 % 240 + np.arange(n_across) * 16 // 240] = 0.0
    volts = (np.repeat(stands_v, round(0.125 * RATE_HZ)) + 5 * np.sin(2 * np.pi * 40 * at_s)).astype(np.float32)
    course = standing_course(volts, RATE_HZ, 0)
    monkeypatch.setattr(standing_volts, "_is_across", lambda pieces, side: np.zeros(len(pieces), dtype=bool))
    assert (standing_course(volts, RATE_HZ, 0) is None) == (n_across == 240)  # nobody asks what lies across 0 V
    monkeypatch.undo()
    monkeypatch.setattr(standing_volts, "FEW", 1 << 20)  # one piece, which cannot be enough
    wanted = standing_course(volts, RATE_HZ, 0)
    assert (course is None) == (wanted is None) == (n_across > 4)
    assert course is None or wanted is None or np.array_equal(course, wanted)


def test_of_what_plays_about_zero_few_pieces_are_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    at_s = np.arange(round(30 * RATE_HZ)) / RATE_HZ
    volts = (20 * np.sin(2 * np.pi * 6.3 * at_s)).astype(np.float32)  # pieces whose means lie far off 0 V
    asked: list[int] = []
    real = standing_volts._is_across

    def count(pieces: FloatArray, side: float) -> np.ndarray:
        asked.append(len(pieces))
        return real(pieces, side)

    monkeypatch.setattr(standing_volts, "_is_across", count)
    assert standing_course(volts, RATE_HZ, 0) is None
    assert asked == [15, 15]
