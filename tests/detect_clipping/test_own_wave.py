"""Waves that are flat by themselves are no clips; what a source or a ceiling cut off is."""

from __future__ import annotations

import numpy as np
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.judge.clip_source_sides import _is_own_wave
from ampwitness.detect.clips.table.clip_candidates import Candidates


def _plateaus(start_s: list[float], gain: float) -> Candidates:
    columns = {"start_s": np.array(start_s), "gain": np.full(len(start_s), gain)}
    nothing = np.zeros((len(start_s), 0))
    return Candidates(columns, nothing, nothing)


def test_one_note_of_weak_plateaus_is_its_own_wave() -> None:
    note = [33.2 + 0.0148 * k for k in range(25)]
    assert _is_own_wave(_plateaus(note, 91.0))
    assert not _is_own_wave(_plateaus(note, 1300.0))  # strong ones
    assert not _is_own_wave(_plateaus([*note, 40.0], 91.0))  # they come again
    assert not _is_own_wave(_plateaus([33.2 + 0.2 * k for k in range(25)], 91.0))  # longer than a note


def test_an_organ_pedal_has_no_clip() -> None:
    case = next(iter(clip_sets.iter_clean(120.0, 887)))
    assert case.name == "organ pedal, 12 V"
    assert score_case(case, 0.0005).n_false == 0


def test_limited_notes_of_frequency_modulation_have_no_clip() -> None:
    case = next(iter(clip_sets.iter_clean(120.0, 1276)))
    assert case.name == "limited fm bass, 11 V"
    assert score_case(case, 0.0005).n_false == 0


def test_a_level_at_which_round_crests_end_as_well_is_a_limiters() -> None:
    """Three of six flat tops of limited notes lay near each other by chance, and drew in eight more; some 150 round
    crests end there too. One flat top among such crests was a clip by itself."""
    for number, name in ((2226, "limited bass line, 19 V"), (2322, "limited bass line, 6 V")):
        case = next(iter(clip_sets.iter_clean(120.0, number)))
        assert case.name == name
        assert score_case(case, 0.0005).n_false == 0
