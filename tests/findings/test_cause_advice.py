"""Gain or supply first: by what each is worth, and in words that say the same as the figures beside them."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.cause_advice import LEAST_TOLD_DB
from ampwitness.findings.headline import word_headline
from ampwitness.pipeline import Analysis
from ampwitness.report.page import html_page
from ampwitness.report.text import text_report
from ampwitness.types import Finding
from hypothesis import given
from hypothesis import strategies as st

ENGINE = {"what": "alternator", "gain_db": 1.0, "how": "engine running at 14.2 V instead of 12.67 V"}


def _clips(overdrive_db: float = 1.5, **causes: int) -> list[Finding]:
    found = []
    for cause, n in causes.items():
        measured = {"overdrive_db": overdrive_db, "cause": cause.replace("_", " "), "origin": "amplifier"}
        found += [Finding("clip", 1.0, 1.003, "attention", measured, {}, {}) for _ in range(n)]
    return found


def _worth(needed_db: float, whole_db: float, *more: dict[str, Any]) -> dict[str, Any]:
    """What a summary says where mending the whole supply gains `whole_db`, and half of its resistance half of that."""
    halved = {"what": "battery, leads and ground", "gain_db": whole_db / 2, "how": "resistance halved"}
    whole = {"what": "the whole supply", "gain_db": whole_db, "how": "no sag at all"}
    gain = {"turn_down_db": needed_db, "turn_down_most_db": needed_db, "supply_gain_db": whole_db,
            "left_with_supply_db": max(0.0, needed_db - whole_db)}  # fmt: skip
    return {"supply": {"clip_gain": gain, "remedies": [*more, whole, halved]}}


def _step(clips: list[Finding], summary: dict[str, Any]) -> str:
    (step,) = advise_first_steps(clips, summary)
    return step


def test_a_supply_that_makes_up_for_the_most_comes_first() -> None:
    lead = {"what": "plus lead", "gain_db": 0.4, "how": "resistance halved"}
    assert _step(_clips(supply=8, drive=2), _worth(1.5, 1.6, lead, ENGINE)) == (
        "Mend the supply first; until then turn the gain down by 1.5 dB to keep this programme clean. 10 half-cycles "
        "clipped, by 1.5 dB at the median and 1.5 dB at most: 2 from too much drive, 8 for want of supply.\nWhat "
        "mending gains: half the resistance in plus lead gains about 0.4 dB; half the resistance in battery, leads and "
        "ground gains about 0.8 dB; no sag at all would gain 1.6 dB, and nearly all of it would be clean. The engine "
        "running at 14.2 V instead of 12.67 V gains about 1.0 dB of clean output while it runs, if the amplifier's "
        "ceiling goes on rising with the supply above what was seen here (a regulated one's does not)."
    )


def test_an_engine_that_ran_already_gains_nothing_by_running() -> None:
    for engine_s, is_told in (({"rest": 30.0}, True), ({"charging": 30.0}, False), ({"not decidable": 30.0}, True)):
        summary = _worth(1.5, 1.6, ENGINE)
        summary["supply"]["states"] = {"at rest": {"engine_s": engine_s}}
        assert ("engine running" in _step(_clips(supply=8, drive=2), summary)) == is_told


def test_many_clips_for_want_of_supply_do_not_put_it_first_where_it_gains_little() -> None:
    step = _step(_clips(3.2, supply=15, drive=4), _worth(3.2, 0.4, ENGINE))
    assert step.startswith("Turn the gain down by 3.2 dB to keep this programme clean. 19 half-cycles clipped")
    assert (
        "Most were for want of supply, yet mending it would leave more than it gains: half the resistance in "
        "battery, leads and ground gains about 0.2 dB; no sag at all would gain 0.4 dB, and 2.8 of 3.2 dB would still "
        "be too much. The engine running" in step
    )


def test_few_clips_for_want_of_supply_are_not_called_most() -> None:
    step = _step(_clips(drive=9, supply=1), _worth(1.5, 0.5))
    assert step.startswith("Turn the gain down by 1.5 dB")
    assert "Mending the supply would leave more than it gains: " in step
    assert "no sag at all would gain 0.5 dB, and 1.0 of 1.5 dB would still be too much." in step
    assert "Most" not in step


def test_a_supply_gains_nothing_only_where_nearly_all_causes_are_known() -> None:
    """Where a cause is open its ceiling's sag is not known and counts as none."""
    assert _step(_clips(drive=30, not_decidable=10), _worth(1.5, 0.0)).endswith(
        "What a better supply would gain is not known."
    )
    assert _step(_clips(drive=39, not_decidable=1), _worth(1.5, 0.0)).endswith("A better supply would gain nothing.")


