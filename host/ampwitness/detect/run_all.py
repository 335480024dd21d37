"""All detectors over one pass of the windows, and what their findings say together."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from ampwitness.detect.apart import DetectorsApart
from ampwitness.detect.clips.clip_witness import name_by_source
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.conclude import conclude, learn_from
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.passthrough import GapDetector, MarkDetector
from ampwitness.detect.result import Detector, DetectorResult
from ampwitness.detect.road import settle_road
from ampwitness.detect.saturation import SaturationDetector
from ampwitness.detect.short_flats import leave_out_short_flats
from ampwitness.detect.soak.trends import TrendDetector
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.detect.supply.supply_model import SupplyOptions
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.pieces import give_back, keep_large_apart
from ampwitness.types import TraceWindow


@dataclass(frozen=True, slots=True)
class DetectOptions:
    """What the detectors are told beside the recording."""

    nominal_supply_v: float | None = None  # declared supply, the reference of dips; None: a sliding one
    continuous: bool = False  # the signal never pauses: any silence is a cut-out
    load_ohm: float | None = None  # nominal load, for nominal watts
    load_kind: str | None = None  # none, resistor or speaker
    reference_point: str | None = None  # where the logger's ground was clipped, as typed
    supply: SupplyOptions = field(default_factory=SupplyOptions)  # amplifier, load, battery


def make_detectors(options: DetectOptions) -> tuple[Detector, ...]:
    """Every detector, fresh, in the order in which their results are given."""
    return (
        ClippingDetector(),
        NoteDetector(),
        DipDetector(options.nominal_supply_v),
        CutoutDetector(is_continuous=options.continuous, reference_point=options.reference_point),
        GainStepDetector(options.load_ohm, options.load_kind),
        SaturationDetector(),
        GapDetector(),
        MarkDetector(),
        TrendDetector(),
    )


# What costs about as much as reading the recording and everything else together, in the order of `make_detectors`.
_APART = ("notes", "gain steps")
_GIVE_BACK_EVERY = 120  # windows, after which freed memory is handed back: its holes grow for hours else; dear if often


def _no_progress(what: str, share: float | None) -> None:
    pass


def run_all(
    windows: Iterable[TraceWindow],
    options: DetectOptions,
    n_processes: int = 1,
    progress: Callable[[str, float | None], None] = _no_progress,
) -> tuple[DetectorResult, ...]:
    """Push every window through every detector, collect their answers, and conclude from all of them.

    Parameters
    ----------
    windows : in order, each once
    options : what the detectors are told
    n_processes : 2: the search for notes and tones runs in a process of its own; the answers are the same
    progress : told what is worked out once the windows are through

    Returns
    -------
    one DetectorResult a detector: clipping (each clip with its cause, and where it was cut off by the source's waves
    where those were logged), notes, dips, cut-outs, gain steps, saturation, gaps, marks, trends;
    that of the supply as the amplifier sees it, and that of the engine's states.

    Gaps
    ----
    Each detector keeps its own rule; none joins across one.
    """
    detectors = make_detectors(options)
    names = [detector.name for detector in detectors]
    apart = DetectorsApart(make_detectors, options, _APART) if n_processes > 1 else None
    here = deque(detector for detector in detectors if apart is None or detector.name not in _APART)
    del detectors
    history = SupplyHistory()
    source = ClippingDetector("source")
    try:
        for number, window in enumerate(windows, start=1):
            if apart is not None:
                apart.push(window)
            history.push(window)
            source.push(window)
            for detector in here:
                detector.push(window)
            if number % _GIVE_BACK_EVERY == 0:
                give_back()
        if apart is not None:
            apart.ask()
        keep_large_apart()  # windows would be dearer so
        here.rotate(-1)  # to judge the clips takes most: all that the others hold is let go of first
        answers = {}
        while here:  # each goes with all that it held before the next one answers
            detector = here.popleft()
            progress(f"judging {detector.name}", None)
            answers[detector.name] = detector.finish()
            del detector
        if "clipping" in answers:
            answers["clipping"] = name_by_source(answers["clipping"], source.finish())
        del source
        give_back()
        progress("learning the supply", None)
        steps = history.finish()
        learned = (
            learn_from(tuple(answers.values()), steps, options.supply),
        )  # while the other process comes to its end
        if apart is not None:
            progress("judging notes", None)
            answers.update(zip(_APART, apart.finish(), strict=True))
    finally:
        if apart is not None:
            apart.close()
    if "clipping" in answers and "gain steps" in answers:
        answers["clipping"] = leave_out_short_flats(answers["clipping"], answers["gain steps"].findings)
    progress("looking for causes", None)
    caused = conclude([answers[name] for name in names], steps, options.supply, learned=learned)
    concluded = settle_road(
        caused, steps, battery_kind=options.supply.battery_kind, nominal_supply_v=options.nominal_supply_v
    )
    give_back()
    return concluded
