"""What every detector hands over, and the shape every detector has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from ampwitness.types import Coverage, Finding, TraceWindow


@dataclass(frozen=True, slots=True)
class DetectorResult:
    """Findings by start time, what was looked at, and what was learned over the whole recording."""

    findings: Sequence[Finding]  # a FindingList where there may be very many
    coverage: Coverage
    summary: Mapping[str, Any] = field(default_factory=dict)


class Detector(Protocol):
    """Takes windows in order, each once, and answers at the end. Memory does not grow with the length of the
    recording, but for what it found; the answer does not depend on how the recording was cut into windows."""

    name: str

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""

    def finish(self) -> DetectorResult:
        """Close what is open and answer. Called once."""
