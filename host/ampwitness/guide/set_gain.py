"""Setting the gain, step by step: what to do next, what the state is called, and which key does what.

No terminal and no port here: readings and answers go in, a view comes out; what it all came to is `setting_result`.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

from ampwitness.detect.tones.tone_curve import ToneCurve
from ampwitness.guide.set_gain_words import (
    CLIPPED_PERCENT,
    EDGE_PERCENT,
    FULL_UP,
    KNEE_PERCENT,
    Situation,
    State,
    Step,
    beyond_own,
    instruct,
    other_ways,
    refuse_key,
    word_state,
    word_thd,
)
from ampwitness.guide.tone_live import LiveReading
from ampwitness.waveform.tone_clip import hard_clip_level_db
from ampwitness.waveform.tone_meter import ToneReading

Key = Literal["next", "full", "turned", "other"]

LEAST_LEVEL_V = 0.2
_RISING_DB = 0.25
_RISING_OVER_S = 0.5
_HOLD_S = 0.25  # a state that counts must last so long: a knob that jumps looks distorted for a moment
_STABLE_S = 1.0
_STEADY_DB = 0.2
_HELD_DB = 0.1
_HELD_TURNS = 2
_READINGS_A_TURN = 6  # at least: three keys within a late moment would tell one level thrice
_REFUTED_RATIO = 1.005  # a level that was clean lies below the ceiling
_HELD_RATIO = 0.9  # of a threshold, once it was passed
_LISTEN_S = 0.6  # from a tone's beginning: until then a second tone looks like distortion
_PAUSE_S = 0.3  # after so long without it, a tone begins anew
# what is not said before that
_NOT_YET: tuple[State, ...] = ("clean", "too quiet", "at the edge", "clipped", "not judged")
_NOTICE_S = 6.0  # an answer to a key stands so long
_LONGEST_STEP_S = 0.2  # between readings; more is a gap


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
    notice: str = ""  # the answer to the last key, for a while


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
        self.n_fresh_starts = 0  # the source was lowered: curves measured before say nothing of what comes now
        self.seen_s: dict[State, float] = {}  # how long each state was there
        self.highest_clean_v: float | None = None  # rms, by the quick readings
        self.is_source_unchecked = False  # somebody went on without a clean tone in the first step
        self._judged_to_hz = judged_to_hz
        self._tone_hz, self._load_kind, self._is_hands_free = tone_hz, load_kind, is_hands_free
        self._recent: deque[tuple[float, float]] = deque(maxlen=64)  # time, level
        self._state: State = "no tone"
        self._reading: LiveReading | None = None
        self._curve: ToneCurve | None = None
        self._since: dict[str, float] = {}
        self._turned_levels: list[float] = []
        self._n_since_turn = _READINGS_A_TURN
        self._is_source_at_edge = False  # it distorted in this round: it cannot be raised any further
        self._has_source_distorted = False  # in this step, so the curve holds it
        self._full_level_v: float | None = None  # of the last round, gain full up and clean
        self._early_ceiling_v: float | None = None  # from the quick readings, until the curve knows better
        self._tone_begun_s: float | None = None
        self._tone_heard_s = -math.inf
        self._is_source_checked = False
        self._notice, self._notice_until_s = "", -math.inf
        self._is_asked_twice = False  # Enter was refused once, and would now go on all the same

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
        return other_ways(self._judged_to_hz)

    def push(self, reading: LiveReading) -> None:
        """Take the newest reading."""
        passed_s = 0.0 if self._reading is None else reading.time_s - self._reading.time_s
        self._reading = reading
        self._n_since_turn += 1
        self._recent.append((reading.time_s, reading.tone.level_v))
        self._state = self._judge(reading)
        self.seen_s[self._state] = self.seen_s.get(self._state, 0.0) + min(max(0.0, passed_s), _LONGEST_STEP_S)
        if self._state == "clean":
            self.highest_clean_v = max(self.highest_clean_v or 0.0, reading.tone.level_v)
        is_edge = self._lasts("edge", self._state in ("at the edge", "clipped"), reading.time_s, _HOLD_S)
        if is_edge and reading.thd_percent is not None:
            beyond = self._beyond_own(reading.thd_percent)
            law_db = hard_clip_level_db(KNEE_PERCENT) - hard_clip_level_db(max(0.1, beyond))
            self._early_ceiling_v = reading.tone.level_v * 10 ** (law_db / 20)
        now_s = reading.time_s
        thd = self._beyond_own(reading.thd_percent or 0.0)
        is_beyond = self._state == "clipped" or (self._state == "at the edge" and thd >= KNEE_PERCENT)
        is_bad = self._lasts("bad", is_beyond, now_s, _HOLD_S)
        is_logged_source_bad = self._state == "source clipped" and (reading.source_thd_percent or 0.0) >= KNEE_PERCENT
        is_source_bad = self._lasts("source bad", is_logged_source_bad, now_s, _HOLD_S)
        is_fine = self._state == "clean" or (self._state == "not judged" and self._is_only_level(reading))
        is_steady = self._is_steady(reading)
        is_good = self._lasts("good", is_fine and is_steady, now_s, _STABLE_S)
        is_unknown = self._state in ("too quiet", "not judged") and not reading.holds_two
        is_quiet = self._lasts("quiet", is_unknown and is_steady, now_s, _STABLE_S)
        if self.step == "source" and is_fine:
            self._is_source_checked = True
        is_distorted = self.step == "source" and self._state in ("at the edge", "clipped", "source clipped")
        if self._lasts("source edge", is_distorted, now_s, _HOLD_S):
            self._is_source_at_edge = self._has_source_distorted = True
        if self.step == "source" and self._is_hands_free and (is_good or is_quiet):
            self._leave_source()
        elif self.step in ("amplifier", "come back") and is_source_bad:
            self._go("lower source")
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
        if self.step == "source" and self._own_percent() is not None:
            self._is_source_at_edge = self._has_source_distorted = False  # what looked like it is in the track
        if curve.is_source_clipped and self.step in ("amplifier", "come back"):
            self._go("lower source")
        elif curve.is_level_held and self.step == "amplifier":
            self.outcome = "level held (a limiter?)"
            self._go("done")
        elif curve.follow is not None and curve.knee is None and self.step == "amplifier":
            self.outcome = f"the level stopped following {curve.follow.driven_by}"
            self._go("done")

    def answer(self, key: Key) -> None:
        """The person's key: next step; the gain is at its end; I turned it up one step. None stays without an
        answer: one that does nothing here says why (`View.notice`)."""
        if self.step == "done":
            return
        said, self._notice = self._notice, ""
        if refusal := refuse_key(key, self._situation()):
            if key == "next" and self.step == "source" and self._state != "source clipped":
                if self._is_asked_twice and said:
                    self._leave_source()
                    return
                self._is_asked_twice = True
            self._say(refusal)
        elif key == "next" and self.step == "lower source":
            self._go("source")
            self._is_source_at_edge = True
            self._begin_anew()
        elif key == "next":
            self._leave_source()
        elif key == "full" and self._reading is not None:
            self._note_full(self._reading)
        elif key == "turned" and self._reading is not None:
            self._note_turn(self._reading)

    def view(self) -> View:
        """What to show now."""
        reading = self._reading
        situation = self._situation()
        is_notice_old = reading is not None and reading.time_s > self._notice_until_s
        return View(
            step=self.step,
            instruction=instruct(situation, self.outcome),
            state=self._state,
            words=word_state(situation),
            level_v=0.0 if reading is None else reading.tone.level_v,
            thd_words="" if reading is None else word_thd(reading, self._state),
            ceiling_v=situation.ceiling_v,
            supply_v=None if reading is None else reading.supply_v,
            is_at_edge=self._state in ("at the edge", "clipped", "source clipped"),
            notice="" if is_notice_old else self._notice,
        )

    def _situation(self) -> Situation:
        return Situation(
            step=self.step,
            state=self._state,
            reading=self._reading,
            ceiling_v=self._ceiling_v(),
            tone_hz=self._tone_hz,
            judged_to_hz=self._judged_to_hz,
            n_rounds=self.n_rounds,
            is_listening=self._is_listening(),
            is_source_checked=self._is_source_checked,
            is_source_unchecked=self.is_source_unchecked,
            own_percent=self._own_percent(),
        )

    def _say(self, notice: str) -> None:
        self._notice = notice
        self._notice_until_s = _NOTICE_S + (0.0 if self._reading is None else self._reading.time_s)

    def _go(self, step: Step) -> None:
        self.step = step
        self._since.clear()
        self._notice, self._is_asked_twice = "", False
        if step in ("lower source", "amplifier"):
            self._early_ceiling_v = None  # it was the source's
        if step == "source":
            self._turned_levels.clear()
            self._is_source_checked = self._has_source_distorted = False

    def _leave_source(self) -> None:
        self.is_source_unchecked = not self._is_source_checked
        if self._has_source_distorted:  # that has passed, and says nothing of the amplifier
            self._begin_anew()
        self._go("amplifier")

    def _begin_anew(self) -> None:
        self._curve = None
        self.n_fresh_starts += 1

    def _note_full(self, reading: LiveReading) -> None:
        """The gain is full up and nothing clips: another round with more from the source, if that has more to give."""
        level_v, before_v = reading.tone.level_v, self._full_level_v
        if self._is_source_at_edge:
            self.outcome = FULL_UP
            self._go("done")
        elif before_v is not None and abs(20 * math.log10(level_v / before_v)) < _HELD_DB:
            self.outcome = "level held (a limiter?)"  # the source was raised, and no more came
            self._go("done")
        else:
            self._full_level_v = level_v
            self.n_rounds += 1
            self._go("source")
            self._is_source_at_edge = False

    def _note_turn(self, reading: LiveReading) -> None:
        if self._n_since_turn < _READINGS_A_TURN:
            self._say("Not noted, as nothing newer was measured since the last turn: wait a moment, then press t.")
            return
        self._n_since_turn = 0
        self._turned_levels.append(reading.tone.level_v)
        last = self._turned_levels[-_HELD_TURNS - 1 :]
        is_clean = self._beyond_own(reading.thd_percent or 0.0) < EDGE_PERCENT
        if len(last) > _HELD_TURNS and max(last) < min(last) * 10 ** (_HELD_DB / 20) and is_clean:
            self.outcome = "level held (a limiter?)"
            self._go("done")
            return
        self._say(f"Turn {len(self._turned_levels)} noted at {reading.tone.level_v:.2f} V rms.")

    def _lasts(self, name: str, is_so: bool, now_s: float, how_long_s: float) -> bool:
        if not is_so:
            self._since.pop(name, None)
            return False
        return now_s - self._since.setdefault(name, now_s) >= how_long_s

    def _judge(self, reading: LiveReading) -> State:
        state = self._judge_now(reading)
        if reading.time_s < self._tone_heard_s and self._tone_begun_s is not None:  # the board began to count anew
            self._tone_begun_s -= self._tone_heard_s - reading.time_s
            self._tone_heard_s = reading.time_s
        if state != "no tone":
            if self._tone_begun_s is None or reading.time_s - self._tone_heard_s > _PAUSE_S:
                self._tone_begun_s = reading.time_s
            self._tone_heard_s = reading.time_s
        elif self._is_interrupted(reading):
            return "rising"
        is_early = self._is_listening() and state in _NOT_YET and not (state == "not judged" and reading.holds_two)
        return "rising" if is_early else state

    def _is_interrupted(self, reading: LiveReading) -> bool:
        """A tone that was there a moment ago, and loud: a jerk at the knob, or a beat."""
        is_loud = reading.instead_hz is None and reading.tone.level_v >= LEAST_LEVEL_V
        return is_loud and reading.time_s - self._tone_heard_s <= _PAUSE_S

    def _judge_now(self, reading: LiveReading) -> State:
        tone = reading.tone
        if reading.is_saturated:
            return "logger overloaded"
        if reading.instead_hz is not None or tone.level_v < LEAST_LEVEL_V:
            return "no tone"
        if reading.holds_two:
            return "not judged"
        if not tone.is_tone:
            return "no tone"
        thd = reading.thd_percent
        if thd is None:
            by_curve = "not judged" if self.goes_by_level else self._judge_by_curve(tone.level_v)
            is_quiet = by_curve == "not judged" and not self.goes_by_level and self._is_under_floor(tone)
            return "too quiet" if is_quiet else by_curve
        if tone.thd_is_below_floor:
            if self._is_under_floor(tone):
                return "too quiet"
            thd = 0.0
        thd = self._beyond_own(thd)
        if self._is_of_source(reading, thd):
            return "source clipped"
        if thd >= self._held(CLIPPED_PERCENT, "clipped"):
            return "clipped"
        if thd >= self._held(EDGE_PERCENT, "at the edge", "clipped"):
            return "at the edge"
        return "rising" if self._is_rising(reading) else "clean"

    def _own_percent(self) -> float | None:
        """What the tone carries at every level alike, where that is so much that it would pass for an edge."""
        alike = None if self._curve is None else self._curve.alike_percent
        return None if alike is None or alike < EDGE_PERCENT else alike

    def _beyond_own(self, thd_percent: float) -> float:
        return beyond_own(thd_percent, self._own_percent())

    def _is_under_floor(self, tone: ToneReading) -> bool:
        """So quiet that distortion at the edge would not show."""
        return tone.thd_is_below_floor and tone.thd_floor_percent > self._held(KNEE_PERCENT, "too quiet")

    def _held(self, percent: float, *states: State) -> float:
        """A threshold that is passed downwards a little later than upwards: words do not flicker at it."""
        return _HELD_RATIO * percent if self._state in states else percent

    def _judge_by_curve(self, level_v: float) -> State:
        """A tone whose distortion takes a steadier look than a tenth of a second: by what the curve said last."""
        curve = self._curve
        if curve is None:
            return "not judged"
        if curve.knee is not None and level_v >= curve.knee.level_v:
            is_source = self.step == "source" or curve.is_source_clipped
            return "source clipped" if is_source else "clipped"
        known_v = max(curve.clean_v or 0.0, 0.0 if curve.knee is None else curve.knee.level_v)
        return "clean" if level_v <= known_v * 10 ** (_STEADY_DB / 20) else "not judged"

    def _is_of_source(self, reading: LiveReading, thd: float) -> bool:
        if (reading.source_thd_percent or 0.0) >= KNEE_PERCENT:
            return True
        if thd < KNEE_PERCENT:
            return False
        if self._curve is not None and self._curve.is_source_clipped:
            return True
        return self.step == "source" and reading.source_thd_percent is None

    def _is_listening(self) -> bool:
        begun_s = self._tone_begun_s
        return begun_s is not None and self._reading is not None and self._reading.time_s - begun_s < _LISTEN_S

    def _is_only_level(self, reading: LiveReading) -> bool:
        return self.goes_by_level and reading.tone.is_tone and not reading.holds_two

    def _is_steady(self, reading: LiveReading) -> bool:
        near = [level for time_s, level in self._recent if time_s >= reading.time_s - _RISING_OVER_S]
        return max(near) < max(1e-6, min(near)) * 10 ** (_STEADY_DB / 20)

    def _is_rising(self, reading: LiveReading) -> bool:
        before = [level for time_s, level in self._recent if time_s >= reading.time_s - _RISING_OVER_S]
        return len(before) > 2 and reading.tone.level_v > max(1e-6, before[0]) * 10 ** (_RISING_DB / 20)

    def _ceiling_v(self) -> float | None:
        """Clean maximum as rms: by the curve, and until that knows it by the quick readings; never the source's."""
        if self.step in ("source", "lower source") or self._state == "source clipped":
            return None
        of_curve = None if self._curve is None else self._curve.knee
        known_v = self._early_ceiling_v if of_curve is None else of_curve.level_v
        is_refuted = known_v is not None and known_v * _REFUTED_RATIO < (self.highest_clean_v or 0.0)
        return None if is_refuted else known_v
