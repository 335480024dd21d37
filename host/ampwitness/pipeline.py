"""One pass from a recording to an analysis: decode, reconstruct, detect, and cut out what is worth a picture.

The same code serves a recording, a plain file of wire bytes and a live port; only the chunks differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.calibration_file import calibrations_from_json
from ampwitness.decode import Decoder
from ampwitness.decode.decoder import GATHER_BYTES, refuse_unreadable
from ampwitness.detect.cutouts.mark_ties import tie_unconfirmed
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.soak.level_tiers import SecondLevels
from ampwitness.detect.soak.trends import BoardTrend, TrendDetector, add_findings
from ampwitness.detect.supply.engine_marks import read_engine_label
from ampwitness.detect.supply.supply_model import SupplyOptions
from ampwitness.errors import RecordingUnreadableError, UnknownProtocolError
from ampwitness.finding_list import FindingList
from ampwitness.findings.selection import choose_enlarged, choose_waves
from ampwitness.pieces import give_back
from ampwitness.recording import HostMark, HostReading, Recording, RecordingIndex, load_index, open_parts, save_index
from ampwitness.recording.host_labels import PLAIN_LABELS
from ampwitness.types import (
    Analysis,
    Block,
    Calibration,
    Chunk,
    Coverage,
    Decoded,
    Envelope,
    Finding,
    FindingKind,
    Gap,
    Hello,
    Interval,
    Mark,
    Measured,
    Settings,
    Status,
    TraceWindow,
)
from ampwitness.waveform.assemble import Assembler
from ampwitness.waveform.calibration import calibrations_for
from ampwitness.waveform.envelope import EnvelopeBuilder
from ampwitness.waveform.excerpt import cut_excerpts, group_near
from ampwitness.waveform.runs import origin_of

_LABEL_S = 2.0  # between a mark that was asked for, by the host's clock, and the board's own
_ECHO_S = 10.0  # by the host's clock: a mark that the board has not told of by then it never got
_LEAD_S = 3.0  # a hello comes once a second, edges and marks up to two seconds after their time
_SPAN_WINDOW_S = 2.0
_SPAN_GATHER_BYTES = 1 << 18  # decoded together: what lies behind a span is read in vain
_SHORT_S = 600.0  # so short a recording is walked once more for its waves; a longer one is read at a few places
_NEAR_S = 20.0  # spans no further apart are read in one go: to begin anew costs about as much, by the index's places
_WAVES_OF_SHORT, _WAVES_OF_LONG = 400, 40
_LEVELS = ("lowest_v", "highest_v", "mean_v", "rms_v")

Progress = Callable[[str, float | None], None]  # what is being done, share done 0..1, None: cannot be told


@dataclass(frozen=True, slots=True)
class AnalyseOptions:
    """What a person may choose about an analysis; everything is written into its settings."""

    window_s: float = 30.0  # how much is worked on at a time; findings do not depend on it
    correct_adc: bool = True
    continuous: bool = False  # the signal is known never to pause: any silence is a cut-out
    envelope_step_s: float = 0.01
    calibrations: tuple[Calibration, ...] = ()  # instead of what the recording's notes and its board say
    processes: int = 1  # 2: half of the detectors on another core; the findings are the same


def _no_progress(what: str, share: float | None) -> None:
    pass


class DecodingPass:
    """One run over the chunks of a recording; keeps the hellos it meets and counts bytes for the progress line."""

    def __init__(
        self,
        recording: Recording,
        options: AnalyseOptions,
        progress: Progress,
        what: str,
        *,
        index: RecordingIndex | None = None,
        wanted: Interval | None = None,
    ) -> None:
        """With an `index` the pass begins where it says that what is `wanted` lies, else at the start. Windows outside
        that have no samples."""
        begin_s = 0.0 if wanted is None else wanted.start_s - _LEAD_S
        self._place = index.place_before(begin_s) if index is not None else 0
        self._gather_bytes = GATHER_BYTES if wanted is None else _SPAN_GATHER_BYTES
        joined = index if self._place else None
        self.decoder = Decoder(joined.origins if joined else None)
        self.assembler = Assembler(
            options.window_s,
            correct_adc=options.correct_adc,
            calibrations=measured_calibrations(recording, options),
            origins=joined.block_origins if joined else None,
            wanted=wanted,
        )
        self.index = RecordingIndex()
        self.hellos: dict[str, Hello] = {}
        self.board = BoardTrend()
        self.origins_s: dict[str, float] = {}  # recording time of scan 0 of each session
        self.first_index: dict[str, int] = {}  # first scan of each session that came
        self.ends_s: dict[str, float] = {}  # recording time of the end of each session
        self.readings: list[Finding] = []
        self.unconfirmed: list[Finding] = []  # marks that were asked for and that the board never told of
        self._untimed = sorted(recording.host_readings, key=lambda reading: reading.host_s, reverse=True)
        marks = sorted(recording.host_marks, key=lambda mark: mark.host_s, reverse=True)
        self._said = [mark for mark in marks if read_engine_label(mark.label) is not None]
        self._asked = [mark for mark in marks if read_engine_label(mark.label) is None]  # the board's own follow
        self._last_block: Block | None = None
        self._clock: tuple[float, float] | None = None  # recording time and host's clock, as last told together
        self.end_s = 0.0  # recording time of the end of the last scan
        self._recording, self._progress, self._what = recording, progress, what

    def windows(self) -> Iterator[TraceWindow]:
        """Yield every window of the recording in order."""
        try:
            for item in self.decoded():
                self._note(item)
                if isinstance(item, Mark):
                    item = self._label(item)
                for mark in self._take_said(item.host_s if isinstance(item, Block) else -math.inf):
                    yield from self.assembler.push(mark)
                yield from self.assembler.push(item)
        except (RecordingUnreadableError, UnknownProtocolError) as error:
            name = self._recording.name
            raise error if name in str(error) else type(error)(f"{name}: {error}") from error
        for mark in self._take_said(math.inf):
            yield from self.assembler.push(mark)
        yield from self.assembler.finish()
        while self._untimed:
            self._time_reading(self._last_block)
        self._give_up_marks(math.inf)

    def decoded(self) -> Iterator[Decoded]:
        """What the decoder gives, in order; notes where it lies. Raises as `iter_decoded` does."""
        for placed in _gather_placed(self._chunks(), self._gather_bytes):
            items = self.decoder.push_many([chunk for _, chunk in placed])
            blocks = [item for item in items if isinstance(item, Block)]
            if blocks:
                self.index.add(blocks[0].start_s, placed[0][0])
            for block in blocks:
                if block.session_id not in self.index.block_origins:
                    self.index.block_origins[block.session_id] = origin_of(block)
            yield from items
        yield from self.decoder.finish()
        refuse_unreadable(self.decoder.health())
        self.index.origins.update(self.decoder.origins)

    def _note(self, item: Decoded) -> None:
        """What is wanted of the decoded items beside the windows."""
        if isinstance(item, Hello):
            self.hellos.setdefault(item.session_id, item)
            self._clock = self._clock or (0.0, item.host_s)
        elif isinstance(item, Status):
            self.board.push(item.time_s, item.raw.get("die_c"))
            self._clock = (item.time_s, item.host_s)
        elif isinstance(item, Block):
            self.origins_s.setdefault(item.session_id, item.start_s - float(item.first_sample_index / item.rate_hz))
            self._last_block = item
            self.end_s = item.start_s + float(len(item.counts) / item.rate_hz)
            self.first_index.setdefault(item.session_id, item.first_sample_index)
            self.ends_s[item.session_id] = self.end_s
            while self._untimed and self._untimed[-1].host_s <= item.host_s:
                self._time_reading(item)
            self._give_up_marks(item.host_s - _ECHO_S)
        elif isinstance(item, Gap) and item.session_id in self.hellos:
            rate_hz = float(self.hellos[item.session_id].rate_hz)
            self.origins_s.setdefault(item.session_id, item.start_s - item.start_index / rate_hz)

    def _time_reading(self, block: Block | None) -> None:
        reading = self._untimed.pop()
        before_s = 0.0 if block is None else (block.host_s - reading.host_s) * block.hello.time_scale
        self.readings.append(_reading_finding(reading, max(0.0, self.end_s - before_s)))

    def _give_up_marks(self, until_host_s: float) -> None:
        """Marks asked for before this that the board did not tell of: the cable was off, or the frame was lost."""
        while self._asked and self._asked[-1].host_s <= until_host_s:
            self._give_up_mark(self._asked.pop())

    def _give_up_mark(self, asked: HostMark) -> None:
        block = self._last_block
        before_s = 0.0 if block is None else (block.host_s - asked.host_s) * block.hello.time_scale
        self.unconfirmed.append(_unconfirmed_mark(asked, max(0.0, self.end_s - before_s)))

    def _take_said(self, until_host_s: float) -> list[Mark]:
        """Marks that say what the engine does, set up to a receive time, in recording time. Others are the board's."""
        block, marks = self._last_block, []
        while block is not None and self._said and self._said[-1].host_s <= until_host_s:
            said = self._said.pop()
            before_s = (block.host_s - said.host_s) * block.hello.time_scale
            time_s = max(0.0, self.end_s - before_s)  # behind the end where the board had gone ahead of the press
            index = block.first_sample_index + round((time_s - block.start_s) * float(block.rate_hz))
            marks.append(Mark("host", time_s, block.session_id, index, said.label))
        return marks

    def _label(self, mark: Mark) -> Mark:
        """A mark that the host asked the board for, with the words that were typed with it."""
        if mark.source != "host" or self._clock is None:
            return mark
        time_s, host_s = self._clock
        scale = self.hellos[mark.session_id].time_scale if mark.session_id in self.hellos else 1.0
        while self._asked:
            late_s = mark.time_s - time_s - (self._asked[-1].host_s - host_s) * scale
            if late_s < -_LABEL_S:
                return mark
            asked = self._asked.pop()
            if late_s <= _LABEL_S:
                return mark if asked.label in PLAIN_LABELS else replace(mark, label=asked.label)
            self._give_up_mark(asked)
        return mark

    def _chunks(self) -> Iterator[tuple[int, Chunk]]:
        n_total = max(1, self._recording.n_bytes)
        for place, chunk in self._recording.iter_placed(self._place):
            self._progress(self._what, min(1.0, place / n_total))
            yield place, chunk


