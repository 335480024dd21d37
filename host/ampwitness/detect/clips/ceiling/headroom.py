"""How much room every unclipped passage had left: its highest crest against the ceiling that was learned.

Gaps: a passage lies inside one unbroken span; none crosses a gap, a saturated span or a clip.
Limits: of each quarter second and polarity the highest crest is known, by the mean of three samples; of crests of
sounds above a tenth of the sample rate another may be higher. Crests below half of what is near them are not looked at,
and a passage of such has no figure. Without a supply channel the ceiling is taken to stand still.
Source: our choice, measured in tests/detect_clipping/test_headroom.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from ampwitness.detect.clips.ceiling.rail_model import LEAST_SUPPLY_RANGE_V, Rail
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.pieces import Pieces
from ampwitness.types import FloatArray, Interval

LEAST_PASSAGE_S = 1.0  # clips closer together than this leave no passage between them
PASSAGE_S = 10.0  # a passage is no longer than this; in long recordings than a doubling of it
MOST_PASSAGES = 600
KEPT_S = 0.25
NO_CEILING = "no clip showed where the amplifier's rail lies"
COLUMNS = (
    "start_s", "stop_s", "headroom_db", "uncertainty_db", "at_s", "crest_v", "ceiling_v", "supply_v",
)  # fmt: skip
_ROOM_BYTES = 1 << 19  # in memory, the rest in a temporary file
_DB_PER_RATIO = 20 / np.log(10)


@dataclass(frozen=True, slots=True)
class Room:
    """The unclipped crests of one polarity against its ceiling; (n,) each, volts with their sign."""

    time_s: FloatArray
    room_db: FloatArray
    sd_db: FloatArray  # standard uncertainty: of the ceiling at that moment, and of one sample at the crest
    crest_v: FloatArray
    ceiling_v: FloatArray
    supply_v: FloatArray  # lagged as the ceiling sees it; NaN without a supply channel


def measure_room(rail: Rail, sign: float, plateaus: Candidates, crests: HighCrests, refused: Candidates) -> Room:
    """Each crest of one polarity against the ceiling at its moment.

    Parameters
    ----------
    rail : what was learned of that polarity
    sign : of that polarity
    plateaus : the clips of that polarity that lie at the rail, at least one
    crests : the highest that were no candidates, of both polarities
    refused : candidates of that polarity that were found to be no clips
    """
    mine = crests.sign == sign
    time_s = np.concatenate([crests.time_s[mine], refused["start_s"]])
    level_v = np.concatenate([crests.peak_v[mine], refused["peak_v"]])
    supply = np.concatenate([crests.supply[mine], refused.supply])
    output = np.concatenate([crests.output[mine], refused.output])
    ceiling_v = np.maximum(rail.predict(supply, output), 1e-6)
    supply_v = rail.supply_of(supply)
    away_v = np.abs(np.nan_to_num(supply_v - np.median(rail.supply_of(plateaus.supply))))
    if rail.follows:
        ratio_sd = rail.ratio_sd
    elif rail.supply_range_v < LEAST_SUPPLY_RANGE_V:
        # Whether it follows was not seen: by anything from nothing to in proportion.
        ratio_sd = float(np.median(ceiling_v / np.maximum(supply_v, 1e-6))) / np.sqrt(3) if len(ceiling_v) else 0.0
    else:
        ratio_sd = 0.0
    own_v = np.hypot(rail.spread_v, float(np.median(plateaus["noise_v"])))
    sd_v = np.hypot(own_v, np.nan_to_num(ratio_sd) * away_v)
    return Room(
        time_s=time_s,
        room_db=20 * np.log10(ceiling_v / np.maximum(level_v, 1e-6)),
        sd_db=_DB_PER_RATIO * sd_v / ceiling_v,
        crest_v=sign * level_v,
        ceiling_v=sign * ceiling_v,
        supply_v=supply_v,
    )


class KeptRooms(Sequence[Room]):
    """Rooms one after the other, put away: a day has a million crests."""

    def __init__(self) -> None:
        self._pieces = Pieces(_ROOM_BYTES)

    def append(self, room: Room) -> None:
        """Keep one more."""
        self._pieces.append(np.stack([getattr(room, name) for name in Room.__slots__]).astype(np.float64).tobytes())

    def __len__(self) -> int:
        return len(self._pieces)

    @overload
    def __getitem__(self, at: int) -> Room: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Room]: ...
    def __getitem__(self, at: int | slice) -> Room | Sequence[Room]:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(len(self)))]
        if not -len(self) <= at < len(self):
            raise IndexError(at)
        return Room(*np.frombuffer(self._pieces.read(at % len(self))).reshape(len(Room.__slots__), -1))


def keep_least(room: Room) -> Room:
    """The crest with the least room in each KEPT_S: long recordings are asked for the least in passages far longer."""
    step = np.floor(room.time_s / KEPT_S)
    order = np.lexsort((room.room_db, step))
    first = order[np.concatenate((np.ones(len(order[:1]), dtype=bool), np.diff(step[order]) > 0))]
    return Room(*(getattr(room, name)[first] for name in Room.__slots__))


def summarise_headroom(
    rooms: Sequence[Room], seen: Sequence[Interval], clipped_s: FloatArray, blocked: Sequence[Interval]
) -> Mapping[str, Any]:
    """The passages without a clip, and the least room in each.

    Parameters
    ----------
    rooms : of the polarities whose ceiling is known
    seen : unbroken spans of the output, sorted, apart from one another
    clipped_s : (n, 2) starts and stops of the clips
    blocked : where the logger's own converter was at its rail

    Returns
    -------
    columns and passages (rows; None where nothing was looked at), by time: all, or the MOST_PASSAGES with the least
    room; n_passages and median_db of all; longest_s that a passage may be; total_s in them; not_judged: the reason why
    there are none, or None.
    """
    if not seen:
        return no_passages("the output was not recorded")
    if not rooms:
        return no_passages(NO_CEILING)
    spans = _free_spans(seen, clipped_s, blocked)
    if not spans:
        return no_passages(f"never {LEAST_PASSAGE_S:g} s passed without a clip")
    total_s = sum(stop_s - start_s for start_s, stop_s in spans)
    longest_s = PASSAGE_S
    while total_s / longest_s > MOST_PASSAGES / 2:
        longest_s *= 2
    rows = _measure_passages(rooms, *_cut(spans, longest_s))
    known = [room for row in rows if (room := row[2]) is not None]
    worst = sorted(range(len(rows)), key=lambda k: (rows[k][2] is None, rows[k][2] or 0.0))[:MOST_PASSAGES]
    return {
        "columns": list(COLUMNS),
        "passages": [rows[k] for k in sorted(worst)],
        "n_passages": len(rows),
        "median_db": float(np.median(known)) if known else None,
        "longest_s": longest_s,
        "total_s": total_s,
        "knows_supply": all(bool(np.isfinite(room.supply_v).all()) for room in rooms),
        "not_judged": None,
    }


def _measure_passages(rooms: Sequence[Room], starts_s: FloatArray, stops_s: FloatArray) -> list[list[float | None]]:
    """A row a passage: its crest with the least room."""
    least = np.full((len(starts_s), len(COLUMNS) - 2), np.nan)  # room_db first
    for room in rooms:
        if not len(room.time_s):
            continue
        columns = np.stack((room.room_db, room.sd_db, room.time_s, room.crest_v, room.ceiling_v, room.supply_v))
        columns = columns[:, np.argsort(room.time_s, kind="stable")]
        passage = np.searchsorted(starts_s, columns[2], "right") - 1
        is_inside = (passage >= 0) & (columns[2] < stops_s[passage])
        passage, columns = passage[is_inside], columns[:, is_inside]
        order = np.lexsort((columns[0], passage))
        first = order[np.diff(passage[order], prepend=-1) > 0]
        better = ~(columns[0, first] >= least[passage[first], 0])
        least[passage[first[better]]] = columns[:, first[better]].T
    least[:, 0] = np.maximum(least[:, 0], 0.0)
    return [
        [round(start_s, 3), round(stop_s, 3), *(round(v, 4) if np.isfinite(v) else None for v in values)]
        for start_s, stop_s, values in zip(starts_s.tolist(), stops_s.tolist(), least.tolist(), strict=True)
    ]


def no_passages(why: str) -> Mapping[str, Any]:
    """What `summarise_headroom` gives where there are none, with the reason."""
    return {"columns": list(COLUMNS), "passages": [], "n_passages": 0, "median_db": None, "longest_s": PASSAGE_S,
            "total_s": 0.0, "knows_supply": False, "not_judged": why}  # fmt: skip


def _free_spans(
    seen: Sequence[Interval], clipped_s: FloatArray, blocked: Sequence[Interval]
) -> list[tuple[float, float]]:
    """What was seen less clips and saturation, as spans of LEAST_PASSAGE_S and more."""
    taken = clipped_s
    if blocked:
        taken = np.concatenate([clipped_s, np.array([(span.start_s, span.stop_s) for span in blocked])])
    if (taken[1:, 0] < taken[:-1, 0]).any():
        taken = taken[np.argsort(taken[:, 0], kind="stable")]
    starts, stops = taken[:, 0], np.maximum.accumulate(taken[:, 1])
    is_before = starts[1:] - stops[:-1] >= LEAST_PASSAGE_S  # a passage lies between this one's end and the next
    spans: list[tuple[float, float]] = []
    for span in seen:
        low, high = np.searchsorted(stops, span.start_s, "right"), np.searchsorted(starts, span.stop_s)
        if low >= high:
            inside = [(span.start_s, span.stop_s)]
        else:
            at = low + np.flatnonzero(is_before[low : high - 1])
            inside = [
                (span.start_s, float(starts[low])),
                *zip(stops[at].tolist(), starts[at + 1].tolist(), strict=True),
                (float(stops[high - 1]), span.stop_s),
            ]
        spans += [(start_s, stop_s) for start_s, stop_s in inside if stop_s - start_s >= LEAST_PASSAGE_S]
    return spans


def _cut(spans: Sequence[tuple[float, float]], longest_s: float) -> tuple[FloatArray, FloatArray]:
    """Starts and stops of the spans, cut at multiples of `longest_s` of recording time."""
    starts, stops = [], []
    for start_s, stop_s in spans:
        inside = np.arange(np.floor(start_s / longest_s) + 1, np.ceil(stop_s / longest_s)) * longest_s
        edges = np.concatenate(([start_s], inside, [stop_s]))
        starts.append(edges[:-1])
        stops.append(edges[1:])
    if not starts:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(starts), np.concatenate(stops)
