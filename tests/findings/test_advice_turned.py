"""What to do behind a tone whose gain was turned past the edge and back, without the guide."""

from __future__ import annotations

from ampwitness.findings.advice import advise_first_steps
from ampwitness.types import Finding

MET = "the amplifier's ceiling was met"


def _knee(margin_db: float | None, outcome: str = MET) -> Finding:
    measured = {"frequency_hz": 40.0, "knee_v": 26.7, "margin_db": margin_db, "outcome": outcome}
    return Finding("knee", 1.0, 24.0, "information", measured, {}, {})


def _clip(start_s: float) -> Finding:
    return Finding("clip", start_s, start_s + 0.003, "attention", {"overdrive_db": 0.9, "cause": "drive"}, {}, {})


def test_a_gain_that_came_back_below_the_edge_may_stay() -> None:
    clips = [_clip(16.0), _clip(17.0)]
    (step,) = advise_first_steps([_knee(2.02), *clips])
    assert step == (
        "Leave the gain where it is. The 40 Hz tone was left 2.0 dB below the edge. 2 half-cycles clipped while a tone "
        "was turned up and down."
    )
    (step,) = advise_first_steps([_knee(-0.9), *clips])
    assert step.startswith("Turn the gain down by 0.9 dB. The 40 Hz tone was left so far beyond the edge.")


def test_clips_of_the_programme_count_all_the_same() -> None:
    for findings in (
        [_knee(2.0), _clip(16.0), _clip(60.0)],  # music behind the tone
        [_knee(None), _clip(16.0)],  # where it was left is not known
        [_knee(2.0, "source clipped before the amplifier"), _clip(16.0)],
    ):
        assert "Turn the gain down by 0.9 dB to keep" in " ".join(advise_first_steps(findings))
