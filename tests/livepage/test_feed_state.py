"""What the page says and draws of windows whose truth is known."""

from __future__ import annotations

import json

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.errors import UsageError
from ampwitness.livepage.clean_ceiling import NONE_KNOWN, CleanCeiling, _lowest, typed_ceiling
from ampwitness.livepage.feed_state import STEP_S, FeedState, losses_in_words
from ampwitness.livepage.supply_watch import SupplyWatch
from ampwitness.types import FloatArray, Interval, TraceWindow

RATE_HZ = 8000
NO_LOSSES = {"n_scans_lost": 0, "n_frames_lost": 0, "n_bad_frames": 0}


def windows_of(output: FloatArray, supply: FloatArray) -> list[TraceWindow]:
    return list(iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=0.04))


def state_of(output: FloatArray, supply: FloatArray, ceiling: CleanCeiling | None = None) -> FeedState:
    state = FeedState(ceiling)
    for window in windows_of(output, supply):
        state.push(window)
    return state


def sine(peak_v: float, seconds: float = 3.0) -> FloatArray:
    return peak_v * np.sin(2 * np.pi * 40 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)


def test_level_of_a_stage_on_a_single_supply_is_from_where_it_swings() -> None:
    picture = state_of(sine(4.0) + 6.25, np.full(3 * RATE_HZ, 12.6), typed_ceiling(5.0)).picture(NO_LOSSES, 3.0)
    level = picture["level"]
    assert level["rest_v"] == pytest.approx(6.25, abs=0.01)
    assert level["peak_v"] == pytest.approx(4.0, rel=0.005)
    assert level["below_db"] == pytest.approx(20 * np.log10(5 / 4), abs=0.05)
    plain = state_of(sine(4.0), np.full(3 * RATE_HZ, 12.6), typed_ceiling(5.0)).picture(NO_LOSSES, 3.0)
    assert plain["level"]["rest_v"] == 0.0


@pytest.mark.parametrize(
    ("peak_v", "words"),
    [
        (10.0, "Output 6.0 dB below its clean ceiling."),  # 20 lg 2 = 6.02 dB
        (20.0, "Output at its clean ceiling: turn down."),
        (25.0, "Output 1.9 dB above the clean ceiling: turn down."),  # 20 lg 1.25 = 1.94 dB
        (0.05, "The output is quiet."),
    ],
)
def test_level_against_the_ceiling(peak_v: float, words: str) -> None:
    picture = state_of(sine(peak_v), np.full(3 * RATE_HZ, 12.6), typed_ceiling(20.0)).picture(NO_LOSSES, 3.0)
    assert picture["level_words"] == words
    assert picture["level"]["ceiling_source"] == "typed: 20 V peak"
    assert picture["level"]["peak_v"] == pytest.approx(peak_v, rel=0.002, abs=0.001)


def test_without_a_ceiling_it_says_so_and_judges_nothing() -> None:
    picture = state_of(sine(10.0), np.full(3 * RATE_HZ, 12.6)).picture(NO_LOSSES, 3.0)
    assert picture["level"]["ceiling_source"] == NONE_KNOWN
    assert picture["level"]["below_db"] is None
    assert "no clean ceiling is known" in picture["level_words"]


def test_a_ceiling_that_follows_the_supply_is_that_of_the_supply_now() -> None:
    ceiling = _lowest({
        "positive": {"constant_v": -1.0, "ratio": 2.0, "knee_v": 13.0, "n_plateaus": 9},
        "negative": {"constant_v": 40.0, "ratio": 0.0, "knee_v": None, "n_plateaus": 9},
    }, "a.mcap")  # fmt: skip
    assert ceiling.at(12.0) == pytest.approx(23.0)
    assert ceiling.at(14.0) == pytest.approx(25.0)  # no further than its knee
    assert ceiling.at(None) is None
    assert "a.mcap" in ceiling.source
    with pytest.raises(UsageError, match="nothing about a ceiling"):
        _lowest({}, "b.mcap")


def test_strips_hold_the_extremes_of_every_tenth_and_nothing_in_a_gap() -> None:
    rng = np.random.default_rng(3)
    output = rng.normal(size=3 * RATE_HZ)
    state = FeedState()
    for k, window in enumerate(windows_of(output, np.full(3 * RATE_HZ, 12.6))):
        if not 25 <= k < 35:  # 1.0 s to 1.4 s never came
            state.push(window)
    picture = state.picture(NO_LOSSES, 3.0, whole=True)
    tenths = output.reshape(30, 800)
    strip = picture["output"]
    assert len(strip["lowest_v"]) == 30
    for k in range(30):
        if 10 <= k < 14:
            assert strip["lowest_v"][k] is None
        else:
            assert strip["lowest_v"][k] == pytest.approx(tenths[k].min(), abs=0.0006)
            assert strip["highest_v"][k] == pytest.approx(tenths[k].max(), abs=0.0006)
    json.dumps(picture, allow_nan=False)


