"""What setting a gain came to: the result as a finding, its line for the job sheet, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ampwitness.detect.tones.gain_steps import ALL_OWN, CEILING_MET, CEILING_OPEN, IN_NOISE
from ampwitness.detect.tones.tone_curve import margin_of
from ampwitness.guide.set_gain import SetGainWalk
from ampwitness.guide.set_gain_words import FULL_UP, HIGHEST_SUB_HZ, KNEE_PERCENT, State
from ampwitness.guide.tone_live import LiveReading
from ampwitness.types import Finding

STALE_S = 3.0  # a last reading older than this is said to be old: the knob may have been moved since
LEAST_SEEN_S = 1.0  # what lasted shorter does not name a run
_TOO_FAST = "too fast"
_KEPT = (
    "knee_v",
    "knee_peak_v",
    "knee_w",
    "ceiling_v",
    "ceiling_kind",
    "uncertainty_db",
    "load_ohm",
    "followed_v",
    "follow_v",
    "follow_uncertainty_db",
)
# What a run without any curve is called, by what its readings mostly were.
_WITHOUT: Mapping[State, str] = {
    "clean": "the edge was not reached",
    "rising": "the edge was not reached",
    "too quiet": "the tone was too quiet for its distortion to be judged",
    "at the edge": "the edge was not reached",
    "clipped": "the tone did not last long enough to be measured",
    "source clipped": "source clipped before the amplifier",
    "logger overloaded": "the logger's own input was at its limit",
    "not judged": "distortion was not judged",
    "no tone": "no tone was measured",
}
_CUT_SHORT = "the board was lost before the edge was found"


def conclude_setting(
    knee: Finding | None,
    walk: SetGainWalk,
    last: LiveReading | None,
    tone_hz: float,
    answers: Mapping[str, str],
    ended_s: float | None = None,
    *,
    is_cut_short: bool = False,
) -> Finding:
    """The result as a finding that a recording keeps.

    Parameters
    ----------
    knee : the gain curve's finding, as a report of the same recording would give it; None: there was no curve
    walk : the walk, at its end
    last : the last reading with a tone while the gain was being set, for where it was left; None: it was not
    tone_hz : the tone that was asked for
    answers : what was asked beforehand, by key
    ended_s : recording time of the end; None: that of the last reading
    is_cut_short : the board was lost; nobody then chose to stop where it ended

    Returns
    -------
    Finding of kind "setting"; `measured["line"]` is the line for the job sheet, `measured["next"]` what to do next.
    """
    m: Mapping[str, Any] = knee.measured if knee is not None else {}
    clean_v = m.get("clean_v") or walk.highest_clean_v
    left_v = last.tone.level_v if last is not None and last.tone.is_tone else None
    left_age_s = max(0.0, ended_s - last.time_s) if last is not None and ended_s is not None else 0.0
    knee_v = m.get("knee_v")
    margin_db = margin_of(float(knee_v), left_v, last.thd_percent) if knee_v and left_v and last else None
    outcome = str(m.get("outcome") or _outcome_without_curve(walk))
    if outcome == CEILING_OPEN and not walk.is_source_unchecked:
        outcome = CEILING_MET
    if m.get("knee_v") is None and m.get("follow_v") is None and left_v and walk.goes_by_level:
        outcome = f"distortion of this tone is not judged; {walk.other_ways}"
    if walk.outcome.startswith("level held") or (walk.outcome == FULL_UP and knee_v is None):
        outcome = walk.outcome
    if outcome.startswith("level held"):  # what the curve calls 1 % is then the limiter's, no edge to be left below
        m = {key: value for key, value in m.items() if not key.startswith("knee") and key != "ceiling_v"}
        knee_v = margin_db = None
    if is_cut_short and not (knee_v or m.get("follow_v")):
        outcome = _CUT_SHORT
    is_provisional = bool(knee is not None and knee.evidence.get("is_gain_provisional"))
    measured: dict[str, float | int | str | bool | None] = {
        "line": _job_line(
            {**m, "clean_v": clean_v},
            tone_hz,
            outcome,
            _left_words(left_v, margin_db, left_age_s),
            is_provisional,
            walk.is_source_unchecked,
        ),
        "next": next_step(outcome, tone_hz, margin_db, is_set=left_v is not None),
        "tone_hz": tone_hz,
        "thd_percent": KNEE_PERCENT if knee_v else None,
        **{key: m.get(key) for key in _KEPT},
        "clean_v": clean_v,
        "supply_at_knee_v": m.get("supply_at_knee_v"),
        "supply_lowest_v": m.get("supply_lowest_v"),
        "left_at_v": left_v,
        "left_age_s": left_age_s if left_v else None,
        "margin_db": margin_db,
        "outcome": outcome,
        "is_provisional": is_provisional,
        "is_source_unchecked": walk.is_source_unchecked,
        "n_rounds": walk.n_rounds,
    }
    return Finding(
        kind="setting",
        start_s=0.0 if knee is None else knee.start_s,
        stop_s=0.0 if knee is None else knee.stop_s,
        severity="information",
        measured=measured,
        threshold={"knee_percent": KNEE_PERCENT},
        evidence={"answers": dict(answers), "step_reached": walk.step, "watts": "nominal"},
    )


def _outcome_without_curve(walk: SetGainWalk) -> str:
    """By what it was for longest; a tone's beginning and silence say least."""
    told = {s: seen_s for s, seen_s in walk.seen_s.items() if s not in ("no tone", "rising") and seen_s >= LEAST_SEEN_S}
    return _WITHOUT[max(told, key=lambda state: told[state])] if told else _WITHOUT["no tone"]


