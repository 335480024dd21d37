"""The walk through a calibration: which lead goes where, which voltage comes next, and when a channel is done."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from ampwitness.types import Channel, Hello
from ampwitness.waveform.calibration import N_CODES
from ampwitness.waveform.calibration_fit import (
    LEAST_SPAN_CODES,
    MOVED_SIGMAS_LSB,
    CalibrationPoint,
    StillReading,
)

CAUTION = (
    "Use a small supply with a current limit, or a battery through a fuse at its post. The amplifier stays off and its "
    "outputs stay unconnected. Take power off before clips move."
)
# A channel without bias has its 0 V at the converter's lowest code, where half of its noise is cut off: it is given two
# voltages instead. So many codes above it the noise has room.
LEAST_ZERO_CODE = 16
# What a hand-held meter is good for when the user does not say: limits. Common practice, no source.
METER_PERCENT = 0.5
METER_V = 0.01


@dataclass(frozen=True, slots=True)
class Question:
    """What to ask for. role: the channel, None: all at once; is_optional: the channel can do without the answer."""

    role: str | None
    text: str
    is_optional: bool


def input_range_v(channel: Channel) -> tuple[float, float]:
    """Lowest and highest volts that the channel's input can show, by its design."""
    ends = (channel.offset_v, channel.offset_v + (N_CODES - 1) * channel.gain_v_per_code)
    return min(ends), max(ends)


def point_from(
    channel: Channel, reading: StillReading, known_v: float, meter_v: float
) -> tuple[CalibrationPoint | None, str]:
    """A point for the fit, or None with the reason why this reading cannot be one.

    Parameters
    ----------
    channel : the design
    reading : what the board read while the terminal was held
    known_v : what the meter showed
    meter_v : limit of the meter's last digits, volts
    """
    low_v, high_v = input_range_v(channel)
    if not math.isfinite(known_v):
        return None, f"{channel.role}: {known_v} is no voltage."
    if reading.n_at_rail:
        least_v = max(low_v, low_v + LEAST_ZERO_CODE * channel.gain_v_per_code)
        return None, (
            f"{channel.role}: the converter stands at its end. {known_v:g} V is outside what this input can be "
            f"calibrated with ({least_v:.2g} to {high_v:.3g} V), or the lead is on the wrong terminal."
        )
    if reading.moved_lsb > MOVED_SIGMAS_LSB:
        return None, (
            f"{channel.role}: the voltage moved by {1e3 * reading.moved_lsb * channel.gain_v_per_code:.0f} mV while it "
            "was read. Hold it steady (a charged battery, a bench supply) and take the point again."
        )
    # An even spread between the limits: limit / sqrt(3), JCGM 100:2008, 4.3.7.
    return CalibrationPoint(known_v, meter_v / math.sqrt(3), reading.mean_code, reading.code_uncertainty_lsb), ""


@dataclass(slots=True)
class CalibrationWalk:
    """Asks for a common zero first, then for one or more known voltages a channel.

    hello : of the board; roles : channels to calibrate, all if empty
    points : by role, what has been taken
    """

    hello: Hello
    roles: tuple[str, ...] = ()
    points: dict[str, list[CalibrationPoint]] = field(default_factory=dict)
    _done: set[str] = field(default_factory=set)
    _has_zero: bool = False

    def __post_init__(self) -> None:
        self.roles = self.roles or self.hello.roles

    def channel(self, role: str) -> Channel:
        """The design of a channel."""
        return next(channel for channel in self.hello.channels if channel.role == role)

    @property
    def zero_roles(self) -> tuple[str, ...]:
        """Channels whose 0 V the converter can show."""
        channels = [self.channel(role) for role in self.roles]
        return tuple(c.role for c in channels if -c.offset_v / c.gain_v_per_code >= LEAST_ZERO_CODE)

    def next_question(self) -> Question | None:
        """What to ask for now; None when every channel is done."""
        if not self._has_zero and self.zero_roles:
            leads = ", ".join(self.zero_roles)
            return Question(None, f"Clip these leads together and onto the logger's ground: {leads}.", False)
        for role in self.roles:
            if role not in self._done:
                return self._ask_known(role)
        return None

    def _ask_known(self, role: str) -> Question:
        low_v, high_v = input_range_v(self.channel(role))
        taken = self.points.get(role, [])
        if self.has_enough(role):
            return Question(role, f"{role}: another known voltage, or nothing to go on.", True)
        lowest_v = max(0.9 * low_v, low_v + LEAST_ZERO_CODE * self.channel(role).gain_v_per_code)
        text = f"{role}: put a steady voltage on this lead, between {lowest_v:.2g} and {0.9 * high_v:.2g} V"
        if len(taken) == 1:
            least_v = LEAST_SPAN_CODES * self.channel(role).gain_v_per_code
            text += (
                f" and at least {least_v:.2g} V away from the {taken[0].known_v:g} V before; the farther, the better"
            )
        return Question(role, text + ". Measure it with the meter right at the lead's tip.", False)

    def has_enough(self, role: str) -> bool:
        """Whether two points lie far enough apart for a line."""
        codes = [point.mean_code for point in self.points.get(role, [])]
        return len(codes) >= 2 and max(codes) - min(codes) >= LEAST_SPAN_CODES

    def take(self, question: Question, known_v: float, readings: Iterable[StillReading], meter_v: float) -> list[str]:
        """Take a measured answer. Returns why it could not be used, one sentence a channel; empty when it could."""
        by_role = {reading.role: reading for reading in readings}
        refused, taken = [], []
        for role in self.zero_roles if question.role is None else (question.role,):
            if role not in by_role:
                refused.append(f"{role}: the board sent nothing for it.")
                continue
            point, why_not = point_from(self.channel(role), by_role[role], known_v, meter_v)
            if point is None:
                refused.append(why_not)
            else:
                taken.append((role, point))
        if not refused or question.role is not None:
            for role, point in taken:
                self.points.setdefault(role, []).append(point)
        if question.role is None and not refused:
            self._has_zero = True
        return refused

    def skip(self, question: Question) -> None:
        """Go on without an answer: the channel is done, with what it has."""
        if question.role is None:
            self._has_zero = True
        else:
            self._done.add(question.role)
