"""Where the logger's own supply input was at a rail: a sag under a note that touches such a span is not known.

Gaps: nothing is carried across.
Limits: spans less than JOINED_S apart count as one.
Source: our choice.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_supply import UnderNotes
from ampwitness.types import FloatArray, Interval

JOINED_S = 0.25  # as far as is looked back ahead of a note; keeps a day of chatter at a rail to some megabytes
WHY_NOT = "not judged: the logger's supply input was at a rail"


class SaturatedSpans:
    """Spans in order of time."""

    def __init__(self) -> None:
        self._starts_s, self._stops_s = array("d"), array("d")

    def add(self, spans: Iterable[Interval]) -> None:
        """Take more, which begin after those that are there."""
        for span in spans:
            if self._stops_s and span.start_s <= self._stops_s[-1] + JOINED_S:
                self._stops_s[-1] = max(self._stops_s[-1], span.stop_s)
            else:
                self._starts_s.append(span.start_s)
                self._stops_s.append(span.stop_s)

    def touch(self, start_s: FloatArray, stop_s: FloatArray) -> npt.NDArray[np.bool_]:
        """(k,) whether each of these spans (k,) touches one."""
        if not self._starts_s:
            return np.zeros(len(start_s), dtype=bool)
        starts, stops = np.array(self._starts_s), np.array(self._stops_s)
        before = np.searchsorted(starts, stop_s, "right") - 1
        return np.asarray((before >= 0) & (stops[np.maximum(before, 0)] >= start_s))

    def leave_out(self, supply: UnderNotes, start_s: FloatArray, stop_s: FloatArray) -> UnderNotes:
        """What is known of the supply under notes that last from `start_s` to `stop_s`, (k,) each."""
        looked_s = np.nan_to_num(supply.measured["supply_before_looked_s"])
        is_out = self.touch(start_s - looked_s, stop_s)
        if not is_out.any():
            return supply
        texts = {name: ["" if out else text for text, out in zip(column, is_out, strict=True)]
                 for name, column in supply.texts.items() if name != "supply"}  # fmt: skip
        return replace(
            supply,
            measured={name: np.where(is_out, np.nan, column) for name, column in supply.measured.items()},
            evidence={name: np.where(is_out, np.nan, column) for name, column in supply.evidence.items()},
            texts={**texts, "supply": [WHY_NOT if out else "" for out in is_out.tolist()]},
            is_settled=np.where(is_out, np.nan, supply.is_settled),
        )
