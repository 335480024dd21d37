"""Counters of everything that was lost, and the status message that carries them once a second.

No counter outgrows the board's small integers: each stops at 2**30 - 1.
"""

from array import array

from logger import json_text

MOST = 0x3FFFFFFF

# Counters, by place. The names are those of the status message.
OVERRUN_SCANS = 0  # scans lost before they were framed, because the loop fell a whole ring behind
OVERRUNS = 1  # how often that happened
QUEUE_DROPPED_FRAMES = 2  # frames of any kind that found the transmit queue full
QUEUE_DROPPED_SCANS = 3  # scans in those of them that were SAMPLES
FIFO_OVERFLOWS = 4  # the converter itself lost conversions; each begins a new session, so it is kept across sessions
BAD_COMMANDS = 5  # from the host, no valid frame or no known command
COUNTER_NAMES = (
    "overrun_scans",
    "overruns",
    "queue_dropped_frames",
    "queue_dropped_scans",
    "fifo_overflows",
    "bad_commands",
)
_FIRST_KEPT = FIFO_OVERFLOWS  # this one and those behind it count since reset, the others since the session began


class Counters:
    """One counter a kind of loss, in `values`."""

    def __init__(self):
        self.values = array("i", [0] * len(COUNTER_NAMES))

    def add(self, which, n):
        """Count n more (0 to 2**30 - 1), stopping at 2**30 - 1. Allocates nothing."""
        value = self.values[which]
        self.values[which] = MOST if n > MOST - value else value + n

    def begin_session(self):
        """Set those to 0 that count within a session."""
        for which in range(_FIRST_KEPT):
            self.values[which] = 0


_FIELDS = ("uptime_s", "uptime_ms", "die_c", "free_bytes", "busy_share", "worst_loop_us")
# How close the buffers came to being full, in the last second.
_FILL_FIELDS = ("queue_most_bytes", "ring_most_conversions")


class StatusMessage:
    """The text of a status, made once, its numbers written in place.

    extra: pairs (name, function returning True or False) that an unusual board adds, such as the virtual one.
    """

    def __init__(self, counters, extra=()):
        self._counters = counters
        self._extra = extra
        names = _FIELDS + _FILL_FIELDS + COUNTER_NAMES + tuple(name for name, _ in extra)
        text = "{" + ",".join([json_text.field(name) for name in names]) + "}"
        self.text = bytearray(text.encode())
        self._at = dict((name, json_text.place(text, name)) for name in names)
        self._counter_at = [self._at[name] for name in COUNTER_NAMES]
        self._extra_at = [self._at[name] for name, _ in extra]
        self.set_die_tenths(None)
        self.set_free_bytes(-1)

    def set_die_tenths(self, tenths):
        """Temperature of the board's chip in tenths of a degree Celsius; None where it was not measured."""
        if tenths is None:
            json_text.put_word(self.text, self._at["die_c"], b"null")
        else:
            json_text.put_decimal(self.text, self._at["die_c"], tenths, 1)

    def set_free_bytes(self, n_bytes):
        """Free heap in bytes; below 0 where the interpreter does not know, which is written as 0."""
        json_text.put_number(self.text, self._at["free_bytes"], n_bytes if n_bytes > 0 else 0)

    def set_load(self, busy_percent, worst_loop_us, queue_most_bytes, ring_most_conversions):
        """How busy the last second was."""
        json_text.put_decimal(self.text, self._at["busy_share"], busy_percent, 2)
        json_text.put_number(self.text, self._at["worst_loop_us"], worst_loop_us)
        json_text.put_number(self.text, self._at["queue_most_bytes"], queue_most_bytes)
        json_text.put_number(self.text, self._at["ring_most_conversions"], ring_most_conversions)

    def set_uptime(self, seconds, milliseconds):
        """Time since reset."""
        json_text.put_number(self.text, self._at["uptime_s"], seconds)
        json_text.put_number(self.text, self._at["uptime_ms"], milliseconds)

    def set_counters(self):
        """Write the counters and the extra fields as they are now. Allocates nothing."""
        for which in range(len(self._counter_at)):
            json_text.put_number(self.text, self._counter_at[which], self._counters.values[which])
        for k in range(len(self._extra_at)):
            json_text.put_word(self.text, self._extra_at[k], b"true" if self._extra[k][1]() else b"false")
