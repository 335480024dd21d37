"""The table of what might be a clipped half-cycle, and what a stretch shows beside it.

Gaps: each row stands alone.
Limits: a row is what one look saw; several may see the same half-cycle (`clip_doubles`).
Source: our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_screen import Crests
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S, LaggedMeans, Stretch, lagged_rms
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

RMS_NAMES = tuple(f"rms_{1e3 * lag_s:g}ms_v" for lag_s in SUPPLY_LAGS_S)  # of the output, lagged as the supply is
EARLY_S = 0.0005  # so long ahead of the plateau is `supply_early_v`
AHEAD_NAMES = (*RMS_NAMES, "supply_early_v")  # what is noted of rows once they stand

FIELDS: tuple[str, ...] = (
    "sign", "start_s", "stop_s", "level_v", "tilt_v_per_s", "crest_v", "crest_sd_v", "flank_v_per_s",
    "flatter_flank_ratio", "gain", "narrow_gain", "misfit", "top_misfit", "n_top", "n_points", "noise_v",
    "start_sd_s", "stop_sd_s", "peak_v", "supply_v", "window_s", "is_coarse",
    "lively", "sharpness", "held_v", "held_v_per_s", "held_by", "top_kind", "limited", "stay_v", "lean", "promised_v",
    "promised_sd_v", "cut_below_v", "on_course", "n_compared", "unlike", "source_says",
    "filled_v", "filled_sd_v", *AHEAD_NAMES,
)  # fmt: skip


# What columns of clips say by a place in these: what `held_v` is due to, the shape of the top, where it was cut off, by
# what kind of ceiling.
HELD_BY = ("resistance", "capacitor", "ripple")
SHAPES = ("hard", "soft")
PLACES = ("amplifier", "source", "not decided")
CEILINGS = ("undecided", "rail", "current")
# What a logged source shows beside a plateau, by a place in these: it rises there, it does not, or may do either.
SOURCE_SAYS = ("not asked", "round", "not flat", "anything", "not round", "flat")
NOT_ASKED, OPEN = SOURCE_SAYS.index("not asked"), SOURCE_SAYS.index("anything")


@dataclass(frozen=True, slots=True)
class Candidates:
    """Columns of numbers, one row a candidate, and the lagged quantities beside them."""

    columns: dict[str, FloatArray]
    supply: FloatArray  # (n, supply lags), NaN where there is none
    output: FloatArray  # (n, output lags)

    def __len__(self) -> int:
        return len(self.columns["sign"])

    def __getitem__(self, name: str) -> FloatArray:
        return self.columns[name]

    @property
    def over_db(self) -> FloatArray:
        """(n,) by how much each crest would have gone beyond its level, dB."""
        return np.asarray(20 * np.log10(np.maximum(self["crest_v"], 1e-9) / np.maximum(self["level_v"], 1e-9)))

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray) -> Candidates:
        rows = np.flatnonzero(chosen) if chosen.dtype == np.bool_ else chosen  # searched once, not by each column
        return Candidates(
            {name: column[rows] for name, column in self.columns.items()}, self.supply[rows], self.output[rows]
        )


def says(word: str) -> float:
    """The place in SOURCE_SAYS."""
    return float(SOURCE_SAYS.index(word))


def lean_of(slope_left: FloatArray, slope_right: FloatArray) -> FloatArray:
    """(n,) by how much the flank behind a plateau is steeper than the one before it, -1 to 1 where both fall away."""
    return np.asarray((slope_right - slope_left) / np.maximum(np.abs(slope_left) + np.abs(slope_right), 1e-12))


def join(parts: list[Candidates]) -> Candidates:
    """One table from many."""
    if not parts:
        return Candidates(
            {name: np.zeros(0) for name in FIELDS}, np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        )
    return Candidates(
        {name: np.concatenate([part[name] for part in parts]) for name in FIELDS},
        np.concatenate([part.supply for part in parts]),
        np.concatenate([part.output for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class HighCrests:
    """The highest crest of each quarter second and polarity that was no candidate: what refutes a rail below it."""

    sign: FloatArray
    time_s: FloatArray
    level_v: FloatArray
    peak_v: FloatArray  # between the samples
    supply: FloatArray
    output: FloatArray

    def take(self, rows: npt.NDArray[np.bool_] | IntArray) -> HighCrests:
        return HighCrests(*(getattr(self, name)[rows] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class View:
    """A stretch, and what is known of it before anything is fitted in it."""

    stretch: Stretch
    lagged: LaggedMeans
    noise_v: float
    blocked: (
        npt.NDArray[np.bool_] | None
    )  # (n_samples,) where the logger's own converter was at its rail; None: nowhere
    lively: float  # see `measure_liveliness`


def rows_by_view(views: list[View], of: IntArray) -> list[tuple[View, slice]]:
    """Each view with its rows, where `of` (n,), ascending, says whose each row is; slices, as they copy nothing."""
    edges = np.searchsorted(of, np.arange(len(views) + 1)).tolist()
    return [(view, slice(first, last)) for view, (first, last) in zip(views, pairwise(edges), strict=True)]


@dataclass(frozen=True, slots=True)
class OneSide:
    """What a stretch shows of one polarity, for those who look a second time at what the first look let go."""

    view: View
    sign: float
    candidates: Candidates
    crests: Crests  # every high crest, candidate or not

    @property
    def stretch(self) -> Stretch:
        return self.view.stretch

    @property
    def lagged(self) -> LaggedMeans:
        return self.view.lagged

    @property
    def noise_v(self) -> float:
        return self.view.noise_v

    @property
    def blocked(self) -> npt.NDArray[np.bool_] | None:
        return self.view.blocked


@dataclass(frozen=True, slots=True)
class Look:
    """What a stretch shows."""

    candidates: list[Candidates]
    others: list[HighCrests]  # the highest crests that are none
    cut: list[tuple[float, float]]  # spans (s) of half-cycles that a gap cut off
    sides: list[OneSide]
    fitted: Candidates | None = None  # all that was fitted, on half-cycles that went the short way too


def join_crests(parts: list[Crests]) -> Crests:
    """One table from some."""
    if not parts:
        return Crests(np.zeros(0), np.zeros(0, dtype=np.intp), np.zeros(0))
    return Crests(*(np.concatenate([getattr(part, name) for part in parts]) for name in Crests.__slots__))


def lies_on_plateau(stretch: Stretch, crests: Crests, table: Candidates) -> npt.NDArray[np.bool_]:
    """Which crests lie on a plateau of the table."""
    covered = np.zeros(len(crests), dtype=bool)
    time_s = np.asarray(stretch.time_s(crests.sample.astype(float)))
    slack_s = 2 / stretch.rate_hz
    for sign in (1.0, -1.0):
        rows = np.flatnonzero(table["sign"] == sign)
        if not len(rows):
            continue
        order = rows[np.argsort(table["start_s"][rows], kind="stable")]
        mine = crests.sign == sign
        before = np.searchsorted(table["start_s"][order] - slack_s, time_s[mine], side="right") - 1
        stops = np.maximum.accumulate(table["stop_s"][order]) + slack_s
        covered[mine] = (before >= 0) & (time_s[mine] <= stops[np.maximum(before, 0)])
    return covered


def note_loads(view: View, tables: list[Candidates]) -> None:
    """Write into rows of a stretch what the output had asked for ahead of each plateau's middle."""
    table = join(tables)
    if not len(table):
        return
    stretch = view.stretch
    middle = (table["start_s"] + table["stop_s"]) / 2 * stretch.rate_hz - stretch.first_index - stretch.phase
    edges = np.stack((table["start_s"], table["stop_s"])) * stretch.rate_hz - stretch.first_index - stretch.phase
    early_v = view.lagged.mean_supply(*(edges - EARLY_S * stretch.rate_hz))
    ahead_v = np.concatenate((lagged_rms(stretch, middle), early_v[:, None]), axis=1)
    first = 0
    for rows in tables:
        for name, column in zip(AHEAD_NAMES, ahead_v[first : first + len(rows)].T, strict=True):
            rows.columns[name] = column.copy()
        first += len(rows)


def touches_blocked(
    blocked: npt.NDArray[np.bool_] | None, first: FloatArray, last: FloatArray
) -> npt.NDArray[np.bool_]:
    """Which of the sample ranges touch a blocked sample."""
    if blocked is None:
        return np.zeros(len(first), dtype=bool)
    total = np.concatenate(([0], np.cumsum(blocked)))
    low = np.clip(first.astype(np.intp), 0, len(blocked))
    return np.asarray(total[np.clip(last.astype(np.intp) + 1, low, len(blocked))] > total[low])