def test_a_ceiling_that_nobody_saw_move_may_still_gain_what_the_sag_allows() -> None:
    """Drive was told by the sag alone: at most a third of what each crest overshot."""
    summary = _worth(1.5, 0.0)
    summary["supply"]["knows_ceiling"] = False
    step = _step(_clips(drive=39), summary)
    assert step.endswith("A better supply would gain 0.5 dB at most: it had not sunk by more.")


def test_where_the_furthest_are_guesses_a_first_step_is_told_and_no_last_one(small_analysis: Analysis) -> None:
    """Dense music: of crests that overshot by 2.6 dB at most some were read as 8 dB, and told what to turn down by."""
    clips = [
        replace(clip, measured={**clip.measured, "overdrive_db": 0.05 * k, "overdrive_high_db": 0.05 * k + 4.0})
        for k, clip in enumerate(_clips(drive=160))
    ]
    step = _step(clips, {})
    assert step.startswith("Turn the gain down by 6.0 dB and record again. 160 half-cycles")
    assert "three of four ask for no more, how far the rest went is a guess" in step
    assert "(the furthest 8.0 dB)" in step
    assert "at most" not in step
    headline = word_headline(replace(small_analysis, findings=tuple(clips)))
    assert "160 clipped half-cycles, by 4.0 dB at the median (how far the furthest went is a guess)" in headline


def test_where_nearly_every_beat_clips_half_of_them_give_the_first_step() -> None:
    clips = [
        replace(
            clip, start_s=0.1 * k, stop_s=0.1 * k + 0.003,
            measured={**clip.measured, "overdrive_db": 0.05 * k, "overdrive_high_db": 0.05 * k + 4.0},
        )
        for k, clip in enumerate(_clips(drive=160))
    ]  # fmt: skip
    step = _step(clips, {})
    assert step.startswith("Turn the gain down by 4.0 dB and record again. 160 half-cycles")
    assert "half ask for no more, how far the rest went is a guess" in step
    assert "as nearly every beat clips, the programme was limited" in step


def test_what_was_learned_for_another_share_of_the_clips_is_not_told_as_for_this_one() -> None:
    summary = _worth(1.0, 0.0)
    clips = [
        replace(clip, measured={**clip.measured, "overdrive_db": 0.05 * k}) for k, clip in enumerate(_clips(drive=40))
    ]
    summary["supply"]["clip_gain"] |= {"turn_down_most_db": 1.9, "is_guess": True}  # 1.0 dB: three of four
    assert "1.0 dB leaves one" not in _step(clips, summary)
    summary["supply"]["clip_gain"]["is_guess"] = False
    assert "(1.0 dB leaves one clipped half-cycle of twenty)" in _step(clips, summary)


def test_clips_of_too_much_drive_that_the_supply_would_ease_say_by_how_much() -> None:
    step = _step(_clips(drive=9), _worth(1.5, 0.3))
    assert "no sag at all would gain 0.3 dB, and 1.2 of 1.5 dB would still be too much." in step
    assert _step(_clips(drive=9), _worth(1.5, 0.02)).endswith(
        "9 from too much drive. A better supply would gain nothing."
    )


def test_what_is_not_known_is_not_said() -> None:
    assert _step(_clips(drive=9), {}).endswith("A better supply would not have prevented it.")
    assert _step(_clips(supply=9), {}).endswith("What a better supply would gain is not known.")
    assert "could not be decided" in _step(_clips(not_decidable=3), _worth(1.5, 0.5))
    assert _step(_clips(not_decidable=3), _worth(1.5, 3.0)).startswith("Turn the gain down by 1.5 dB")


def test_a_supply_that_comes_back_asks_for_less_turning() -> None:
    step = _step(_clips(1.5, drive=9), _worth(1.2, 0.6))
    assert step.startswith("Turn the gain down by 1.2 dB to keep this programme clean")
    assert "1.5 dB at most (turned down, the supply sags less, so less than that is enough)" in step