def next_step(outcome: str, tone_hz: float, margin_db: float | None, *, is_set: bool = True) -> str:
    """What to do about an outcome, as one sentence; "" where there is nothing to do."""
    control = "source's sub level" if tone_hz <= HIGHEST_SUB_HZ else "source's volume"
    if outcome == _CUT_SHORT:
        return "see to the board's cable and power (ampwitness boards), turn the gain down, and run set-gain again"
    if outcome == _WITHOUT["no tone"]:
        return (
            f"play the {tone_hz:g} Hz track (ampwitness tones --tone {tone_hz:g}), check that the logger's leads are "
            "on this channel's output, then run set-gain again"
        )
    if outcome == _WITHOUT["too quiet"]:
        return "turn the source up, or the gain, until set-gain says clean, and go on from there"
    if outcome == _WITHOUT["logger overloaded"]:
        return "turn down, or wire a larger divider in front of the logger's input, and run set-gain again"
    if outcome == _WITHOUT["not judged"]:
        return f"let nothing but the {tone_hz:g} Hz track play, and run set-gain again"
    if outcome == _WITHOUT["clipped"]:
        return "keep the tone playing for at least three seconds a level, and run set-gain again"
    if outcome == _WITHOUT["source clipped"]:
        return f"lower the {control} one step until its tone is clean, then run set-gain again"
    if outcome == _WITHOUT["clean"]:
        return f"turn the gain further up; where it is full up, raise the {control} one step and run set-gain again"
    if outcome == ALL_OWN:
        return (
            "look at the player and its track for what distorts the tone; then turn the gain further up, and where it "
            f"is full up, raise the {control} one step and run set-gain again"
        )
    if outcome.startswith("level held"):
        return (
            "look for a limiter or compressor, switch it off and run set-gain again, or keep this level as the highest"
        )
    if outcome == FULL_UP:
        return (
            "leave both where they are: this source gives no more; for more output set the amplifier's input range "
            "to a lower voltage, or fit a line driver, and run set-gain again"
        )
    if outcome == IN_NOISE:
        return "wire an input with a smaller range (ampwitness front-end), and run set-gain again"
    if _TOO_FAST in outcome:
        return "run set-gain again and turn slower around the edge"
    if margin_db is not None and margin_db < 0:
        return f"turn the gain back by {max(0.3, -margin_db):.1f} dB and check it with set-gain again"
    return "" if is_set else "the gain itself was not set: run set-gain again and go on to its second step"


def _left_words(left_v: float | None, margin_db: float | None, age_s: float) -> str:
    if not left_v or margin_db is None:
        return ""
    where = f"{left_v:.2f} V rms, "
    where += f"{margin_db:.1f} dB below it" if margin_db >= 0 else f"the gain {-margin_db:.1f} dB beyond it"
    if age_s > STALE_S:
        return f"last heard at {where}, {age_s:.0f} s before the end: the knob may have moved since"
    return f"left at {where}"


def _follow_words(m: Mapping[str, Any], outcome: str) -> str:
    return (
        f"{outcome}; it followed up to {m['followed_v']:.2f} V rms; were it a hard ceiling, clean up to "
        f"{m['follow_v']:.2f} V rms (+-{2 * m['follow_uncertainty_db']:.1f} dB); provisional: check by ear and with a "
        "tone whose distortion is judged"
    )


def _job_line(
    m: Mapping[str, Any], tone_hz: float, outcome: str, left_words: str, provisional: bool, is_unchecked: bool
) -> str:
    head = f"Gain at {tone_hz:g} Hz: "
    unchecked = ["source not checked"] if is_unchecked else []
    if m.get("knee_v") is None:
        if m.get("follow_v") is not None:
            return "; ".join([head + _follow_words(m, outcome), *unchecked])
        clean = m.get("clean_v")
        return "; ".join([head + outcome, *([f"clean up to {clean:.2f} V rms"] if clean else []), *unchecked])
    parts = [f"clean up to {m['knee_v']:.2f} V rms, {m['knee_peak_v']:.1f} V peak (1 % THD)"]
    if m.get("knee_w") is not None:
        parts.append(f"nominally {m['knee_w']:.0f} W into {m['load_ohm']:g} ohm")
    if m.get("ceiling_v") is not None:
        parts.append(f"ceiling {m['ceiling_v']:.1f} V ({m['ceiling_kind']})")
    if m.get("supply_at_knee_v") is not None and not provisional:
        parts.append(f"supply there {m['supply_at_knee_v']:.2f} V")
    if _TOO_FAST in str(m.get("outcome")):
        parts.append(
            f"+- {float(m['uncertainty_db']):.3f} dB without the calibration, for the hand passed the edge fast"
        )
    if left_words:
        parts.append(left_words)
    if provisional:
        parts.append("unloaded: provisional, check with the load")
    return head + "; ".join([*parts, *unchecked])
