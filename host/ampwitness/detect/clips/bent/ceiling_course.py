"""The course of a ceiling that follows its supply, from the supply that was measured: what a line on top leaves out.

Where rails follow a supply that sinks and ripples within a half-cycle, the top of a plateau is bent, and a fit of
flanks and line lays its corners where the line ends. What the samples that the
fit saw say of the supply's part in it tells where the whole ceiling ran.

Gaps: works inside one stretch.
Limits: courses slower than some 2 ms; nothing is known where no law was learned.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_stream import MEAN_S, LaggedMeans
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

SPARE_BLOCKS = 3  # on either side of what is asked for
RIDGE = 1e-5  # of a column's own square: lagged supplies are much alike
TRIMMED, ROUNDS = 3.5, 4  # residual spreads beyond which a sample tells nothing
HIGHEST, AT_HIGHEST_SHARE = 0.995, 0.005  # a ceiling that is regulated lies within this share of its highest samples
FEWEST_SAMPLES = 80


@dataclass(frozen=True, slots=True)
class Law:
    """Volts of a ceiling as a positive number: constant + weights of the lagged supplies and outputs, at most a top."""

    constant_v: float
    weights: FloatArray  # (supply lags + output lags,)
    highest_v: float
    spread_v: float  # of single samples

    def at(self, lagged: LaggedMeans, sample: FloatArray) -> FloatArray:
        """(n,) volts at samples of the stretch, whole or not."""
        columns = np.concatenate(lagged.at(sample), axis=1)
        return np.asarray(np.minimum(self.constant_v + columns @ self.weights, self.highest_v))


def learn_law(volts: FloatArray, columns: FloatArray) -> Law | None:
    """Any mixture of lags, by least squares on what is not far off.

    Parameters
    ----------
    volts : (n,) positive volts of single samples that lie on a ceiling
    columns : (n, supply lags + output lags) at the same places

    Returns
    -------
    Law; None with too few samples below the highest.
    """
    highest_v = float(np.quantile(volts, HIGHEST)) if len(volts) else 0.0
    below = volts < highest_v * (1 - AT_HIGHEST_SHARE)
    volts, columns = volts[below], columns[below]
    keep = np.ones(len(volts), dtype=bool)
    law = None
    for _ in range(ROUNDS):
        if np.count_nonzero(keep) < FEWEST_SAMPLES:
            return None
        middle, level_v = columns[keep].mean(axis=0), float(volts[keep].mean())
        centred = columns[keep] - middle
        normal = centred.T @ centred
        normal[np.diag_indices_from(normal)] *= 1 + RIDGE
        weights = np.linalg.solve(normal + 1e-12 * np.eye(len(normal)), centred.T @ (volts[keep] - level_v))
        constant_v = level_v - float(middle @ weights)
        off = np.abs(volts - constant_v - columns @ weights)
        spread_v = 1.4826 * float(np.median(off))
        law = Law(constant_v, weights, highest_v, spread_v)
        keep = off <= TRIMMED * spread_v
    return law


@dataclass(frozen=True, slots=True)
class Course:
    """A ceiling's volts at every sample of n windows, (n, n_points), as a positive number, and its first samples."""

    volts: FloatArray
    first: FloatArray  # (n,) whole numbers

    def take(self, rows: npt.NDArray[np.bool_] | IntArray) -> Course:
        return Course(self.volts[rows], self.first[rows])

    def at(self, sample: FloatArray) -> FloatArray:
        """(n,) volts at one place of each row, between samples."""
        place = np.clip(sample - self.first, 0, self.volts.shape[1] - 1.001)
        low = place.astype(np.intp)
        rows = np.arange(len(low))
        before, after = self.volts[rows, low], self.volts[rows, low + 1]
        return np.asarray(before + (place - low) * (after - before))

    def slope(self, sample: FloatArray, reach: float) -> FloatArray:
        """(n,) volts a sample there, over `reach` samples to either side."""
        return (self.at(sample + reach) - self.at(sample - reach)) / (2 * reach)

    def bend(self, sample: FloatArray, reach: float) -> FloatArray:
        """(n,) volts a sample squared."""
        return (self.at(sample + reach) - 2 * self.at(sample) + self.at(sample - reach)) / reach**2


def follow_ceiling(law: Law, lagged: LaggedMeans, rate_hz: float, middle: FloatArray, reach: int) -> Course:
    """The ceiling `reach` samples and a little more to either side of each place.

    Parameters
    ----------
    law : how the ceiling moves with the supply
    lagged : of the stretch
    rate_hz : samples a second
    middle : (n,) samples of the stretch
    reach : samples
    """
    block = max(1, round(MEAN_S * rate_hz))
    n_blocks = -(-2 * reach // block) + 1
    first_block = np.floor((middle - reach) / block).astype(np.intp)
    at = first_block[:, None] + np.arange(-SPARE_BLOCKS, n_blocks + SPARE_BLOCKS)
    volts = law.at(lagged, (at.reshape(-1) + 0.5) * block)
    return Course(volts.reshape(at.shape) @ _to_samples(n_blocks, block), first_block * float(block))


@lru_cache(maxsize=16)
def _to_samples(n_blocks: int, block: int) -> FloatArray:
    """(blocks with their spare ones, samples): from means over blocks to what ran through them, by cubics.

    Source: Catmull and Rom's cubic; a mean over a block lacks its second difference over 24."""
    n = n_blocks + 2 * SPARE_BLOCKS
    sharpened = np.eye(n)
    inner = np.arange(1, n - 1)
    sharpened[inner, inner] += 2 / 24
    sharpened[inner, inner - 1] -= 1 / 24
    sharpened[inner, inner + 1] -= 1 / 24
    place = (np.arange(n_blocks * block) + 0.5) / block - 0.5 + SPARE_BLOCKS
    low = np.floor(place).astype(np.intp)
    x = place - low
    weights = np.zeros((len(place), n))
    rows = np.arange(len(place))
    for step, weight in (
        (-1, (-x + 2 * x**2 - x**3) / 2),
        (0, (2 - 5 * x**2 + 3 * x**3) / 2),
        (1, (x + 4 * x**2 - 3 * x**3) / 2),
        (2, (-(x**2) + x**3) / 2),
    ):
        weights[rows, low + step] += weight
    return np.asarray((weights @ sharpened).T)
