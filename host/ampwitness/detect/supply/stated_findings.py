"""Findings that also say what the engine did when they began: a sag at rest and one while charging are two things.

Gaps: none here; the state is the one that holds at the finding's start.
Limits: as good as the engine's states; "not decidable" where they are.
Source: ours.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.engine_states import STATES, EngineStates
from ampwitness.finding_list import FindingTable, WrappedTable
from ampwitness.types import Finding

KEY = "engine_state"


class StatedTable(WrappedTable):
    """The findings of a table, each with `engine_state` among its measured values.

    Parameters
    ----------
    table : the findings as they were
    states : of the engine
    """

    def __init__(self, table: FindingTable, states: EngineStates) -> None:
        super().__init__(table)
        self._state_of = states.numbers_at(table.start_s).astype(np.int8)

    def read(self, row: int) -> Finding:
        """One of them."""
        one = self._table.read(row)
        measured = {**one.measured, KEY: STATES[self._state_of[row]]}
        # Not by `replace`, which takes as long as to make the rest of it.
        return Finding(one.kind, one.start_s, one.stop_s, one.severity, measured, one.threshold, one.evidence)

    def texts(self, key: str, rows: npt.NDArray[np.integer[Any]] | None = None) -> Counter[str]:
        """As `FindingTable.texts`."""
        if key != KEY:
            return super().texts(key, rows)
        counts = np.bincount(self._state_of if rows is None else self._state_of[rows], minlength=len(STATES))
        return Counter({name: n for name, n in zip(STATES, counts.tolist(), strict=True) if n})
