"""What an installer reads: returns, retries, a ground seen through a short input, marks, a loose lead that charges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench import cutout_more
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, programme
from ampwitness.bench.cutout_scores import Score, find_cutouts, score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import decide_cause
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.cutout_stood import STUCK
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.cutouts.mark_ties import tie_marks
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.findings.described import describe_finding
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(9 * RATE_HZ) / RATE_HZ
STEADY = (Edge("remote", 1, 0.01, "drawn", 80),)


def _beats() -> FloatArray:
    """Noise in beats, every fourth of them loud: its level changes by itself."""
    smooth = np.convolve(np.random.default_rng(4).standard_normal(len(AT)), np.hanning(25), "same")
    level = np.where((AT % 1.6) < 0.15, 1.0, 0.45)
    return np.asarray(25 * smooth / np.abs(smooth).max() * level)


def _find(wave: FloatArray, edges: tuple[Edge, ...] = STEADY, **more: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(3)
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": 12.6 + rng.normal(0, 0.003, len(AT)), **more}
    detector = CutoutDetector(reference_point="battery-negative")
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0, edges=edges):
        detector.push(window)
    return list(detector.finish().findings)


def test_a_programme_that_is_back_at_once_made_no_ramp() -> None:
    (found,) = _find(np.where((AT > 4.5) & (AT < 6.0), 0.0, _beats()))
    assert found.measured["returned"] == "at once"


def test_steady_volts_that_end_are_no_thump() -> None:
    (found,) = _find(np.where((AT > 4.5) & (AT < 6.0), 19.0, _beats()))
    assert found.measured["cause"] == "output stuck at DC"
    assert found.measured["returned"] is None
    assert found.evidence["return_thump_v"] is None


def test_tries_behind_a_stop_at_a_peak_go_on_with_it() -> None:
    wave = _beats()
    peak_s = float(AT[(AT > 3.2) & (AT < 3.35)][np.argmax(np.abs(wave[(AT > 3.2) & (AT < 3.35)]))])
    wave = np.where((peak_s + 0.0002 < AT) & (AT < 3.7) | (AT > 4.0) & (AT < 4.4), 0.0, wave)
    found = _find(wave, source=_beats() / 12)
    assert [f.evidence["protection"] for f in found] == ["consistent with over-current"] * 2
    assert "the stop before it was at a peak" in found[1].evidence["reasons"]


def test_a_lost_ground_is_seen_through_an_input_of_two_volts() -> None:
    ground = 0.03 + 2.2 * ((AT > 4.494) & (AT < 5.4))
    (found,) = _find(np.where((AT > 4.5) & (AT < 5.5), 0.0, _beats()), ground=ground)
    assert found.measured["cause"] == "ground connection lost"


def test_a_remote_line_that_stood_high_and_never_moved_was_logged() -> None:
    rng = np.random.default_rng(3)
    wave = np.where((AT > 4.5) & (AT < 5.5), 0.0, _beats())
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": np.full(len(AT), 12.6), "source": _beats() / 12}
    causes = []
    for lines_on in ((), ("remote",)):
        detector = CutoutDetector()
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
            detector.push(replace(window, lines_on=lines_on))
        (found,) = detector.finish().findings
        causes.append(str(found.measured["cause"]).partition(":")[0])
    assert causes == ["not decided", "protection with supply and remote fine"]


def test_a_mark_says_how_long_the_sound_had_been_back() -> None:
    (cutout,) = _find(np.where((AT > 3.0) & (AT < 3.5), 0.0, _beats()))
    mark = Finding("mark", 5.0, 5.0, "information", {"source": "host", "label": None}, {}, {})
    (tied,) = tie_marks([cutout, mark], [])
    said = describe_finding(tied)
    assert said == "marked at the computer; marked 2.0 s after the output stopped and 1.5 s after it came back"


def test_a_loose_lead_makes_no_variable_charger() -> None:
    at = np.arange(30_000) / 1000
    supply = np.where((at % 5 > 4) & (at > 9), 0.05, 14.1)
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays({"supply": supply, "output": 0 * at}, 1000, window_s=10.0):
        dips.push(window)
        history.push(window)
    assert find_engine_states(history.finish(), dips.finish().findings).remarks == ()


def test_bass_that_plays_on_is_no_steady_volts() -> None:
    stop = Stop(1.0, 8000, peak_v=39.8, off_rms_v=1.31, rest_v=-2.06, rest_before_v=0.1)
    assert decide_cause(stop).words != STUCK
    assert decide_cause(replace(stop, off_rms_v=0.05)).words == STUCK


def test_volts_of_its_own_that_die_away_are_no_steady_volts() -> None:
    """Of an output at half the supply that was switched off 1.5 V were left for a moment: told as a danger."""
    stop = Stop(1.0, 8000, peak_v=4.8, off_rms_v=0.02, rest_v=1.54, rest_before_v=6.4, sank_from_v=7.3, sank_to_v=0.18)
    assert decide_cause(stop).words != STUCK
    assert decide_cause(replace(stop, sank_from_v=None, sank_to_v=None)).words == STUCK
    assert decide_cause(replace(stop, sank_to_v=1.54)).words == STUCK


def test_what_plays_on_under_a_note_that_ended_is_no_undecided_stop() -> None:
    time_s = np.arange(4 * 8000) / 8000
    rest = 0.03 * np.sin(2 * np.pi * 700 * time_s)
    tone = np.sin(2 * np.pi * 50 * time_s) * (time_s < 2.0045)
    for beside, n in ((0.0 * rest, 1), (rest, 0)):
        detector = CutoutDetector()
        for window in iter_windows_from_arrays({"output": 30 * (tone + beside)}, 8000, window_s=10.0):
            detector.push(window)
        assert len(detector.finish().findings) == n


def test_a_programme_that_stops_by_itself_blames_no_supply_by_chance_but_a_true_stop_is_told() -> None:
    for name, seed in (("speech under a load (none)", 16301), ("supply flickers (none)", 16303),
                       ("collapse in speech", 16300)):  # fmt: skip
        score = Score()
        score_case(name, seed, score)
        assert score.n_right == 1, score.remarks


def test_behind_a_gap_it_is_not_said_that_the_amplifier_was_cold() -> None:
    rng = np.random.default_rng(9)
    at = np.arange(60 * RATE_HZ) / RATE_HZ
    gate = np.where((at > 48) & (at < 49.5), 0.0, 1.0)
    wave = 20 * np.sin(2 * np.pi * 53.3 * at + 1.0)
    volts = {"output": wave * gate + rng.normal(0, 0.02, len(at)), "source": 0.1 * wave, "supply": 0 * at + 12.6}
    said = []
    for lost in ((), ((40 * RATE_HZ, 42 * RATE_HZ),)):
        detector = CutoutDetector()
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0, edges=STEADY, lost=lost):
            detector.push(window)
        (found,) = detector.finish().findings
        said.append((found.evidence["protection"], " ".join(found.evidence["reasons"])))
    assert "s of the last minute were loud" in said[0][1]
    assert "only 6 s are known behind a gap: whether it was hot is not judged" in said[1][1]
    assert said[1][0] == "over-current or thermal not told apart"


@pytest.mark.parametrize(
    ("fall_s", "least_s", "most_s"), [(0.0003, 0.0, 0.002), (0.0015, 0.003, 0.0125), (0.002, 0.004, 0.0125)]
)
def test_a_short_fall_is_as_uncertain_as_its_tail_is_long(fall_s: float, least_s: float, most_s: float) -> None:
    rng = np.random.default_rng(8)
    at = np.arange(8 * RATE_HZ) / RATE_HZ
    noise = programme(rng, at, "noise")
    stop_s = float(at[(at > 4.0) & (np.abs(noise) > 0.8 * np.quantile(np.abs(noise), 0.99))][0])
    wave = 12.0 * noise / np.abs(noise).max() * np.exp(-np.maximum(at - stop_s, 0) / fall_s)
    volts = {"output": wave + rng.normal(0, 0.01, len(at)), "supply": 12.6 + rng.normal(0, 0.003, len(at))}
    edges = (Edge("remote", 1, 0.01, "", 80), Edge("remote", 0, stop_s - 0.01, "", 0))
    (found,) = find_cutouts(CutoutCase(volts, "", edges))[0]
    doubt_s = float(found.measured["start_uncertainty_s"])
    assert abs(found.start_s - stop_s) <= doubt_s
    assert least_s <= doubt_s <= most_s


def test_a_flicker_that_stopped_the_output_already_is_not_blamed_for_the_next_pause() -> None:
    rng = np.random.default_rng(8)
    at = np.arange(8 * RATE_HZ) / RATE_HZ
    tone = 9 * np.sin(2 * np.pi * 53 * at)
    wave = np.where((at > 4.0031) & (at < 4.35) | (at > 4.5529) & (at < 5.5), 0.0, tone)
    volts = {"output": wave + rng.normal(0, 0.01, len(at)), "supply": 12.6 + rng.normal(0, 0.003, len(at))}
    edges = (Edge("remote", 1, 0.01, "", 80), Edge("remote", 0, 3.99, "", 0), Edge("remote", 1, 4.2, "", 0))
    first, second = find_cutouts(CutoutCase(volts, "", edges))[0]
    assert first.measured["cause"] == "remote lead dropped"
    assert str(second.measured["cause"]).startswith("not decided: the signal may have paused")


def test_no_sound_that_is_still_to_come_counts_as_heat() -> None:
    """What may be another stop within a pause is looked at before its time comes, and may not be learned from."""
    found, _ = find_cutouts(cutout_more.make_case("ground shifts (none)", 18403))
    assert len(found) > 0
    assert all(f.evidence["loud_of_last_minute_s"] <= f.start_s for f in found)
