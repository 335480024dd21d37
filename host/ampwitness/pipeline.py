"""One pass from a recording to an analysis: decode, reconstruct, detect, and cut out what is worth a picture.

The same code serves a recording, a plain file of wire bytes and a live port; only the chunks differ.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ampwitness.calibration_file import calibrations_from_json
from ampwitness.decode import Decoder, iter_decoded
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.errors import RecordingUnreadableError, UnknownProtocolError
from ampwitness.findings.selection import choose_enlarged
from ampwitness.recording.reader import Recording, open_recording
from ampwitness.types import Analysis, Calibration, Chunk, Coverage, Finding, Hello, Settings, TraceWindow
from ampwitness.waveform.assemble import Assembler
from ampwitness.waveform.calibration import calibrations_for
from ampwitness.waveform.envelope import EnvelopeBuilder
from ampwitness.waveform.excerpt import cut_excerpts

Progress = Callable[[str, float], None]  # what is being done, share done 0..1


@dataclass(frozen=True, slots=True)
class AnalyseOptions:
    """What a person may choose about an analysis; everything is written into its settings."""

    window_s: float = 10.0  # how much is worked on at a time; findings do not depend on it
    correct_adc: bool = True
    continuous: bool = False  # the signal is known never to pause: any silence is a cut-out
    envelope_step_s: float = 0.01
    calibrations: tuple[Calibration, ...] = ()  # instead of what the recording's notes and its board say


def _no_progress(what: str, share: float) -> None:
    pass


class _Pass:
    """One run over the chunks of a recording; keeps the hellos it meets and counts bytes for the progress line."""

    def __init__(self, recording: Recording, options: AnalyseOptions, progress: Progress, what: str) -> None:
        self.decoder = Decoder()
        self.assembler = Assembler(
            options.window_s, correct_adc=options.correct_adc, calibrations=measured_calibrations(recording, options)
        )
        self.hellos: dict[str, Hello] = {}
        self._recording, self._progress, self._what = recording, progress, what

    def windows(self) -> Iterator[TraceWindow]:
        """Yield every window of the recording in order."""
        try:
            for item in iter_decoded(self._chunks(), self.decoder):
                if isinstance(item, Hello):
                    self.hellos.setdefault(item.session_id, item)
                yield from self.assembler.push(item)
        except (RecordingUnreadableError, UnknownProtocolError) as error:
            raise type(error)(f"{self._recording.name}: {error}") from error
        yield from self.assembler.finish()

    def _chunks(self) -> Iterator[Chunk]:
        n_total = max(1, self._recording.n_bytes)
        n_seen = 0
        for chunk in self._recording.iter_chunks():
            n_seen += len(chunk.raw)
            self._progress(self._what, min(1.0, n_seen / n_total))
            yield chunk


def _tee_envelopes(
    windows: Iterator[TraceWindow], builders: dict[str, EnvelopeBuilder], step_s: float
) -> Iterator[TraceWindow]:
    for window in windows:
        for role, trace in window.traces.items():
            builders.setdefault(role, EnvelopeBuilder(role, step_s)).push(trace)
        yield window


def _plain_options(options: AnalyseOptions) -> dict[str, Any]:
    return {name: value for name, value in asdict(options).items() if name != "calibrations"}


def measured_calibrations(recording: Recording, options: AnalyseOptions) -> tuple[Calibration, ...]:
    """Measured calibrations for a recording: those of the options, else those in its notes.

    Raises CalibrationError where the notes hold something that is none.
    """
    if options.calibrations:
        return options.calibrations
    text = recording.notes.get("calibrations_json")
    return calibrations_from_json(text, recording.name) if isinstance(text, str) else ()


def kept_settings(recording: Recording) -> list[Finding]:
    """What a guided walk concluded while it recorded, as it was kept in the recording."""
    return [
        Finding(
            kind="setting",
            start_s=float(kept.content.get("start_s") or 0.0),
            stop_s=float(kept.content.get("stop_s") or 0.0),
            severity="information",
            measured=kept.content.get("measured") or {},
            threshold=kept.content.get("threshold") or {},
            evidence=kept.content.get("evidence") or {},
        )
        for kept in recording.host_findings
        if kept.content.get("kind") == "setting"
    ]


def _number_or_none(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def analyse(recording: Recording, options: AnalyseOptions, progress: Progress = _no_progress) -> Analysis:
    """Run every detector over a recording, in bounded memory.

    Raises RecordingUnreadableError or UnknownProtocolError where nothing can be decoded.
    """
    notes = recording.notes
    detect_options = DetectOptions(
        nominal_supply_v=_number_or_none(notes.get("nominal_supply_v")),
        continuous=options.continuous,
        load_ohm=_number_or_none(notes.get("load_ohm")),
        load_kind=str(notes["load_kind"]) if "load_kind" in notes else None,
    )
    run = _Pass(recording, options, progress, "looking for events")
    builders: dict[str, EnvelopeBuilder] = {}
    results = run_all(_tee_envelopes(run.windows(), builders, options.envelope_step_s), detect_options)
    found = [finding for result in results for finding in result.findings] + kept_settings(recording)
    findings = sorted(found, key=lambda f: (f.start_s, f.kind))
    envelopes = {role: builder.finish() for role, builder in builders.items()}
    hellos = tuple(run.hellos.values())
    calibrations = (
        tuple(calibrations_for(hellos[0], measured_calibrations(recording, options)).values()) if hellos else ()
    )
    return Analysis(
        recording_name=recording.name,
        duration_s=max((e.start_s + e.step_s * len(e.rms) for e in envelopes.values()), default=0.0),
        hellos=hellos,
        findings=tuple(findings),
        coverage=(*(result.coverage for result in results), Coverage("settings", 0.0, ())),
        link_health=run.decoder.health(),
        settings=Settings(notes=dict(notes), options=_plain_options(options), calibrations=calibrations),
        envelopes=envelopes,
        excerpts=_cut_enlarged(recording, options, findings, progress),
        summary={
            "recording": {"kind": recording.kind, "is_torn": recording.is_torn, "torn_at_byte": recording.torn_at},
            **{result.coverage.detector: dict(result.summary) for result in results},
        },
    )


def _cut_enlarged(
    recording: Recording, options: AnalyseOptions, findings: list[Finding], progress: Progress
) -> tuple[TraceWindow, ...]:
    """A second, shorter pass: full-rate windows around the findings that are shown enlarged."""
    spans = [span for _, span in choose_enlarged(findings)]
    if not spans:
        return ()
    return cut_excerpts(_Pass(recording, options, progress, "cutting out pictures").windows(), spans)


def analyse_file(path: Path, options: AnalyseOptions, progress: Progress = _no_progress) -> Analysis:
    """`analyse` on a path. Raises RecordingUnreadableError for what cannot be opened."""
    return analyse(open_recording(path), options, progress)
