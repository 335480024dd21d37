"""The sums of products that a linear prediction is fitted from, of many rows at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

ORDER = 32  # 32 ms at 1000 samples a second: two tones some hertz apart are told from one
_LAG_BLOCK = 8  # divides what lies before the margin less the order
_SOLVED_BLOCK = 8  # divides the order

Places = npt.NDArray[np.intp]


def spans(values: FloatArray, n: int) -> FloatArray:
    """(k, m - n + 1, n): all spans of n samples of each row. numpy's own windows take ten times as long to set up."""
    k, m = values.shape
    strides = (*values.strides, values.strides[1])
    return np.lib.stride_tricks.as_strided(values, (k, m - n + 1, n), strides, writeable=False)


def lagged_products(x: FloatArray, starts: Places, room: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Sums over t of x[t + i] x[t + j] for i and j up to the order, t from each row's start on while x lasts,
    (k, p + 1, p + 1). And how many t there are, (k,).

    Only the first column is summed up: one step down a diagonal, the sum loses one product and gains one. That is done
    with the rows of x along the last axis, as they are long and diagonals are short; `room` (p + 1, p + 1, k) is where,
    and what is returned is a view of it.
    """
    k, p, n = len(x), ORDER, x.shape[1] - ORDER
    starts = np.minimum(starts, n)
    used, first = x[:, :n], x[:, :p]
    if starts.any():
        used = np.where(np.arange(n)[None, :] >= starts[:, None], used, 0.0)
        first = spans(np.concatenate((x, np.zeros((k, p))), axis=1), p)[np.arange(k), starts]
    lost, gained = np.ascontiguousarray(first.T), np.ascontiguousarray(x[:, n:].T)
    sums = np.ascontiguousarray(_first_lags(used, x).T)  # by the distance of i and j, for j at first 0
    out = np.empty((p + 1, p + 1, k)) if room is None else room
    out[0], out[1:, 0] = sums, sums[1:]
    moved = np.empty((p, k))
    for j in range(p):
        left, product = sums[: p - j], moved[: p - j]  # no more is asked for from here on
        np.multiply(gained[j:], gained[j], out=product)
        left += product
        np.multiply(lost[j:], lost[j], out=product)
        left -= product
        out[j + 1, j + 1 :], out[j + 2 :, j + 1] = left, left[1:]
    return out.transpose(2, 0, 1), np.maximum(n - starts, 1.0)


def predict_from_products(products: FloatArray, ridge: FloatArray) -> FloatArray:
    """The weights (k, p) of the p samples ahead of one that predict it best, by least squares.

    Parameters
    ----------
    products : (k, p + 1, p + 1) as `lagged_products` gives them; changed
    ridge : (k,) above 0, what is added to the diagonal
    """
    places = np.arange(ORDER + 1)
    # The last of the diagonal too, where it changes no weight: what predicts itself leaves nothing there to divide by.
    products[:, places, places] += ridge[:, None]
    # Cholesky's factor takes half of what elimination does; its last row is what was aimed at, solved half way.
    return _solve_back(np.linalg.cholesky(products))


def _solve_back(factor: FloatArray) -> FloatArray:
    """(k, p) solutions w of F' w = f, of lower triangles (k, p + 1, p + 1) whose first p rows are F, and the last one
    begins with f: in blocks, each with the rows along the last axis."""
    weights: FloatArray = factor[:, ORDER, :ORDER].copy()
    for first in range(ORDER - _SOLVED_BLOCK, -1, -_SOLVED_BLOCK):
        some = slice(first, first + _SOLVED_BLOCK)
        corner, aim = factor[:, some, some].transpose(1, 2, 0).copy(), weights[:, some].T.copy()
        for j in range(_SOLVED_BLOCK - 1, -1, -1):
            aim[j] /= corner[j, j]
            aim[:j] -= corner[j, :j] * aim[j]
        weights[:, some] = aim.T
        if first:
            weights[:, :first] -= np.matmul(weights[:, None, some], factor[:, some, :first])[:, 0]
    return weights


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
