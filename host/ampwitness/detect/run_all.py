"""All detectors over one pass of the windows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ampwitness.detect.clipping import ClippingDetector
from ampwitness.detect.cutouts import CutoutDetector
from ampwitness.detect.dips import DipDetector
from ampwitness.detect.notes import NoteDetector
from ampwitness.detect.passthrough import GapDetector, MarkDetector
from ampwitness.detect.result import Detector, DetectorResult
from ampwitness.detect.saturation import SaturationDetector
from ampwitness.types import TraceWindow


@dataclass(frozen=True, slots=True)
class DetectOptions:
    """What the detectors are told beside the recording."""

    nominal_supply_v: float | None = None  # declared supply, the reference of dips; None: a sliding one
    continuous: bool = False  # the signal never pauses: any silence is a cut-out


def make_detectors(options: DetectOptions) -> tuple[Detector, ...]:
    """Every detector, fresh, in the order in which their results are given."""
    return (
        ClippingDetector(),
        NoteDetector(),
        DipDetector(options.nominal_supply_v),
        CutoutDetector(is_continuous=options.continuous),
        SaturationDetector(),
        GapDetector(),
        MarkDetector(),
    )


def run_all(windows: Iterable[TraceWindow], options: DetectOptions) -> tuple[DetectorResult, ...]:
    """Push every window through every detector and collect their answers.

    Parameters
    ----------
    windows : in order, each once
    options : what the detectors are told

    Returns
    -------
    one DetectorResult a detector: clipping, notes, dips, cut-outs, saturation, gaps, marks.

    Gaps
    ----
    Each detector keeps its own rule; none joins across one.
    """
    detectors = make_detectors(options)
    for window in windows:
        for detector in detectors:
            detector.push(window)
    return tuple(detector.finish() for detector in detectors)
