"""Which candidates are clipped half-cycles, polarity by polarity, and what is said of them.

Gaps: none here; candidates stand alone.
Limits: see `clip_side` and `clip_names`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS, stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import AT_RAIL_GAIN, find_plain
from ampwitness.detect.clips.ceiling.clip_refuted import is_refuted, move_within_notes
from ampwitness.detect.clips.ceiling.clip_source import is_source_for_sure, is_turned, lies_at_many_levels
from ampwitness.detect.clips.ceiling.headroom import Room, measure_room
from ampwitness.detect.clips.ceiling.rail_model import summarise_rail
from ampwitness.detect.clips.judge.clip_doubles import without_doubles
from ampwitness.detect.clips.judge.clip_names import Followers, find_followers, name_ceilings, name_origins
from ampwitness.detect.clips.judge.clip_partner import find_partners
from ampwitness.detect.clips.judge.clip_release import REMARK, is_released_late, without_release
from ampwitness.detect.clips.judge.clip_shared import find_shared, is_dense
from ampwitness.detect.clips.judge.clip_side import FIRM_PLATEAUS, SideVerdict, judge_side, lies_firmly, shows_level
from ampwitness.detect.clips.judge.clip_source_sides import judge_source_sides
from ampwitness.detect.clips.judge.clip_topmost import shows_one_corner
from ampwitness.detect.clips.second.clip_current import mark_rails_behind
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests, join
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.types import FloatArray

MOST_ROUNDS = 3
OPEN_SD_SHARE = 0.5  # of the level: how far the crest of a plateau may have gone of which one corner was seen
ALONG_SHARE = 0.5
_SIDES = ((1.0, "positive"), (-1.0, "negative"))


@dataclass(frozen=True, slots=True)
class Verdicts:
    """The clips, and for each what was expected and how it was decided; lists and arrays of the same length."""

    clips: Candidates
    expected_v: FloatArray
    confidence: FloatArray
    threshold: FloatArray
    shape: list[str]  # hard, soft
    where: list[str]  # amplifier, source, not decided
    ceiling: list[str]  # rail, current, undecided
    rails: Mapping[str, Any]
    rail_model: Mapping[str, Mapping[str, Any]]
    rooms: tuple[Room, ...]  # of the polarities whose ceiling is known
    n_candidates: int
    remarks: tuple[str, ...]


def _join_crests(parts: list[HighCrests]) -> HighCrests:
    if not parts:
        empty = np.zeros(0)
        lags = np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        return HighCrests(empty, empty, empty, empty, *lags)
    return HighCrests(*(np.concatenate([getattr(part, name) for part in parts]) for name in HighCrests.__slots__))


def _remarks(shape: list[str], where: list[str]) -> tuple[str, ...]:
    """Sentences about what the findings cannot tell."""
    out = []
    if "source" in where:
        out.append("flat tops at many levels: cut off before the amplifier, or notes that are square by themselves")
    if "soft" in shape:
        out.append("rounded flat crests at one level: soft clipping, or a square-shaped note held steady")
    return tuple(out)


def _is_apart(side: SideVerdict) -> npt.NDArray[np.bool_]:
    return np.zeros(len(side.accepted), dtype=bool) if side.is_apart is None else side.is_apart


def _judge_sides(tables: list[tuple[float, str, Candidates]], crests: HighCrests) -> list[SideVerdict]:
    """Both polarities; one that shows no ceiling by itself is asked again where the other does, and tops that move
    between their corners where level plateaus were taken after all, as one store may run empty while the other is
    pumped full."""
    sides = [judge_side(mine, crests, sign) for sign, _, mine in tables]
    others = [
        other.rail if side.rail is None and np.count_nonzero(other.accepted) >= FIRM_PLATEAUS else None
        for side, other in zip(sides, sides[::-1], strict=True)
    ]
    sides = [
        side if other is None else judge_side(mine, crests, sign, other=other)
        for (sign, _, mine), side, other in zip(tables, sides, others, strict=True)
    ]
    if not any(shows_level(mine, side) for (_, _, mine), side in zip(tables, sides, strict=True)):
        return sides
    return [
        judge_side(mine, crests, sign, are_level=True, other=other)
        if (mine["top_kind"] >= BETWEEN_CORNERS).any()
        else side
        for (sign, _, mine), side, other in zip(tables, sides, others, strict=True)
    ]


def _with_shared(
    tables: list[tuple[float, str, Candidates]], sides: list[SideVerdict], crests: HighCrests
) -> list[SideVerdict]:
    """Both polarities; in dense music one that shows no ceiling is asked again at that of the other, which is known
    firmly, and both at what they have in common where neither shows any."""
    if not all(is_dense(mine, mine["level_v"]).any() for _, _, mine in tables):
        return sides
    shows_none = [side.rail is None or not side.accepted.any() for side in sides]
    shared = [
        other.rail if is_asked and lies_firmly(theirs, other).any() else None
        for is_asked, (_, _, theirs), other in zip(shows_none, tables[::-1], sides[::-1], strict=True)
    ]
    if all(shows_none):
        shared = [find_shared([(sign, mine) for sign, _, mine in tables], crests)] * 2
    return [
        side if rail is None else judge_side(mine, crests, sign, shared=rail)
        for (sign, _, mine), side, rail in zip(tables, sides, shared, strict=True)
    ]


def _with_lighter_side(
    tables: list[tuple[float, str, Candidates]], sides: list[SideVerdict], crests: HighCrests
) -> list[SideVerdict]:
    """Both polarities of a source; where one shows no plain plateau, because the cut hardly reaches it, what lies at
    one level there counts as at an amplifier's ceiling."""
    sides = list(sides)
    for k, (sign, _, mine) in enumerate(tables):
        if not sides[k].accepted.any() and sides[1 - k].accepted.any():
            side = judge_side(mine, crests, sign)
            at_level = side.accepted & stands_at_level(mine)
            sides[k] = replace(sides[k], accepted=at_level, is_source=at_level, expected=side.expected)
    return sides


