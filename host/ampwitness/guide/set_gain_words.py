"""What the walk through setting a gain says: instructions, states in words, and what a key does not do here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ampwitness.detect.tones.tone_beats import word_beat
from ampwitness.findings.line_words import name_other
from ampwitness.guide.tone_live import LiveReading
from ampwitness.guide.tone_tracks import STEP_DB
from ampwitness.waveform.tone_clip import thd_to_overdrive_db
from ampwitness.waveform.tone_meter import OTHER_TONE_PERCENT, TWO_TONES_PERCENT

Step = Literal["source", "amplifier", "come back", "lower source", "done"]
State = Literal[
    "no tone",
    "rising",
    "clean",
    "too quiet",
    "at the edge",
    "clipped",
    "source clipped",
    "logger overloaded",
    "not judged",
]

EDGE_PERCENT = 0.4  # from here on the tone is at the edge
KNEE_PERCENT = 1.0
CLIPPED_PERCENT = 1.5
_SAME_RATIO = 1.15  # a tenth of a second measures distortion to about 0.1 points
HIGHEST_SUB_HZ = 120.0  # up to here a player's sub level moves the tone
FULL_UP = "the gain is full up and the source at its own edge: together they do not reach the amplifier's edge"


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
class Situation:
    """All that the words depend on."""

    step: Step
    state: State
    reading: LiveReading | None
    ceiling_v: float | None
    tone_hz: float
    judged_to_hz: float
    n_rounds: int
    is_listening: bool  # the tone has just begun
    is_source_checked: bool  # in this round, it was heard clean
    is_source_unchecked: bool  # the first step was left without that
    own_percent: float | None = None  # distortion at every level alike, so no sign of an edge

    @property
    def overdrive_db(self) -> float:
        """How far the tone asks beyond the ceiling, by the law of even, hard clipping, less what it carries itself."""
        if self.reading is None or self.own_percent is None or self.reading.thd_percent is None:
            return 0.0 if self.reading is None else self.reading.overdrive_db
        return thd_to_overdrive_db(beyond_own(self.reading.thd_percent, self.own_percent) / 100)

    @property
    def goes_by_level(self) -> bool:
        """The tone is too high for its distortion."""
        return self.tone_hz > self.judged_to_hz

    @property
    def source_control(self) -> str:
        """What of a source moves this tone."""
        return "source's sub level" if self.tone_hz <= HIGHEST_SUB_HZ else "source's volume"


def beyond_own(thd_percent: float, own_percent: float | None) -> float:
    """Distortion beyond what the tone carries at every level alike: the powers are subtracted; within `_SAME_RATIO` of
    that it is nothing."""
    if own_percent is None:
        return thd_percent
    if thd_percent <= _SAME_RATIO * own_percent:
        return 0.0
    return math.sqrt(thd_percent**2 - own_percent**2)


def other_ways(judged_to_hz: float) -> str:
    """What sets an amplifier where its tone has no distortion that could be judged."""
    return (
        f"play the steps track with the gain left alone, or use a tone up to {judged_to_hz:.0f} Hz inside the "
        "amplifier's band"
    )


def word_thd(reading: LiveReading, state: State) -> str:
    """Distortion as a figure, or that it is not judged, and what is heard beside the tone."""
    thd = reading.thd_percent
    if reading.beat is not None or reading.other_percent > TWO_TONES_PERCENT:
        return "THD not judged"
    if thd is None or state == "no tone" or not reading.tone.is_tone:
        return "THD not judged"
    beside = ""
    if reading.other_percent >= OTHER_TONE_PERCENT and reading.other_hz:
        beside = f"   also {reading.other_hz:.0f} Hz, {reading.other_percent:.1f} %{name_other(reading.other_hz)}"
    if reading.tone.thd_is_below_floor:
        return f"THD less than {reading.tone.thd_floor_percent:.2f} %{beside}"
    return f"THD {thd:.2f} %{beside}"


def word_state(now: Situation) -> str:
    """How it stands, in at most a line."""
    reading = now.reading
    if reading is None:
        return "waiting for samples"
    if now.is_listening and now.state == "rising":
        return "a tone: listening"
    if now.state == "rising" and not reading.tone.is_tone:
        return "the level jumps"
    if now.state == "no tone":
        if reading.instead_hz is None:
            return f"no tone: play the {now.tone_hz:g} Hz track"
        folded = f", or one beyond {reading.band_hz:.0f} Hz" if reading.may_be_folded else ""
        return f"no {now.tone_hz:g} Hz tone: {reading.instead_hz:.0f} Hz is playing{folded}"
    if now.state == "not judged":
        return _word_not_judged(now, reading)
    if now.state == "logger overloaded":
        return "logger overloaded: turn down, or use a larger divider"
    if now.state == "too quiet":
        if reading.thd_percent is None:
            return "too quiet for its distortion to be judged: turn it up"
        return f"too quiet to judge: only that THD is below {reading.tone.thd_floor_percent:.1f} %"
    if now.state == "clipped" and reading.thd_percent is None:
        return "clipped: beyond the clean ceiling"
    if now.state == "clipped":
        by = f"clipped by {now.overdrive_db:.1f} dB"
        return f"{by} in the amplifier: turn its gain back" if now.step == "source" else by
    if now.state == "source clipped":
        if now.step == "source" and reading.source_thd_percent is None:
            return "source clipped: lower the source (or is the gain not at its minimum?)"
        return "source clipped: lower the source, not the amplifier"
    if now.step == "source" and now.state == "at the edge":
        return "at the source's edge: no louder than this"
    return _word_below(now, reading)


def _word_not_judged(now: Situation, reading: LiveReading) -> str:
    if reading.beat is not None:
        return word_beat(reading.beat)
    for hz, percent in ((reading.other_hz, reading.other_percent), (reading.tone.other_hz, reading.tone.other_percent)):
        if hz and percent > TWO_TONES_PERCENT:
            folded = f" (or beyond {reading.band_hz:.0f} Hz)" if reading.may_be_folded else ""
            return f"two tones: another at {hz:.0f} Hz{folded}, {percent:.0f} % of this one"
    if now.goes_by_level:
        return f"level only: distortion of {now.tone_hz:g} Hz is not judged"
    if now.tone_hz <= now.judged_to_hz and reading.tone.is_tone:
        return f"measuring: distortion of {now.tone_hz:g} Hz is judged once a second, go slowly"
    return f"distortion not judged: {reading.tone.not_judged}"


def _word_below(now: Situation, reading: LiveReading) -> str:
    own = now.own_percent
    carried = "" if own is None or now.state != "clean" else f"; the {own:.1f} % is the tone's own, at every level"
    if now.state in ("clean", "rising") and now.ceiling_v and reading.tone.level_v > 0:
        below_db = 20 * math.log10(now.ceiling_v / reading.tone.level_v)
        if below_db > 0.05:
            return f"{now.state}, {below_db:.1f} dB below the clean ceiling{carried}"
    return f"{now.state}{carried}"


def instruct(now: Situation, outcome: str) -> str:
    """What to do in this step, and which keys there are."""
    if now.step == "source":
        return _instruct_source(now)
    if now.step == "amplifier":
        return _instruct_amplifier(now)
    if now.step == "come back":
        return _instruct_back(now)
    if now.step == "lower source":
        return (
            f"The source clips before the amplifier: lower the {now.source_control} one step. Enter: check it again. "
            "q: end."
        )
    return f"Done: {outcome}."


def _instruct_source(now: Situation) -> str:
    if now.n_rounds > 1:  # the gain stands fully up: that comes first
        return (
            "1 of 3, the source again. FIRST turn the amplifier's gain back to its minimum. Then raise the "
            f"{now.source_control} one step; if it distorts, turn it down until clean. Enter: next. q: end."
        )
    return (
        "1 of 3, the source. Amplifier gain at its minimum, tone controls flat, boost off. Turn the source up to the "
        "highest volume you will use; if it distorts, turn it down until clean. Enter: next. q: end."
    )


def _instruct_amplifier(now: Situation) -> str:
    without = " (source not checked)" if now.is_source_unchecked else ""
    if now.goes_by_level:
        return (
            f"2 of 3, the amplifier{without}. Play the steps track and leave the gain alone while it runs: each step "
            f"should raise the level by {STEP_DB:g} dB. If all did, turn the gain up and play it again. q: end."
        )
    return (
        f"2 of 3, the amplifier{without}. Turn its gain up slowly until STOP stands here. f: gain is full up. "
        "t: turned up one step. q: end."
    )


def _instruct_back(now: Situation) -> str:
    if now.state == "clean":
        return "3 of 3. Hold the knob there: looking whether it stays clean."
    if now.state in ("too quiet", "no tone"):
        return "3 of 3. Too far back, or the track has ended: play it and turn up until it says clean. q: end."
    mark = "" if now.ceiling_v is None else f", left of the mark at {now.ceiling_v:.2f} V,"
    return f"3 of 3. STOP. Turn the gain back by {max(0.3, now.overdrive_db):.1f} dB{mark} until it says clean. q: end."


def refuse_key(key: str, now: Situation) -> str:
    """Why a key does nothing here and what would; empty where it does its work."""
    if key == "other":
        return f"Keys here: {_KEYS[now.step]}."
    if key == "next":
        return _refuse_next(now)
    if now.step != "amplifier" or now.goes_by_level:
        wanted = "the gain is full up" if key == "full" else "a turn of the gain"
        return f"{key[0]} says that {wanted}, and belongs to step 2. Keys here: {_KEYS[now.step]}."
    if now.state in ("no tone", "not judged", "logger overloaded"):
        return f"{key[0]} counts only while the tone is measured ({word_state(now)})."
    if key == "full" and now.state in ("at the edge", "clipped", "source clipped"):
        return "It is at its edge already: turn the gain back until it says clean."
    return ""


_KEYS = {
    "source": "Enter next step, q end",
    "amplifier": "f gain is full up, t turned up one step, q end",
    "come back": "q end; it goes on by itself once the gain is turned back",
    "lower source": "Enter check the source again, q end",
    "done": "none",
}


def _refuse_next(now: Situation) -> str:
    if now.step in ("amplifier", "come back"):
        return f"Enter has nothing to do here. Keys here: {_KEYS[now.step]}."
    if now.state == "source clipped":
        return "The source still clips: lower it first, then Enter."
    if now.step == "source" and not now.is_source_checked:
        return f"The source is not checked ({word_state(now)}). Enter again goes on without it."
    return ""
