"""What flows through the program, in the order in which it flows. All frozen; arrays are read-only.

Times called `*_s` are recording time unless said otherwise: seconds since the first scan of the recording, counted by
the board's own scan counter. Host receive times are `host_s` (seconds of the Unix epoch) and are never mixed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating[Any]]
CountArray = npt.NDArray[np.uint16]

GapCause = Literal["link", "overrun", "restart", "unknown", "reduced"]
# link: frames lost between board and host (or dropped from the board's queue); overrun: scans lost on the board before
# they were framed; restart: a new session; unknown: neither counter explains it; reduced: nothing was lost, a person
# had the full waveforms left out of the file (`ampwitness reduce`).

Verdict = Literal["found", "none found", "not judged"]


@dataclass(frozen=True, slots=True)
class Interval:
    """Half-open span of recording time, `start_s <= t < stop_s`."""

    start_s: float
    stop_s: float

    @property
    def duration_s(self) -> float:
        return self.stop_s - self.start_s


# ---- bytes -> Frame | BadFrame | Skipped ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Frames in a row that were received whole and left out of a reduced recording, samples and messages."""

    session_tag: int
    first_seq: int
    last_seq: int
    start_index: int  # of the first scan
    stop_index: int
    flags: int  # of the first frame of samples: they tell the cause of a loss right before it
    n_frames: int
    n_bytes: int  # on the wire, delimiters included
    last_host_s: float  # when the last of them was received


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came from the port or the recording, with when the host received them."""

    raw: bytes
    host_s: float
    left_out: LeftOut | None = None  # stood in front of `raw` before the recording was reduced


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame that passed its CRC. `stream_offset` is where its first byte stood in the byte stream."""

    kind: int
    session_tag: int
    seq: int
    sample_index: int
    flags: int
    payload: bytes
    host_s: float
    stream_offset: int


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes between two delimiters that are no valid frame."""

    reason: str
    n_bytes: int
    host_s: float
    stream_offset: int


@dataclass(frozen=True, slots=True)
class Skipped:
    """Bytes that were not looked at as a frame: before the first delimiter, or an unfinished tail."""

    n_bytes: int
    why: str
    stream_offset: int


# ---- Frame -> Block and the messages beside it ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Channel:
    """One analog channel as the hello describes it. Volts at the terminals = gain_v_per_code * code + offset_v,
    where code = count / counts_per_code."""

    role: str
    pin: int
    gain_v_per_code: float
    offset_v: float
    in_scan_offset_ns: int


@dataclass(frozen=True, slots=True)
class DigitalLine:
    """One digital line as the hello describes it; `level` is that at the hello's sample index."""

    role: str
    pin: int
    threshold_v: float | None
    level: int


@dataclass(frozen=True, slots=True)
class KeptCalibration:
    """Measured figures of one channel that the board keeps and says in its hello; the board itself uses nominal ones.
    Volts at the terminals = gain_v_per_code * code + offset_v."""

    role: str
    pin: int
    gain_v_per_code: float
    offset_v: float
    uncertainty_v: float  # standard uncertainty of a reading of 0 V at the terminal
    gain_uncertainty_ratio: float | None  # standard, of differences of volts; None: not stated
    made_on: str  # ISO date
    meter: str  # what it was measured with, in words


@dataclass(frozen=True, slots=True)
class Hello:
    """The board's description of itself and of its stream, checked and converted. `raw` is the JSON as it came."""

    protocol: int
    firmware: str
    board_id: str
    session_id: str
    session_tag: int
    reset_cause: str
    mode: str
    rate_hz: Fraction
    averaging: int
    counts_per_code: float
    scans_per_frame: int
    channels: tuple[Channel, ...]
    digital: tuple[DigitalLine, ...]
    input_corner_hz: float
    time_scale: float  # 1.0: the board's seconds are wall-clock seconds; else no clock fit is made
    sample_index: int
    host_s: float
    raw: Mapping[str, Any]
    calibration: tuple[KeptCalibration, ...] = ()  # of some of the channels; empty: the board keeps none

    @property
    def roles(self) -> tuple[str, ...]:
        return tuple(channel.role for channel in self.channels)


