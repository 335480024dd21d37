"""Where the logger's own converter was at a rail, as tightly as the counts allow.

The board counts conversions at code 0 and at code 4095 a frame and channel, before averaging. Which scans of the frame
they fell into is found from the counts: a scan can hold such a conversion only if its average lies within reach of the
rail: no further than the signal moves within half an average (taken from the larger step to a neighbouring scan of the
frame, with half as much again for its bend), plus noise. If the scans so found cannot hold as many conversions as were
counted, the whole frame is marked.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from ampwitness.types import Block

NOISE_CODES = 8.0  # five times the noise of one conversion
_BEND_RATIO = 1.5
GUARD_SCANS = 4  # to each side: what the inverse filter spreads of the cut-off volts beyond this is below 3 % of them
_COUNT_CAP = 127

# (first scan, one past the last, channel, rail, conversions at the rail)
RailRun = tuple[int, int, int, Literal["bottom", "top"], int]


def find_rail_runs(block: Block) -> list[RailRun]:
    """Runs of scans of a block whose average may hold conversions at a rail.

    Parameters
    ----------
    block : counts and at-rail counts of whole frames

    Returns
    -------
    Runs in scan index of the session, guard included, by frame and channel. The conversions counted in a frame are
    given to its first run, so that they sum up exactly. Frame by frame, so that the cut of blocks does not matter.

    Limits
    ------
    The board stops counting at 127 a frame and channel: that figure means "127 or more".
    """
    runs: list[RailRun] = []
    if not block.at_rail.any():
        return runs
    for frame, channel, side in np.argwhere(block.at_rail):
        n_conversions = int(block.at_rail[frame, channel, side])
        first = int(frame) * block.scans_per_frame
        counts = block.counts[first : first + block.scans_per_frame, channel]
        code = counts.astype(np.float64) / block.hello.counts_per_code
        inward = code if side == 0 else 4095.0 - code
        step = np.abs(np.diff(code))
        larger = np.maximum(np.concatenate((step, step[-1:])), np.concatenate((step[:1], step))) if len(step) else 0.0
        averaging = block.hello.averaging
        held = inward <= _BEND_RATIO * (averaging - 1) / (2 * averaging) * larger + NOISE_CODES
        if not held.any() or np.count_nonzero(held) * averaging < min(n_conversions, _COUNT_CAP):
            held = np.ones(len(code), dtype=bool)
        flips = np.flatnonzero(np.diff(np.concatenate(([False], held, [False])).astype(np.int8)))
        start = block.first_sample_index + first
        for a, b in zip(flips[::2], flips[1::2], strict=True):
            rail: Literal["bottom", "top"] = "bottom" if side == 0 else "top"
            runs.append((start + int(a) - GUARD_SCANS, start + int(b) + GUARD_SCANS, int(channel), rail, n_conversions))
            n_conversions = 0
    return runs
