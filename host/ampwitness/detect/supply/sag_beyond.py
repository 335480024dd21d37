"""Notes under which the supply fell further than the amplifier's own output can explain: something else took current.

Gaps: a note whose sag was not measured is not looked at, nor is a fall with which a note ended: a cut-out may begin so.
Limits: the lowest volts may follow single crests, where a sine takes twice its mean power: only what exceeds the power
of the note's highest crest, as if it lasted, is told. A consumer that draws less hides in that, and one that runs in
step with most notes has become part of the learned supply. A bad contact that gives way under load looks the same.
Source: our choice, measured by tests/supply/test_sag_beyond.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_forecast import find_fall
from ampwitness.detect.supply.supply_model import StateModel, SupplyModel
from ampwitness.finding_list import FindingTable, WrappedTable
from ampwitness.types import Finding, FloatArray

LEAST_BEYOND_V = 0.2
ANSWERS_AFTER_S = (0.02, 0.1, 0.3, 1.0, 3.0)  # at once to the battery's slow part; a regulator lessens it with time
ENGINE_CHANGE_S = 1.5  # on both sides of a change of state the supply moves by itself
KEY = "sag_own_v"
CHANGED = "charging began or ended at about that time, and moves the supply by itself"
_SIGMAS = 3.0


class ExplainedNotes(WrappedTable):
    """Notes, each also with `sag_own_v`: its sag, or what its own power accounts for at most where that is less; None
    where the engine started or stopped meanwhile, as most of that fall may be the charging's that went.

    Parameters
    ----------
    table : the notes as they were
    model : the supply's; None without a supply channel

    Attributes
    ----------
    at_change : (n,) whether the supply's state changed about then
    sag_v, explained_v : (n,) the sag without what ended it, and the most that the note's own power explains of it; NaN
        where that was not looked at
    """

    def __init__(self, table: FindingTable, model: SupplyModel | None) -> None:
        super().__init__(table)
        sag_v, whole_v = table.numbers("sag_without_end_v"), table.numbers("sag_v")
        self.sag_v = np.where(np.isfinite(sag_v), sag_v, whole_v)
        self.at_change = np.zeros(len(table), dtype=bool) if model is None else _are_at_change(table, model)
        self.explained_v = np.full(len(table), np.nan)
        if model is not None:
            self.explained_v = _explain_notes(table, sag_v, model, ~self.at_change)

    @property
    def is_beyond(self) -> npt.NDArray[np.bool_]:
        """(n,) whose sag is more than their own power explains."""
        return np.asarray(self.sag_v - self.explained_v > LEAST_BEYOND_V)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        if key != KEY:
            return super().numbers(key)
        return np.where(self.at_change, np.nan, np.where(self.is_beyond, self.explained_v, self.sag_v))

    def read(self, row: int) -> Finding:
        """One of them."""
        one, sag_v, own_v = self._table.read(row), float(self.sag_v[row]), float(self.explained_v[row])
        own_v = own_v if sag_v - own_v > LEAST_BEYOND_V else sag_v
        is_told = bool(np.isfinite(own_v)) and not self.at_change[row]
        measured, evidence = {**one.measured, KEY: own_v if is_told else None}, one.evidence
        if self.at_change[row] and np.isfinite(sag_v):
            evidence = {**evidence, "supply_changed": CHANGED}
        return Finding(one.kind, one.start_s, one.stop_s, one.severity, measured, one.threshold, evidence)


def summarise_beyond(notes: Sequence[ExplainedNotes], model: SupplyModel, name: str) -> dict[str, Any] | None:
    """The notes of one engine state whose sag is more than their own power explains.

    Parameters
    ----------
    notes : all notes, table by table
    model : the supply's
    name : of the engine state

    Returns
    -------
    n_notes beyond, n_looked_at, start_s, sag_v and explained_v of the worst; None where there is none.
    """
    columns = [np.stack((one.start_s, one.sag_v, one.explained_v)) for one in notes]
    start_s, sag_v, explained_v = np.concatenate([np.zeros((3, 0)), *columns], axis=1)
    is_looked_at = np.isfinite(explained_v) & (model.states_at(start_s) == name)
    over_v = np.where(is_looked_at, sag_v - explained_v, -np.inf)
    if not (over_v > LEAST_BEYOND_V).any():
        return None
    worst = int(np.argmax(over_v))
    return {
        "n_notes": int((over_v > LEAST_BEYOND_V).sum()),
        "n_looked_at": int(is_looked_at.sum()),
        "start_s": float(start_s[worst]),
        "sag_v": float(sag_v[worst]),
        "explained_v": float(explained_v[worst]),
    }


def _are_at_change(notes: FindingTable, model: SupplyModel) -> npt.NDArray[np.bool_]:
    """(n,) whether the supply's state changed while the note sounded, or shortly ahead or after."""
    found = np.zeros(len(notes), dtype=bool)
    for at_s in model.change_s[1:].tolist():
        found |= (notes.stop_s >= at_s - ENGINE_CHANGE_S) & (notes.start_s <= at_s + ENGINE_CHANGE_S)
    return found


def _explain_notes(
    notes: FindingTable, sag_v: FloatArray, model: SupplyModel, is_asked: npt.NDArray[np.bool_]
) -> FloatArray:
    """(n,) the most that each note's own power takes off the supply; NaN where it is not looked at: no sag, or the
    engine was cranked, or a lead was lost meanwhile."""
    start_s, stop_s = notes.start_s, notes.stop_s
    crest_v, lowest_v = notes.numbers("peak_v"), notes.numbers("supply_lowest_averaged_v")
    known = is_asked & np.isfinite(crest_v) & np.isfinite(sag_v) & (lowest_v > 1.0)
    for from_s, to_s in model.kept_out:
        known &= (stop_s < from_s) | (start_s > to_s)
    explained_v, state_at = np.full(len(notes), np.nan), model.states_at(start_s)
    for name, state in model.states.items():
        mine = known & (state_at == name)
        if state.power_fit is not None and mine.any():
            explained_v[mine] = _explain(state, crest_v[mine], lowest_v[mine], (stop_s - start_s)[mine])
    return explained_v


def _explain(state: StateModel, crest_v: FloatArray, supply_v: FloatArray, lasting_s: FloatArray) -> FloatArray:
    """The most that a note's own power takes off the supply, volts: at its crests, and with all that is unsure."""
    most_v, asked = np.zeros(len(crest_v)), list(zip((crest_v**2).tolist(), supply_v.tolist(), strict=True))
    for after_s in ANSWERS_AFTER_S:
        fall = find_fall(state, after_s)
        fall_v = np.array([fall.at(v2, at_v) for v2, at_v in asked]) * (1 + _SIGMAS * fall.error_ratio)
        has_come = after_s <= np.maximum(2 * lasting_s, ANSWERS_AFTER_S[0])
        most_v = np.where(has_come, np.maximum(most_v, fall_v + _SIGMAS * fall.spread_v), most_v)
    return most_v
