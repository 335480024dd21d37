"""A recording that a job sheet rests on, whether its gain was turned on purpose, and what its volts rest on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ampwitness.findings.road_words import is_beyond_12_v
from ampwitness.findings.whole_words import word_calibrations
from ampwitness.types import Analysis, Finding


@dataclass(frozen=True, slots=True)
class Source:
    """One recording that the sheet rests on. channel: `amplifier/channel` or ""; moment: as found, as left or ""."""

    analysis: Analysis
    step: str = ""  # title of the step it belongs to
    channel: str = ""
    moment: str = ""

    @property
    def label(self) -> str:
        """How the sheet calls it."""
        step = self.step.removesuffix(" of each channel") if self.channel else self.step
        words = [step or self.analysis.recording_name, self.channel, self.moment]
        return ", ".join(word for word in words if word)


def is_gain_run(source: Source) -> bool:
    """The gain was turned through the edge here: clips are meant."""
    return any(finding.kind == "setting" or has_edge(finding) for finding in source.analysis.findings)


def has_edge(finding: Finding) -> bool:
    """A gain curve in which the edge was found: a mere loud tone has none, and clips in it were not meant."""
    return finding.kind == "knee" and finding.measured.get("knee_v") is not None


def word_alternator(source: Source, state: str) -> str:
    """A state of the supply as the sheet calls it: by its volts alone, as an engine that runs without charging looks
    like one that stands; by those of 12 V vehicles, so that nothing is said of a supply declared higher."""
    if is_beyond_12_v(source.analysis):
        return "not judged"
    return "not charging" if state == "at rest" else state


def word_shared_calibrations(sources: Sequence[Source]) -> list[str]:
    """One sentence for all recordings where no role was calibrated in two ways, else one for each."""
    used = dict.fromkeys(c for source in sources for c in source.analysis.settings.calibrations)
    if used and len({c.role for c in used}) == len(used):
        return [word_calibrations(tuple(used))]
    return list(dict.fromkeys(word_calibrations(source.analysis.settings.calibrations) for source in sources))
