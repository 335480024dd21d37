"""A second look at crests that come just up to a known ceiling: cut off by hundredths of a decibel, or natural?

Where many plateaus have told the ceiling to a few hundredths of a volt, hardly a natural crest ends there by chance. So
crests level with it are fitted although the screen let them go; what the fit has to show may then be little.

Gaps: works inside one stretch.
Limits: needs a ceiling that plain plateaus, or a pile of others, show in the same stretch.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets bass`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.clip_candidates import Candidates, OneSide, lies_on_plateau
from ampwitness.detect.clips.clip_pile import find_pile, might_be_plateaus
from ampwitness.detect.clips.clip_plain import AT_RAIL_GAIN, find_plain
from ampwitness.detect.clips.clip_screen import Crests
from ampwitness.detect.clips.rail_model import Rail, learn_rail

FEWEST_PLAIN, MOST_PLAIN = 3, 120
NEAR_SHARE = 0.006  # of the ceiling: how far above what is known of it so far a crest is still looked at,
BELOW_SD, ABOVE_SD = 1.5, 3.0  # and in noise of one sample


def find_faint(side: OneSide) -> Crests | None:
    """The crests that come up to the ceiling which the candidates of a stretch show, and are no candidates yet."""
    table, crests = side.candidates, side.crests
    rail = _rail_so_far(table)
    if rail is None or not len(crests):
        return None
    sure = table.take((table["is_coarse"] > 0) | (table["gain"] >= AT_RAIL_GAIN))
    # Means over long spans only for crests that can be near at all.
    lowest_v = (1 - 4 * NEAR_SHARE) * float(np.min(table["level_v"][might_be_plateaus(table)]))
    supply_v, output_v = side.lagged.extremes()
    least_v = rail.constant_v + rail.per_supply_v * supply_v + rail.per_output_v * output_v
    lowest_v = max(lowest_v, least_v - BELOW_SD * side.noise_v)
    crests = crests.take((crests.level_v >= lowest_v) & ~lies_on_plateau(side.stretch, crests, sure))
    expected = rail.predict(*side.lagged.at(crests.sample.astype(float)))
    off = crests.level_v - expected
    near = (off >= -BELOW_SD * side.noise_v) & (off <= NEAR_SHARE * expected + ABOVE_SD * side.noise_v)
    return crests.take(near)


def _rail_so_far(table: Candidates) -> Rail | None:
    plain = np.flatnonzero(find_plain(table))
    if len(plain) >= FEWEST_PLAIN:
        plain = plain[:: -(-len(plain) // MOST_PLAIN)]
        return learn_rail(table["level_v"][plain], table.supply[plain], table.output[plain])
    pile = find_pile(table, might_be_plateaus(table))
    return None if pile is None else pile.rail