def _gather_placed(chunks: Iterator[tuple[int, Chunk]], least_bytes: int) -> Iterator[list[tuple[int, Chunk]]]:
    """Placed chunks in groups of so many bytes, to be decoded together: about a megabyte is quickest."""
    gathered: list[tuple[int, Chunk]] = []
    n_bytes = 0
    for placed in chunks:
        gathered.append(placed)
        n_bytes += len(placed[1].raw)
        if n_bytes >= least_bytes:
            yield gathered
            gathered, n_bytes = [], 0
    if gathered:
        yield gathered


class RecordingVolts:
    """A recording as volts, without any detector: for walks that look at the waveforms themselves.

    Raises, while its windows are taken, RecordingUnreadableError or UnknownProtocolError as `analyse` does.
    """

    def __init__(self, recording: Recording, options: AnalyseOptions, progress: Progress = _no_progress) -> None:
        self._recording, self._options = recording, options
        self._pass = DecodingPass(recording, options, progress, "reading")

    def windows(self) -> Iterator[TraceWindow]:
        """Every window of the recording in order; once."""
        return self._pass.windows()

    @property
    def hello(self) -> Hello:
        """How the board described itself, once windows have come."""
        return next(iter(self._pass.hellos.values()))

    @property
    def calibrations(self) -> tuple[Calibration, ...]:
        """The calibration that each channel's volts rest on, once windows have come."""
        measured = measured_calibrations(self._recording, self._options)
        return tuple(calibrations_for(self.hello, measured).values())


