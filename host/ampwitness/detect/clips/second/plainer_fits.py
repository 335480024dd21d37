"""Half-cycles that a second look found and a fit had seen plainly before: the fit's figures stay.

Gaps: works inside one stretch.
Limits: a fit stands in only where it holds most of what the second look saw.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.ceiling.clip_plain import find_plain
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join

LEAST_COVERED = 0.6  # of the samples of its top


def fitted_where_plain(side: OneSide, rows: Candidates, mark: str, value: float) -> Candidates:
    """The same half-cycles as the fit saw them, where it saw the whole of a plateau plainly."""
    return measured_before(rows, side.candidates.take(find_plain(side.candidates)), mark, value)


def measured_before(rows: Candidates, plain: Candidates, mark: str, value: float) -> Candidates:
    """Rows, in place of which those of others stand that lie over their middles and most of their length, marked."""
    middle_s = (rows["start_s"] + rows["stop_s"]) / 2
    order = np.argsort(plain["start_s"], kind="stable")
    at = np.maximum(np.searchsorted(plain["start_s"][order], middle_s, side="right") - 1, 0)
    if not len(order):
        return rows
    row = order[at]
    covers = (plain["start_s"][row] <= middle_s) & (plain["stop_s"][row] >= middle_s)
    covers &= plain["n_top"][row] >= LEAST_COVERED * rows["n_top"]
    fitted = plain.take(row[covers])
    fitted.columns[mark] = np.full(len(fitted), value)
    return join([rows.take(~covers), fitted])