def test_what_leaves_one_of_twenty_is_told_beside_what_mending_leaves_of_it() -> None:
    summary = _worth(3.2, 0.4)
    summary["supply"]["clip_gain"]["turn_down_most_db"] = 4.8
    step = _step([*_clips(3.2, drive=20), *_clips(4.9, drive=1)], summary)
    assert "by 4.8 dB to keep this programme clean (3.2 dB leaves one clipped half-cycle of twenty)" in step
    assert "2.8 of 3.2 dB would still be too much" in step


def test_a_ceiling_that_is_carried_on_above_all_clips_says_what_hangs_on_it() -> None:
    """Where regulation sets in wholly above the clips nothing tells: the range is said, and only where it matters."""
    summary = _worth(1.5, 1.6)
    summary["supply"]["ceiling_unseen"] = {"highest_seen_v": 11.83, "settled_v": 12.19, "unseen_db": 0.61}
    said = (
        "Not known: whether the amplifier's ceiling still rises between 11.83 V of supply, the most at which a clip "
        "was seen, and 12.19 V; if not, mending gains up to 0.6 dB less."
    )
    assert said in _step(_clips(supply=8, drive=2), summary)
    assert "Not known" not in _step(_clips(drive=9), summary)
    summary["supply"]["ceiling_unseen"]["unseen_db"] = 0.1
    assert "Not known" not in _step(_clips(supply=8, drive=2), summary)


@given(
    needed_db=st.floats(0.0, 8.0),
    whole_db=st.floats(0.0, 4.0),
    n_supply=st.integers(0, 15),
    n_drive=st.integers(0, 15),
)
def test_what_comes_first_makes_up_for_the_most(needed_db: float, whole_db: float, n_supply: int, n_drive: int) -> None:
    """Whoever is at fault by count: the supply is first only where mending leaves the knob no more than it gains."""
    clips = _clips(max(needed_db, 0.1), supply=n_supply, drive=n_drive, both=1)
    step = _step(clips, _worth(needed_db, whole_db))
    gained_db = whole_db / 2
    if step.startswith("Mend the supply first"):
        assert gained_db >= needed_db - gained_db
        assert gained_db >= LEAST_TOLD_DB
        assert "leave more than" not in step
    else:
        assert step.startswith("Turn the gain down")
        assert gained_db < needed_db - gained_db or gained_db < LEAST_TOLD_DB
        assert "leave more than it gains" in step or "would gain nothing" in step or needed_db < LEAST_TOLD_DB
    told = re.search(r"no sag at all would gain (\d+\.\d) dB(?:, and (\d+\.\d) of (\d+\.\d) dB)?", step)
    if told is not None and told[2] is not None:
        gain, left, needed = (float(told[k]) for k in (1, 2, 3))
        assert abs(gain + left - needed) < 0.16, "each is rounded to a tenth"


def test_another_consumer_under_a_few_notes_comes_after_the_gain_and_under_many_before() -> None:
    """A fan or a lamp of a drive is no fault of the supply's. The starter's dip lasts longer than all clips."""
    measured = {"role": "supply", "residual_v": 9.6, "reference_v": 12.6, "depth_percent": 24.0, "depth_v": 3.0}
    starter = Finding("dip", 0.2, 1.0, "attention", {**measured, "during": "cranking"}, {}, {})
    for n_notes, is_before in ((2, False), (40, True)):
        summary = _worth(2.0, 0.2)
        beyond = {"n_notes": n_notes, "n_looked_at": 180, "start_s": 122.0, "sag_v": 0.52, "explained_v": 0.05}
        summary["supply"]["states"] = {"charging": {"beyond_own_power": beyond}}
        steps = [step.split(".")[0] for step in advise_first_steps([*_clips(2.0, drive=9), starter], summary)]
        other, gain = "Find what else pulls the supply down", "Turn the gain down by 2"
        assert (steps.index(other) < steps.index(gain)) == is_before


def test_what_mending_gains_is_a_paragraph_of_its_own_in_page_and_text(small_analysis: Analysis) -> None:
    clips = _clips(3.2, supply=15, drive=4)
    summary = {**small_analysis.summary, **_worth(3.2, 0.4, ENGINE)}
    analysis = replace(small_analysis, findings=tuple(clips), summary=summary)
    assert "<p>Most were for want of supply, yet" in html_page(analysis)
    lines = text_report(analysis, width=100).splitlines()
    assert any(line.startswith("    Most were for want of supply, yet") for line in lines)