def _tee_envelopes(
    windows: Iterator[TraceWindow], builders: dict[str, EnvelopeBuilder], step_s: float
) -> Iterator[TraceWindow]:
    for window in windows:
        for role, trace in window.traces.items():
            builders.setdefault(role, EnvelopeBuilder(role, step_s)).push(trace)
        yield window


def _plain_options(options: AnalyseOptions) -> dict[str, Any]:
    return {name: value for name, value in asdict(options).items() if name not in ("calibrations", "processes")}


def measured_calibrations(recording: Recording, options: AnalyseOptions) -> tuple[Calibration, ...]:
    """Measured calibrations for a recording: those of the options, else those in its notes.

    Raises CalibrationError where the notes hold something that is none.
    """
    if options.calibrations:
        return options.calibrations
    text = recording.notes.get("calibrations_json")
    return calibrations_from_json(text, recording.name) if isinstance(text, str) else ()


KEPT_KINDS: tuple[FindingKind, ...] = ("setting", "check")  # what guided walks keep in their recording


def kept_settings(recording: Recording) -> list[Finding]:
    """What a guided walk concluded while it recorded, as it was kept in the recording."""
    return [
        Finding(
            kind=kind,
            start_s=float(kept.content.get("start_s") or 0.0),
            stop_s=float(kept.content.get("stop_s") or 0.0),
            severity="information",
            measured=kept.content.get("measured") or {},
            threshold=kept.content.get("threshold") or {},
            evidence=kept.content.get("evidence") or {},
        )
        for kept in recording.host_findings
        for kind in KEPT_KINDS
        if kept.content.get("kind") == kind
    ]


