"""What to do where bass notes pull the supply down by more than sound leads and contacts let it; measures nothing.

Gaps: none of its own; what it words was measured in stretches without one.
Limits: says that volts are lost, not where: for that the battery's posts have to be measured beside the amplifier's.
Source: half a volt lost under load on the way to a 12 V amplifier is where trade asks for a look (common practice, no
source). A marine standard's 3 % for important circuits (ABYC E-11, from memory) would be 0.4 V.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import count_batteries
from ampwitness.finding_list import FindingList
from ampwitness.units import fixed, seconds_to_clock

LEAST_SAG_V = 0.5  # of 12 V; two batteries in a row: the same share
LEAST_NOTES, LEAST_SHARE = 3, 0.02  # fewer, or fewer of all, may be a consumer's doing
_NOMINAL_V = 12.0


def advise_sag(notes: FindingList) -> list[str]:
    """What to do where notes' own sag is large; empty where it is not, or is that of a handful.

    Parameters
    ----------
    notes : bass notes, with `sag_own_v` or else `sag_without_end_v` or `sag_v` in V, and `supply_before_v`
    """
    # Where some have a sag of their own, those without one lie across a change of the supply's, and say nothing.
    columns = (notes.values(key) for key in ("sag_own_v", "sag_without_end_v", "sag_v"))
    sag_v = next((column for column in columns if np.isfinite(column).any()), None)
    if sag_v is None:
        return []
    worst = int(np.nanargmax(sag_v))
    before_v = float(notes[worst].measured.get("supply_before_v") or _NOMINAL_V)
    least_v = LEAST_SAG_V * count_batteries(before_v)
    n_deep = int(np.count_nonzero(sag_v >= least_v))
    if n_deep < max(LEAST_NOTES, LEAST_SHARE * np.count_nonzero(np.isfinite(sag_v))):
        return []
    return [
        "Find where the supply's volts are lost under bass. Measure at the battery's posts and at the amplifier while "
        "the same tone plays (`ampwitness check-supply`): what falls at the posts as well is battery or alternator, "
        "the difference is lost in cable, fuse holder and ground. "
        f"Under {n_deep:,} of {np.count_nonzero(np.isfinite(sag_v)):,} notes it fell by {least_v:g} V or more, by "
        f"{fixed(float(sag_v[worst]), 2)} V at {seconds_to_clock(float(notes.start_s[worst]))}; half a volt of 12 is "
        "where the trade begins to look."
    ]
