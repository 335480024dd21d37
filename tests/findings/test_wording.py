"""Words of findings and verdicts."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from ampwitness.detect.cutouts.cutout_cause import CRANKING
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps, split_step
from ampwitness.findings.described import describe_finding
from ampwitness.findings.headline import word_headline
from ampwitness.findings.headroom_words import word_headroom
from ampwitness.findings.road_words import is_beyond_12_v, word_road
from ampwitness.findings.selection import MAX_CUTOUTS_SHOWN, choose_enlarged
from ampwitness.findings.whole_words import word_losses
from ampwitness.findings.wording import (
    KIND_WORDS,
    count_cutouts,
    count_cutouts_by_state,
    find_worst,
    word_beside,
    word_silences,
    word_source,
    word_verdicts,
)
from ampwitness.report.page import html_page
from ampwitness.report.text import text_report
from ampwitness.types import Analysis, Coverage, Finding, NotJudged, Severity
from ampwitness.units import seconds_to_span, unbind_units


def clip(start_s: float, overdrive_db: float | None) -> Finding:
    measured = {"polarity": "negative", "plateau_v": -38.0, "flat_s": 0.002, "overdrive_db": overdrive_db}
    return Finding("clip", start_s, start_s + 0.002, "attention", measured, {}, {})


def test_three_verdicts_are_told_apart(small_analysis: Analysis) -> None:
    by_kind = {line.kind: line for line in word_verdicts(small_analysis)}
    assert set(by_kind) == set(KIND_WORDS)
    assert by_kind["clip"].verdict == "found"
    assert "1.47 dB past the ceiling" in by_kind["clip"].sentence
    assert by_kind["gap"].verdict == "none found"
    assert "4.0 s judged" in by_kind["gap"].sentence
    assert by_kind["mark"].verdict == "not judged"
    assert "no button was heard of" in by_kind["mark"].sentence


def test_a_detector_that_never_ran_is_not_judged_rather_than_none_found(small_analysis: Analysis) -> None:
    bare = dataclasses.replace(small_analysis, findings=(), coverage=())
    assert {line.verdict for line in word_verdicts(bare)} == {"not judged"}


def test_what_was_typed_was_not_looked_for(small_analysis: Analysis) -> None:
    reading = Finding("reading", 2.0, 2.0, "information", {"name": "heatsink", "value": 41.0, "unit": "C"}, {}, {})
    typed = dataclasses.replace(small_analysis, findings=(reading,), coverage=(Coverage("readings", 0.0, ()),))
    (line,) = [line for line in word_verdicts(typed) if line.kind == "reading"]
    assert line.sentence == "1 typed reading found. Last at 2.000 s: heatsink: 41 C."


def test_partly_judged_says_both(small_analysis: Analysis) -> None:
    coverage = (Coverage("clipping", 3.0, (NotJudged(1.0, 2.0, "beyond the logger's range"),)),)
    bare = dataclasses.replace(small_analysis, findings=(), coverage=coverage)
    line = word_verdicts(bare)[0]
    assert line.verdict == "none found"
    assert line.not_judged == "1.00 s not judged (beyond the logger's range)"
    assert [seconds_to_span(time_s, 2) for time_s in (0.0, 0.004, 0.005)] == ["0.00 s", "under 0.01 s", "0.01 s"]


def test_worst_clip_is_that_with_most_overdrive_and_unknown_never_wins() -> None:
    worst = find_worst([clip(0.0, 1.0), clip(1.0, None), clip(2.0, 3.0)], "clip")
    assert worst is not None
    assert worst.start_s == 2.0
    assert "overdrive not judged" in describe_finding(clip(0.0, None))


def test_losses_say_zero_and_name_causes(small_analysis: Analysis) -> None:
    assert word_losses(small_analysis).startswith("0 lost of 32,000 scans")
    health = dataclasses.replace(small_analysis.link_health, n_scans_lost={"link": 38}, n_scans_received=31_962)
    text = word_losses(dataclasses.replace(small_analysis, link_health=health))
    assert "38 lost" in text
    assert "link 38" in text
    assert "all sums balance" in text
    broken = dataclasses.replace(health, n_scans_received=1)
    assert "NOT balance" in word_losses(dataclasses.replace(small_analysis, link_health=broken))


def test_advice_names_the_largest_overdrive_and_is_never_empty(small_analysis: Analysis) -> None:
    steps = advise_first_steps([clip(0.0, 1.0), clip(1.0, 2.5)])
    assert "2.5 dB" in steps[0]
    assert advise_first_steps([])
    assert advise_first_steps(small_analysis.findings)[0].startswith("Start with the cut-out")


def test_crests_far_past_the_ceiling_are_said_to_be_guesses_and_the_bulk_asks_for_less() -> None:
    words = advise_first_steps([*(clip(0.1 * at, 3.0) for at in range(30)), clip(9.0, 21.0)])[0]
    assert words.startswith("Turn the gain down by 3.0 dB to leave one clipped half-cycle of twenty (21.0 dB would")
    assert "limited hard or squared off before the amplifier looks the same" in words
    assert "limited hard" not in advise_first_steps([clip(0.0, 3.0)])[0]


def in_source_of(found: Finding, was_flat: bool | None) -> Finding:
    """A clip that the source made; what a logged source showed, None where none was logged."""
    measured = {**found.measured, "origin": "source"}
    return dataclasses.replace(found, measured=measured, evidence={"source_was_flat": was_flat})


def test_what_may_be_square_by_itself_is_one_sentence_and_no_clip(small_analysis: Analysis) -> None:
    """Of a source that was not logged; of one that was, and of a test tone, it is a clip."""
    others = [f for f in small_analysis.findings if f.kind != "clip"]
    square = [in_source_of(clip(0.1 * at, 9.0), None) for at in range(20)]

    def told(*clips: Finding) -> tuple[str, str, str]:
        analysis = dataclasses.replace(small_analysis, findings=(*others, *clips))
        verdict = next(line for line in word_verdicts(analysis) if line.kind == "clip")
        return word_headline(analysis), verdict.sentence, text_report(analysis)

    said = "quare by itself or clipped at the source: 20 half-cycles, under 0.1 s (log the source channel to decide)"
    headline, verdict, report = told(*square)
    assert said in headline
    assert "no half-cycle surely clipped by the amplifier in 4.0 s" in headline
    assert verdict.startswith("No half-cycle surely clipped by the amplifier found in 4.0 s judged. S")
    assert said in verdict
    assert "9.0 dB" not in headline + report
    assert "by burst" not in report
    headline, verdict, _ = told(*square, clip(3.0, 0.7))
    assert "1 clipped half-cycle, 0.7 dB past the ceiling; s" in headline
    assert said in headline
    assert verdict.startswith("1 clipped half-cycle found in 4.0 s judged. Worst at 3.000 s")
    assert said in verdict
    assert "20 clipped half-cycles, up to 9.0 dB" in told(*(in_source_of(c, True) for c in square))[0]
    tone = Finding("tone", 0.0, 3.0, "information", {"frequency_hz": 40.0, "level_v": 20.0}, {}, {})
    assert "20 clipped half-cycles, up to 9.0 dB" in told(*square, tone)[0]


def test_what_may_be_square_by_itself_is_asked_of_the_source() -> None:
    square = [in_source_of(clip(0.1 * at, 9.0), None) for at in range(20)]
    (words,) = advise_first_steps(square)
    assert words.startswith("Log the source channel, or play a sine tone at the same volume, to see whether the source")
    assert "20 half-cycles, under 0.1 s, stood flat" in words
    assert "gain" not in words
    amplifier, source = advise_first_steps([*square, clip(3.0, 0.7)])
    assert source == words
    assert amplifier.startswith("Turn the gain down by 0.7 dB to keep this programme clean. 1 half-cycle clipped")


def test_what_the_source_clipped_is_not_put_down_to_the_gain() -> None:
    in_source = [in_source_of(c, True) for c in (clip(0.0, 1.0), clip(1.0, 2.0))]
    words = advise_first_steps(in_source)[0]
    assert words.startswith(
        "Lower the player's volume or sub level until its tone is clean, then set the gain again: the source clips, "
        "and the amplifier's gain is not the cause of that. 2 half-cycles"
    )
    assert "2 half-cycles were clipped before the amplifier, the last at 1.000 s" in words
    assert "turn" not in words
    source, amplifier = advise_first_steps([*in_source, clip(2.0, 0.7)])
    assert source == words
    assert amplifier.startswith("Turn the gain down by 0.7 dB to keep this programme clean. 1 half-cycle clipped")


def test_a_source_that_was_lowered_and_came_clean_is_left_alone() -> None:
    def knee(at_s: float, outcome: str) -> Finding:
        return Finding("knee", at_s, at_s + 5.0, "information", {"frequency_hz": 40.0, "outcome": outcome}, {}, {})

    cut = dataclasses.replace(clip(1.0, 1.0), measured={**clip(1.0, 1.0).measured, "origin": "source"})
    first = knee(0.5, "source clipped before the amplifier")
    (once,) = advise_first_steps([cut, first])  # the curve and its clips say the same
    assert once.startswith("Lower the player's volume or sub level until its tone is clean, then set the gain again")
    (only,) = advise_first_steps([cut, first, knee(8.0, "edge found")])
    assert only.startswith("Leave the source where it is now. 1 half-cycle was clipped before the amplifier")


def test_clips_of_a_gain_setting_were_made_on_purpose() -> None:
    def setting(margin_db: float | None) -> Finding:
        return Finding("setting", 0.0, 9.0, "information", {"margin_db": margin_db}, {}, {})

    assert advise_first_steps([clip(1.0, 2.5), setting(0.7)]) == (
        "Leave the gain where it is. It was left 0.7 dB below the edge. 1 half-cycle clipped on purpose, to find the "
        "edge.",
    )
    assert "Turn the gain down by 0.4 dB." in advise_first_steps([clip(1.0, 2.5), setting(-0.4)])[0]
    assert "2.5 dB to keep this programme clean" in advise_first_steps([clip(1.0, 2.5), setting(None)])[0]


def test_what_a_setting_says_is_next_is_the_advice() -> None:
    """Not what single clips and curves on the way to it would ask for."""
    ended = {"margin_db": None, "next": "lower the source's volume", "line": "Gain at 40 Hz: source clipped"}
    setting = Finding("setting", 0.0, 9.0, "information", ended, {}, {})
    knee = Finding("knee", 1.0, 2.0, "information", {"outcome": "the edge was not reached"}, {}, {})
    (step,) = advise_first_steps([clip(1.0, 2.5), knee, setting])
    assert step.startswith("Lower the source's volume. The setting ended so: Gain at 40 Hz: source clipped.")


def test_every_step_begins_with_what_to_do(small_analysis: Analysis) -> None:
    steps = [split_step(step) for step in advise_first_steps(small_analysis.findings)]
    assert [what for what, _ in steps] == [
        "Start with the cut-out at 3.000 s.",
        "Find where the supply's volts are lost.",
        "Turn the gain down by 1.5 dB to keep this programme clean.",
    ]
    assert all(why for _, why in steps)
    assert split_step("Nothing.") == ("Nothing.", "")


def test_the_headline_says_all_three_verdicts(small_analysis: Analysis) -> None:
    """Found, none found in how long, not judged; and losses."""
    assert word_headline(small_analysis) == (
        "In short: 1 cut-out of 1.0 s; 1 supply dip to 11.20 V; 1 clipped half-cycle, 1.5 dB past the ceiling; "
        "nothing lost."
    )
    coverage = tuple(c for c in small_analysis.coverage if c.detector != "dips")
    health = dataclasses.replace(small_analysis.link_health, n_scans_lost={"link": 38})
    bare = dataclasses.replace(small_analysis, findings=(), coverage=coverage, link_health=health)
    assert word_headline(bare) == (
        "In short: no cut-out in 4.0 s; supply dips not judged; no clipped half-cycle in 4.0 s; 38 scans lost."
    )
    gap = Finding("gap", 1.0, 1.25, "attention", {"n_scans_lost": 38, "cause": "link"}, {}, {})
    assert word_headline(dataclasses.replace(bare, findings=(gap,))).endswith("; 0.25 s missing in 1 gap.")
    two = (gap, dataclasses.replace(gap, start_s=2.0, stop_s=2.5))
    assert word_headline(dataclasses.replace(bare, findings=two)).endswith("; 0.75 s missing in 2 gaps.")
    away = dataclasses.replace(small_analysis, findings=(gap,))  # a board that was away: nothing counted as lost
    assert word_headline(away).endswith("; 0.25 s missing in 1 gap.")


def cutout(start_s: float, outage_s: float, severity: Severity, cause: str) -> Finding:
    measured = {"outage_s": outage_s, "cause": cause, "recovered": True}
    return Finding("cutout", start_s, start_s + outage_s, severity, measured, {}, {})


def test_what_should_be_so_is_not_what_to_start_with(small_analysis: Analysis) -> None:
    muted = cutout(60.0, 3.0, "information", CRANKING)
    low = cutout(430.0, 0.5, "serious", "supply voltage too low")
    stuck = cutout(500.0, 0.1, "danger", "output stuck at DC")
    assert find_worst([muted, low], "cutout") == low
    assert find_worst([muted, low, stuck], "cutout") == stuck
    steps = advise_first_steps([muted, low, clip(0.0, 1.0)])
    assert steps[0].startswith("Start with the cut-out at 7:10.000")
    told = word_headline(dataclasses.replace(small_analysis, findings=(muted,)))
    assert f"1 cut-out of 3.0 s ({CRANKING})" in told
    steps = advise_first_steps([muted, clip(0.0, 1.0)])
    assert "1 half-cycle clipped" in steps[0]
    assert "none of which points at the amplifier" in steps[-1]


def test_a_stop_that_may_have_been_a_pause_is_not_what_to_start_with(small_analysis: Analysis) -> None:
    paused = cutout(60.0, 0.5, "attention", "not decided: the signal may have paused at the source")
    low = dataclasses.replace(paused, measured={**paused.measured, "confidence": "low"})
    clips = [clip(0.1 * at, 3.0) for at in range(30)]
    first, last = advise_first_steps([low, *clips])
    assert first.startswith("Turn the gain down")
    assert last.startswith("Find out whether the stop at 1:00.000 was in the music.")
    alone = word_headline(dataclasses.replace(small_analysis, findings=(low,)))
    assert alone.startswith("In short: 1 silence undecided (a pause or a cut-out of 0.5 s); no supply dip")
    sure = cutout(70.0, 0.3, "serious", "remote lead dropped")
    beside = word_headline(dataclasses.replace(small_analysis, findings=(low, low, sure)))
    assert "1 cut-out of 0.3 s; 2 silences undecided (pauses or cut-outs, the longest of 0.5 s);" in beside
    assert count_cutouts(FindingList.of((low, low, sure))) == "1 cut-out and 2 silences undecided"
    assert advise_first_steps([paused, *clips])[0].startswith("Start with the cut-out")  # nothing says it is doubtful


def test_many_stops_that_may_be_rests_are_one_question() -> None:
    rest = cutout(60.0, 0.08, "information", "not decided: the signal may have paused at the source")
    low = dataclasses.replace(rest, measured={**rest.measured, "confidence": "low"})
    rests = [dataclasses.replace(low, start_s=at, stop_s=at + 0.08 + 0.01 * at) for at in range(1, 6)]
    (step,) = advise_first_steps(rests)
    assert step.startswith("Listen whether the music itself rests, at 1.000 s, 2.000 s for example. There are 5 such")
    assert "of 0.09 to 0.13 s" in step


def test_steady_volts_at_a_speaker_are_told_with_their_volts_and_not_as_a_cutout(small_analysis: Analysis) -> None:
    stuck = cutout(8.0, 0.5, "danger", "output stuck at DC")
    stuck = dataclasses.replace(stuck, evidence={"rest_v": 22.0, "rest_before_v": 0.1})
    under = cutout(9.0, 0.5, "danger", "output stuck at DC under what plays")
    under = dataclasses.replace(under, evidence={"rest_v": 2.5, "rest_before_v": 0.1})
    told = word_headline(dataclasses.replace(small_analysis, findings=(under,)))
    assert told.startswith("In short: DANGER: 2.4 V of steady volts at the speaker from 9.000 s on; no cut-out in")
    assert count_cutouts(FindingList.of((under,))) == "1 stretch of steady volts"
    assert advise_first_steps([under])[0].startswith(
        "Switch the amplifier off at once and take the speaker off: 2.4 V of steady volts at its terminals."
    )
    assert "Not excluded" not in advise_first_steps([under])[0]
    lead = {**under.evidence, "not_excluded": ["the logger's own lead off the negative terminal"]}
    unsure = dataclasses.replace(under, measured={**under.measured, "confidence": "medium"}, evidence=lead)
    (step,) = advise_first_steps([unsure])
    assert step.startswith("Switch the amplifier off at once")
    assert step.endswith("look with the amplifier off: the logger's own lead off the negative terminal.")
    both = word_headline(dataclasses.replace(small_analysis, findings=(stuck, under)))
    assert both.startswith(
        "In short: DANGER: 22.0 V of steady volts at the speaker from 8.000 s on; 1 cut-out of 0.5 s"
    )
    # The line and the first step name the same one: the most volts, however short.
    longer = dataclasses.replace(under, start_s=2.0, measured={**under.measured, "outage_s": 60.0})
    assert "22.0 V of steady volts at the speaker from 8.000 s on" in word_headline(
        dataclasses.replace(small_analysis, findings=(longer, stuck))
    )
    assert "22.0 V of steady volts" in advise_first_steps([longer, stuck])[0]
    assert "stuck at 22.0 V DC" in describe_finding(stuck)
    mild = dataclasses.replace(under, severity="attention")  # a stage on a single supply stands so by design
    assert "DANGER" not in word_headline(dataclasses.replace(small_analysis, findings=(mild,)))


@pytest.mark.parametrize(
    ("highest_v", "mean_v", "is_told"), [(16.86, 15.9, True), (15.2, 14.4, False), (29.0, 28.2, False)]
)
def test_a_supply_charged_too_high_is_told_first(
    small_analysis: Analysis, highest_v: float, mean_v: float, is_told: bool
) -> None:
    figures = {"supply_highest_v": highest_v, "supply_mean_v": mean_v}
    summary = {**small_analysis.summary, "engine": {"per_state": {"charging": figures}}}
    headline = word_headline(dataclasses.replace(small_analysis, summary=summary, findings=()))
    assert ("DANGER: supply too high, up to 16.86 V" in headline) == is_told
    first = advise_first_steps([], summary)[0]
    assert first.startswith("See to the charging first: the supply stood at up to 16.86 V") == is_told
    assert ("Never take a clamp off while the engine runs" in first) == is_told
    stopped = cutout(8.0, 0.5, "serious", "supply voltage too high")
    both = " ".join(advise_first_steps([stopped], summary))  # beside the stop that it made the test is told once
    assert both.count("Never take a clamp off while the engine runs") == 1
    assert "Start with the cut-out at 8.000 s" in both


def test_flats_of_the_logged_source_are_told_where_the_output_shows_none(small_analysis: Analysis) -> None:
    clipping = {"n_clips": 0, "source_n_clips": 227, "n_in_source": 0, "source_judged_s": 20.0, "source_worst_db": 4.96}
    summary = {**small_analysis.summary, "clipping": clipping}
    headline = word_headline(dataclasses.replace(small_analysis, summary=summary, findings=()))
    assert "227 half-cycles cut off in the source itself" in headline
    (step,) = advise_first_steps([], summary)
    assert step.startswith("Turn the player down")
    assert "227 were cut off in the logged source, up to 5.0 dB past its ceiling" in step
    setting = Finding("setting", 0.0, 9.0, "information", {"margin_db": 0.7}, {}, {})  # turned up on purpose
    assert [one[:20] for one in advise_first_steps([setting], summary)] == ["Leave the gain where"]


def test_clips_of_an_unknown_maker_are_turned_down_at_the_player() -> None:
    """There both come clean; turning the gain alone would leave a source that clips as it is."""
    clips = [clip(0.1 * at, 1.0) for at in range(30)]
    unknown = [dataclasses.replace(one, measured={**one.measured, "origin": "undecided"}) for one in clips]
    drive = [dataclasses.replace(one, measured={**one.measured, "cause": "drive"}) for one in unknown]
    for found in (unknown, drive):
        (step,) = advise_first_steps(found)
        assert step.startswith("Turn the player down by")
    assert "Log the source as well" in advise_first_steps(drive)[0]
    assert "Log the source" not in advise_first_steps(drive, {"clipping": {"source_n_clips": 0}})[0]
    supply = [dataclasses.replace(one, measured={**one.measured, "cause": "supply"}) for one in unknown]
    assert not advise_first_steps(supply)[0].startswith("Turn the player down")  # it moved with the supply
    few = advise_first_steps([*supply[:4], *drive[4:]])[0]  # one of eight that seem to have sunk prove nothing
    assert few.startswith("Turn the player down")
    assert "they lie in what was played" in few
    assert advise_first_steps(clips)[0].startswith("Turn the gain down")


def test_a_limit_of_current_asks_for_the_load() -> None:
    clips = [clip(0.1 * at, 1.0) for at in range(30)]
    limited = [dataclasses.replace(one, measured={**one.measured, "ceiling": "current"}) for one in clips]
    assert "measure the load's ohms" in advise_first_steps(limited)[0]
    assert "ohms" not in advise_first_steps([*limited[:15], *clips[15:]])[0]


def test_silences_that_may_be_the_programmes_come_behind_clips(small_analysis: Analysis) -> None:
    silence = cutout(8.0, 0.2, "information", "not decided: the signal may have paused at the source")
    silence = dataclasses.replace(silence, measured={**silence.measured, "confidence": "low"})
    told = word_headline(dataclasses.replace(small_analysis, findings=(clip(1.0, 1.0), silence, silence)))
    assert 0 < told.index("1 clipped half-cycle") < told.index("silences undecided")


def test_what_the_logged_source_did_is_counted_apart_from_cutouts(small_analysis: Analysis) -> None:
    paused = cutout(8.0, 1.2, "information", "signal stopped at the source")
    dropped = cutout(9.8, 1.8, "serious", "remote lead dropped")
    told = word_headline(dataclasses.replace(small_analysis, findings=(paused, dropped, paused)))
    assert "1 cut-out of 1.8 s; 2 stops of the source;" in told
    assert count_cutouts(FindingList.of((paused, dropped, paused))) == "1 cut-out and 2 stops of the source"
    at_rest, charged = (
        dataclasses.replace(one, measured={**one.measured, "engine_state": state})
        for one, state in ((paused, "rest"), (dropped, "charging"))
    )
    by_state = count_cutouts_by_state(FindingList.of((at_rest, charged, at_rest)))
    assert by_state == {"rest": "2 stops of the source", "charging": "1 cut-out"}
    alone = word_headline(dataclasses.replace(small_analysis, findings=(paused,)))
    assert "1 stop of the source; no cut-out in" in alone
    assert advise_first_steps([paused])[0].startswith("1 stop of the source, none of which points at the amplifier.")


def test_how_far_is_unsure_is_told_as_what_it_is_the_middle_of_and_the_most() -> None:
    """Not beside the furthest estimate a smaller figure that "is possible"."""
    clips = [
        dataclasses.replace(one, measured={**one.measured, "overdrive_high_db": 2.5 if at else 4.9})
        for at, one in enumerate(clip(0.1 * at, 3.4 if not at else 0.4) for at in range(19))
    ]
    assert (
        "how far is unsure (half of them may be 2.5 dB past and more, the furthest 4.9 dB)"
        in advise_first_steps(clips)[0]
    )


def test_dips_that_a_lost_lead_made_are_not_left_alone() -> None:
    measured = {"role": "supply", "residual_v": 0.02, "reference_v": 12.6, "depth_v": 12.6, "duration_s": 8.7}
    dip = Finding("dip", 11.3, 20.0, "serious", {**measured, "during": "the supply's connection was lost"}, {}, {})
    assert advise_first_steps([dip])[0].startswith("See to what made the dips, not to the dips. 1 supply dip, each of")


def test_what_is_estimated_high_is_no_order() -> None:
    clips = [clip(0.1 * at, 3.0) for at in range(30)]
    assert advise_first_steps([*clips, clip(9.0, 4.9)])[0].startswith("Turn the gain down by 4.9 dB to keep")
    doubtful = advise_first_steps([*clips, clip(9.0, 9.0)])[0]
    assert doubtful.startswith("Turn the gain down by 3.0 dB to leave one clipped half-cycle of twenty (9.0 dB would")


def test_what_took_more_of_the_time_comes_first() -> None:
    measured = {"residual_v": 10.6, "depth_v": 2.0, "depth_percent": 15.0, "duration_s": 0.1}
    dip = Finding("dip", 5.0, 5.1, "attention", measured, {}, {})
    few = [dataclasses.replace(clip(0.1 * at, 3.0), stop_s=0.1 * at + 0.003) for at in range(3)]
    many = [dataclasses.replace(clip(0.1 * at, 3.0), stop_s=0.1 * at + 0.003) for at in range(40)]
    assert [step[:4] for step in advise_first_steps([*few, dip])] == ["Find", "Turn"]
    assert [step[:4] for step in advise_first_steps([*many, dip])] == ["Turn", "Find"]


def test_a_starters_dip_is_told_apart_from_others() -> None:
    def dip(start_s: float, residual_v: float) -> Finding:
        measured = {"residual_v": residual_v, "depth_v": 12.6 - residual_v, "depth_percent": 40.0, "duration_s": 1.0}
        return Finding("dip", start_s, start_s + 1.0, "attention", measured, {}, {"reference": "declared"})

    summary = {"engine": {"spans": [{"start_s": 59.9, "stop_s": 61.5, "state": "cranking"}]}}
    starter, other = dip(60.0, 7.0), dip(430.0, 9.4)
    words = advise_first_steps([starter, other], summary)[0]
    assert "1 supply dip besides the starter's; the deepest" in words
    assert "9.40 V" in words
    assert "only while the engine was cranked" in advise_first_steps([starter, clip(0.0, 1.0)], summary)[-1]
    assert "2 supply dips; the deepest" in advise_first_steps([starter, other])[0]


def test_enlarged_pictures_are_bounded() -> None:
    cutouts = [
        Finding("cutout", float(k), k + 0.5, "serious", {"outage_s": 0.5, "cause": "x", "recovered": True}, {}, {})
        for k in range(50)
    ]
    chosen = choose_enlarged(cutouts)
    assert len(chosen) == MAX_CUTOUTS_SHOWN
    assert all(span.start_s >= 0 and span.duration_s < 10 for _, span in chosen)


def test_headroom_is_said_with_its_uncertainty_or_with_the_reason() -> None:
    columns = ["start_s", "stop_s", "headroom_db", "uncertainty_db", "at_s", "crest_v", "ceiling_v", "supply_v"]
    rows = [[0.0, 10.0, 3.5, 0.1, 4.0, -20.0, -30.0, 13.0], [10.0, 18.0, 1.2, 0.05, 12.5, 26.1, 30.0, 12.5],
            [20.0, 28.0, None, None, None, None, None, None]]  # fmt: skip
    headroom = {"columns": columns, "passages": rows, "n_passages": 3, "median_db": 2.35, "longest_s": 10.0,
                "total_s": 26.0, "knows_supply": True, "not_judged": None}  # fmt: skip
    said = " ".join(word_headroom({"clipping": {"headroom": headroom}}))
    assert "1.20 dB (+-0.10) left at 12.5" in said
    assert "26.1 V under a ceiling of 30.0 V at 12.50 V of supply" in said
    assert "1 was too quiet" in said
    assert "stand still" not in said
    tight = " ".join(word_headroom({"clipping": {"headroom": {**headroom, "median_db": 0.01}}}))
    assert "Half of the passages came within 0.05 dB of it" in tight
    assert "26.0 s lay in stretches of 1 s or longer without a clip, 3 passages of at most 10 s." in tight
    alone = " ".join(word_headroom({"clipping": {"headroom": {**headroom, "passages": rows[:1], "n_passages": 1}}}))
    assert "1 passage of" in alone
    assert "Half of" not in alone  # of one there is no half
    without = {**headroom, "passages": [], "not_judged": "nothing clipped"}
    (sentence,) = word_headroom({"clipping": {"headroom": without}})
    assert sentence.startswith("Headroom not judged: nothing clipped.")
    assert word_headroom({}) == ()


def test_a_high_tone_names_the_one_beyond_the_band_that_looks_the_same() -> None:
    """5 kHz at 8,000 samples a second stood as 3000.0 Hz without a word."""
    for hz, rate_hz, said in ((3000.0, 8000.0, " (or 5000 Hz, which looks"), (1000.0, 8000.0, ""), (40.0, 8000.0, "")):
        tone = Finding(
            "tone", 1.0, 9.0, "information", {"frequency_hz": hz, "rate_hz": rate_hz, "level_v": 5.4}, {}, {}
        )
        assert describe_finding(tone).startswith(f"{hz:.1f} Hz{said or ' up to'}")


@pytest.mark.parametrize(
    ("evidence", "why"),
    [
        ({"supply": "not judged: no supply channel"}, "no supply channel"),
        ({"supply_before_not_settled": "less than 30 ms of supply before the onset"}, "less than 30 ms of supply"),
        ({"sag_not_judged": "charging ended", "supply_before_not_settled": "the supply moved"}, "charging ended"),
    ],
)
def test_a_sag_that_was_not_judged_says_why(evidence: dict[str, str], why: str) -> None:
    measured = {"pitch_hz": 55.0, "pitch_name": "A1", "level_v": 12.0, "sag_v": None}
    note = Finding("note", 1.0, 2.0, "information", measured, {}, evidence)
    assert f"sag not judged: {why}" in describe_finding(note)


def test_a_supply_that_was_all_but_gone_is_a_contact_not_a_drop_along_a_lead() -> None:
    measured = {"role": "supply", "residual_v": 0.3, "reference_v": 12.6, "depth_v": 12.3, "depth_percent": 97.7,
                "duration_s": 0.088}  # fmt: skip
    dip = Finding("dip", 21.0, 21.088, "serious", measured, {}, {"is_interruption": True})
    assert advise_first_steps([dip])[0].startswith("Find the contact that opens. Under a tenth of the volts was left")
    shallow = dataclasses.replace(dip, evidence={"is_interruption": False})
    assert advise_first_steps([shallow])[0].startswith("Find where the supply's volts are lost.")


def test_one_of_a_state_is_told_as_one() -> None:
    figures = {
        "duration_s": 40.0, "supply_mean_v": 12.4, "supply_lowest_v": 9.3, "n_dips": 1, "deepest_residual_v": 9.25,
        "n_clips": 2, "clipped_share": 0.001, "n_cutouts": 1,
    }  # fmt: skip
    (told,) = word_road({"engine": {"per_state": {"rest": figures}}}, {"rest": "1 stop of the source"})
    assert told.endswith("; 1 stop of the source.")  # as everywhere else: it is no cut-out
    (told,) = word_road({"engine": {"per_state": {"rest": figures}}})
    assert told.endswith("; 1 dip, the deepest to 9.25 V; 2 clipped half-cycles, 0.10 % of the time; 1 cut-out.")
    lost = {**figures, "deepest_role": "battery", "deepest_during": "the supply's connection was lost"}
    (told,) = word_road({"engine": {"per_state": {"rest": lost}}})
    assert "1 dip, the deepest to 9.25 V (battery, while the supply's connection was lost); 2" in told
    # A soak at a bench supply charges nothing, and volts alone cannot tell it: no engine is claimed.
    (told,) = word_road({"engine": {"per_state": {"charging": figures}}})
    assert told.startswith("Charging throughout (by the volts: a running engine, a charger or a bench supply): 40.0 s")
    # A lithium battery rests where others charge: the two places that tell a state say so, and do not contradict.
    both = {"engine": {"per_state": {"charging": figures}}, "supply": {"states": {"at rest": {}}}}
    (told,) = word_road(both)
    assert told.startswith(
        "Charging throughout, or a battery that rests this high (by the volts alone; the supply's own"
    )
    assert word_road({}) == ()
    assert word_road({"engine": {"per_state": {"rest": figures, "charging": figures}}})[1].startswith(
        "Engine charging:"
    )


def test_only_what_lies_at_the_mains_is_called_hum() -> None:
    def words(other_hz: float) -> str:
        measured = {"frequency_hz": 40.0, "level_v": 10.0, "other_hz": other_hz, "other_percent": 2.0}
        return describe_finding(Finding("tone", 0.0, 3.0, "information", measured, {}, {}))

    assert words(100.2).endswith("beside it 100 Hz, 2.0 % of it (hum?)")
    assert words(72.0).endswith("beside it 72 Hz, 2.0 % of it")


def test_the_headline_does_not_state_a_guess_as_measured(small_analysis: Analysis) -> None:
    def said(overdrive_db: float) -> str:
        return word_headline(dataclasses.replace(small_analysis, findings=(clip(1.0, overdrive_db),)))

    assert "9.7 dB past the ceiling (estimates above 5 dB run high); " in said(9.7)
    assert "4.9 dB past the ceiling; " in said(4.9)


def test_the_headline_says_when_nothing_played(small_analysis: Analysis) -> None:
    """A dead amplifier has no clips and no cut-outs either."""

    def said(findings: tuple[Finding, ...] = (), **columns: object) -> str:
        table = {"output_v": [0.036, None], "output_lowest_v": [-0.17, None], "output_highest_v": [0.14, -0.001]}
        summary = {**small_analysis.summary, "trends": {"table": {**table, **columns}}}
        return word_headline(dataclasses.replace(small_analysis, findings=findings, summary=summary))

    assert said().startswith("In short: the output hardly moved, between -0.17 and 0.14 V; no cut-out in 4.0 s;")
    assert "between 12.30 and 12.70 V" in said(output_lowest_v=[12.3], output_highest_v=[12.7])  # at a supply
    note = next(finding for finding in small_analysis.findings if finding.kind == "note")
    for sounds in (said((note,)), said(output_v=[0.2]), said(output_highest_v=[1.2]), said(output_v=[None])):
        assert "hardly moved" not in sounds


def test_the_headline_of_a_gain_setting_is_its_edge(small_analysis: Analysis) -> None:
    def edge(kind: str, **measured: float) -> str:
        found = Finding(kind, 0.0, 3.0, "information", {"knee_v": 26.671, **measured}, {}, {})  # type: ignore[arg-type]
        return word_headline(dataclasses.replace(small_analysis, findings=(found, clip(1.0, 0.9))))

    left = edge("setting", tone_hz=40.0, margin_db=2.31)
    assert left.startswith(
        "In short: clean up to 26.67 V rms at 40 Hz, left 2.3 dB below that; 1 clipped half-cycle on"
    )
    assert edge("setting", tone_hz=40.0, margin_db=-0.5).count("left 0.5 dB beyond that") == 1
    curve = edge("knee", frequency_hz=1000.0)
    assert curve.startswith("In short: clean up to 26.67 V rms at 1000 Hz; 1 clipped half-cycle, 0.9 dB")


def test_of_a_reduced_recording_the_figures_are_those_of_its_worst_parts() -> None:
    clips = [clip(1.0, 2.0)]

    def said(n_before: int) -> str:
        return advise_first_steps(clips, {"recording": {"reduction": {"found": {"clip": n_before}}}})[0]

    assert said(1200).endswith(" They are the worst of 1,200: the reduction left lighter ones out.")
    assert "reduction" not in said(1)  # all were kept: the figures are those of the whole
    assert "reduction" not in advise_first_steps(clips, {"recording": {}})[0]


def test_where_an_output_on_a_single_supply_stands_is_said_in_page_and_text(small_analysis: Analysis) -> None:
    assert word_beside(small_analysis) == ()
    clipping = {**small_analysis.summary.get("clipping", {}), "standing_v": 6.24}
    half = dataclasses.replace(small_analysis, summary={**small_analysis.summary, "clipping": clipping})
    words = "The output stands at 6.2 V, as that of a stage on a single supply does"
    assert words in " ".join(text_report(half).split())
    assert words in unbind_units(html_page(half))


def test_what_a_logged_source_showed_is_said_in_page_and_text(small_analysis: Analysis) -> None:
    def with_source(n_flat: int, n_theirs: int) -> Analysis:
        told = {"source_n_clips": n_flat, "source_judged_s": 20.0, "n_in_source": n_theirs}
        clipping = {**small_analysis.summary.get("clipping", {}), **told}
        return dataclasses.replace(small_analysis, summary={**small_analysis.summary, "clipping": clipping})

    assert word_source(small_analysis) == ""
    clean = "The source was logged as well: none of its own half-cycles was cut off in 20.0 s judged."
    assert word_source(with_source(0, 0)) == clean
    behind = with_source(120, 0)  # a crossover rounded them: no clip of the output shows them
    words = (
        "The source was logged as well: 120 half-cycles were cut off in it in 20.0 s judged; 0 clips of the output are "
        "put down to that."
    )
    assert word_source(behind) == words
    assert words in " ".join(text_report(behind).split())
    assert words in unbind_units(html_page(behind))
    assert word_source(with_source(1, 1)).endswith(
        "1 half-cycle was cut off in it in 20.0 s judged; 1 clip of the output is put down to that."
    )


def test_without_a_logged_source_it_is_said_what_cannot_be_seen_of_it(small_analysis: Analysis) -> None:
    def with_clips(mode: str, **clipping: int) -> Analysis:
        hellos = tuple(dataclasses.replace(hello, mode=mode) for hello in small_analysis.hellos)
        return dataclasses.replace(small_analysis, hellos=hellos, summary={"clipping": clipping})

    words = (
        "The source was not logged: what it cuts off ahead of a crossover leaves no flat in the output and cannot be "
        "seen here."
    )
    for told in (with_clips("wide", n_clips=3), with_clips("bass", n_clips=0)):
        assert word_source(told) == words
        assert words in " ".join(text_report(told).split())
        assert words in unbind_units(html_page(told))
    assert word_source(with_clips("wide", n_clips=0)) == ""
    assert word_source(with_clips("bass")) == ""  # no output was judged
    assert "not logged" not in word_source(
        with_clips("bass", n_clips=3, source_n_clips=0, source_judged_s=9, n_in_source=0)
    )


def test_silences_that_nothing_explains_are_told_beside_no_cut_out(small_analysis: Analysis) -> None:
    def told(n: int) -> str:
        silences = {"n": n, "least_s": 1.0, "total_s": 16.0, "longest_s": 14.0, "longest_start_s": 38.0}
        summary = {**small_analysis.summary, "cutouts": {"silences": silences}}
        return word_silences(dataclasses.replace(small_analysis, summary=summary))

    assert word_silences(dataclasses.replace(small_analysis, summary={})) == told(0) == ""
    assert told(1).startswith("Once the output was silent for 14.0 s at 38.000 s, and nothing that was logged")
    assert told(3).startswith("3 times the output was silent for 1 s or more (longest: 14.0 s at 38.000 s)")
    assert told(3).endswith("A logged source tells them apart.")


def test_rests_that_the_programme_makes_are_summed_in_a_line(small_analysis: Analysis) -> None:
    def told(n: int) -> str:
        rests = {"n": n, "shortest_s": 0.052, "longest_s": 0.1104}
        return word_silences(dataclasses.replace(small_analysis, summary={"cutouts": {"rests": rests}}))

    assert told(0) == ""
    assert told(1).startswith("One rest of 110 ms is not counted as a cut-out: the programme makes such rests")
    assert told(7).startswith("7 rests of at most 110 ms are not counted as cut-outs: the programme makes such rests")


def test_a_supply_declared_above_those_of_12_v_vehicles_is_known_as_such(small_analysis: Analysis) -> None:
    def declared(nominal_supply_v: Any) -> bool:
        settings = dataclasses.replace(small_analysis.settings, notes={"nominal_supply_v": nominal_supply_v})
        return is_beyond_12_v(dataclasses.replace(small_analysis, settings=settings))

    assert [declared(value) for value in (24.0, 18.5, 14.4, 12, None, True, "24")] == [True, True] + [False] * 5


@pytest.mark.parametrize(
    ("n", "told"),
    [
        (0, ""),
        (1, " One loud beat is not counted as a note: too little of it repeats."),
        (1200, " 1,200 loud beats are not counted as notes: too little of them repeats."),
    ],
)
def test_loud_beats_that_are_no_notes_are_told(small_analysis: Analysis, n: int, told: str) -> None:
    def line(n: int) -> str:
        summary = {**small_analysis.summary, "notes": {"n_loud_not_taken": n}}
        lines = word_verdicts(dataclasses.replace(small_analysis, summary=summary))
        return next(line.sentence for line in lines if line.kind == "note")

    assert line(n) == line(0) + told


def test_where_no_clip_was_found_what_may_have_been_missed_is_said(small_analysis: Analysis) -> None:
    others = tuple(one for one in small_analysis.findings if one.kind != "clip")

    def told(findings: tuple[Finding, ...]) -> str:
        analysis = dataclasses.replace(small_analysis, findings=findings)
        return next(line for line in word_verdicts(analysis) if line.kind == "clip").sentence

    assert "without a flat top can be missed" in told(others)
    assert "So can a limit of current into a loudspeaker: into a resistor it is a flat top." in told(others)
    assert "ahead of a filter in the amplifier leaves no flat top at its terminals" in told(others)
    assert "can be missed" not in told((*others, clip(3.0, 0.7)))


@pytest.mark.parametrize(
    ("engine_state", "open_v", "is_flat"),
    [
        ("rest", 11.69, True),
        ("rest", 23.6, True),
        ("rest", 12.4, False),
        ("rest", 24.8, False),
        ("charging", 11.69, False),
    ],
)
def test_a_battery_that_rests_too_low_is_charged_before_leads_are_looked_at(
    engine_state: str, open_v: float, is_flat: bool
) -> None:
    measured = {
        "residual_v": 10.07,
        "depth_v": 2.5,
        "depth_percent": 20.0,
        "duration_s": 8.2,
        "engine_state": engine_state,
    }
    dip = Finding("dip", 1.0, 9.2, "attention", measured, {}, {})
    (step,) = advise_first_steps([dip], {"supply": {"states": {"at rest": {"open_v": open_v}}}})
    assert step.startswith("Charge the battery first, and test it." if is_flat else "Find where the supply's volts")
    assert (f"stood at {open_v:.2f} V" in step) == is_flat


def test_volts_while_the_engine_ran_are_no_flat_batterys() -> None:
    measured = {"residual_v": 10.07, "depth_v": 1.6, "depth_percent": 14.0, "duration_s": 8.2, "engine_state": "rest"}
    dip = Finding("dip", 1.0, 9.2, "attention", measured, {}, {})
    for engine_s, is_flat in (({"rest": 30.0, "charging": 9.0}, True), ({"rest": 9.0, "not decidable": 30.0}, False)):
        states = {"at rest": {"open_v": 11.69, "engine_s": engine_s}}
        (step,) = advise_first_steps([dip], {"supply": {"states": states}})
        assert step.startswith("Charge the battery first") == is_flat