def _reading_finding(reading: HostReading, time_s: float) -> Finding:
    measured: Measured = {"name": reading.name, "value": reading.value, "unit": reading.unit or None}
    evidence = {"typed_at_host_s": reading.host_s}
    return Finding("reading", time_s, time_s, "information", measured, {}, evidence)


def _unconfirmed_mark(asked: HostMark, time_s: float) -> Finding:
    measured: Measured = {
        "source": "host",
        "label": "" if asked.label in PLAIN_LABELS else asked.label,
        "tie": "the board did not confirm it (cable off, or a frame lost), timed by the computer's clock",
    }
    return Finding("mark", time_s, time_s, "information", measured, {}, {"typed_at_host_s": asked.host_s})


def _kept_seconds(
    recording: Recording, run: DecodingPass
) -> Iterator[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]]:
    """Levels that a reduced recording kept, as whole seconds of recording time."""
    for kept in recording.iter_levels():
        hello, origin_s = run.hellos.get(kept.session_id), run.origins_s.get(kept.session_id)
        if hello is None or origin_s is None:
            continue
        rate_hz = float(hello.rate_hz)
        first = round(origin_s + kept.start_index / rate_hz)
        levels, known = {}, None
        for role, columns in kept.roles.items():
            arrays = {name: np.array(columns[name], dtype=np.float64) for name in _LEVELS}
            known = np.isfinite(arrays["rms_v"])
            levels[role] = SecondLevels(*(arrays[name][known] for name in _LEVELS))
        if known is not None and known.any():
            yield first + np.flatnonzero(known), levels


def _fill_envelope(envelope: Envelope, numbers: npt.NDArray[np.int64], levels: SecondLevels) -> None:
    """Put the levels of whole seconds where the envelope knows nothing; its arrays must be writable."""
    n, step_s = len(envelope.rms), envelope.step_s
    for second, lowest_v, highest_v, rms_v in zip(
        numbers.tolist(), levels.lowest_v, levels.highest_v, levels.rms_v, strict=True
    ):
        a = int(np.floor((second - envelope.start_s) / step_s + 1e-6))
        b = min(n, max(a + 1, int(np.ceil((second + 1 - envelope.start_s) / step_s - 1e-6))))
        span = slice(max(0, a), b)
        is_empty = np.isnan(envelope.rms[span])
        if step_s > 1.0:  # several seconds in one step: the extremes of all
            envelope.lowest[span] = np.fmin(envelope.lowest[span], lowest_v)
            envelope.highest[span] = np.fmax(envelope.highest[span], highest_v)
            envelope.rms[span] = np.where(is_empty, rms_v, envelope.rms[span])
            continue
        for column, value in ((envelope.lowest, lowest_v), (envelope.highest, highest_v), (envelope.rms, rms_v)):
            column[span] = np.where(is_empty, value, column[span])


def _use_kept_levels(
    recording: Recording, run: DecodingPass, results: list[DetectorResult], envelopes: dict[str, Envelope]
) -> tuple[list[DetectorResult], dict[str, Envelope]]:
    """A reduced recording kept levels of everything: trends and envelopes use them where waveforms are missing."""
    open_envelopes = {
        role: replace(e, lowest=e.lowest.copy(), highest=e.highest.copy(), rms=e.rms.copy())
        for role, e in envelopes.items()
    }
    trends = TrendDetector()
    for numbers, levels in _kept_seconds(recording, run):
        trends.push_levels(numbers, levels)
        for role, of_role in levels.items():
            if role in open_envelopes:
                _fill_envelope(open_envelopes[role], numbers, of_role)
    result = trends.finish()
    return [result if r.coverage.detector == trends.name else r for r in results], open_envelopes


