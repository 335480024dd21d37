"""Volts at which an output stands: a stage on one supply plays about half of it, and each crest counts from there.

Such a stage (single-ended, its coupling capacitor behind the terminal that is measured) has all its volts on one side
of 0. Polarity, ceiling and overdrive mean nothing against 0 V: the swing downwards would never be a crest at all, and
one of 3 dB beyond the upper ceiling would count as 1 dB.

The standing volts are slow (a divider of the supply with a filter), so they are means of pieces; pauses count most,
since a crest that is cut off on one side alone draws the mean to the other. Pieces far off those around them (the stage
turns on) count least, and where it is off nothing is taken away. An output that plays about 0 V and then sticks to its
rail is another matter, a fault, and keeps its volts.

Limits: a stage that stands within STANDING_V of 0 keeps its volts as they are. Where they move faster than REACH_S
tells, crests are off by the difference, and a programme cut off by decibels on one side for seconds on end draws them.
Source: our choice; half a supply as the resting point of such stages is textbook matter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

STANDING_V = 2.0  # at least: no offset of a bridged output, or of one on two rails, comes near it
PLAYING_V = 0.3  # rms of a piece in which something plays; one stuck at its rail plays nothing
ACROSS_SHARE = 0.02  # of a piece's samples may lie on the other side of 0, and of the pieces
LEAST_S = 2.0  # of playing, at least: shorter is an accident
PIECE_S = 0.125
NEAR_S = 3.0  # pieces whose median a piece is held against
REACH_S = 1.5  # standard deviation of the weights in time
NOISE_V = 0.05  # pieces quieter than that count alike
FEW = 16  # one piece in so many is asked first


def standing_course(volts: npt.NDArray[np.float32], rate_hz: float, first_index: int) -> FloatArray | None:
    """(n,) volts at which the output stands, 0 where it is off; None if it plays about 0 V.

    `first_index` is that of the first sample in the segment: pieces lie on its grid, however the samples came.
    """
    n_piece = max(1, round(PIECE_S * rate_hz))
    skip = -first_index % n_piece
    n_pieces = (len(volts) - skip) // n_piece
    if n_pieces * PIECE_S < LEAST_S:
        return None
    pieces = volts[skip : skip + n_pieces * n_piece].reshape(n_pieces, n_piece)
    some = pieces[::FEW]
    if np.count_nonzero(_is_across(some, 1.0) & _is_across(some, -1.0)) > ACROSS_SHARE * n_pieces:
        return None  # as nearly all do, by what would be asked below whichever side it stood on
    means = pieces.mean(axis=1, dtype=np.float64)
    side = 1.0 if float(means.sum()) > 0 else -1.0
    if np.count_nonzero(means * side >= STANDING_V) * PIECE_S < LEAST_S:
        return None
    across = _is_across(pieces, side)
    at = np.flatnonzero((means * side >= STANDING_V) & ~across)
    spread_v2 = pieces.var(axis=1, dtype=np.float64)
    n_plays = int(np.count_nonzero(spread_v2[at] > PLAYING_V**2))
    if n_plays * PIECE_S < LEAST_S or np.count_nonzero(across) > ACROSS_SHARE * n_plays:
        return None
    off = means[at] - _medians_around(means[at])
    trust, weighed = np.zeros(n_pieces), np.zeros(n_pieces)
    trust[at] = 1.0 / (spread_v2[at] + NOISE_V**2 + off**2)
    weighed[at] = trust[at] * means[at]
    half = round(4 * REACH_S / PIECE_S)
    window = np.exp(-((np.arange(-half, half + 1) * PIECE_S / REACH_S) ** 2) / 2)
    course = np.zeros(n_pieces)
    course[at] = (_convolved(weighed, window)[at]) / _convolved(trust, window)[at]
    middles = skip + (np.arange(n_pieces) + 0.5) * n_piece
    return np.asarray(np.interp(np.arange(len(volts)), middles, course), dtype=np.float32)


def _is_across(pieces: npt.NDArray[np.float32], side: float) -> npt.NDArray[np.bool_]:
    """(n,) which pieces play on the other side of 0 as well."""
    return np.asarray(np.mean(pieces * side < -PLAYING_V, axis=1) > ACROSS_SHARE)


def _medians_around(means: FloatArray) -> FloatArray:
    """Of NEAR_S of pieces about each."""
    half = round(NEAR_S / PIECE_S / 2)
    padded = np.pad(means, half, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def _convolved(values: FloatArray, window: FloatArray) -> FloatArray:
    """As long as `values`, whichever is longer; nothing lies beyond the ends."""
    half = len(window) // 2
    return np.asarray(np.convolve(values, window)[half : half + len(values)])
