"""What the converter's multiplexer leaves of one channel in the next."""

from __future__ import annotations

import math

from ampwitness.frontend.network import N_CODES, InputNetwork

# The converter's sampling capacitor: about 1 pF, its datasheet's figure from memory.
SAMPLING_FARAD = 1e-12
# The published "about 100 kilohm" input impedance (seen in digests of the datasheet), if it stands for charge taken at
# 500 000 conversions a second: 1 / (100e3 * 500e3). The worst reading of that figure, not a measured one.
PESSIMISTIC_SAMPLING_FARAD = 20e-12


def carried_over_ratio(network: InputNetwork, visit_s: float, sampling_farad: float = SAMPLING_FARAD) -> float:
    """Share of the difference to the channel before that shows in a reading, in the steady state.

    Parameters
    ----------
    network : of the channel that is read
    visit_s : time from one conversion of this channel to its next
    sampling_farad : capacitor that arrives charged to the channel before

    Returns
    -------
    e / (v_before - v): with a = exp(-visit / tau), C the input's capacitor and Cs the sampling one, the error e just
    after the two share their charge solves  e (C + Cs) = C a e + Cs (v_before - v).

    Source
    ------
    Our own derivation; tests/frontend holds it to a step-by-step sum of charges.
    """
    left = math.exp(-visit_s / network.time_constant_s)
    return sampling_farad / (network.farad * (1 - left) + sampling_farad)


def carried_over_codes(network: InputNetwork, visit_s: float, sampling_farad: float = SAMPLING_FARAD) -> float:
    """`carried_over_ratio` in codes when the channel before is a whole range away: the worst case."""
    return N_CODES * carried_over_ratio(network, visit_s, sampling_farad)