def _supply_options(notes: Mapping[str, Any]) -> SupplyOptions:
    """What a person typed about amplifier, load, battery and clamp."""
    kind, battery = notes.get("load_kind"), notes.get("battery_kind")
    a_per_v, zero_v = (_number_or_none(notes.get(key)) for key in ("current_a_per_v", "current_zero_v"))
    known = SupplyOptions(
        load_ohm=_number_or_none(notes.get("load_ohm")),
        load_kind=kind if isinstance(kind, str) else None,
        efficiency=_number_or_none(notes.get("efficiency")),
        battery_kind=battery if isinstance(battery, str) else None,
    )
    if a_per_v is not None:
        known = replace(known, current_a_per_v=a_per_v, is_clamp_stated=True)
    return replace(known, current_zero_v=zero_v) if zero_v is not None else known


def _number_or_none(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def detect_options(recording: Recording, options: AnalyseOptions) -> DetectOptions:
    """What the detectors are told: what was typed when it was recorded, and what was asked now."""
    notes = recording.notes
    reference = notes.get("reference_point")
    return DetectOptions(
        nominal_supply_v=_number_or_none(notes.get("nominal_supply_v")),
        continuous=options.continuous,
        load_ohm=_number_or_none(notes.get("load_ohm")),
        load_kind=str(notes["load_kind"]) if "load_kind" in notes else None,
        reference_point=reference if isinstance(reference, str) and reference else None,
        supply=_supply_options(notes),
    )


def analyse(recording: Recording, options: AnalyseOptions, progress: Progress = _no_progress) -> Analysis:
    """Run every detector over a recording, in bounded memory.

    Raises RecordingUnreadableError or UnknownProtocolError where nothing can be decoded.
    """
    run = DecodingPass(recording, options, progress, "looking for events")
    builders: dict[str, EnvelopeBuilder] = {}
    results = list(
        run_all(
            _tee_envelopes(run.windows(), builders, options.envelope_step_s),
            detect_options(recording, options),
            options.processes,
            progress,
        )
    )
    envelopes = {role: builder.finish() for role, builder in builders.items()}
    if recording.reduction is not None:
        results, envelopes = _use_kept_levels(recording, run, results, envelopes)
    detected = [result.findings for result in results]
    unconfirmed = tie_unconfirmed(run.unconfirmed, FindingList(detected)) if run.unconfirmed else ()
    findings = FindingList([*detected, kept_settings(recording), run.readings, unconfirmed])
    save_index(recording, run.index)
    duration_s = _find_duration_s(run, envelopes)
    for result in results:
        if result.coverage.detector == TrendDetector.name:
            add_findings(result.summary["table"], findings, duration_s)
    hellos = tuple(run.hellos.values())
    calibrations = (
        tuple(calibrations_for(hellos[0], measured_calibrations(recording, options)).values()) if hellos else ()
    )
    excerpts = _cut_pictured(recording, options, findings, progress, run.index, duration_s)
    give_back()
    return Analysis(
        recording_name=recording.name,
        duration_s=duration_s,
        hellos=hellos,
        findings=findings,
        coverage=(
            *(result.coverage for result in results),
            Coverage("settings", 0.0, ()),
            Coverage("readings", 0.0, ()),
        ),
        link_health=run.decoder.health(),
        settings=Settings(notes=dict(recording.notes), options=_plain_options(options), calibrations=calibrations),
        envelopes=envelopes,
        excerpts=excerpts,
        summary={
            "recording": {
                "kind": recording.kind,
                "is_torn": recording.is_torn,
                "torn_at_byte": recording.torn_at,
                "torn_files": list(recording.torn_files),
                "n_unread_bytes": recording.n_unread_bytes,
                "reduction": recording.reduction,
                "away_at_end_s": recording.away_at_end_s,
                "missing_parts": list(recording.missing_parts),
                "lacks_later_parts": recording.lacks_later_parts,
            },
            "board": run.board.finish(),
            **{result.coverage.detector: dict(result.summary) for result in results},
        },
    )


def _find_duration_s(run: DecodingPass, envelopes: Mapping[str, Envelope]) -> float:
    """Where the last scan ends, as `verify` says it. An envelope counts its last step whole, though it be only begun;
    envelopes that reach further than that step know of more than scans: of what was reduced, or of a last gap."""
    ends = [(one.start_s + one.step_s * len(one.rms), one.step_s) for one in envelopes.values()]
    reached_s, step_s = max(ends, default=(0.0, 0.0))
    return run.end_s if run.end_s > reached_s - step_s else reached_s


def _cut_pictured(
    recording: Recording,
    options: AnalyseOptions,
    findings: Sequence[Finding],
    progress: Progress,
    index: RecordingIndex,
    duration_s: float,
) -> tuple[TraceWindow, ...]:
    """Full-rate windows: of the findings that have a picture of their own, then single waves of further ones.

    A long recording is read where its index says that they lie; a short one is walked a second time.
    """
    is_short = duration_s <= _SHORT_S
    spans = [span for _, span in choose_enlarged(findings)]
    spans += choose_waves(findings, _WAVES_OF_SHORT if is_short else _WAVES_OF_LONG)
    if not spans:
        return ()
    if is_short:
        return cut_excerpts(DecodingPass(recording, options, progress, "cutting out pictures").windows(), spans)
    found: dict[int, TraceWindow] = {}
    for together in group_near(spans, _NEAR_S):
        progress("cutting out pictures", len(found) / len(spans))
        some = [spans[place] for place in together]
        found.update(zip(together, _read_spans(recording, options, index, some), strict=True))
    return tuple(found[place] for place in range(len(spans)))


def _read_spans(
    recording: Recording, options: AnalyseOptions, index: RecordingIndex, spans: Sequence[Interval]
) -> tuple[TraceWindow, ...]:
    # Short windows: one of them more is read than the spans need.
    quick = replace(options, window_s=min(options.window_s, _SPAN_WINDOW_S))
    wanted = Interval(min(span.start_s for span in spans), max(span.stop_s for span in spans))
    run = DecodingPass(recording, quick, _no_progress, "", index=index, wanted=wanted)
    return cut_excerpts(run.windows(), spans)


def read_index(recording: Recording, progress: Progress = _no_progress) -> RecordingIndex:
    """The recording's index: the one beside it, else made by decoding the recording once, and kept.

    Raises RecordingUnreadableError or UnknownProtocolError where nothing can be decoded.
    """
    index = load_index(recording)
    if index is None:
        run = DecodingPass(recording, AnalyseOptions(), progress, "reading for the first time")
        for _ in run.decoded():
            pass
        index = run.index
        save_index(recording, index)
    return index


def read_span(
    recording: Recording | Path,
    start_s: float,
    stop_s: float,
    options: AnalyseOptions | None = None,
    progress: Progress = _no_progress,
) -> TraceWindow:
    """The volts of one span, at full rate, without reading what lies before it.

    The same bits as in a pass from the start. The first call on a long recording makes its index; later ones answer
    at once.

    Parameters
    ----------
    recording : an open recording, or the path of one
    start_s, stop_s : recording time
    options : as for `analyse`
    progress : called while an index has to be made

    Raises
    ------
    RecordingUnreadableError, UnknownProtocolError : nothing can be decoded.
    ValueError : stop_s is not after start_s.
    """
    opened = open_parts([recording]) if isinstance(recording, Path) else recording
    chosen = options or AnalyseOptions()
    return _read_spans(opened, chosen, read_index(opened, progress), [Interval(start_s, stop_s)])[0]


def analyse_file(
    path: Path | Sequence[Path], options: AnalyseOptions, progress: Progress = _no_progress, *, alone: bool = False
) -> Analysis:
    """`analyse` on a path, or on the parts of one recording; `alone`: not its other parts.

    Raises RecordingUnreadableError for what cannot be opened, PartsError for files that do not belong together.
    """
    progress("looking through the file", None)
    return analyse(open_parts([path] if isinstance(path, Path) else path, alone=alone), options, progress)
