"""What is said of a clip beside that it is one: where it happened, and what kind of ceiling it was.

Gaps: none here; clips stand alone.
Limits: one constant level is the amplifier's or the source's, and nothing in a recording can tell.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.clip_candidates import Candidates
from ampwitness.detect.clips.clip_pile import stands_at_level
from ampwitness.detect.clips.clip_side import SideVerdict
from ampwitness.detect.clips.rail_model import Rail

SURE_SD, USUAL_SUPPLY_V = 4.0, 13.0
LEAST_PROPORTION, MOST_PROPORTION = 0.3, 5.0  # of a ceiling's change to its supply's
FEWEST_ON_OTHER, LEAST_RANGE = 20, 0.7  # plateaus, and of the supply's range on this side
RAIL_SHARE = 0.98  # of the level expected


def _moves(rail: Rail | None) -> bool:
    """Whether a rail was seen to follow the supply or to sink under load: no source does that."""
    return rail is not None and (rail.per_supply_v > 0 or rail.per_output_v < 0)


def name_origins(table: Candidates, side: SideVerdict) -> list[str]:
    """Of each clip accepted. One constant level is the amplifier's or the source's; nothing can tell. A source knows
    nothing of a load."""
    source, undecided = side.is_source[side.accepted], side.undecided[side.accepted]
    limited = (table["limited"] > 0)[side.accepted]
    still = not _moves(side.rail)
    names = np.where(source, "source", np.where(undecided | still, "not decided", "amplifier"))
    return list(map(str, np.where(limited, "amplifier", names).tolist()))


def _surely_follows(rail: Rail | None) -> bool:
    """Whether a ceiling follows the supply beyond chance, about in proportion: no limit of a current does."""
    if rail is None or not rail.per_supply_v > SURE_SD * rail.ratio_sd:
        return False
    level_v = float(rail.constant_v + rail.per_supply_v * USUAL_SUPPLY_V)
    in_proportion = rail.per_supply_v * USUAL_SUPPLY_V / max(level_v, 1e-9)
    return LEAST_PROPORTION <= in_proportion <= MOST_PROPORTION


def _speaks_against(other: Rail | None, rail: Rail | None) -> bool:
    """Whether the other polarity, as well known and over as much supply, was seen not to follow it: what follows on one
    side alone does so by chance, as both rails hang on one supply."""
    if rail is None or other is None:
        return False
    is_known = other.n_plateaus >= FEWEST_ON_OTHER and other.supply_range_v >= LEAST_RANGE * rail.supply_range_v
    return is_known and other.per_supply_v <= 0


def name_ceilings(table: Candidates, side: SideVerdict, other: Rail | None = None) -> list[str]:
    """Of each clip accepted: a rail where it lies at one that follows the supply, a current limit where the load's
    current says so. A level below the rail proves nothing: rails sink in more ways than are learned. `other`: the rail
    of the other polarity, where it was learned."""
    limited = (table["limited"] == 1)[side.accepted]  # less than 1: the current first, then a rail
    share = (table["level_v"] / np.maximum(side.expected, 1e-9))[side.accepted]
    if not _surely_follows(side.rail) or _speaks_against(other, side.rail):
        share = np.zeros(len(share))
    # A level below a soft ceiling, or one that sank within a note, says nothing of what the ceiling is.
    is_apart = np.zeros(len(table), dtype=bool) if side.is_apart is None else side.is_apart
    is_open = (side.is_source | ~stands_at_level(table) | is_apart)[side.accepted]
    if _surely_follows(side.bent_rail):
        bent = ((table["sharpness"] > 0) & ~side.is_source)[side.accepted]
        share, is_open = np.where(bent, 1.0, share), is_open & ~bent
    names = np.where(~is_open & (share > RAIL_SHARE), "rail", "undecided")
    return list(map(str, np.where(limited, "current", names).tolist()))
