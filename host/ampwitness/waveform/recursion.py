"""Recursive filters, and low-pass taps, from numpy alone.

The package that has them all brings 70 MB with it, in each process, and a second at every start. Here a recursion runs
in blocks: within one it is a product with the impulse response, from one to the next only the last outputs go on.

Gaps: none here; who calls starts anew behind one.
Limits: stable filters, double precision; where a run is cut into pieces changes the last bits. One row at a time.
Source: y[n] - a1 y[n-1] - a2 y[n-2] = x[n], superposed; sinc by a window, scaled to pass 0 Hz as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from operator import mul

import numpy as np

from ampwitness.types import FloatArray

_BLOCK = 48  # outputs together: their products cost as much as carrying on from block to block
_MOST_SINGLY, _GROUP = 192, 16  # blocks that are gone through one by one; side by side
_BLOCK_OF_ONE = 16  # where only one output is carried on, which costs little


def recur(x: FloatArray, feedback: Sequence[float], before: Sequence[float] = ()) -> FloatArray:
    """Solve y[n] = x[n] + feedback[0] * y[n-1] + feedback[1] * y[n-2] + ...

    Parameters
    ----------
    x : (n,) what goes in
    feedback : of the last output, of the one before it, ...; at most as many as a block has outputs
    before : y[-1], y[-2], ...; what is not given was zero

    Returns
    -------
    (n,) what comes out, in the input's units
    """
    n, order = len(x), len(feedback)
    own, carried = _block_response(tuple(feedback))
    size = len(own)
    rows = np.zeros((-(-n // size), size))
    rows.reshape(-1)[:n] = x
    out = rows @ own
    del rows  # before what is carried on takes as much
    first = [*before, *[0.0] * (order - len(before))]
    if len(out):
        out += _carry(out[:, : -order - 1 : -1], carried[:, : -order - 1 : -1].T, first) @ carried
    return out.reshape(-1)[:n]


def _carry(ends: FloatArray, back: FloatArray, state: list[float]) -> FloatArray:
    """(blocks, order) outputs ahead of each block, the latest first: of `ends`, what each block makes by itself, and
    `back`, (order, order), what becomes of those ahead of it."""
    if len(state) == 1:  # the same again, a block for a sample
        done = recur(ends[:-1, 0], (float(back[0, 0]),), state) if len(ends) > 1 else ends[:0, 0]
        return np.concatenate((state, done))[:, None]
    if len(ends) > _MOST_SINGLY:
        return _carry_groups(ends, back, state)
    states: list[Sequence[float]] = []
    if len(state) == 2:
        ((a, b), (c, d)), (one, other) = back.tolist(), state
        for end, ahead in ends.tolist():
            states.append((one, other))
            one, other = end + a * one + b * other, ahead + c * one + d * other
        return np.array(states)
    for made in ends.tolist():
        states.append(state)
        state = [end + sum(map(mul, ratios, state)) for end, ratios in zip(made, back.tolist(), strict=True)]
    return np.array(states)


def _carry_groups(ends: FloatArray, back: FloatArray, state: list[float]) -> FloatArray:
    """`_carry` of many blocks: groups of them side by side, each as if nothing were ahead; then what is ahead of each
    group goes on by itself."""
    n, order = ends.shape
    n_groups = -(-n // _GROUP)
    padded = np.zeros((n_groups * _GROUP, order))
    padded[:n] = ends
    own = np.zeros((n_groups, _GROUP + 1, order))  # ahead of each block of a group, and behind the last
    powers = np.empty((_GROUP + 1, order, order))  # what becomes of what is ahead of the group
    powers[0] = np.eye(order)
    for at in range(_GROUP):
        own[:, at + 1] = padded[at::_GROUP] + own[:, at] @ back.T
        powers[at + 1] = back @ powers[at]
    firsts = _carry(own[:, -1], powers[-1], state)
    out: FloatArray = own[:, :-1] + np.einsum("tij,gj->gti", powers[:-1], firsts)
    return out.reshape(-1, order)[:n]


@lru_cache(maxsize=64)
def _block_response(feedback: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """What each input of a block, and each output before it, makes of the block's outputs: (block, block) and
    (order, block)."""
    size, order = _BLOCK if len(feedback) > 1 else _BLOCK_OF_ONE, len(feedback)
    impulse = np.zeros(size)
    impulse[0] = 1.0
    for at in range(1, size):
        impulse[at] = sum(ratio * impulse[at - back] for back, ratio in enumerate(feedback[:at], start=1))
    own = np.zeros((size, size))
    for at in range(size):
        own[at, at:] = impulse[: size - at]
    felt = np.zeros((order, size))  # as inputs of the block
    for back in range(order):
        felt[back, : order - back] = feedback[back:]
    return own, felt @ own


def follow(x: FloatArray, keep: float) -> FloatArray:
    """(n,) first-order lag of x (n,), which is settled at the first sample: y[n] = keep * y[n-1] + (1 - keep) * x[n-1].

    `keep` is what is left of a difference after one sample, 0 to 1.
    """
    moved = np.empty(len(x))
    moved[:1] = x[:1]
    np.multiply(x[:-1], 1.0 - keep, out=moved[1:])
    return recur(moved, (keep,))


class HighPass:
    """Second-order Butterworth high-pass over one run, piece by piece.

    The run is taken to have stood at its first value before it began.

    Parameters
    ----------
    cutoff_hz : where a sine is 3 dB lower
    rate_hz : samples a second
    """

    def __init__(self, cutoff_hz: float, rate_hz: float) -> None:
        w = np.tan(np.pi * cutoff_hz / rate_hz)
        whole = 1.0 + np.sqrt(2.0) * w + w * w
        self._gain = 1.0 / whole
        self._feedback = (2.0 * (1.0 - w * w) / whole, -(1.0 - np.sqrt(2.0) * w + w * w) / whole)
        self._last_in: FloatArray | None = None
        self._last_out: FloatArray = np.zeros(2)

    def push(self, x: FloatArray) -> FloatArray:
        """(n,) the filtered samples of the next piece (n,)."""
        if not len(x):
            return np.zeros(0)
        if self._last_in is None:
            self._last_in = np.full(2, x[0], dtype=np.float64)
        joined = np.concatenate((self._last_in, x))
        bent = (joined[2:] - 2.0 * joined[1:-1] + joined[:-2]) * self._gain
        out = recur(bent, self._feedback, self._last_out[::-1].tolist())
        self._last_in, self._last_out = joined[-2:], np.concatenate((self._last_out, out))[-2:]
        return out


def from_analog(numerator: FloatArray, denominator: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """A filter in s as one in z (bilinear: s = 2 rate (z - 1) / (z + 1)).

    Parameters
    ----------
    numerator, denominator : (m,) coefficients, the highest power of s first
    rate_hz : samples a second

    Returns
    -------
    numerator and denominator, (m,) each, of samples from now backwards; the first of the denominator is 1
    """
    order = len(denominator) - 1
    to_z = np.zeros((order + 1, order + 1))
    for power in range(order + 1):
        row = np.array([(2.0 * rate_hz) ** power])
        for at in range(order):
            row = np.convolve(row, (1.0, -1.0) if at < power else (1.0, 1.0))
        to_z[order - power] = row
    above, below = numerator @ to_z, denominator @ to_z
    return above / below[0], below / below[0]


def low_pass_taps(n_taps: int, share: float, window: FloatArray | None = None) -> FloatArray:
    """Symmetric low-pass.

    Parameters
    ----------
    n_taps : odd
    share : where half is left (-6 dB), as a share of half the sample rate
    window : (n_taps,); a Hamming window where none is given

    Returns
    -------
    (n_taps,) taps whose sum is 1
    """
    at = np.arange(n_taps) - (n_taps - 1) / 2
    taps = share * np.sinc(share * at) * (np.hamming(n_taps) if window is None else window)
    out: FloatArray = taps / taps.sum()
    return out