def _with_partners(
    tables: list[tuple[float, str, Candidates]], sides: list[SideVerdict], crests: HighCrests
) -> list[SideVerdict]:
    """Both polarities, with what each polarity's clips make plausible on either."""
    sides = list(sides)
    for _ in range(MOST_ROUNDS):  # what was taken vouches in turn
        n_new = 0
        for k, (sign, _, mine) in enumerate(tables):
            other, of_other = tables[1 - k][2], sides[1 - k]
            vouches = of_other.accepted & ~of_other.is_source & stands_at_level(other)
            new = find_partners(mine, sides[k].accepted, other["level_v"][vouches], crests, sign)
            n_new += int(np.count_nonzero(new))
            if new.any():
                sides[k] = replace(
                    sides[k], accepted=sides[k].accepted | new, undecided=sides[k].undecided | new,
                    is_apart=_is_apart(sides[k]) | new,
                )  # fmt: skip
        if not n_new:
            break
    return sides


def _take_back_regulated(rails: dict[str, Any], rail_model: dict[str, Mapping[str, Any]], followers: Followers) -> None:
    """No ceiling that follows the supply is quoted as regulated because no one line through its plateaus showed it."""
    for sign, polarity in _SIDES:
        is_known = followers.hard is not None and sign in followers.hard.constant
        if is_known and rail_model[polarity]["kind"] == "regulated":
            rail_model[polarity] = {**rail_model[polarity], "kind": "unknown"}
            rails[polarity] = {**rails[polarity], "kind": "not decided: it follows the supply along no one line"}


def crest_sd(clips: Candidates, one_corner: npt.NDArray[np.bool_]) -> FloatArray:
    """(n,) V, how well the missing crests are known: hardly where one corner was seen, and where no fit describes the
    top between two corners it may as well have gone no further: square notes were told as 24 dB over, at 2 dB.

    Parameters
    ----------
    clips : (n) clips of both polarities
    one_corner : (n,) those of which one corner at most was seen
    """
    sd_v = np.where(one_corner, OPEN_SD_SHARE * clips["level_v"], clips["crest_sd_v"])
    is_open = clips["top_kind"] == BETWEEN_CORNERS
    return np.where(is_open, np.maximum(sd_v, clips["crest_v"] - clips["level_v"]), sd_v)


