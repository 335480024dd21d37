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


def lagged_products(x: FloatArray, starts: Places, room: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Sums over t of x[t + i] x[t + j] for i and j up to the order, t from each row's start on while x lasts,
    (k, p + 1, p + 1) for j up to i: above that nothing is filled in. And how many t there are, (k,).

    Only the first column is summed up: one step down a diagonal, the sum loses one product and gains one. That is done
    with the rows of x along the last axis, as they are long and diagonals are short; `room` (p + 1, p + 1, k) is where.
    """
    k, p, n = len(x), ORDER, x.shape[1] - ORDER
    starts = np.minimum(starts, n)
    used = x[:, :n]
    if starts.any():
        used = np.where(np.arange(n)[None, :] >= starts[:, None], used, 0.0)
    padded = np.concatenate((x, np.zeros((k, p))), axis=1)
    lost = np.ascontiguousarray(spans(padded, 2 * p)[np.arange(k), starts].T)
    gained = np.ascontiguousarray(padded[:, n:].T)
    sums = np.ascontiguousarray(_first_lags(used, x).T)  # by the distance of i and j, for j at first 0
    out = np.zeros((p + 1, p + 1, k)) if room is None else room
    for j in range(p):
        out[j, j:] = sums[: p - j + 1]
        left = sums[: p - j]  # no more is asked for from here on
        left += gained[j:p] * gained[j]
        left -= lost[j:p] * lost[j]
    out[p, p] = sums[0]
    return np.ascontiguousarray(out.transpose(2, 1, 0)), np.maximum(n - starts, 1.0)


def predict_from_products(products: FloatArray, ridge: FloatArray) -> FloatArray:
    """The weights (k, p) of the p samples ahead of one that predict it best, by least squares.

    Parameters
    ----------
    products : (k, p + 1, p + 1) as `lagged_products` gives them; changed
    ridge : (k,) above 0, what is added to the diagonal

    Raises
    ------
    numpy.linalg.LinAlgError : a row holds what is no number.
    """
    p = ORDER
    places = np.arange(p)
    products[:, places, places] += ridge[:, None]
    products[:, p, p] *= 2.0  # not asked for, and so surely large enough
    products[:, p, p] += ridge
    factor = np.linalg.cholesky(products)  # its last row is what solving downwards gives
    columns = np.ascontiguousarray(factor[:, :p, :p].transpose(1, 2, 0))
    weights = np.ascontiguousarray(factor[:, p, :p].T)
    for j in range(p - 1, -1, -1):
        weights[j] /= columns[j, j]
        weights[:j] -= columns[j, :j] * weights[j]
    return np.ascontiguousarray(weights.T)


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
