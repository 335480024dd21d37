"""A mute in the first milliseconds of cranking is seen, though the wave stood low just then."""

from __future__ import annotations

import pytest
from ampwitness.bench.cutout_material import RATE_HZ, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutout_cause import CRANKING
from ampwitness.detect.cutouts import CutoutDetector
from ampwitness.detect.dips import DipDetector
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply_history import SupplyHistory
from ampwitness.findings.road_words import word_road


@pytest.mark.parametrize("seed", [302, 373, 392])
def test_a_mute_in_the_first_milliseconds_of_cranking(seed: int) -> None:
    case = make_case("cranking mute", seed)
    (finding,), _ = find_cutouts(case)
    assert finding.start_s == pytest.approx(case.start_s[0], abs=0.005)
    assert finding.measured["cause"] == CRANKING


@pytest.mark.parametrize("seed", [100, 101, 102])
def test_notes_that_end_while_the_supply_is_pulled_down_are_none(seed: int) -> None:
    assert find_cutouts(make_case("heavy load in pauses (none)", seed))[0] == ()


def test_a_mute_during_cranking_teaches_no_level_of_letting_go() -> None:
    case = make_case("cranking mute", 302)
    cutouts, dips, history = CutoutDetector(), DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays(case.volts, RATE_HZ, window_s=10.0):
        for part in (cutouts, dips, history):
            part.push(window)
    found = cutouts.finish()
    assert found.summary["under_voltage"] is not None
    settled = settle_road((found, dips.finish()), history.finish())
    assert settled[0].summary["under_voltage"] is None
    said = " ".join(word_road({result.coverage.detector: result.summary for result in settled}))
    assert "let go" not in said
    assert "; 1 cut-out." in said