def _follow_the_supply(plain: list[tuple[Candidates, npt.NDArray[np.bool_]]]) -> bool:
    """Whether most plain plateaus were fitted with the supply's ripple taken off (`clip_ripple`); no source's are."""
    n_plain = sum(int(np.count_nonzero(is_plain)) for _, is_plain in plain)
    n_along = sum(int(np.count_nonzero(is_plain & (table["on_course"] > 0))) for table, is_plain in plain)
    return n_along > ALONG_SHARE * n_plain


def judge(table: Candidates, crest_parts: list[HighCrests]) -> Verdicts:
    """Learn the rails and decide.

    Parameters
    ----------
    table : all candidates of the recording
    crest_parts : the highest crests that were no candidates
    """
    table = table.take(table["level_v"] > 0)  # a fit laid below that stands across the tip of a crest
    table = without_doubles(mark_rails_behind(table))
    crests = _join_crests(crest_parts)
    parts: list[tuple[Candidates, SideVerdict]] = []
    rails: dict[str, Any] = {}
    rail_model: dict[str, Mapping[str, Any]] = {}
    rooms = []
    n_candidates = len(table)
    tables = [(sign, polarity, table.take(table["sign"] == sign)) for sign, polarity in _SIDES]
    del table  # all of it is in those of the polarities
    plain = [(mine, find_plain(mine)) for _, _, mine in tables]
    is_rail = _follow_the_supply(plain)
    is_passed = not is_rail and is_refuted(plain, crests)
    is_sure = not is_rail and is_source_for_sure(plain)
    is_sure = is_sure or (is_passed and (not move_within_notes(plain) or is_turned(plain)))
    is_at_many_levels = is_sure or is_passed or (not is_rail and any(lies_at_many_levels(*side) for side in plain))
    if is_at_many_levels:
        sides = judge_source_sides([(sign, mine) for sign, _, mine in tables], is_sure, crests)
        if is_sure:
            sides = _with_lighter_side(tables, sides, crests)
    else:
        sides = _with_shared(tables, _judge_sides(tables, crests), crests)
        sides = _with_partners(tables, sides, crests)
    for (sign, polarity, mine), side in zip(tables, sides, strict=True):
        parts.append((mine, side))
        at_rail = side.accepted & ~side.is_source & stands_at_level(mine) & ~_is_apart(side)
        rail_model[polarity] = summarise_rail(None, sign)
        if side.rail is not None and at_rail.any():
            typical_v = sign * float(np.median(mine["level_v"][at_rail]))
            rails[polarity] = dict(side.rail.describe(typical_v))
            rail_model[polarity] = summarise_rail(side.rail, typical_v)
            rooms.append(measure_room(side.rail, sign, mine.take(at_rail), crests, mine.take(~side.accepted)))
    clips = join([mine.take(side.accepted) for mine, side in parts])
    one_corner = np.concatenate([_is_apart(side)[side.accepted] for _, side in parts]) & shows_one_corner(clips)
    clips.columns["crest_sd_v"] = crest_sd(clips, one_corner)
    clips.columns["top_kind"] = np.where(stands_at_level(clips), 0.0, clips["top_kind"])
    is_late = is_released_late(clips)
    if is_late:
        clips = without_release(clips)
    expected = np.concatenate([side.expected[side.accepted] for _, side in parts])
    threshold = np.concatenate([side.threshold[side.accepted] for _, side in parts])
    followers = Followers() if is_at_many_levels else find_followers(parts)
    _take_back_regulated(rails, rail_model, followers)
    where = [name for mine, side in parts for name in name_origins(mine, side, followers)]
    ceiling = [name for mine, side in parts for name in name_ceilings(mine, side, followers)]
    gain = clips["gain"]
    confidence = 1 - 0.5 * np.exp(-(gain - AT_RAIL_GAIN) / 40.0) if len(clips) else np.zeros(0)
    is_soft = np.concatenate([side.is_soft[side.accepted] for _, side in parts])
    shape = ["soft" if soft else "hard" for soft in is_soft]
    return Verdicts(
        clips=clips,
        expected_v=expected,
        confidence=np.asarray(confidence),
        threshold=threshold,
        shape=shape,
        where=where,
        ceiling=ceiling,
        rails=rails,
        rail_model=rail_model,
        rooms=tuple(rooms),
        n_candidates=n_candidates,
        remarks=_remarks(shape, where) + ((REMARK,) if is_late else ()),
    )
