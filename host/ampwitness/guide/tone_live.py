"""What the level line shows: the tone of the last tenth of a second, measured anew with every small window."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.tones.tone_points import LOWEST_HZ
from ampwitness.guide.tone_lines import Heard, find_lines
from ampwitness.types import FloatArray, TraceWindow
from ampwitness.waveform.response import PASS_FRACTION
from ampwitness.waveform.tone_beat import Beat, find_beat
from ampwitness.waveform.tone_clip import thd_to_overdrive_db
from ampwitness.waveform.tone_fit import find_strongest_hz
from ampwitness.waveform.tone_meter import CONVERTER_FLOOR_V, TWO_TONES_PERCENT, ToneReading, measure_tone

LOOK_S = 0.1
LOOK_CYCLES = 4.0
_LIVE_HARMONICS = 16
_LONG_LOOK_S = 0.5  # for hum: lines 8 Hz apart are told apart
_LONG_EVERY = 12  # windows; it costs three times as much as all else
_STEADY_RATIO = 1.03
_LINES_OVER_S = 1.0  # for a second tone: lines 5 Hz apart are told apart
_LINES_EVERY = 4  # windows
_BEAT_OVER_S, _BEAT_EVERY, _SAME_BEAT_HZ = 1.0, 6, 0.4  # for tones nearer than that; windows
_BEAT_SWINGS_RATIO = 1.06
_LEAST_LINE_V = 0.1  # rms: weaker lines are no tone that somebody plays
_ABSENT_RATIO = 8.0  # another tone so much stronger, and the one that was asked for is not there
_STILL_TWO = 0.7  # of the threshold: two tones that were there still are


@dataclass(frozen=True, slots=True)
class LiveReading:
    """The tone as it is now."""

    time_s: float  # recording time of the newest sample
    tone: ToneReading
    supply_v: float | None
    source_thd_percent: float | None
    is_saturated: bool
    other_hz: float | None = None  # strongest other line lately: hum while the level is steady, or another tone
    other_percent: float = 0.0
    instead_hz: float | None = None  # the tone that plays where the one that was asked for does not
    band_hz: float = 0.0  # highest frequency that is measured right
    beat: Beat | None = None  # two tones too near each other for a line of their own

    @property
    def may_be_folded(self) -> bool:
        """The other tone may lie beyond half the sample rate and show where it folds to."""
        hz = self.instead_hz or self.other_hz
        return hz is not None and hz > 0.5 * self.band_hz

    @property
    def holds_two(self) -> bool:
        """Another tone plays beside the one that was asked for, or so near it that they beat."""
        return self.other_percent > TWO_TONES_PERCENT or self.beat is not None

    @property
    def thd_percent(self) -> float | None:
        """THD that may be shown; None where not judged."""
        return None if self.is_saturated else self.tone.thd_f_percent

    @property
    def overdrive_db(self) -> float:
        """How far the tone asks beyond the ceiling, by the law of even, hard clipping."""
        thd = self.thd_percent
        return 0.0 if thd is None or self.tone.thd_is_below_floor else thd_to_overdrive_db(thd / 100)


class LiveMeter:
    """Measures the newest LOOK_S of the output with every window.

    Gaps
    ----
    A gap empties it: nothing is measured across one.

    Limits
    ------
    Good enough for a hand on a knob (0.1 points of THD); the result is taken from the quarter seconds that a report
    uses as well.
    """

    def __init__(self, tone_hz: float) -> None:
        self._tone_hz = tone_hz
        self._look_s = max(LOOK_S, LOOK_CYCLES / tone_hz)
        self._volts: dict[str, FloatArray] = {}
        self._rate_hz = 0.0
        self._stop_s = 0.0
        self._saturated_until_s = -math.inf
        self._n_windows = 0
        self._hum: tuple[float | None, float] = (None, 0.0)
        self._heard: Heard | None = None  # at the last look
        self._beat_before: Beat | None = None  # at the last look
        self._beat: Beat | None = None  # that two looks found
        self._second: Heard | None = None  # another tone that two looks found at the same place

    def warm_up(self, rate_hz: float) -> None:
        """Measure a made, clipped tone, so that tables are worked out before anybody waits for them."""
        self._rate_hz = rate_hz
        time_s = np.arange(round(self._look_s * rate_hz)) / rate_hz
        self._measure(np.clip(10 * np.sin(2 * np.pi * self._tone_hz * time_s), -9, 9))
        thd_to_overdrive_db(0.01)

    def push(self, window: TraceWindow, wants_reading: bool = True) -> LiveReading | None:
        """Take the next window; None while there is not enough to measure, or where no reading is wanted."""
        if "output" not in window.traces:
            return None
        for span in window.traces["output"].saturated:
            self._saturated_until_s = max(self._saturated_until_s, span.stop_s)
        for at, segment in enumerate(window.traces["output"].segments):
            if segment.rate_hz != self._rate_hz or abs(segment.start_s - self._stop_s) * segment.rate_hz > 0.5:
                self._volts = {}
                self._heard = self._second = self._beat_before = self._beat = None
            self._rate_hz, self._stop_s = segment.rate_hz, segment.stop_s
            keep = round(max(self._look_s, _LINES_OVER_S) * segment.rate_hz)
            for role, trace in window.traces.items():
                if at < len(trace.segments):
                    before = self._volts.get(role, np.empty(0))
                    self._volts[role] = np.concatenate([before, trace.segments[at].volts])[-keep:]
        long = self._volts.get("output")
        n = round(self._look_s * self._rate_hz)
        if long is None or len(long) < n or not wants_reading:
            return None
        output = long[-n:]
        self._n_windows += 1
        self._look_for_hum(long)
        self._look_for_tones(long)
        self._look_for_beat(long)
        other_hz, other_percent, instead_hz = self._beside()
        tone = self._measure(output)
        source = self._volts.get("source", np.empty(0))[-n:]
        source_thd = None
        if len(source) == len(output) and float(np.std(source)) > 0.02:
            source_thd = self._measure(source).thd_f_percent
        supply = self._volts.get("supply", np.empty(0))[-n:]
        return LiveReading(
            time_s=self._stop_s,
            tone=tone,
            supply_v=float(np.mean(supply)) if len(supply) else None,
            source_thd_percent=source_thd,
            is_saturated=self._saturated_until_s > self._stop_s - self._look_s,
            other_hz=other_hz,
            other_percent=other_percent,
            instead_hz=instead_hz,
            band_hz=PASS_FRACTION * self._rate_hz / 2,
            beat=self._beat,
        )

    def _beside(self) -> tuple[float | None, float, float | None]:
        """What plays beside the tone, its percent of it, and what plays instead of it."""
        second = self._second
        if second is None:
            return (*self._hum, None)
        if second.other_v > _ABSENT_RATIO * second.tone_v:
            return None, 0.0, second.other_hz
        return second.other_hz, second.other_percent, None

    def _look_for_hum(self, long: FloatArray) -> None:
        if self._n_windows % _LONG_EVERY or len(long) < 0.99 * _LONG_LOOK_S * self._rate_hz:
            return
        long = long[-round(_LONG_LOOK_S * self._rate_hz) :]
        halves = [float(np.std(half)) for half in np.array_split(long, 2)]
        if max(halves) > _STEADY_RATIO * min(halves):
            return
        tone = measure_tone(long, self._rate_hz, expected_hz=self._tone_hz, n_fitted=10, wants_peak=False)
        if not tone.is_tone or tone.fundamental_v <= 0 or tone.other_hz is None:
            self._hum = (None, 0.0)  # the strongest line of silence is no hum of the tone that begins next
            return
        near_hz = 3 / _LONG_LOOK_S
        exact_hz = find_strongest_hz(long, self._rate_hz, tone.other_hz - near_hz, tone.other_hz + near_hz)
        self._hum = (exact_hz or tone.other_hz, tone.other_percent)

    def _look_for_tones(self, long: FloatArray) -> None:
        if self._n_windows % _LINES_EVERY or len(long) < 0.99 * _LONG_LOOK_S * self._rate_hz:
            return
        heard = find_lines(long, self._rate_hz, self._tone_hz)
        least_percent = TWO_TONES_PERCENT * (1.0 if self._second is None else _STILL_TWO)
        is_second = heard.other_percent > least_percent and heard.other_v > _LEAST_LINE_V
        is_same = heard.is_near(self._heard, self._rate_hz / len(long))
        if not is_second:
            self._second = None
        elif is_same:
            self._second = heard
        self._heard = heard if is_second else None

    def _look_for_beat(self, long: FloatArray) -> None:
        if self._n_windows % _BEAT_EVERY or len(long) < 0.99 * _BEAT_OVER_S * self._rate_hz:
            return
        pieces = [float(np.std(piece)) for piece in np.array_split(long, 10)]
        beat = None
        if max(pieces) > max(_BEAT_SWINGS_RATIO * min(pieces), _LEAST_LINE_V):
            beat = find_beat(long, self._rate_hz, find_strongest_hz(long, self._rate_hz, LOWEST_HZ), TWO_TONES_PERCENT)
        before, self._beat_before = self._beat_before, beat
        is_same = beat is not None and before is not None and abs(beat.apart_hz - before.apart_hz) < _SAME_BEAT_HZ
        self._beat = beat if is_same else None

    def _measure(self, volts: FloatArray) -> ToneReading:
        return measure_tone(
            volts,
            self._rate_hz,
            expected_hz=self._tone_hz,
            converter_floor_v=CONVERTER_FLOOR_V,
            n_fitted=_LIVE_HARMONICS,
            follows_trend=True,
            wants_peak=False,
        )
