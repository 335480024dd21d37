"""Distorted tones and gain curves in words: what the verdict line says of them and what they leave to do. Measures
nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.short_flats import highest_seen_hz
from ampwitness.detect.tones.gain_steps import (
    ALL_OWN,
    CEILING_MET,
    CEILING_OPEN,
    IN_NOISE,
    SOURCE_CLIPPED,
    TOO_FAST,
)
from ampwitness.detect.tones.tone_distortion import UNSEEN
from ampwitness.finding_list import FindingList
from ampwitness.findings.wording import count_words
from ampwitness.types import Finding

AFTER_SOURCE_CLIPPED = (
    "Lower the source's volume or sub level until its tone is clean, then set the amplifier's gain again. The tone was "
    "clipped before the amplifier."
)
# outcome of a gain curve -> what it asks for
_AFTER_OUTCOME = {
    SOURCE_CLIPPED: AFTER_SOURCE_CLIPPED,
    "the edge was not reached": (
        "If a gain was being set there, raise the source's sub level one step, check that it is still clean, and go "
        "again. A tone came at several levels and the edge was not reached; music that holds one pitch looks the same. "
        "If the level hardly rose though the knob was turned on, a limiter holds it: leave the gain there."
    ),
    IN_NOISE: (
        "Use an input with a smaller range, and go again. The tone was clipped, but too quiet for the logger to say "
        "where that begins."
    ),
    "level held (a limiter?)": ("Look for a limiter. The output no longer rose with the source and stayed clean."),
}
_TOO_FAST = "Turn slower around the edge, once more. The gain was turned past it too fast to say where it lies."
_MOSTLY_WITHIN = 0.8
_NEAR_ENOUGH_DB = 0.3  # an edge passed too fast that is as near known tells how far to come back; our choice, no source
_SAME_HZ_RATIO = 0.02
_CURVE_ENDS_S = 1.0  # a curve is made of whole pieces: what clipped in the last second of its tone belongs to it


def find_distorted(findings: FindingList) -> list[Finding]:
    """The last tone of each frequency that is clearly distorted and of which no curve with an answer and no clip tells.

    A logged source that clipped is told by the curve as well.
    """
    knees = [knee for knee in findings.of_kind("knee") if _has_answer(knee)]
    clips = np.sort(findings.of_kind("clip").start_s)
    last: dict[int, Finding] = {}
    for tone in findings.of_kind("tone"):
        hz = tone.measured.get("frequency_hz")
        if not isinstance(hz, int | float) or any(_is_same_hz(hz, knee) for knee in knees):
            continue
        first, behind = np.searchsorted(clips, [tone.start_s, tone.stop_s])
        if first < behind:
            continue
        last.pop(round(hz), None)
        if isinstance(tone.measured.get("distortion_percent"), int | float):
            last[round(hz)] = tone
    return list(last.values())


def _has_answer(knee: Finding) -> bool:
    return knee.measured.get("knee_v") is not None or knee.measured.get("outcome") in (SOURCE_CLIPPED, ALL_OWN)


def _is_same_hz(hz: float, knee: Finding) -> bool:
    of_knee = knee.measured.get("frequency_hz")
    return isinstance(of_knee, int | float) and abs(hz / of_knee - 1) < _SAME_HZ_RATIO


def word_distorted(findings: FindingList) -> list[str]:
    """`a 500 Hz tone distorted by 4.3 %`, the worst of several; empty where none is."""
    tones = find_distorted(findings)
    if not tones:
        return [
            f"a {knee.measured['frequency_hz']:.0f} Hz tone distorted by {knee.measured['own_percent']:.1f} % at every "
            "level"
            for knee in _last_of_each_tone(findings.of_kind("knee"))
            if knee.measured.get("outcome") == ALL_OWN
        ]
    worst = max(tones, key=lambda tone: float(tone.measured["distortion_percent"] or 0.0))
    if len(tones) == 1:
        return [_word_tone(worst)]
    return [f"{len(tones)} distorted tones, the worst: {_word_tone(worst)}"]


def _word_tone(tone: Finding) -> str:
    hz = f"{tone.measured['frequency_hz']:.0f}"
    article = "an" if hz[0] == "8" or hz in ("11", "18") else "a"
    return f"{article} {hz} Hz tone distorted by {_word_share(tone)}"


def _word_share(tone: Finding) -> str:
    share = f"{tone.measured['distortion_percent']:.1f} %"
    return share if tone.measured.get("distortion_is_whole") else f"{share} as far as can be seen"


def advise_distorted(findings: FindingList) -> list[str]:
    """What distorted tones leave to do, a step each."""
    return [_advise_tone(tone) for tone in find_distorted(findings)]


def _advise_tone(tone: Finding) -> str:
    m = tone.measured
    hz = f"{m['frequency_hz']:.0f} Hz"
    if m.get("left_percent") is None:
        return (
            f"Leave the {hz} tone no louder than it was at its end. Where it was loudest it was distorted by "
            f"{_word_share(tone)}, and at its end not clearly by more than 1 %."
        )
    what = f"The {hz} tone is distorted by {_word_share(tone)}"
    overdrive_db = m.get("left_overdrive_db")
    if isinstance(overdrive_db, int | float):
        about = "" if m.get("distortion_is_whole") else "about "
        return (
            f"Turn down by {about}{overdrive_db:.1f} dB, and look at the tone again. {what}; its harmonics are those "
            f"of a wave that a ceiling cuts, at its end {about}{overdrive_db:.1f} dB past it. Whose ceiling, the "
            "amplifier's or its source's, one output does not tell."
        )
    return (
        f"Find what distorts the {hz} tone: play it 6 dB softer. {what}: clipped, or distorted "
        "ahead of the amplifier. If the share falls, it was too loud for the amplifier or its source; if it stays, it "
        "lies in the player or the track."
    )


def advise_unseen(findings: FindingList) -> list[str]:
    """That a tone was too high for its flats and for its harmonics: it may have been clipped all the time."""
    steps = {}
    clips = np.sort(findings.of_kind("clip").start_s)
    for tone in findings.of_kind("tone"):
        m = tone.measured
        hz, rate_hz = m.get("frequency_hz"), m.get("rate_hz")
        if not isinstance(hz, int | float) or not isinstance(rate_hz, int | float):
            continue
        why = str(m.get("not_judged") or "")
        is_seen = (
            m.get("distortion_percent") is not None or not why.startswith(UNSEEN) or hz <= highest_seen_hz(rate_hz)
        )
        first, last = np.searchsorted(clips, [tone.start_s, tone.stop_s])
        if is_seen or first < last:
            continue
        judged_hz = tone.threshold["highest_judged_hz"]
        steps[round(hz)] = (
            f"Play a tone of {judged_hz:.0f} Hz or lower as well. Whether the {hz:.0f} Hz tone is "
            f"clipped is told neither by its flats nor by its harmonics at {rate_hz:,.0f} samples a second."
        )
    return list(steps.values())


def find_tone_overdrive(findings: FindingList, clips: FindingList) -> float | None:
    """How far tones were past their ceiling, by their harmonics, the furthest of them; None where clips lie outside of
    tones that tell it."""
    within, most_db = np.zeros(len(clips), dtype=bool), 0.0
    for tone in findings.of_kind("tone"):
        overdrive_db = tone.measured.get("overdrive_db")
        if isinstance(overdrive_db, int | float) and tone.measured.get("distortion_is_whole"):
            inside = (clips.start_s >= tone.start_s - _CURVE_ENDS_S) & (clips.stop_s <= tone.stop_s + _CURVE_ENDS_S)
            within |= inside
            most_db = max(most_db, overdrive_db) if inside.any() else most_db
    return most_db if len(clips) and within.all() else None


def advise_turned(knees: FindingList, clips: FindingList) -> str | None:
    """What a gain curve leaves to do where all clips, if there are any, are those of finding its edge; None where it
    says nothing, something else clipped too, or most clips are the supply's as well: then both remedies are told."""
    if not knees:
        return None
    last = knees[-1].measured
    margin_db = last.get("margin_db")
    unsure_db = _find_unsure_db(last)
    # What the clips themselves say of their origin goes before what their tone does.
    is_open = clips.texts("origin").get("undecided", 0) > len(clips) / 2
    is_source = last.get("outcome") == SOURCE_CLIPPED and is_open
    is_told = isinstance(margin_db, int | float) and (
        unsure_db is not None or last.get("outcome") in (CEILING_MET, CEILING_OPEN)
    )
    if not is_told and not is_source:
        return None
    within = np.zeros(len(clips), dtype=bool)
    for knee in knees:
        within |= (clips.start_s >= knee.start_s - _CURVE_ENDS_S) & (clips.stop_s <= knee.stop_s + _CURVE_ENDS_S)
    if is_source and np.mean(within) >= _MOSTLY_WITHIN:  # a tone may go on as it is once it is turned no more
        n = count_words(len(clips), "half-cycle of it was", "half-cycles of it were")
        return f"{AFTER_SOURCE_CLIPPED} {n} cut off."
    if not isinstance(margin_db, int | float) or not within.all() or _is_mostly_supply(clips):
        return None
    hz = f"{last.get('frequency_hz'):.0f} Hz"
    turned = ""
    if clips:
        turned = f" {count_words(len(clips), 'half-cycle', 'half-cycles')} clipped while a tone was turned up and down."
    if margin_db >= 0:
        least = "" if last.get("left_at_v") is not None else "at least "  # it moved to its end
        return f"Leave the gain where it is. The {hz} tone was left {least}{margin_db:.1f} dB below the edge.{turned}"
    if unsure_db is not None:
        return (
            f"Turn the gain down by {unsure_db - margin_db:.1f} dB. The {hz} tone was left {-margin_db:.1f} dB beyond "
            f"the edge, which was passed fast and is known to +- {unsure_db:.2f} dB.{turned}"
        )
    what = f"Turn the gain down by {-margin_db:.1f} dB."
    if last.get("outcome") == CEILING_OPEN:
        what = f"Turn down by {-margin_db:.1f} dB what was turned up."
    return f"{what} The {hz} tone was left so far beyond the edge, by its distortion there.{turned}"