def test_a_minute_is_kept_and_no_more() -> None:
    picture = state_of(sine(3.0, 70.0), np.full(70 * RATE_HZ, 12.6)).picture(NO_LOSSES, 70.0, whole=True)
    assert picture["first_step"] == round(70 / STEP_S) - 600
    assert len(picture["output"]["lowest_v"]) == 600


def test_dips_are_those_of_the_report() -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    supply = 13.0 - 3.0 * ((time_s > 5) & (time_s < 5.3)) - 2.0 * ((time_s > 9) & (time_s < 9.1)) - 0.5 * (time_s > 12)
    state, detector = FeedState(), DipDetector()
    for window in windows_of(sine(5.0, 20.0), supply):
        state.push(window)
        detector.push(window)
    live, reported = state.picture(NO_LOSSES, 20.0)["dips"], detector.finish().findings
    assert len(live) == len(reported) == 2
    for seen, found in zip(live, reported, strict=True):
        assert seen["start_s"] == pytest.approx(found.start_s, abs=0.02)
        assert seen["stop_s"] == pytest.approx(found.stop_s, abs=0.02)
        assert seen["lowest_v"] == pytest.approx(found.measured["residual_v"], abs=0.01)


def test_a_dip_ends_only_where_the_supply_is_well_back() -> None:
    """Between the threshold, 90 % of the reference, and 92 % nothing ends: IEC 61000-4-30's hysteresis of 2 %."""
    levels_v = np.repeat([12.0, 10.7, 10.9, 10.7, 11.1, 12.0], RATE_HZ // 2)  # 10.8 and 11.04 V are the two bounds
    picture = state_of(np.zeros(len(levels_v)), levels_v).picture(NO_LOSSES, 3.0)
    (dip,) = picture["dips"]
    assert (picture["n_dips"], dip["is_open"]) == (1, False)
    assert (dip["start_s"], dip["stop_s"]) == pytest.approx((0.5, 2.0), abs=0.02)


def test_a_gap_ends_a_dip_as_nobody_saw_what_it_did_then() -> None:
    supply = np.concatenate([np.full(2 * RATE_HZ, 12.6), np.full(RATE_HZ, 10.0)])
    lost = (round(2.2 * RATE_HZ), round(2.6 * RATE_HZ))
    watch = SupplyWatch(12.6)
    for window in iter_windows_from_arrays({"supply": supply}, RATE_HZ, window_s=0.04, lost=[lost]):
        watch.push(window.traces["supply"])
    first, second = watch.dips()
    assert (first.is_open, second.is_open) == (False, True)
    assert (first.start_s, first.stop_s, second.start_s) == pytest.approx((2.0, 2.2, 2.6), abs=0.02)


def test_supply_words_while_in_a_dip_and_after() -> None:
    supply = np.concatenate([np.full(2 * RATE_HZ, 13.0), np.full(RATE_HZ, 10.0)])
    assert state_of(sine(5.0), supply).picture(NO_LOSSES, 3.0)["supply_words"] == (
        "Supply in a dip: 10.00 V, 13.00 V before."
    )
    supply = np.concatenate([np.full(RATE_HZ, 13.0), np.full(RATE_HZ, 10.0), np.full(RATE_HZ, 13.0)])
    words = state_of(sine(5.0), supply).picture(NO_LOSSES, 3.0)["supply_words"]
    assert words == "Supply 13.00 V, 1 dip in the last minute, down to 10.00 V."


def test_a_supply_beyond_the_input_is_no_reading() -> None:
    """A charged 24 V vehicle on an input for 12 V: the figure stands at the converter's end."""

    def words(*beyond: Interval) -> str:
        state = FeedState(None)
        arrays = {"output": sine(5.0), "supply": np.full(3 * RATE_HZ, 25.48)}
        for window in iter_windows_from_arrays(arrays, RATE_HZ, window_s=0.04, saturated=beyond):
            state.push(window)
        return str(state.picture(NO_LOSSES, 3.0)["supply_words"])

    assert words() == "Supply 25.48 V, no dip in the last minute."
    assert words(Interval(2.0, 2.98)).startswith("Supply at the end of what the logger can take, 25.48 V: how far")
    assert words(Interval(0.5, 0.6)) == words()  # long over


def test_the_first_seconds_are_not_beyond_the_input() -> None:
    """Whether the input was at its end is held for two seconds: it must not reach back before the first sample."""
    state = FeedState(None)
    for window in windows_of(sine(5.0, 0.2), np.full(round(0.2 * RATE_HZ), 12.6)):
        state.push(window)
        picture = state.picture(NO_LOSSES, 0.2)
        assert "beyond" not in picture["level_words"]
        assert picture["supply_words"].startswith("Supply 12.60 V")


def test_losses_in_words() -> None:
    assert losses_in_words(NO_LOSSES) == "0 lost"
    assert losses_in_words({"n_scans_lost": 64, "n_frames_lost": 2, "n_bad_frames": 1}) == (
        "64 scans lost (2 frames), 1 bad frames"
    )
