"""What is taken for clipped where plateaus lie at many levels: the signal was cut off before the amplifier.

Gaps: works on tables of plateaus; a gap leaves out those it cuts off.
Limits: one constant level is the amplifier's or the source's; it does not come here.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.clip_candidates import Candidates, HighCrests
from ampwitness.detect.clips.clip_lookalike import TIMES_AT_SOURCE, look_like_the_music
from ampwitness.detect.clips.clip_pile import might_be_plateaus
from ampwitness.detect.clips.clip_plain import AT_RAIL_GAIN, PLAIN_GAIN, find_plain, misfit_allows
from ampwitness.detect.clips.clip_side import LOOSE_GAIN, SideVerdict
from ampwitness.detect.clips.clip_source import find_source_flats
from ampwitness.detect.clips.clip_topmost import ends_among_round, round_levels


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
    sides = []
    for (_, table), mine, refused, expected_v in zip(tables, found, of_music, expected, strict=True):
        taken = (mine & ~refused) | (table["sunk"] > 0) | (table["limited"] > 0)
        no = np.zeros(len(table), dtype=bool)
        source, undecided = (taken, no) if is_sure else (no, taken)
        threshold = np.full(len(table), PLAIN_GAIN)
        sides.append(SideVerdict(taken, expected_v, threshold, source, undecided, no, None, None))
    return sides
