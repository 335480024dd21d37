"""What may have stopped the output, judged from what was measured around the stop; in words, with what stays open.

Gaps: none here.
Limits: all volts are relative to the logger's reference. A lost ground is seen where a `ground` channel shows the jump,
or battery and supply together as seen from the amplifier's ground; else it is not judged and named among what is not
excluded. Seen from elsewhere the plus side stands when the amplifier's ground goes: a supply that falls there was lost
itself. A reference that was not typed is taken as possibly the amplifier's ground. "Consistent with" says no more.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`. The 10.5 V: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from ampwitness.detect.cutouts.cutout_common import BATTERY_FELL_ALIKE, FELL_ALIKE, judge_common_fall
from ampwitness.detect.cutouts.cutout_ground import AMPLIFIER_GROUND, is_elsewhere, judge_ground, was_lifted
from ampwitness.detect.cutouts.cutout_low import (
    LEAST_AT_LEVEL,
    PLAIN_V,
    fell_unseen,
    is_lost_between,
    is_past,
    is_plainly_low,
    is_surge,
    judge_supply,
    stayed_down,
    was_going,
    went_on_falling,
)
from ampwitness.detect.cutouts.cutout_measure import NEAR_S, Stop
from ampwitness.detect.cutouts.cutout_outlived import LOW_RATIO
from ampwitness.detect.cutouts.cutout_over import is_over
from ampwitness.detect.cutouts.cutout_protection import (
    OVER_CURRENT,
    QUICK_S,
    list_protection_reasons,
    name_protection,
)
from ampwitness.detect.cutouts.cutout_remote_told import judge_remote, went_with_source
from ampwitness.detect.cutouts.cutout_stood import LOST, STUCK, UNDER, is_stuck, tell_what_stood
from ampwitness.units import seconds_to_clock

SHORT_S = 0.25  # guards commonly wait longer before they let play again (common practice, no source)
GROUND_RANGE_V, WITH_RATIO = 1.9, 1.3  # from here on its input may be at its end; so much of its jump the output moves
USUAL_V = 12.0  # where no supply was logged
LIFTED_RATIOS = (0.5, 1.1)  # of the supply
ALIKE_V, ALIKE_DEPTH_RATIO = 0.3, 0.15  # a remote lead that fell so nearly as far as the supply
MANY_ALIKE = 4  # so many stops that nothing explains beside one, and the programme is one that stops so: speech
FEW_BY_ITSELF = 2  # so many within a minute are enough where the supply was as low at no other stop
NO_SUPPLY_V = 7.0  # at which no amplifier plays (common practice, no source)
BACK_RATIO = 0.6  # of the usual supply: it is back

LOW = "supply voltage too low"
OVER = "supply voltage too high"
LOOSE_SUPPLY = "supply connection intermittent"
GROUND_LOST = "ground connection lost"
LOOSE_GROUND = "ground connection intermittent"
REMOTE = "remote lead dropped"
SOURCE = "signal stopped at the source"
REMOTE_FLICKERED = "not decided: remote lead had flickered before"
REMOTE_BEHIND = "not decided: remote lead fell right behind the last sound"
REMOTE_SAGGED = "not decided: remote lead had sagged"
TOGETHER = "not decided: supply and output fell together"
CRANKING = "muted while the engine was cranked: usually by design"
PROTECTION = "protection with supply and remote fine"
HUM = "not decided: a steady hum took the signal's place"
HUM_ON_THE_WAY = "signal lost between source and amplifier"
IN_A_GAP = "not decided: the amplifier stopped within a gap of the recording while its source played on"
RETRYING = "not decided: it stops and tries again after the same time"
PAUSE = "not decided: the signal may have paused at the source"


@dataclass(frozen=True, slots=True)
class Cause:
    """Words for the cause, whether evidence carries them, how sure, why, and what is not excluded."""

    words: str
    is_evident: bool
    needs_a_cut: bool  # the evidence alone could be a coincidence: a note that ends while the supply is low
    confidence: str  # high, medium, low
    events: tuple[tuple[float, str], ...]  # time and what happened, in order of time
    reasons: tuple[str, ...]
    not_excluded: tuple[str, ...]
    protection: str | None = None  # OVER_CURRENT, THERMAL or EITHER where that is all that is left


def decide_cause(stop: Stop, reference: str | None = None) -> Cause:
    """Say what the evidence carries, and no more.

    Parameters
    ----------
    stop : what was measured around it
    reference : where the logger's ground was clipped, as typed: amplifier ground, battery negative, chassis; None: not
        known
    """
    reference = None if reference is None else reference.replace("-", " ")
    came = "steady volts stood there" if stop.is_from_first or stop.stood_at_first else "steady volts came"
    events = [(stop.start_s, came if stop.is_under or stop.stood_at_first else "output stopped")]
    reasons: list[str] = []
    open_: list[str] = []
    if stop.gap_s is not None:
        span = " and ".join(seconds_to_clock(time_s) for time_s in stop.gap_s)
        reasons.append(f"it played up to a gap of the recording, and was silent behind it: it stopped between {span}")
    is_lost, is_low = judge_supply(stop, events, reasons)
    has_jumped = judge_ground(stop, events, reasons, open_, is_lost, reference)
    remote_fell = judge_remote(stop, events, reasons, open_)
    source_stopped = _judge_source(stop, events, reasons, is_low=is_low)
    words, is_evident, protection = _words(stop, is_lost, is_low, has_jumped, remote_fell, source_stopped, reference)
    if words in (LOW, TOGETHER, PAUSE) or protection is not None:
        alike = judge_common_fall(stop, reference, events, reasons)
        words, is_evident, protection = (words, is_evident, protection) if alike is None else (alike, True, None)
    if words == PAUSE and stop.n_retries:
        reasons.append(_word_retries(stop))
        words, protection = RETRYING, OVER_CURRENT if stop.end_s - stop.start_s < QUICK_S else name_protection(stop)
    elif stop.n_alike >= MANY_ALIKE and (words == PAUSE or _may_be_chance(words, stop)):
        reasons.append(f"{stop.n_alike} stops within ten seconds are like it, with nothing that explains them")
        open_ += [] if words == PAUSE else [words]
        words, is_evident, protection = PAUSE, False, name_protection(stop)
    elif _is_low_by_chance(words, stop):
        reasons.append(
            f"{stop.n_by_itself} others within a minute came without a low supply: a programme that stops so by itself "
            "may have done so here"
        )
        open_.append(words)
        words, is_evident, protection = PAUSE, False, name_protection(stop)
    if words == LOST and stop.n_lost_alike:
        reasons.append(f"at {stop.n_lost_alike} more stops it fell just so, and went on to nothing")
    if stop.surge_s is not None:
        events.append((stop.surge_s, f"current highest, {stop.surge_ratio or 0.0:.1f} times as far up as before"))
    if words == SOURCE and remote_fell:
        reasons.append(
            "the output ended with the source and no later than the remote lead fell: what feeds both went off"
        )
    tell_what_stood(words, stop, events, reasons, was_lost=is_lost)
    if protection is not None:
        reasons += list_protection_reasons(stop)
    open_ += _left_open(words, stop, reference)
    confidence = _confidence(words, stop, is_evident, reference)
    return Cause(
        words=words,
        is_evident=is_evident,
        needs_a_cut=words == LOW and not is_plainly_low(stop),
        confidence=confidence,
        events=tuple(sorted(events)),
        reasons=tuple(reasons),
        not_excluded=tuple(dict.fromkeys(open_)),
        protection=protection,
    )


def _words(
    stop: Stop,
    is_lost: bool,
    is_low: bool,
    has_jumped: bool,
    remote_fell: bool,
    source_stopped: bool,
    reference: str | None,
) -> tuple[str, bool, str | None]:
    """The cause in words, whether it is evident, and the kind of protection."""
    if stop.is_under:
        return UNDER, True, None
    if is_stuck(stop) and not (has_jumped and (_may_be_lifted(stop) or _went_with_the_ground(stop))):
        return STUCK, True, None
    if stop.hum is not None:
        in_source = stop.hum.is_in_source
        return (HUM, False, None) if in_source is None else (SOURCE if in_source else HUM_ON_THE_WAY, True, None)
    if has_jumped:
        return (LOOSE_GROUND if max(stop.n_ground_jumps, stop.n_supply_falls) >= 2 else GROUND_LOST), True, None
    if is_lost and remote_fell:
        return "not decided: remote lead and supply fell together", False, None
    if is_lost:
        return (LOOSE_SUPPLY if stop.n_supply_falls >= 2 else LOST), True, None
    if remote_fell and (is_low or _was_low_at_remote(stop)):
        is_alike = _fell_alike(stop) and not is_elsewhere(reference)
        return FELL_ALIKE if is_alike else "not decided: remote lead fell while the supply was low", False, None
    if remote_fell:
        return (SOURCE if source_stopped and went_with_source(stop) else REMOTE), True, None
    if stop.gap_s is not None and not is_low:
        # What fell and came back within the gap is not known: no protection is concluded from what stands behind it.
        is_open = stop.source == "played on"
        return (IN_A_GAP, True, None) if is_open else (PAUSE, False, name_protection(stop))
    if source_stopped and stop.sank_from_v is None:
        return SOURCE, True, None
    if is_over(stop):
        return OVER, True, None
    if is_low:
        if went_on_falling(stop) or stop.n_lost_alike:
            return LOST, True, None
        return (TOGETHER, False, None) if is_surge(stop) and not is_lost_between(stop) else (LOW, True, None)
    if was_going(stop) and went_on_falling(stop):
        return LOST, True, None
    if stop.remote_flickers_s:
        return REMOTE_FLICKERED, False, None
    if stop.remote_sag_v is not None:
        return REMOTE_SAGGED, False, None
    kind = name_protection(stop)
    if stop.source == "played on" or stop.sank_from_v is not None or stop.surge_ratio is not None:
        # Without a remote lead in the recording the protection is one of two.
        if not stop.remote_is_known or stop.supply is None:
            missing = "remote lead" if stop.supply is not None else "supply"
            how = "while its source played on" if stop.source == "played on" else "behind a surge of its current"
            how = how if stop.sank_from_v is None else "and its own volts sank"
            return f"not decided: the amplifier stopped {how}, {missing} not logged", True, kind
        return f"{PROTECTION}: {kind}", True, kind
    return (PAUSE, False, kind) if stop.remote_after_s is None else (REMOTE_BEHIND, False, None)


def _may_be_chance(words: str, stop: Stop) -> bool:
    """Whether the supply may have moved by chance while the programme stopped by itself: not where it stayed away, nor
    where the source is known to have played on."""
    if stop.source == "played on":
        return False
    if words in (LOST, LOOSE_SUPPLY):
        return stop.supply is not None and stop.supply.after_v > BACK_RATIO * stop.supply.reference_v
    return words in (LOW, TOGETHER)


def _is_low_by_chance(words: str, stop: Stop) -> bool:
    """Whether a supply that was low at this stop alone may have met one of a programme that stops so by itself.

    Where the output sounded on behind the lowest supply one other such stop is enough, and one more low no witness.
    """
    supply = stop.supply
    if words not in (LOW, TOGETHER) or stop.source == "played on" or supply is None:
        return False
    if supply.lowest_v < supply.of_12_v(NO_SUPPLY_V):
        return False
    least = FEW_BY_ITSELF - 1 if is_past(stop) else FEW_BY_ITSELF + stop.n_as_low
    return stop.n_as_low < LEAST_AT_LEVEL and stop.n_by_itself >= least


def _was_low_at_remote(stop: Stop) -> bool:
    """Whether the supply was low when the remote lead fell: what feeds the lead may have let go of it."""
    supply, volts = stop.supply, stop.supply_at_remote_v
    return (
        supply is not None
        and volts is not None
        and volts < min(LOW_RATIO * supply.reference_v, supply.of_12_v(PLAIN_V))
    )


def _may_be_lifted(stop: Stop) -> bool:
    """Whether the output rests where a lost ground puts the whole amplifier: at its supply, through its own load."""
    usual_v = stop.supply.reference_v if stop.supply is not None else USUAL_V
    return LIFTED_RATIOS[0] * usual_v < stop.rest_v < LIFTED_RATIOS[1] * usual_v


def _went_with_the_ground(stop: Stop) -> bool:
    """Whether the output rests where its ground went: on the same side, and no farther away than the supply."""
    usual_v = stop.supply.reference_v if stop.supply is not None else USUAL_V
    moved_v, jump_v = stop.rest_v - stop.rest_before_v, stop.ground_jump_v or 0.0
    return moved_v * jump_v > 0 and (
        abs(moved_v) < WITH_RATIO * abs(jump_v)
        or (abs(jump_v) > GROUND_RANGE_V and abs(moved_v) < LIFTED_RATIOS[1] * usual_v)
    )


def _fell_alike(stop: Stop) -> bool:
    """Whether an analog remote lead fell by as many volts as the supply: one battery, or one ground, went from both."""
    supply = stop.supply
    if supply is None or stop.remote_sag_v is None:
        return False
    fell_v = supply.reference_v - min(supply.lowest_v, supply.lowest_after_v)
    lead_v = stop.remote_usual_v - stop.remote_sag_v
    return abs(lead_v - fell_v) < max(ALIKE_V, ALIKE_DEPTH_RATIO * fell_v)


def _word_retries(stop: Stop) -> str:
    """What speaks for a protection that tries again."""
    if stop.retry_s > 0:
        return (
            f"{stop.n_retries} stops came every {stop.retry_s:.2f} s, each cut off in mid-cycle and as long as the "
            "others, with a moment of sound between: a protection that tries again does so"
        )
    return (
        f"{stop.n_retries} stops were each cut off in mid-cycle and {stop.end_s - stop.start_s:.2f} s long, at odd "
        "moments: a protection that waits before it tries again does so, music rests on its beat"
    )


def _judge_source(stop: Stop, events: list[tuple[float, str]], reasons: list[str], *, is_low: bool) -> bool:
    if stop.source == "not logged":
        return False
    if stop.source == "stopped" and stop.source_stop_s is not None:
        events.append((stop.source_stop_s, "source stopped"))
        reasons.append("the source stopped as well")
        if stop.source_back_s is not None:  # a rest of the programme, within which a low supply may have acted
            reasons.append(f"it was back {1e3 * stop.source_back_s:.0f} ms later, and the output was not")
            if is_low:
                return False
        return stop.source_stop_s <= max(stop.stop_s, stop.last_sound_s or 0.0) + NEAR_S
    if stop.unseen_s > 0:
        reasons.append(
            f"the source was silent for {1e3 * stop.unseen_s:.0f} ms at first; when it was back, the output was not"
        )
    reasons.append(f"the source {stop.source}" if stop.source == "played on" else "the source is not judged")
    return False


def _left_open(words: str, stop: Stop, reference: str | None) -> list[str]:
    """What the evidence does not exclude."""
    if words == REMOTE_FLICKERED:
        return ["an amplifier that mutes late after its remote lead flickered", *_left_open(PAUSE, stop, reference)]
    if words == REMOTE_SAGGED:
        return ["an amplifier that switches off at that level of its remote lead", *_left_open(PAUSE, stop, reference)]
    if words == HUM_ON_THE_WAY and stop.hum is not None and stop.hum.mains_hz is None:
        return ["another input was selected, or something mixed in that the logged source does not carry"]
    if words == HUM:
        return ["a programme that goes over to such a sound by itself"]
    if words == TOGETHER:
        return ["an overload or short at the output, which pulls the supply down itself", LOW]
    if words == UNDER and stop.is_from_first:
        return ["the logger's ground clip at another output, or at a supply: measure across the speaker's terminals"]
    if words == UNDER and stop.silent_terminal:
        return [
            f"the logger's own lead off the {stop.silent_terminal} terminal, which lay still while the other played "
            "on: measure across the speaker's terminals",
        ]
    if words == UNDER:
        return ["an output that plays on volts of its own, behind a capacitor: measure across the speaker's terminals"]
    if words == STUCK and stop.is_half:
        return ["an output that stands at half the supply by itself: measure across the speaker's terminals"]
    if words == STUCK and reference != AMPLIFIER_GROUND and _may_be_lifted(stop):
        return ["the amplifier's ground lost, which lifts its output with it: measure across the speaker"]
    if words == BATTERY_FELL_ALIKE or (words == FELL_ALIKE and stop.common_fall is not None):
        return ["a load that pulled the battery down as far", LOW, "a pause of the programme"]
    if words == FELL_ALIKE:
        return ["both fed from one loose connection", "a battery that gave way for both", "remote lead dropped", LOST]
    if words.startswith("not decided: remote"):
        return ["remote lead dropped", "supply lost", "both fed from one loose connection"]
    if words == IN_A_GAP:
        return [REMOTE, LOST, "protection", "a signal lead that lost contact behind where the source is logged"]
    if words.startswith((PROTECTION, "not decided: the amplifier")):
        own = ["the logger's own lead off the output"] if stop.is_gone_at_once else []
        if stop.sank_from_v is None:
            own.append("a signal lead that lost contact behind where the source is logged")
        return ["a fault inside the amplifier", *own]
    if words in (PAUSE, RETRYING):
        low = stop.supply is not None and stop.supply.outlived_s > 0
        return [
            *([LOW] if low else []),
            "a pause of the programme",
            "a signal lead that lost contact",
            f"protection, {name_protection(stop)}",
        ]
    if words == LOW:
        is_short = stop.resume_s is not None and stop.end_s - stop.start_s < SHORT_S
        chance = ["a pause of the programme"] if (is_short or is_past(stop)) and stop.source != "played on" else []
        recurs = stop.n_at_level + stop.n_new_lows > 0
        chance += ["an overload that recurs, which pulls the supply down itself"] if recurs else []
        if _fell_alike(stop) and not is_elsewhere(reference):
            chance.append("ground lost: supply and remote lead, seen from the amplifier's own ground, fall alike then")
        chance += [f"protection, {name_protection(stop)}"] if fell_unseen(stop) else []
        lost = ["a fuse or lead lost, with a capacitor that held the volts"] if stayed_down(stop) else []
        return [*chance, *lost, *(["a remote or source fed from the same supply"] if not stop.remote_is_known else [])]
    if words == OVER:
        return ["another fault that the same rise caused", *([] if stop.is_truncated else ["a pause of the programme"])]
    if words == REMOTE:
        return ["switched off on purpose"]
    if words == SOURCE and went_with_source(stop):
        return ["the source unit switched off on purpose", REMOTE]
    if words == LOST:
        is_open = stop.battery_jump_v is None and not is_elsewhere(reference)
        return ["fuse, plus lead or ground, not told apart"] if is_open else ["fuse or plus lead"]
    return []


def _confidence(words: str, stop: Stop, is_evident: bool, reference: str | None) -> str:
    if (words == STUCK and (stop.is_half or _may_be_lifted(stop))) or stop.is_from_first or stop.silent_terminal:
        return "medium"
    if words in (GROUND_LOST, LOOSE_GROUND) and reference is None and stop.ground_jump_v is None and was_lifted(stop):
        return "medium"
    if words in (STUCK, UNDER, LOST, LOOSE_SUPPLY, LOOSE_GROUND):
        return "medium" if words == LOST and stop.n_lost_alike else "high"
    if words == RETRYING or (words == SOURCE and went_with_source(stop)):
        return "medium"
    if not is_evident:
        return "low"
    if stop.hum is not None and stop.hum.mains_hz is None:
        return "medium"
    if words == LOW and stop.resume_s is not None and stop.end_s - stop.start_s < SHORT_S:
        return "medium"  # no longer than a gated programme is quiet
    if words == LOW:
        is_plain = stop.supply is not None and stop.supply.survived_v is not None
        is_plain = is_plain and not (_fell_alike(stop) and not is_elsewhere(reference))
        is_plain = is_plain and not stayed_down(stop) and not is_past(stop) and not stop.n_at_level
        is_plain = is_plain and not is_surge(stop)
        is_plain = is_plain and stop.supply is not None and stop.supply.lowest_v < stop.supply.of_12_v(PLAIN_V)
        return "high" if is_plain else "medium"
    if words.startswith((PROTECTION, "not decided")) or (words == OVER and not stop.is_truncated):
        return "medium"
    return "high"