@dataclass(frozen=True, slots=True)
class Gap:
    """Scans that are missing, with why. `is_exact` is False where the length rests on a clock (restart).

    That is the board's, good to one scan, where the board says how many scans it missed; else the host's.
    """

    session_id: str
    start_index: int
    stop_index: int
    start_s: float
    stop_s: float
    cause: GapCause
    is_exact: bool


@dataclass(frozen=True, slots=True)
class Block:
    """An unbroken run of scans of one session: consecutive SAMPLES frames without a gap between them."""

    session_id: str
    seq: int  # of the first frame
    n_frames: int
    first_sample_index: int
    start_s: float  # recording time of the first scan
    rate_hz: Fraction
    counts: CountArray  # (n_scans, n_channels), sum-of-conversions as sent
    # (n_frames, n_channels, 2): raw conversions at code 0, at code 4095; 127 means "127 or more"
    at_rail: npt.NDArray[np.uint8]
    scans_per_frame: int
    hello: Hello
    host_s: float  # when the last byte of the block's last frame was received


@dataclass(frozen=True, slots=True)
class Edge:
    """A digital line changed level."""

    role: str
    level: int
    time_s: float
    session_id: str
    sample_index: int


@dataclass(frozen=True, slots=True)
class Mark:
    """Somebody pressed the button, or a key. One with a label is timed by the host's clock."""

    source: Literal["button", "host"]
    time_s: float
    session_id: str
    sample_index: int
    label: str = ""  # what was said with it


@dataclass(frozen=True, slots=True)
class Status:
    """The board's own counters, once a second. `raw` is the JSON as it came."""

    session_id: str
    time_s: float
    raw: Mapping[str, Any]
    host_s: float


@dataclass(frozen=True, slots=True)
class Fault:
    """The board reports that something is wrong with itself."""

    code: str
    text: str
    time_s: float
    session_id: str


Decoded = Hello | Block | Gap | Edge | Mark | Status | Fault


@dataclass(frozen=True, slots=True)
class LinkHealth:
    """Every byte, frame and scan accounted for. `balances` holds when each sum is exact.

    n_bytes = bytes in good frames + bytes in bad frames + skipped bytes + delimiters
    scans expected (from first and last index of each session) = scans received + scans lost by cause
        + scans left out on purpose
    """

    n_bytes: int
    n_bytes_in_frames: int
    n_bytes_bad: int
    n_bytes_skipped: int
    n_delimiters: int
    n_frames_good: int
    n_frames_bad: int
    n_frames_lost: int  # by the sequence counter; exact within a session
    n_frames_dropped_on_board: int  # of those lost, how many the board's status says it dropped itself
    n_scans_received: int
    n_scans_expected: int
    n_scans_lost: Mapping[str, int]  # by GapCause
    n_sessions: int
    bad_reasons: Mapping[str, int]
    board_counters: Mapping[str, int]  # the last status of each session, summed
    skipped_reasons: Mapping[str, int] = field(default_factory=dict)  # bytes by why
    n_scans_left_out: int = 0  # received, and left out of the file on purpose: no loss
    n_frames_left_out: int = 0

    @property
    def balances(self) -> bool:
        return (
            self.n_bytes == self.n_bytes_in_frames + self.n_bytes_bad + self.n_bytes_skipped + self.n_delimiters
            and self.n_scans_expected == self.n_scans_received + sum(self.n_scans_lost.values()) + self.n_scans_left_out
        )


# ---- Block -> Trace -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Calibration:
    """How counts of a channel became volts: volts = gain * code + offset, with the standard uncertainty of each."""

    role: str
    gain_v_per_code: float
    offset_v: float
    gain_uncertainty_ratio: float
    offset_uncertainty_v: float
    made_on: str | None  # ISO date; None: nominal values of the parts
    source: str


@dataclass(frozen=True, slots=True)
class Saturation(Interval):
    """Span in which raw conversions of a channel stood at a rail of the logger's converter."""

    channel_role: str  # out_p and out_n both mark the trace `output`
    rail: Literal["bottom", "top"]
    n_conversions: int  # at the rail; the board stops at 127 a frame, so at least so many. Cut spans: in the first part


