"""A low supply that stops the amplifier just as the programme rests: source and output fall silent together, and only
the source comes back."""

from __future__ import annotations

import pytest
from ampwitness.bench.cutout_drawn import make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts import cutout_source

NAME, SEED = "drawn: pulled under, five times", 19205  # the fifth begins within a millisecond of a rest of 0.28 s


def test_a_source_that_was_back_long_before_the_output_did_not_stop_it(monkeypatch: pytest.MonkeyPatch) -> None:
    case = make_case(NAME, SEED)
    fifth_s = case.start_s[-1]

    def cause_of_fifth() -> str:
        found, _ = find_cutouts(case)
        return str(min(found, key=lambda one: abs(one.start_s - fifth_s)).measured["cause"])

    assert cause_of_fifth() == "supply voltage too low"
    monkeypatch.setattr(cutout_source, "_MANY_BLOCKS", 1 << 30)
    assert cause_of_fifth() == "signal stopped at the source"
