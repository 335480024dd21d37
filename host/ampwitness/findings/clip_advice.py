"""What to do first about clips: the player, the gain or the source, how far, and whose fault. Words findings; measures
nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ampwitness.detect.clips.cause.clean_gain import COARSE_SHARE, FAIR_SHARE, LIMITED_SHARE, SHARE, share_to_fit
from ampwitness.finding_list import FindingList
from ampwitness.findings.cause_advice import LEAST_TOLD_DB, advise_by_cause
from ampwitness.findings.headline import DOUBTFUL_DB
from ampwitness.findings.square_words import are_in_source, count_square, split_clips
from ampwitness.findings.wording import count_words
from ampwitness.types import FloatArray
from ampwitness.units import seconds_to_clock

SOURCE_FIRST = (
    "Lower the player's volume or sub level until its tone is clean, then set the gain again: the source clips, and "
    "the amplifier's gain is not the cause of that."
)
_WHOSE = (
    " Whether the amplifier, its source or the recording that was played cut them off is not decided. Turned down at "
    "the player the first two come clean; the gain alone would leave a source as it is. If just as many come again, "
    "just as far, they lie in what was played: turn nothing down for those. {log}urn the gain up again with the "
    "player down: what then comes at the same volts is the amplifier's."
)
_CURRENT = (
    " Most stopped at a limit of current, not at a rail: the load drew all that this output gives. With the amplifier "
    "off measure the load's ohms: two coils in parallel may be fewer than it is rated for; more ohms give more clean "
    "volts."
)
_SQUARE = (
    "Log the source channel, or play a sine tone at the same volume, to see whether the source clips. The programme's "
    "notes are square by themselves, or the source clips and its volume or sub level wants lowering:"
)
_HOW_MANY = {LIMITED_SHARE: "half", COARSE_SHARE: "three of four", FAIR_SHARE: "nine of ten"}
FAR_DB = 12.0
_HARMONICS_MORE_DB = 0.2
_UNSURE_DB = 1.0
_FAR = (
    f"Crests of {FAR_DB:.0f} dB and more past the ceiling are nearly square: how high they would have gone is guessed "
    "from their flanks, and a programme that was limited hard or squared off before the amplifier looks the same. "
)


def advise_clips(
    findings: FindingList,
    summary: Mapping[str, Any],
    clean_from_s: float | None,
    tone_db: float | None,
    is_logged: bool,
) -> tuple[str, ...]:
    """A step for each that clips: the source, the amplifier, what may be square by itself. `clean_from_s`: from when
    on a tone was clean at both; `tone_db`: how far the tones in which all of them lie were past their ceiling, where
    there are such; `is_logged`: the source was logged."""
    listed, square = split_clips(findings)
    in_source = are_in_source(listed)
    steps = []
    if in_source.any():
        n_clips = count_words(int(in_source.sum()), "half-cycle was", "half-cycles were")
        last_s = float(listed.start_s[in_source].max())
        steps.append(_advise_before(f"{n_clips} clipped before the amplifier", last_s, clean_from_s, SOURCE_FIRST))
    if not in_source.all():
        steps.append(_advise_amplifier_clips(listed.take(np.flatnonzero(~in_source)), summary, tone_db, is_logged))
    if square:
        which = f"{count_square(square)}, stood flat at levels that no ceiling of the amplifier has"
        steps.append(_advise_before(which, float(square.start_s.max()), clean_from_s, _SQUARE))
    return tuple(steps)


def _advise_before(which: str, last_s: float, clean_from_s: float | None, step: str) -> str:
    """`step`, unless a tone that came clean was played after the last of them."""
    which = f"{which}, the last at {seconds_to_clock(last_s)}"
    if clean_from_s is not None and clean_from_s > last_s:
        return f"Leave the source where it is now. {which}; the tone played after that came clean."
    return f"{step} {which}."


def _advise_amplifier_clips(
    listed: FindingList, summary: Mapping[str, Any], tone_db: float | None, is_logged: bool
) -> str:
    values = listed.values("overdrive_db")
    overdrives_db = np.sort(values[np.isfinite(values)])
    n_clips = count_words(len(listed), "half-cycle", "half-cycles")
    if not len(overdrives_db):
        return f"Turn the gain down until the clips are gone. {n_clips} clipped; how far could not be judged."
    middle = slice((len(overdrives_db) - 1) // 2, len(overdrives_db) // 2 + 1)
    median_db, most_db = float(overdrives_db[middle].mean()), float(overdrives_db[-1])
    share = SHARE if tone_db is not None else share_to_fit(listed)
    is_coarse = share < SHARE
    most_of_it_db = float(overdrives_db[int(share * len(overdrives_db))])
    at_most = f" and {most_db:.1f} dB at most"
    if is_coarse:
        guess = (
            f"how far the rest went is a guess where other sounds break up their flanks (the furthest {most_db:.1f} dB)"
        )
        at_most = f"; {_HOW_MANY[share]} ask for no more, {guess}"
        if share == LIMITED_SHARE:
            at_most += (
                "; as nearly every beat clips, the programme was limited, or is so far past that it takes two steps"
            )
    said = f"{n_clips} clipped, by {median_db:.1f} dB at the median{at_most}"
    is_far = most_db >= FAR_DB and not is_coarse
    needed_db, most_of_it_db = _find_needed(summary, most_db, most_of_it_db, is_coarse=is_coarse)
    is_more = tone_db is not None and tone_db - most_db >= _HARMONICS_MORE_DB
    if most_db - needed_db >= LEAST_TOLD_DB and not is_coarse:
        said += " (turned down, the supply sags less, so less than that is enough)"
    most_db = needed_db
    if tone_db is not None and is_more:
        said += f"; by the tone's harmonics, which tell more than flats of a few samples, {tone_db:.1f} dB"
        most_db = most_of_it_db = tone_db
    elif tone_db is None and not is_coarse:
        said += _word_unsure(listed, values)
    how_far = f"by {most_db:.1f} dB to keep this programme clean"
    if is_coarse:
        how_far = f"by {most_of_it_db:.1f} dB and record again"
    elif len(overdrives_db) >= 20 and most_db - most_of_it_db >= LEAST_TOLD_DB:
        how_far += f" ({most_of_it_db:.1f} dB leaves one clipped half-cycle of twenty)"
        if most_db >= DOUBTFUL_DB:  # a guess is no order
            how_far = (
                f"by {most_of_it_db:.1f} dB to leave one clipped half-cycle of twenty ({most_db:.1f} dB would leave "
                f"none; estimates above {DOUBTFUL_DB:.0f} dB run high)"
            )
    causes, origins, ceilings = (listed.texts(key) for key in ("cause", "origin", "ceiling"))
    limited = _CURRENT if 2 * ceilings["current"] > len(listed) else ""
    # A ceiling that sinks with the supply is the amplifier's: where most are blamed on it, no source is in question.
    is_open = 2 * origins["undecided"] > len(listed) >= 2 * (causes["supply"] + causes["both"])
    knob = "the player" if is_open else "the gain"
    if not causes:
        return (
            f"Turn {knob} down {how_far}. {said}. {_FAR if is_far else ''}That is with the ceiling where it was: "
            "whether the gain or a sinking supply is to blame is not decided here; compare the clips with the supply "
            f"at the same moment.{limited}"
        )
    step = advise_by_cause(causes, how_far, f"{said}{'. ' + _FAR + 'Of them ' if is_far else ': '}", summary, knob)
    whose = _WHOSE.format(log="T" if is_logged else "Log the source as well, or t") if is_open else ""
    return step + whose + limited


def _word_unsure(listed: FindingList, overdrives_db: FloatArray) -> str:
    """That flats tell little of how far the crests would have gone, where that is so of most and no guess by itself."""
    more_db = listed.values("overdrive_high_db") - overdrives_db
    known = np.isfinite(more_db)
    if not known.any() or np.median(more_db[known]) < _UNSURE_DB or np.nanmax(overdrives_db) >= DOUBTFUL_DB:
        return ""
    highest_db = (overdrives_db + more_db)[known]
    half_db, most_db = float(np.median(highest_db)), float(highest_db.max())
    if most_db - half_db < LEAST_TOLD_DB:
        return f", how far is unsure (up to {most_db:.1f} dB is possible)"
    return f", how far is unsure (half of them may be {half_db:.1f} dB past and more, the furthest {most_db:.1f} dB)"


def _find_needed(
    summary: Mapping[str, Any], most_db: float, most_of_it_db: float, *, is_coarse: bool
) -> tuple[float, float]:
    """How far the gain has to come down, for all clips and for all but one of twenty (`share_to_fit` where the furthest
    are guesses): with the supply as it was learned for as large a share of them, else by all that they overshot."""
    gain = summary.get("clip_gain") or {}
    is_same_share = gain.get("is_guess", False) == is_coarse
    needed = (gain.get("turn_down_most_db"), gain.get("turn_down_db") if is_same_share else None)
    overshot = (most_db, most_of_it_db)
    all_of_it, twentieth = (
        min(db, own_db) if isinstance(db, int | float) else own_db for db, own_db in zip(needed, overshot, strict=True)
    )
    return all_of_it, twentieth