@dataclass(frozen=True, slots=True)
class Segment:
    """Unbroken volts of one channel. Sample k is at start_s + k / rate_hz."""

    start_s: float
    rate_hz: float
    volts: FloatArray  # (n,) float32 or float64, volts at the terminals

    @property
    def stop_s(self) -> float:
        return self.start_s + len(self.volts) / self.rate_hz

    def times_s(self) -> FloatArray:
        return self.start_s + np.arange(len(self.volts)) / self.rate_hz


@dataclass(frozen=True, slots=True)
class InputPath:
    """What a channel's volts came through before they were numbers: enough to say how strongly a tone beyond half the
    sample rate still shows."""

    corner_hz: float
    averaging: int
    delay_s: float  # from a scan's nominal instant to the middle of its average


@dataclass(frozen=True, slots=True)
class Trace:
    """One bounded window of one quantity. There is no plain-array view: what crosses a gap must say how."""

    role: str  # output, supply, battery, ground, source, current, remote
    start_s: float
    stop_s: float
    segments: tuple[Segment, ...]
    gaps: tuple[Gap, ...]  # those that touch [start_s, stop_s)
    saturated: tuple[Interval, ...]  # where the logger's own ADC was at a rail; Saturation where that is known
    paths: tuple[InputPath, ...] = ()  # one a channel of the trace, out_p first; none where it is not known


@dataclass(frozen=True, slots=True)
class TraceWindow:
    """All traces over one span of recording time, with what happened beside them. Windows follow one another without
    overlap; where one starts says nothing. All traces of a window have the same segmentation."""

    start_s: float
    stop_s: float
    rate_hz: float
    mode: str
    traces: Mapping[str, Trace]
    gaps: tuple[Gap, ...]  # each gap once, in the window in which it starts
    edges: tuple[Edge, ...]
    marks: tuple[Mark, ...]
    lines_on: tuple[str, ...] = ()  # roles of the digital lines that stood high when the recording began
    common: Trace | None = None  # of a bridged output, half the sum of its terminals: where both stand together


# ---- Trace -> Finding + Coverage -> Analysis ------------------------------------------------------------------------

Severity = Literal["information", "attention", "serious", "danger"]
FindingKind = Literal[
    "clip", "note", "dip", "cutout", "tone", "knee", "setting", "check", "drift", "reading", "saturation", "gap", "mark"
]
Measured = Mapping[str, float | int | str | bool | None]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was seen, with what is needed to recompute it. Units stand at the end of the key names."""

    kind: FindingKind
    start_s: float
    stop_s: float
    severity: Severity
    measured: Measured
    threshold: Measured
    evidence: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A span on which a detector has no verdict, and why."""

    start_s: float
    stop_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a detector looked at. `judged_s` seconds carry a verdict; the rest is in `not_judged`."""

    detector: str
    judged_s: float
    not_judged: tuple[NotJudged, ...]


@dataclass(frozen=True, slots=True)
class Envelope:
    """Lowest, highest and root-mean-square value in steps of equal length; NaN where there is no data.
    Entry k covers start_s + k * step_s to start_s + (k + 1) * step_s."""

    role: str
    start_s: float
    step_s: float
    lowest: FloatArray
    highest: FloatArray
    rms: FloatArray


@dataclass(frozen=True, slots=True)
class Settings:
    """What the person typed (amplifier, load, reference point, ...) and what the analysis was told."""

    notes: Mapping[str, Any]
    options: Mapping[str, Any]
    calibrations: tuple[Calibration, ...]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything a report says. The report never measures: what it prints stands here."""

    recording_name: str
    duration_s: float
    hellos: tuple[Hello, ...]
    findings: Sequence[Finding]  # by start_s; a FindingList where a recording was analysed
    coverage: tuple[Coverage, ...]
    link_health: LinkHealth
    settings: Settings
    envelopes: Mapping[str, Envelope]
    # full-rate windows: of the findings shown enlarged, in that order, then waves of further findings
    excerpts: tuple[TraceWindow, ...] = ()
    # per detector, what it learned over the whole recording, e.g. the rail
    summary: Mapping[str, Any] = field(default_factory=dict)
