"""Up to which volts the output is clean, and who says so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ampwitness.errors import UsageError
from ampwitness.pipeline import AnalyseOptions, Progress, analyse
from ampwitness.recording import Recording

NONE_KNOWN = (
    "no ceiling is known: set the gain with ampwitness set-gain and give its recording to --ceiling-from, or type "
    "--ceiling"
)


@dataclass(frozen=True, slots=True)
class CleanCeiling:
    """Peak volts up to which the output is clean: constant_v + ratio * min(supply, knee_v)."""

    constant_v: float
    ratio: float
    knee_v: float | None
    source: str  # in words, for the person who looks at it

    def at(self, supply_v: float | None) -> float | None:
        """Peak volts at a supply; None where the ceiling moves with a supply that is not known."""
        if self.ratio == 0:
            return self.constant_v
        if supply_v is None:
            return None
        return self.constant_v + self.ratio * (supply_v if self.knee_v is None else min(supply_v, self.knee_v))


def typed_ceiling(peak_v: float) -> CleanCeiling:
    """A ceiling that somebody typed."""
    return CleanCeiling(peak_v, 0.0, None, f"typed: {peak_v:g} V peak")


def ceiling_of_recording(recording: Recording, progress: Progress) -> CleanCeiling:
    """What an earlier recording says: the gain that was set in it, else the ceilings its clips lie on.

    Raises
    ------
    UsageError : it says nothing about a ceiling.
    RecordingUnreadableError, UnknownProtocolError : as for `analyse`.
    """
    for kept in reversed(recording.host_findings):
        measured: Mapping[str, Any] = kept.content.get("measured") or {}
        for key, words in (("knee_peak_v", "1 % THD when the gain was set"), ("ceiling_v", "flat tops seen then")):
            value = measured.get(key)
            if kept.content.get("kind") == "setting" and isinstance(value, int | float) and value > 0:
                return CleanCeiling(float(value), 0.0, None, f"learned from {recording.name}: {words}")
    summary = analyse(recording, AnalyseOptions(), progress).summary
    return _lowest(summary.get("clipping", {}).get("ceilings", {}), recording.name)


def _lowest(ceilings: Mapping[str, Mapping[str, Any]], name: str) -> CleanCeiling:
    """Of the two polarities' ceilings the one that is met first, at the supply of a running engine."""
    found = [
        CleanCeiling(
            float(fit["constant_v"]),
            float(fit["ratio"]),
            None if fit.get("knee_v") is None else float(fit["knee_v"]),
            f"learned from {name}: where {fit['n_plateaus']} of its {polarity} crests were cut off",
        )
        for polarity, fit in ceilings.items()
    ]
    if not found:
        raise UsageError(f"{name} says nothing about a ceiling: no gain was set in it and nothing clipped.")
    return min(found, key=lambda ceiling: ceiling.at(13.8) or 0.0)
