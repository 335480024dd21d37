"""From decoded blocks to windows of volts on a fixed grid of recording time.

Sample k of a session stands for the instant of the terminals k / rate after the first conversion of the session's
first scan; recording time 0 is the first conversion of the recording's first scan. Windows are cut at multiples of
`window_s`, or earlier where the mode changes. The same bytes give bit-identical windows however they were cut into
chunks and blocks, and bit-identical samples whatever `window_s` is.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from ampwitness.types import (
    Block,
    Calibration,
    Decoded,
    Edge,
    Gap,
    Interval,
    Mark,
    Saturation,
    Segment,
    Status,
    Trace,
    TraceWindow,
)
from ampwitness.waveform.adc_correction import NOMINAL_ADC, AdcModel
from ampwitness.waveform.balance import BridgeBalance, BridgeBalanceMeter
from ampwitness.waveform.calibration import calibrations_for
from ampwitness.waveform.rails import find_rail_runs
from ampwitness.waveform.runs import COMMON, Run, SessionVolts, StreamKey, stream_key, trace_role_of

# An edge or a mark may come over the wire after the samples of its instant; so long a window waits for them.
SETTLE_S = 2.0


@dataclass(slots=True)
class _Built:
    """A window whose samples are final and whose edges and marks may still come."""

    start: Fraction
    stop: Fraction
    rate_hz: float
    mode: str
    traces: dict[str, Trace]
    gaps: tuple[Gap, ...]
    common: Trace | None


@dataclass(slots=True)
class _Waiting:
    """What was decoded and has not yet found its window."""

    gaps_new: list[Gap] = field(default_factory=list)
    gaps_touching: list[Gap] = field(default_factory=list)
    saturations: dict[str, list[Saturation]] = field(default_factory=dict)
    edges: list[Edge] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)


class Assembler:
    """Turns decoded items, in order, into windows of volts.

    Parameters
    ----------
    window_s : length of a window, seconds
    calibrations : measured calibrations by role; nominal ones of the hello stand in for the rest
    correct_adc : take out the converter's known non-linearity
    adc : the converter's model; nominal if not given
    corner_hz_by_role : measured corners of the input networks; the hello's nominal one stands in for the rest
    origins : recording time of scan 0 of sessions that are joined in the middle, as `origin_of` gave it for their first
        block; with them windows are the same bits as in a pass from the start
    settle_s : how long a finished window waits for edges and marks of its span; 0 for a live display. One that comes
        later still is put into the next window, with its true time
    wanted : recording time outside which windows are made without samples, as those take most of the time; None: all

    Gaps
    ----
    Each unbroken run is filtered by itself. Its first and last HALF_TAPS samples (4 ms at 8 kS/s) have no complete
    filter and are not passed on: a segment ends that much before a gap and begins that much after it. Nothing is
    filled. `n_scans_trimmed` counts them. A run of up to 2 HALF_TAPS samples gives no output.
    A window without a single sample is made as long as the hole, in whole windows.

    Limits
    ------
    The corner of the input network is the nominal one unless measured; 10 % off costs what the scores print.
    Where the converter was at a rail the volts are wrong there and, by less than 3 % of what is missing, up to
    HALF_TAPS samples around it.

    Source
    ------
    Our choice, measured in tests/waveform/test_assemble.py.
    """

    def __init__(
        self,
        window_s: float = 10.0,
        *,
        calibrations: Mapping[str, Calibration] | Iterable[Calibration] | None = None,
        correct_adc: bool = True,
        adc: AdcModel = NOMINAL_ADC,
        corner_hz_by_role: Mapping[str, float] | None = None,
        settle_s: float = SETTLE_S,
        origins: Mapping[str, Fraction] | None = None,
        wanted: Interval | None = None,
    ) -> None:
        if not window_s > 0:
            raise ValueError(f"a window must last longer than 0 s, got {window_s}")
        self._window = Fraction(str(window_s))
        self._settle = Fraction(str(settle_s))
        self._origins = dict(origins or {})
        self._wanted = wanted
        if calibrations is not None:
            listed = calibrations.values() if isinstance(calibrations, Mapping) else calibrations
            self._calibrations = {calibration.role: calibration for calibration in listed}
        else:
            self._calibrations = {}
        self._adc = adc if correct_adc else None
        self._corner_hz_by_role = dict(corner_hz_by_role or {})
        self._meter = BridgeBalanceMeter()
        self._session: SessionVolts | None = None
        self._lines_on: tuple[str, ...] = ()
        self._runs: list[Run] = []
        self._at = Fraction(0)  # where the next window starts
        self._now = Fraction(0)  # how far the blocks reach,
        self._seen_s = 0.0  # and what else was decoded
        self._waiting = _Waiting()
        self._built: deque[_Built] = deque()
        self.n_scans_received = 0
        self.n_scans_passed = 0
        self.n_scans_trimmed = 0

    # ---- in -----------------------------------------------------------------------------------------------------

    def push(self, item: Decoded) -> list[TraceWindow]:
        """Take the next decoded item; return the windows that are complete, in order."""
        if isinstance(item, Block):
            self._take_block(item)
        elif isinstance(item, Gap):
            self._close_run()
            self._waiting.gaps_new.append(item)
            self._see(item.start_s)
        elif isinstance(item, Edge):
            self._waiting.edges.append(item)
        elif isinstance(item, Mark):
            self._waiting.marks.append(item)
        elif isinstance(item, Status):
            self._see(item.time_s)
        return self._release(everything=False)

    def finish(self) -> list[TraceWindow]:
        """End of the recording: return all windows that wait. The last one ends with the last scan or gap."""
        self._close_run()
        if self._session is not None:
            stop = max(
                [run.session.time(run.stop) for run in self._runs]
                + [Fraction(gap.stop_s) for gap in self._waiting.gaps_new]
                + [self._at]
            )
            self._build_up_to(stop)
            if self._at < stop:
                self._build(stop)
        return self._release(everything=True)

    def bridge_balance(self) -> BridgeBalance:
        """How equal the two dividers of a bridged output were found, so far. Not applied by itself: see
        `balance.balance_calibrations`, for a second pass."""
        return self._meter.result()

    def _see(self, time_s: float) -> None:
        self._seen_s = max(self._seen_s, time_s)

    def _take_block(self, block: Block) -> None:
        if len(block.counts) == 0:
            return
        session = self._session_of(block)
        run = self._runs[-1] if self._runs else None
        if run is None or run.is_closed or run.session is not session or run.stop != block.first_sample_index:
            self._close_run()
            run = Run(session, block.first_sample_index)
            self._runs.append(run)
        run.append(block)
        self.n_scans_received += len(block.counts)
        self._take_rails(block, session)
        self._now = max(self._now, session.time(run.stop))
        # A window is final once no scan to come can lie in it or be needed by its last sample.
        self._build_up_to(session.time(max(run.start, run.stop_output)))

    def _session_of(self, block: Block) -> SessionVolts:
        key: StreamKey = stream_key(block)
        old = self._session
        if old is not None and old.session_id == block.session_id and old.key == key:
            return old
        self._close_run()
        calibrations = calibrations_for(block.hello, self._calibrations)
        session = SessionVolts(
            block, calibrations, self._corner_hz_by_role, self._adc, self._origins.get(block.session_id)
        )
        begin = session.time(block.first_sample_index)
        if old is None:
            self._at = begin // self._window * self._window
            self._lines_on = tuple(line.role for line in block.hello.digital if line.level)
        elif old.key != key:
            self._build_up_to(begin)
            if self._at < begin:
                self._build(begin)
            self._runs.clear()
        self._session = session
        return session

    def _close_run(self) -> None:
        if self._runs and not self._runs[-1].is_closed:
            self._runs[-1].is_closed = True
            self.n_scans_trimmed += self._runs[-1].n_trimmed

    def _take_rails(self, block: Block, session: SessionVolts) -> None:
        for first, stop, channel, rail, n_conversions in find_rail_runs(block):
            role = trace_role_of(session.roles[channel], session.roles)
            span = Saturation(session.time_s(first), session.time_s(stop), session.roles[channel], rail, n_conversions)
            self._waiting.saturations.setdefault(role, []).append(span)

    # ---- windows ------------------------------------------------------------------------------------------------

    def _next_cut(self) -> Fraction:
        return (self._at // self._window + 1) * self._window

    def _build_up_to(self, limit: Fraction) -> None:
        """Build every whole window that ends at or before `limit`; holes become one window each."""
        while (cut := self._next_cut()) <= limit:
            spans = [(run.session.time(run.start), run.session.time(run.stop)) for run in self._runs]
            if not any(start < cut and stop > self._at for start, stop in spans):
                resumes = min((start for start, _ in spans if start >= cut), default=limit)
                cut = max(cut, min(resumes, limit) // self._window * self._window)
            self._build(cut)

    def _build(self, stop: Fraction) -> None:
        session = self._session
        assert session is not None
        start, waiting = self._at, self._waiting
        segments: dict[str, list[Segment]] = {role: [] for role in (*session.trace_roles, COMMON)}
        wanted = self._wanted
        is_wanted = wanted is None or (start < wanted.stop_s and stop > wanted.start_s)
        for run in self._runs:
            first = max(run.session.first_index_at(start), run.first_output)
            last = min(run.session.first_index_at(stop), run.stop_output)
            if last > first and is_wanted:
                self.n_scans_passed += last - first
                for role, volts in run.volts(first, last, self._meter).items():
                    segments[role].append(Segment(run.session.time_s(first), session.rate_hz, volts))
            run.forget_before(run.session.first_index_at(stop))
        self._runs = [run for run in self._runs if not run.is_closed or run.session.time(run.stop) > stop]
        gaps = tuple(gap for gap in waiting.gaps_new if gap.start_s < float(stop))
        waiting.gaps_new = waiting.gaps_new[len(gaps) :]
        touching = tuple(gap for gap in (*waiting.gaps_touching, *gaps) if gap.stop_s > float(start))
        waiting.gaps_touching = [gap for gap in touching if gap.stop_s > float(stop)]
        traces = {}
        for role in session.trace_roles:
            saturated = self._saturated(role, start, stop)
            traces[role] = Trace(
                role, float(start), float(stop), tuple(segments[role]), touching, saturated, session.paths[role]
            )
        common = None
        if {"out_p", "out_n"} <= set(session.roles):
            common = Trace(COMMON, float(start), float(stop), tuple(segments[COMMON]), touching, ())
        self._built.append(_Built(start, stop, session.rate_hz, session.mode, traces, gaps, common))
        self._at = stop

    def _saturated(self, role: str, start: Fraction, stop: Fraction) -> tuple[Interval, ...]:
        """Spans of a role in a window, cut at its ends, joined where they touch; each conversion in one of them."""
        start_s, stop_s = float(start), float(stop)
        all_known = self._waiting.saturations.get(role, [])
        known = [span for span in all_known if span.start_s < stop_s]
        here, later = [], [span for span in all_known if span.start_s >= stop_s]
        for span in _joined(known):
            n_conversions = span.n_conversions
            if span.stop_s > start_s:
                inside_s = (max(span.start_s, start_s), min(span.stop_s, stop_s))
                here.append(Saturation(*inside_s, span.channel_role, span.rail, n_conversions))
            if span.stop_s > stop_s:
                later.append(Saturation(stop_s, span.stop_s, span.channel_role, span.rail, 0))
        self._waiting.saturations[role] = later
        return tuple(sorted(here, key=lambda s: (s.start_s, s.channel_role, s.rail)))

    def _has_settled(self, built: _Built) -> bool:
        settled = built.stop + self._settle
        return settled <= self._now or settled <= Fraction(self._seen_s)

    def _release(self, everything: bool) -> list[TraceWindow]:
        released: list[TraceWindow] = []
        waiting = self._waiting
        while self._built and (everything or self._has_settled(self._built[0])):
            built = self._built.popleft()
            is_last = everything and not self._built
            stop_s = float("inf") if is_last else float(built.stop)
            edges = sorted((edge for edge in waiting.edges if edge.time_s < stop_s), key=lambda edge: edge.time_s)
            marks = sorted((mark for mark in waiting.marks if mark.time_s < stop_s), key=lambda mark: mark.time_s)
            waiting.edges = [edge for edge in waiting.edges if edge.time_s >= stop_s]
            waiting.marks = [mark for mark in waiting.marks if mark.time_s >= stop_s]
            released.append(
                TraceWindow(
                    start_s=float(built.start),
                    stop_s=float(built.stop),
                    rate_hz=built.rate_hz,
                    mode=built.mode,
                    traces=built.traces,
                    gaps=built.gaps,
                    edges=tuple(edges),
                    marks=tuple(marks),
                    lines_on=self._lines_on,
                    common=built.common,
                )
            )
        return released


def _joined(spans: Iterable[Saturation]) -> list[Saturation]:
    """Spans of one channel and rail that touch made one, their conversions added up."""
    joined: list[Saturation] = []
    for span in sorted(spans, key=lambda s: (s.channel_role, s.rail, s.start_s)):
        last = joined[-1] if joined else None
        if (
            last is None
            or last.channel_role != span.channel_role
            or last.rail != span.rail
            or span.start_s > last.stop_s
        ):
            joined.append(span)
            continue
        stop_s, n_conversions = max(last.stop_s, span.stop_s), last.n_conversions + span.n_conversions
        joined[-1] = Saturation(last.start_s, stop_s, span.channel_role, span.rail, n_conversions)
    return joined


def iter_windows(
    decoded: Iterable[Decoded],
    window_s: float = 10.0,
    *,
    calibrations: Mapping[str, Calibration] | Iterable[Calibration] | None = None,
    correct_adc: bool = True,
) -> Iterator[TraceWindow]:
    """Windows of volts from decoded items, lazily.

    Parameters
    ----------
    decoded : what the decoder gives, in order
    window_s : length of a window, seconds
    calibrations, correct_adc : as for `Assembler`

    Returns
    -------
    Iterator of TraceWindow, one after the other without overlap.

    Gaps
    ----
    As for `Assembler`.
    """
    assembler = Assembler(window_s, calibrations=calibrations, correct_adc=correct_adc)
    for item in decoded:
        yield from assembler.push(item)
    yield from assembler.finish()
