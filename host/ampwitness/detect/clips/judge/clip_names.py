"""What is said of a clip beside that it is one: where it happened, and what kind of ceiling it was.

Gaps: none here; clips stand alone.
Limits: one constant level is the amplifier's or the source's, and nothing in a recording can tell.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_follows import Follower, find_follower
from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import LIVELY, PLAIN_GAIN
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.judge.clip_level import SOFT_SURE_DB
from ampwitness.detect.clips.judge.clip_side import SideVerdict
from ampwitness.detect.clips.table.clip_candidates import HELD_BY, Candidates

BoolArray = npt.NDArray[np.bool_]


IN_PROPORTION = 0.5  # of a rail that rises as its supply does
# Of a soft ceiling that may be called the amplifier's: notes saturated by their maker came to 3 to 4.5, soft knees of
# amplifiers to 9.8 and more. Below it levels that follow the supply were read of clean notes.
LEAST_SHARP = 6.0
LEAST_PLAIN = 0.3  # of the plateaus at a level: if fewer fit plainly, all are asked


@dataclass(frozen=True, slots=True)
class Followers:
    """Ceilings that follow the supply beyond chance: of plateaus, and the one that crests are bent over below."""

    hard: Follower | None = None
    soft: Follower | None = None

    def at_ceiling(self, table: Candidates, side: SideVerdict) -> BoolArray:
        """(n,) which rows of one polarity lie at such a ceiling."""
        found = np.zeros(len(table), dtype=bool)
        if self.hard is not None:
            found |= stands_at_level(table) & self.hard.at_it(table, table["level_v"])
        if self.soft is not None:
            found |= (table["sharpness"] > 0) & self.soft.at_it(table, side.expected)
        return found


def find_followers(sides: list[tuple[Candidates, SideVerdict]]) -> Followers:
    """The ceilings, of both polarities, that follow the supply."""
    hard, soft = [], []
    for table, side in sides:
        mine = side.accepted & ~side.is_source
        shows, _ = _show_level(table, mine)
        hard.append((table.take(shows), table["level_v"][shows]))
        shows = mine & (table["sharpness"] >= LEAST_SHARP) & (table.over_db >= SOFT_SURE_DB)
        soft.append((table.take(shows), side.expected[shows]))
    are_rounded = any(_show_level(table, side.accepted & ~side.is_source)[1] for table, side in sides)
    return Followers(find_follower(hard, without_drive=are_rounded), find_follower(soft, without_drive=True))


def _show_level(table: Candidates, taken: BoolArray) -> tuple[BoolArray, bool]:
    """(n,) which of the rows taken of a polarity show its level: plain plateaus, or all where these are few; and
    whether it is for rounded tops that they are few, not for dense music, in which hardly a fit fits."""
    level = taken & stands_at_level(table)
    plain = level & (table["gain"] >= PLAIN_GAIN) & (table["is_coarse"] == 0)
    if np.count_nonzero(plain) >= LEAST_PLAIN * np.count_nonzero(level):
        return plain, False
    return level, bool(np.median(table["lively"][level]) < LIVELY)


def _moves(rail: Rail | None, table: Candidates) -> bool:
    """Whether a rail was seen to follow the supply or to sink under load: no source does that.

    Ahead of a guessed capacitor levels are reckoned, and what its time constant misses looks like a droop or a slight
    rise with the supply: there only a rise nearly in proportion is one."""
    if rail is None or not len(table):
        return False
    if np.median(table["held_by"]) != HELD_BY.index("capacitor"):
        return rail.follows or rail.per_output_v < 0
    rise_v = rail.per_supply_v * float(np.nanmedian(table["supply_v"])) if rail.follows else 0.0
    return bool(rise_v >= IN_PROPORTION * np.median(table["level_v"]))


def name_origins(table: Candidates, side: SideVerdict, followers: Followers) -> list[str]:
    """Of each clip accepted. One constant level is the amplifier's or the source's; nothing can tell. A source knows
    nothing of a load. `followers`: ceilings that were seen to follow the supply beyond chance."""
    source, undecided = side.is_source[side.accepted], side.undecided[side.accepted]
    limited = (table["limited"] > 0)[side.accepted]
    follows = followers.at_ceiling(table, side)[side.accepted] & ~source
    still = not _moves(side.rail, table.take(side.accepted))
    # What is read of rounded tops moves with their drive too: only a follower, which leaves that out, tells.
    is_rounded = (table["sharpness"] > 0)[side.accepted] | _show_level(table, side.accepted & ~side.is_source)[1]
    names = np.where(source, "source", np.where(undecided | still | is_rounded, "not decided", "amplifier"))
    return list(map(str, np.where(limited | follows, "amplifier", names).tolist()))


def name_ceilings(table: Candidates, side: SideVerdict, followers: Followers) -> list[str]:
    """Of each clip accepted: a rail where it lies at a ceiling that follows the supply, a current limit where the
    load's current says so. A level below the rail proves nothing: rails sink in more ways than are learned, and a level
    below a soft ceiling, or one that sank within a note, says nothing of what the ceiling is. What the current seems to
    hold just where the rail is may be either."""
    at_rail = followers.hard is not None and followers.hard.at_it(table, table["level_v"])
    limited = ((table["limited"] == 1) & ~np.asarray(at_rail))[side.accepted]  # less than 1: the current, then a rail
    follows = (followers.at_ceiling(table, side) & ~side.is_source)[side.accepted]
    names = np.where(limited, "current", np.where(follows, "rail", "undecided"))
    return list(map(str, names.tolist()))
