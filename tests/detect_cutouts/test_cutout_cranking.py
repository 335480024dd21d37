"""A mute in the first milliseconds of cranking is seen, though the wave stood low just then."""

from __future__ import annotations

import pytest
from ampwitness.bench.cutout_material import make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutout_cause import CRANKING


@pytest.mark.parametrize("seed", [302, 373, 392])
def test_a_mute_in_the_first_milliseconds_of_cranking(seed: int) -> None:
    case = make_case("cranking mute", seed)
    (finding,), _ = find_cutouts(case)
    assert finding.start_s == pytest.approx(case.start_s[0], abs=0.005)
    assert finding.measured["cause"] == CRANKING


@pytest.mark.parametrize("seed", [100, 101, 102])
def test_notes_that_end_while_the_supply_is_pulled_down_are_none(seed: int) -> None:
    assert find_cutouts(make_case("heavy load in pauses (none)", seed))[0] == ()
