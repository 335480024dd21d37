"""What is taken for clipped where plateaus lie at many levels: the signal was cut off before the amplifier.

Gaps: works on tables of plateaus; a gap leaves out those it cuts off.
Limits: one constant level is the amplifier's or the source's; it does not come here.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_follows import Follower, find_follower
from ampwitness.detect.clips.ceiling.clip_pile import APART_S, might_be_plateaus
from ampwitness.detect.clips.ceiling.clip_plain import AT_RAIL_GAIN, PLAIN_GAIN, find_plain, misfit_allows
from ampwitness.detect.clips.ceiling.clip_refuted import by_time, have_stood_still
from ampwitness.detect.clips.ceiling.clip_shared_top import lies_at_shared_top
from ampwitness.detect.clips.ceiling.clip_source import find_source_flats
from ampwitness.detect.clips.judge.clip_lookalike import TIMES_AT_SOURCE, look_like_the_music
from ampwitness.detect.clips.judge.clip_side import LOOSE_GAIN, SideVerdict
from ampwitness.detect.clips.judge.clip_topmost import ends_among_round, round_levels
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests

BoolArray = npt.NDArray[np.bool_]

LONGEST_NOTE_S = 4.0
STRONG_GAIN = 400.0  # median over a note: of a source that cut off one note alone 1,300, of an organ's pedal 91
HIGH_SHARE = 0.9  # of the 95th percentile of flat tops: of those of a ceiling above, which sags no further within notes


def judge_source_sides(tables: list[tuple[float, Candidates]], is_sure: bool, crests: HighCrests) -> list[SideVerdict]:
    """Decide for the candidates of each polarity, surely or perhaps cut off before the amplifier.

    Parameters
    ----------
    tables : by polarity, sign 1.0 or -1.0 and (n) candidates
    is_sure : no amplifier makes these
    crests : the highest crests that are none, of both polarities
    """
    found, expected = [], []
    for sign, table in tables:
        worth = might_be_plateaus(table) & (table["gain"] >= AT_RAIL_GAIN) & misfit_allows(table, LOOSE_GAIN)
        worth &= (table["is_coarse"] == 0) & (table["crest_v"] > table["level_v"] + table["crest_sd_v"])
        mine, expected_v = find_source_flats(table, find_plain(table), worth)
        found.append(mine & ~ends_among_round(table, mine, round_levels(table, crests, sign)))
        expected.append(expected_v)
    of_music = look_like_the_music(
        [(table, mine) for (_, table), mine in zip(tables, found, strict=True)], TIMES_AT_SOURCE
    )
    left = [mine & ~refused for mine, refused in zip(found, of_music, strict=True)]
    shown = [table.take(mine) for (_, table), mine in zip(tables, left, strict=True) if mine.any()]
    if len(shown) == 1 and _is_own_wave(shown[0]):
        left = [np.zeros(len(mine), dtype=bool) for mine in left]
    ceiling = _find_ceiling_above([(table, mine) for (_, table), mine in zip(tables, left, strict=True)])
    sides = []
    for (sign, table), mine, expected_v in zip(tables, left, expected, strict=True):
        taken = mine | (table["top_kind"] > 0) | (table["limited"] > 0)
        no = np.zeros(len(table), dtype=bool)
        is_open = taken & lies_at_shared_top(table, mine, crests.take(crests.sign == sign)) if is_sure else taken
        if ceiling is not None:
            is_open = is_open | (taken & ceiling.at_it(table, table["level_v"]))
        source, undecided = taken & ~is_open, is_open
        threshold = np.full(len(table), PLAIN_GAIN)
        sides.append(SideVerdict(taken, expected_v, threshold, source, undecided, no, None, None))
    return sides


def _find_ceiling_above(sides: list[tuple[Candidates, BoolArray]]) -> Follower | None:
    """The ceiling that the highest of some flat tops lie at, if these follow the supply beyond chance: an amplifier's,
    which cuts off what is loudest of a source that clips too. What kept its level while the supply moved is none of
    them; the level of a source that is turned up falls with no supply, as more is asked of it then."""
    highest = []
    for table, mine in sides:
        flat = by_time(table, mine)
        flat = flat.take(~have_stood_still(flat))
        is_high = flat["level_v"] >= HIGH_SHARE * np.percentile(flat["level_v"], 95) if len(flat) else mine[:0]
        flat = flat.take(is_high)
        highest.append((flat, flat["level_v"]))
    return find_follower(highest)


def _is_own_wave(table: Candidates) -> bool:
    """Whether plateaus of one polarity alone, none of them strong, follow one another for no longer than a note: below
    what else sounds that is a held note's own wave. What a source cuts off comes again, in both, or strongly."""
    start_s = np.sort(table["start_s"])
    is_one_note = start_s[-1] - start_s[0] <= LONGEST_NOTE_S and np.all(np.diff(start_s) <= APART_S)
    return bool(is_one_note and np.median(table["gain"]) < STRONG_GAIN)
