"""Of candidates that lie over each other in time, the one that tells most: several looks find the same half-cycle.

Gaps: works on a table of candidates.
Limits: what overlaps by chance alone counts as the same half-cycle.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS, RESTS, might_be_plateaus, stands_at_level
from ampwitness.detect.clips.table.clip_candidates import Candidates

CORNERS_GAIN = 1e12  # more than any fit's
STAY_SHARE = 0.01  # of a ceiling at which samples stay: where a plateau found otherwise is the same


def without_doubles(table: Candidates) -> Candidates:
    """Of candidates of one polarity that overlap in time keep the plainer one; first of all those of a soft ceiling
    or of a limited current, in which fits see but a part."""
    table = _settle_stays(table)
    # A fit of which both corners were seen besides is the same row with that mark: it goes ahead of the one without.
    plainness = np.where(stands_at_level(table), (table["gain"] + 1e-6) * (1 + 1e-6 * (table["top_kind"] > 0)), np.inf)
    # Of two corners less is known than of what bends or limits its current.
    plainness = np.where(np.isin(table["top_kind"], (BETWEEN_CORNERS, RESTS)), CORNERS_GAIN, plainness)
    keep = np.ones(len(table), dtype=bool)
    for sign in (1.0, -1.0):
        mine = np.flatnonzero(table["sign"] == sign)
        mine = mine[np.argsort(table["start_s"][mine], kind="stable")]
        # Few overlap: only those are gone through one by one.
        overlaps = table["start_s"][mine][1:] < np.maximum.accumulate(table["stop_s"][mine])[:-1]
        last = -1
        for at in np.flatnonzero(overlaps).tolist():
            before, k = int(mine[at]), int(mine[at + 1])
            if at == 0 or not overlaps[at - 1]:
                last = before
            if table["start_s"][k] < table["stop_s"][last]:
                worse = k if plainness[k] <= plainness[last] else last
                keep[worse] = False
                last = k if worse == last else last
            else:
                last = k
    return table.take(keep)


def _settle_stays(table: Candidates) -> Candidates:
    """Without rows that lie over samples that stay at a ceiling and are no plateau there themselves, and without stays
    over which one is: that one counts as the stay."""
    stay_v = table["stay_v"].copy()
    worse = np.zeros(len(table), dtype=bool)
    is_stay = table["stay_v"] > 0
    over_sd = (table["crest_v"] - table["level_v"]) / np.maximum(table["crest_sd_v"], 1e-9)
    might_be = might_be_plateaus(table) & (over_sd > 1.0)
    for sign in (1.0, -1.0):
        stays = np.flatnonzero(is_stay & (table["sign"] == sign))
        if not len(stays):
            continue
        stays = stays[np.argsort(table["start_s"][stays], kind="stable")]
        others = np.flatnonzero(~is_stay & (table["sign"] == sign))
        first = np.searchsorted(table["stop_s"][stays], table["start_s"][others])
        last = np.searchsorted(table["start_s"][stays], table["stop_s"][others])
        others, first, last = (column[last > first] for column in (others, first, last))
        off = np.abs(table["level_v"][others] / table["stay_v"][stays[first]] - 1)
        good = might_be[others] & (off <= STAY_SHARE)
        worse[others[~good]] = True
        stay_v[others[good]] = stay_v[stays[first[good]]]
        change = np.zeros(len(stays) + 1, dtype=np.intp)
        np.add.at(change, first[good], 1)
        np.add.at(change, last[good], -1)
        worse[stays[np.cumsum(change)[:-1] > 0]] = True
    return Candidates(table.columns | {"stay_v": stay_v}, table.supply, table.output).take(~worse)
