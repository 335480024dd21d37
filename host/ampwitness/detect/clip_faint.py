"""A second look at crests that come just up to a known ceiling: cut off by hundredths of a decibel, or natural?

Where many plateaus have told the ceiling to a few hundredths of a volt, hardly a natural crest ends there by chance. So
crests level with it are fitted although the screen let them go; what the fit has to show may then be little.

Gaps: works inside one stretch.
Limits: needs a ceiling that plain plateaus, or a pile of others, show in the same stretch.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets bass`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import Candidates, crests_to_rows, join, lies_on_plateau
from ampwitness.detect.clip_pile import find_pile, might_be_plateaus
from ampwitness.detect.clip_screen import Crests
from ampwitness.detect.clip_stream import LaggedMeans, Stretch
from ampwitness.detect.clip_verdict import AT_RAIL_GAIN, FAINT_GAIN, find_plain
from ampwitness.detect.rail_model import Rail, learn_rail

FEWEST_PLAIN, MOST_PLAIN = 3, 120
NEAR_SHARE = 0.006  # of the ceiling: how far above what is known of it so far a crest is still looked at,
BELOW_SD, ABOVE_SD = 1.5, 3.0  # and in noise of one sample


def find_faint(
    stretch: Stretch, crests: Crests, found: list[Candidates], noise_v: float, blocked: npt.NDArray[np.bool_] | None
) -> list[Candidates]:
    """Fit the crests of a stretch that come up to the ceiling which its candidates show, and are no candidates yet.

    Parameters
    ----------
    stretch : samples with margins
    crests : the high crests of the stretch
    found : candidates of the stretch
    noise_v : noise of one sample
    blocked : (n_samples,) True where the logger's own converter was at its rail; None: nowhere
    """
    table = join(found)
    out = []
    lagged: LaggedMeans | None = None
    for sign in (1.0, -1.0):
        mine = table.take(table["sign"] == sign)
        rail = _rail_so_far(mine)
        high = crests.take(crests.sign == sign)
        if rail is None or not len(high):
            continue
        lagged = lagged or LaggedMeans(stretch)
        sure = mine.take((mine["is_coarse"] > 0) | (mine["gain"] >= AT_RAIL_GAIN))
        # Means over long spans only for crests that can be near at all.
        lowest_v = (1 - 4 * NEAR_SHARE) * float(np.min(mine["level_v"][find_plain(mine) | might_be_plateaus(mine)]))
        high = high.take((high.level_v >= lowest_v) & ~lies_on_plateau(stretch, high, sure))
        if not len(high):
            continue
        expected = rail.predict(*lagged.at(high.sample.astype(float)))
        off = high.level_v - expected
        high = high.take((off >= -BELOW_SD * noise_v) & (off <= NEAR_SHARE * expected + ABOVE_SD * noise_v))
        rows = crests_to_rows(stretch, lagged, high, noise_v, blocked, FAINT_GAIN)
        if rows is not None:
            out.append(rows)
    return out


def _rail_so_far(table: Candidates) -> Rail | None:
    plain = np.flatnonzero(find_plain(table))
    if len(plain) >= FEWEST_PLAIN:
        plain = plain[:: -(-len(plain) // MOST_PLAIN)]
        return learn_rail(table["level_v"][plain], table.supply[plain], table.output[plain])
    pile = find_pile(table, might_be_plateaus(table))
    return None if pile is None else pile.rail
