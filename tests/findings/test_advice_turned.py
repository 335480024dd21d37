"""What to do behind a tone whose gain was turned past the edge and back, without the guide."""

from __future__ import annotations

from dataclasses import replace

import pytest
from ampwitness.detect.tones.gain_steps import CEILING_OPEN, SOURCE_CLIPPED, TOO_FAST
from ampwitness.findings.advice import advise_first_steps
from ampwitness.types import Finding

MET = "the amplifier's ceiling was met"


def _knee(margin_db: float | None, outcome: str = MET, left_at_v: float | None = 20.0) -> Finding:
    measured = {"frequency_hz": 40.0, "knee_v": 26.7, "margin_db": margin_db, "outcome": outcome}
    measured["left_at_v"] = left_at_v
    return Finding("knee", 1.0, 24.0, "information", measured, {}, {})


def _clip(start_s: float, cause: str = "drive") -> Finding:
    return Finding("clip", start_s, start_s + 0.003, "attention", {"overdrive_db": 0.9, "cause": cause}, {}, {})


def test_a_gain_that_came_back_below_the_edge_may_stay() -> None:
    clips = [_clip(16.0), _clip(17.0)]
    (step,) = advise_first_steps([_knee(2.02), *clips])
    assert step == (
        "Leave the gain where it is. The 40 Hz tone was left 2.0 dB below the edge. 2 half-cycles clipped while a tone "
        "was turned up and down."
    )
    (step,) = advise_first_steps([_knee(2.02, left_at_v=None), *clips])  # it was still turned down at the end
    assert "was left at least 2.0 dB below the edge" in step
    (step,) = advise_first_steps([_knee(-0.9), *clips])
    assert step.startswith("Turn the gain down by 0.9 dB. The 40 Hz tone was left so far beyond the edge, by its")


def test_whose_ceiling_it_was_is_asked_where_no_source_was_logged() -> None:
    """A source that clips ahead of one knob and an amplifier at its rail make the same curve."""
    first, second = advise_first_steps([_knee(-2.5, CEILING_OPEN), _clip(16.0)])
    assert first.startswith("Turn down by 2.5 dB what was turned up.")
    assert second.startswith("Find out whose ceiling the 40 Hz tone met at 26.7 V rms.")
    assert all("whose ceiling" not in step for step in advise_first_steps([_knee(-2.5), _clip(16.0)]))


def test_what_clips_in_the_last_second_of_the_tone_belongs_to_its_curve() -> None:
    assert "left so far beyond the edge" in advise_first_steps([_knee(-0.9), _clip(24.6)])[0]
    assert "to keep this programme clean" in advise_first_steps([_knee(-0.9), _clip(26.0)])[0]


def test_an_edge_that_was_passed_without_a_clip_that_could_be_seen_asks_for_the_gain_as_well() -> None:
    (step,) = advise_first_steps([_knee(-2.3)])
    assert step.startswith("Turn the gain down by 2.3 dB.")


def test_clips_for_want_of_supply_are_told_as_such_within_a_curve_too() -> None:
    clips = [_clip(16.0, "both"), _clip(17.0, "supply"), _clip(18.0)]
    (step,) = advise_first_steps(
        [_knee(-0.9, CEILING_OPEN), *clips]
    )  # the ceiling follows the supply: no source's does
    assert "for want of supply" in step


@pytest.mark.parametrize(("unsure_db", "is_told"), [(0.24, True), (0.3, True), (0.5, False)])
def test_an_edge_passed_fast_tells_how_far_to_come_back_where_it_is_known_nearly_enough(
    unsure_db: float, is_told: bool
) -> None:
    """One figure, that of the curve, with what it may be off by: not the clips', which the sagging supply made more."""
    knee = _knee(-3.7, TOO_FAST)
    steps = advise_first_steps([replace(knee, measured={**knee.measured, "uncertainty_db": unsure_db}), _clip(16.0)])
    if is_told:
        assert steps[0].startswith(
            f"Turn the gain down by {3.7 + unsure_db:.1f} dB. The 40 Hz tone was left 3.7 dB beyond the edge, which "
            f"was passed fast and is known to +- {unsure_db:.2f} dB."
        )
        assert len(steps) == 1
    else:
        assert "to keep this programme clean" in steps[0]
        assert steps[1].startswith("Turn slower around the edge, once more.")


def test_clips_of_the_programme_count_all_the_same() -> None:
    for findings in (
        [_knee(2.0), _clip(16.0), _clip(60.0)],  # music behind the tone
        [_knee(None), _clip(16.0)],  # where it was left is not known
        [_knee(2.0, "source clipped before the amplifier"), _clip(16.0)],
    ):
        assert "Turn the gain down by 0.9 dB to keep" in " ".join(advise_first_steps(findings))


def test_a_tone_whose_source_was_clipped_is_told_as_such_alone() -> None:
    """Its clips asked for the player to be turned down as well, their origin "not decided"."""

    def clip(start_s: float) -> Finding:
        one = _clip(start_s)
        return replace(one, measured={**one.measured, "origin": "undecided"})

    clips = [clip(10.0 + 0.01 * k) for k in range(9)]
    (step,) = advise_first_steps([_knee(None, SOURCE_CLIPPED), *clips, clip(27.0)])
    assert step.startswith("Lower the source's volume or sub level until its tone is clean")
    assert step.endswith("10 half-cycles of it were cut off.")
    assert len(advise_first_steps([_knee(None, SOURCE_CLIPPED), *clips, *(clip(27.0 + k) for k in range(9))])) == 2
