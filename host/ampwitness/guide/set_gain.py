"""Setting the gain, step by step: what to do next, what the state is called, and what it all came to.

No terminal and no port here: readings and answers go in, a view and at the end a result come out.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ampwitness.detect.tone_curve import ToneCurve
from ampwitness.guide.tone_live import LiveReading
from ampwitness.guide.tone_tracks import STEP_DB
from ampwitness.types import Finding
from ampwitness.waveform.tone_clip import hard_clip_level_db
from ampwitness.waveform.tone_meter import OTHER_TONE_PERCENT, TWO_TONES_PERCENT

Step = Literal["source", "amplifier", "come back", "lower source", "done"]
State = Literal[
    "no tone", "rising", "clean", "at the edge", "clipped", "source clipped", "logger overloaded", "not judged"
]

EDGE_PERCENT = 0.4  # from here on the tone is at the edge
KNEE_PERCENT = 1.0
CLIPPED_PERCENT = 1.5
LEAST_LEVEL_V = 0.2
HIGHEST_SUB_HZ = 120.0  # up to here a player's sub level moves the tone
_RISING_DB = 0.25
_RISING_OVER_S = 0.5
_HOLD_S = 0.25  # a state that changes the step must last so long
_STABLE_S = 1.0
_STEADY_DB = 0.2
_HELD_DB = 0.1
_HELD_TURNS = 2


@dataclass(frozen=True, slots=True)
class Question:
    """What decides the result and cannot be measured. `key` is that of the note in the recording."""

    key: str
    text: str
    wanted: str


QUESTIONS = (
    Question("gain_crossover", "Crossovers and subsonic filter set, before the gain?", "set"),
    Question("gain_equaliser", "Equaliser flat?", "flat"),
    Question("gain_boost", "Bass boost and loudness off?", "off"),
    Question("gain_fader", "Fader and balance in the middle?", "middle"),
    Question("gain_volume", "Player volume: the highest you will ever use?", "highest used"),
    Question("gain_bass_remote", "Bass remote at maximum?", "maximum"),
    Question("gain_input_range", "Amplifier's input range switch: which?", "as installed"),
    Question("gain_bridging", "Bridged output, or one channel?", "as installed"),
)


@dataclass(frozen=True, slots=True)
class View:
    """What the person sees now."""

    step: Step
    instruction: str
    state: State
    words: str
    level_v: float
    thd_words: str
    ceiling_v: float | None  # clean maximum as rms, once it is known
    supply_v: float | None
    is_at_edge: bool  # for the audible cue


class SetGainWalk:
    """The walk through setting one gain.

    Parameters
    ----------
    tone_hz : the tone that is played
    load_kind : "none", "resistor" or "speaker"
    is_hands_free : nobody can press keys: the source step ends by itself once the tone is steady and clean
    judged_to_hz : tones above have no distortion; they are set by the steps track
    """

    def __init__(self, tone_hz: float, load_kind: str, is_hands_free: bool, judged_to_hz: float = math.inf) -> None:
        self.step: Step = "source"
        self.outcome = ""
        self.n_rounds = 1
        self._judged_to_hz = judged_to_hz
        self._tone_hz, self._load_kind, self._is_hands_free = tone_hz, load_kind, is_hands_free
        self._recent: deque[tuple[float, float]] = deque(maxlen=64)  # time, level
        self._state: State = "no tone"
        self._reading: LiveReading | None = None
        self._curve: ToneCurve | None = None
        self._since: dict[str, float] = {}
        self._turned_levels: list[float] = []
        self._other_hz: float | None = None
        self._early_ceiling_v: float | None = None  # from the quick readings, until the curve knows better

    @property
    def is_done(self) -> bool:
        return self.step == "done"

    @property
    def goes_by_level(self) -> bool:
        """The tone is too high for its distortion: only its level tells."""
        return self._tone_hz > self._judged_to_hz

    @property
    def other_ways(self) -> str:
        """What sets this amplifier where the tone cannot."""
        return (
            f"play the steps track with the gain left alone, or use a tone up to {self._judged_to_hz:.0f} Hz inside "
            "the amplifier's band"
        )

    def push(self, reading: LiveReading, other_hz: float | None = None) -> None:
        """Take the newest reading; `other_hz`: where a tone is that is not the one asked for."""
        self._reading, self._other_hz = reading, other_hz
        self._recent.append((reading.time_s, reading.tone.level_v))
        self._state = self._judge(reading)
        if self._state in ("at the edge", "clipped") and reading.thd_percent is not None:
            law_db = hard_clip_level_db(KNEE_PERCENT) - hard_clip_level_db(max(0.1, reading.thd_percent))
            self._early_ceiling_v = reading.tone.level_v * 10 ** (law_db / 20)
        now_s = reading.time_s
        thd = reading.thd_percent or 0.0
        is_bad = self._lasts("bad", thd >= KNEE_PERCENT and self._state in ("clipped", "at the edge"), now_s, _HOLD_S)
        is_fine = self._state == "clean" or (self._state == "not judged" and self._is_only_level(reading))
        is_good = self._lasts("good", is_fine and self._is_steady(reading), now_s, _STABLE_S)
        if self.step == "source" and self._is_hands_free and is_good:
            self._go("amplifier")
        elif self.step == "amplifier" and is_bad:
            self._go("come back")
        elif self.step == "come back" and is_good:
            self.outcome = "edge found, gain turned back"
            self._go("done")

    def take_curve(self, curve: ToneCurve | None) -> None:
        """What the quarter seconds say so far: the knee, a clipped source, a level that is held."""
        self._curve = curve
        if curve is None or self.step == "done":
            return
        if curve.is_source_clipped and self.step in ("amplifier", "come back"):
            self._go("lower source")
        elif curve.is_level_held and self.step == "amplifier":
            self.outcome = "level held (a limiter?)"
            self._go("done")
        elif curve.follow is not None and curve.knee is None and self.step == "amplifier":
            self.outcome = f"the level stopped following {curve.follow.driven_by}"
            self._go("done")

    def answer(self, key: Literal["next", "full", "turned"]) -> None:
        """The person's key: next step; the gain is at its end; I turned it up one step."""
        if key == "next":
            if self.step in ("source", "lower source") and self._state != "source clipped":
                self._go("source" if self.step == "lower source" else "amplifier")
        elif key == "full" and self.step == "amplifier":
            self.n_rounds += 1
            self._go("source")
        elif key == "turned" and self.step == "amplifier" and self._reading is not None:
            self._turned_levels.append(self._reading.tone.level_v)
            last = self._turned_levels[-_HELD_TURNS - 1 :]
            is_clean = (self._reading.thd_percent or 0.0) < EDGE_PERCENT
            if len(last) > _HELD_TURNS and max(last) < min(last) * 10 ** (_HELD_DB / 20) and is_clean:
                self.outcome = "level held (a limiter?)"
                self._go("done")

    def view(self) -> View:
        """What to show now."""
        reading = self._reading
        return View(
            step=self.step,
            instruction=self._instruction(),
            state=self._state,
            words=self._words(),
            level_v=0.0 if reading is None else reading.tone.level_v,
            thd_words="" if reading is None else _thd_words(reading),
            ceiling_v=self._ceiling_v(),
            supply_v=None if reading is None else reading.supply_v,
            is_at_edge=self._state in ("at the edge", "clipped", "source clipped"),
        )

    # ---- inside -------------------------------------------------------------------------------------------------

    def _go(self, step: Step) -> None:
        self.step = step
        self._since.clear()
        if step in ("lower source", "amplifier"):
            self._early_ceiling_v = None  # it was the source's
        if step == "source":
            self._turned_levels.clear()

    def _lasts(self, name: str, is_so: bool, now_s: float, how_long_s: float) -> bool:
        if not is_so:
            self._since.pop(name, None)
            return False
        return now_s - self._since.setdefault(name, now_s) >= how_long_s

    def _judge(self, reading: LiveReading) -> State:
        tone = reading.tone
        if reading.is_saturated:
            return "logger overloaded"
        if not tone.is_tone or tone.level_v < LEAST_LEVEL_V:
            return "no tone"
        thd = reading.thd_percent
        if thd is None or reading.other_percent > TWO_TONES_PERCENT:
            return "not judged"
        if tone.thd_is_below_floor:
            thd = 0.0
        if (reading.source_thd_percent or 0.0) >= KNEE_PERCENT or (self.step == "source" and thd >= KNEE_PERCENT):
            return "source clipped"
        if self._curve is not None and self._curve.is_source_clipped and thd >= KNEE_PERCENT:
            return "source clipped"
        if thd >= CLIPPED_PERCENT:
            return "clipped"
        if thd >= EDGE_PERCENT:
            return "at the edge"
        return "rising" if self._is_rising(reading) else "clean"

    def _is_only_level(self, reading: LiveReading) -> bool:
        return self.goes_by_level and reading.tone.is_tone and reading.other_percent <= TWO_TONES_PERCENT

    def _is_steady(self, reading: LiveReading) -> bool:
        near = [level for time_s, level in self._recent if time_s >= reading.time_s - _RISING_OVER_S]
        return max(near) < max(1e-6, min(near)) * 10 ** (_STEADY_DB / 20)

    def _is_rising(self, reading: LiveReading) -> bool:
        before = [level for time_s, level in self._recent if time_s >= reading.time_s - _RISING_OVER_S]
        return len(before) > 2 and reading.tone.level_v > max(1e-6, before[0]) * 10 ** (_RISING_DB / 20)

    def _words(self) -> str:
        reading = self._reading
        if reading is None:
            return "waiting for samples"
        if self._state == "no tone":
            if self._other_hz is not None:
                return f"no {self._tone_hz:g} Hz tone: {self._other_hz:.0f} Hz is playing"
            return f"no tone: play the {self._tone_hz:g} Hz track"
        if self._state == "not judged" and reading.other_percent > TWO_TONES_PERCENT:
            return f"two tones: another at {reading.other_hz or 0:.0f} Hz, {reading.other_percent:.0f} % of this one"
        if self._state == "not judged" and self.goes_by_level:
            return f"level only: distortion of {self._tone_hz:g} Hz is not judged"
        if self._state == "not judged":
            return f"distortion not judged: {reading.tone.not_judged}"
        if self._state == "logger overloaded":
            return "logger overloaded: turn down, or use a larger divider"
        if self._state == "clipped":
            return f"clipped by {reading.overdrive_db:.1f} dB"
        if self._state == "source clipped":
            return "source clipped: lower the source, not the amplifier"
        if self._state in ("clean", "rising") and (ceiling := self._ceiling_v()) and reading.tone.level_v > 0:
            below_db = 20 * math.log10(ceiling / reading.tone.level_v)
            if below_db > 0.05:
                return f"{self._state}, {below_db:.1f} dB below the clean ceiling"
        return self._state

    def _ceiling_v(self) -> float | None:
        """Clean maximum as rms: by the curve, and until that knows it by the quick readings; never the source's."""
        if self.step in ("source", "lower source") or self._state == "source clipped":
            return None
        of_curve = None if self._curve is None else self._curve.knee
        return self._early_ceiling_v if of_curve is None else of_curve.level_v

    def _source_control(self) -> str:
        return "source's sub level" if self._tone_hz <= HIGHEST_SUB_HZ else "source's volume"

    def _instruction(self) -> str:
        reading = self._reading
        if self.step == "source":
            if self.n_rounds > 1:  # the gain stands fully up: that comes first
                what = self._source_control()
                return (
                    "1 of 3, the source again. FIRST turn the amplifier's gain back to its minimum. Then raise the "
                    f"{what} one step; if it distorts, turn it down until clean. Enter: next. q: end."
                )
            return (
                "1 of 3, the source. Amplifier gain at its minimum, tone controls flat, boost off. Turn the source up "
                "to the highest volume you will use; if it distorts, turn it down until clean. Enter: next. q: end."
            )
        if self.step == "amplifier" and self.goes_by_level:
            return (
                "2 of 3, the amplifier. Play the steps track and leave the gain alone while it runs: each step should "
                f"raise the level by {STEP_DB:g} dB. If all did, turn the gain up and play it again. q: end."
            )
        if self.step == "amplifier":
            return (
                "2 of 3, the amplifier. Turn its gain up slowly until STOP stands here. "
                "f: gain is full up. t: turned up one step. q: end."
            )
        if self.step == "come back":
            if self._state == "clean":
                return "3 of 3. Hold the knob there: looking whether it stays clean."
            back_db = 0.0 if reading is None else reading.overdrive_db
            ceiling = self._ceiling_v()
            mark = "" if ceiling is None else f", left of the mark at {ceiling:.2f} V,"
            return f"3 of 3. STOP. Turn the gain back by {max(0.3, back_db):.1f} dB{mark} until it says clean. q: end."
        if self.step == "lower source":
            return (
                f"The source clips before the amplifier: lower the {self._source_control()} one step. Enter: check it "
                "again. q: end."
            )
        return f"Done: {self.outcome}."