def _find_unsure_db(knee: Mapping[str, Any]) -> float | None:
    """How unsure the level of an edge is that was passed fast; None where another slower turn is worth more."""
    unsure_db = knee.get("uncertainty_db")
    if not isinstance(unsure_db, int | float) or unsure_db > _NEAR_ENOUGH_DB or knee.get("outcome") != TOO_FAST:
        return None
    return float(unsure_db)


def _is_mostly_supply(clips: FindingList) -> bool:
    """Whether most clips came as the supply was low: the ceiling they met follows it, which no source's does."""
    causes = clips.texts("cause") if clips else Counter[str]()
    return 2 * (causes["supply"] + causes["both"]) > len(clips)


def is_ceiling_open(knee: Finding, findings: FindingList) -> bool:
    """Whether nothing tells whose ceiling a curve met."""
    return knee.measured.get("outcome") == CEILING_OPEN and not _is_mostly_supply(findings.of_kind("clip"))


def _last_of_each_tone(knees: Sequence[Finding]) -> list[Finding]:
    """A later curve of the same tone takes the place of an earlier one: the source was lowered, or the hand slower."""
    return list({round(float(knee.measured.get("frequency_hz") or 0.0)): knee for knee in knees}.values())


def advise_knees(knees: Sequence[Finding]) -> list[str]:
    """What the gain curves ask for, where nobody set a gain by them yet."""
    outcomes = [str(knee.measured.get("outcome")) for knee in _last_of_each_tone(knees)]
    steps = [_TOO_FAST if "too fast" in outcome else _AFTER_OUTCOME.get(outcome, "") for outcome in outcomes]
    return list(dict.fromkeys(filter(None, steps)))


def advise_ceilings(findings: FindingList) -> list[str]:
    """What stays open of the last curve of each tone: whose ceiling it was, and what its tone carries by itself."""
    steps = []
    for knee in _last_of_each_tone(findings.of_kind("knee")):
        m = knee.measured
        own_percent, knee_v = m.get("own_percent"), m.get("knee_v")
        hz = f"{float(m.get('frequency_hz') or 0.0):.0f} Hz"
        if is_ceiling_open(knee, findings) and isinstance(knee_v, int | float):
            steps.append(
                f"Find out whose ceiling the {hz} tone met at {knee_v:.1f} V rms. The source was not logged, and one "
                "that clips looks the same: lower the source's level by one step and turn the gain up again. If the "
                "ceiling comes at the same volts, it is the amplifier's; if more comes out clean, it was the source's."
            )
        if isinstance(own_percent, int | float):
            steps.append(
                f"Look at the player and its track for what distorts the {hz} tone. It carries {own_percent:.1f} % "
                "from the lowest level on, which no ceiling does; "
                + ("no edge was met." if m.get("outcome") == ALL_OWN else "the edge is told where more comes.")
            )
    return steps
