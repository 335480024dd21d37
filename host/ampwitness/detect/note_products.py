"""The sums of products that a linear prediction is fitted from, of many rows at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

ORDER = 32  # 32 ms at 1000 samples a second: two tones some hertz apart are told from one
_LAG_BLOCK = 8  # divides what lies before the margin less the order

Places = npt.NDArray[np.intp]


def spans(values: FloatArray, n: int) -> FloatArray:
    """(k, m - n + 1, n): all spans of n samples of each row. numpy's own windows take ten times as long to set up."""
    k, m = values.shape
    strides = (*values.strides, values.strides[1])
    return np.lib.stride_tricks.as_strided(values, (k, m - n + 1, n), strides, writeable=False)


def lagged_products(
    x: FloatArray, starts: Places, own: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sums over t of x[t + i] x[t + j] with p the order: for i, j < p, (k, p, p); for i < p and j = p, (k, p); for
    i = j = p, (k,); t from each row's start on while x lasts. And how many t there are, (k,). The first is put into
    `own` where that is given.

    Only the first row is summed up: one step down a diagonal, the sum loses one product and gains one.
    """
    k, p, n = len(x), ORDER, x.shape[1] - ORDER
    starts = np.minimum(starts, n)
    used = x[:, :n]
    if starts.any():
        used = np.where(np.arange(n)[None, :] >= starts[:, None], used, 0.0)
    padded = np.concatenate((x, np.zeros((k, p))), axis=1)
    lost, gained = spans(padded, 2 * p)[np.arange(k), starts], padded[:, n:]
    own, aim = np.empty((k, p, p)) if own is None else own, np.empty((k, p))
    sums = _first_lags(used, x)  # by the distance of i and j, for i at first 0
    for i in range(p):
        left = sums[:, : p - i]  # no more is asked for from here on
        own[:, i, i:] = own[:, i:, i] = left
        aim[:, i] = sums[:, p - i]
        left += gained[:, i:p] * gained[:, i, None]
        left -= lost[:, i:p] * lost[:, i, None]
    return own, aim, sums[:, 0], np.maximum(n - starts, 1.0)


def _first_lags(used: FloatArray, x: FloatArray) -> FloatArray:
    """Sums over t of used[t] x[t + l] for l up to the order, (k, p + 1): by products of short blocks, as those are
    what is quick."""
    k, n, wide = len(x), used.shape[1], _LAG_BLOCK + ORDER
    strides = (x.strides[0], _LAG_BLOCK * x.strides[1], x.strides[1])
    reach = np.lib.stride_tricks.as_strided(x, (k, n // _LAG_BLOCK, wide), strides, writeable=False)
    products = np.matmul(used.reshape(k, -1, _LAG_BLOCK).transpose(0, 2, 1), np.ascontiguousarray(reach))
    sums: FloatArray = products[:, 0, : ORDER + 1].copy()
    for at in range(1, _LAG_BLOCK):
        sums += products[:, at, at : at + ORDER + 1]
    return sums