def _thd_words(reading: LiveReading) -> str:
    thd = reading.thd_percent
    if thd is None or not reading.tone.is_tone or reading.other_percent > TWO_TONES_PERCENT:
        return "THD not judged"
    hum = ""
    if reading.other_percent >= OTHER_TONE_PERCENT:
        hum = f"   also {reading.other_hz or 0:.0f} Hz, {reading.other_percent:.1f} % (hum?)"
    if reading.tone.thd_is_below_floor:
        return f"THD less than {reading.tone.thd_floor_percent:.2f} %{hum}"
    return f"THD {thd:.2f} %{hum}"


def conclude_setting(
    knee: Finding | None, walk: SetGainWalk, last: LiveReading | None, tone_hz: float, answers: Mapping[str, str]
) -> Finding:
    """The result as a finding that a recording keeps.

    Parameters
    ----------
    knee : the gain curve's finding, as a report of the same recording would give it; None: there was no curve
    walk : the walk, at its end
    last : the last reading with a tone, for where the gain was left
    tone_hz : the tone that was asked for
    answers : what was asked beforehand, by key

    Returns
    -------
    Finding of kind "setting"; `measured["line"]` is the line for the job sheet.
    """
    m: Mapping[str, Any] = knee.measured if knee is not None else {}
    left_v = last.tone.level_v if last is not None and last.tone.is_tone else None
    knee_v = m.get("knee_v")
    margin_db = 20 * math.log10(knee_v / left_v) if knee_v and left_v else None
    outcome = str(m.get("outcome") or "no tone was measured")
    if m.get("knee_v") is None and m.get("follow_v") is None and left_v and walk.goes_by_level:
        outcome = f"distortion of this tone is not judged; {walk.other_ways}"
    if walk.outcome.startswith("level held"):
        outcome = walk.outcome
    is_provisional = bool(knee is not None and knee.evidence.get("is_gain_provisional"))
    keys = (
        "knee_v",
        "knee_peak_v",
        "knee_w",
        "ceiling_v",
        "ceiling_kind",
        "clean_v",
        "uncertainty_db",
        "load_ohm",
        "followed_v",
        "follow_v",
        "follow_uncertainty_db",
    )
    measured: dict[str, float | int | str | bool | None] = {
        "line": _job_line(m, tone_hz, outcome, left_v, margin_db, is_provisional),
        "tone_hz": tone_hz,
        "thd_percent": KNEE_PERCENT if knee_v else None,
        **{key: m.get(key) for key in keys},
        "supply_at_knee_v": m.get("supply_at_knee_v"),
        "supply_lowest_v": m.get("supply_lowest_v"),
        "left_at_v": left_v,
        "margin_db": margin_db,
        "outcome": outcome,
        "is_provisional": is_provisional,
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


def _follow_words(m: Mapping[str, Any], outcome: str) -> str:
    return (
        f"{outcome}; it followed up to {m['followed_v']:.2f} V rms; were it a hard ceiling, clean up to "
        f"{m['follow_v']:.2f} V rms (+-{2 * m['follow_uncertainty_db']:.1f} dB); provisional: check by ear and with a "
        "tone whose distortion is judged"
    )


def _job_line(
    m: Mapping[str, Any], tone_hz: float, outcome: str, left_v: float | None, margin_db: float | None, provisional: bool
) -> str:
    head = f"Gain at {tone_hz:g} Hz: "
    if m.get("knee_v") is None:
        if m.get("follow_v") is not None:
            return head + _follow_words(m, outcome)
        clean = m.get("clean_v")
        return head + outcome + (f"; clean up to {clean:.2f} V rms" if clean else "")
    parts = [f"clean up to {m['knee_v']:.2f} V rms, {m['knee_peak_v']:.1f} V peak (1 % THD)"]
    if m.get("knee_w") is not None:
        parts.append(f"nominally {m['knee_w']:.0f} W into {m['load_ohm']:g} ohm")
    if m.get("ceiling_v") is not None:
        parts.append(f"ceiling {m['ceiling_v']:.1f} V ({m['ceiling_kind']})")
    if m.get("supply_at_knee_v") is not None and not provisional:
        parts.append(f"supply there {m['supply_at_knee_v']:.2f} V")
    if "too fast" in str(m.get("outcome")):
        parts.append(f"+-{2 * float(m['uncertainty_db']):.2f} dB, for the hand passed the edge too fast")
    if left_v and margin_db is not None:
        word = "below" if margin_db >= 0 else "above"
        parts.append(f"left at {left_v:.2f} V rms, {abs(margin_db):.1f} dB {word} it")
    if provisional:
        parts.append("unloaded: provisional, check with the load")
    return head + "; ".join(parts)
