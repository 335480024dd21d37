"""What a clipped sine looks like by formula, and which clipping fits the harmonics that were measured.

A sine of amplitude 1 whose positive crest is cut at cos(w_p) and whose negative one at -cos(w_n) loses, at order n,
q_n(w_p) - (-1)^n q_n(w_n), with

    q_1(w) = (w - sin w cos w) / pi
    q_n(w) = (2 / pi) [ sin((n-1) w) / (2 (n-1)) + sin((n+1) w) / (2 (n+1)) - cos w sin(n w) / n ]

all in phase with the crest. So from a few harmonics the two cuts follow, and from the cuts all other harmonics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
_ITERATIONS = 40
_GRID_ORDERS = 16  # the grid is kept for so many orders, or twice, or thrice as many
_LARGEST_CUT = 1.53  # radians: 28 dB over; beyond it a square wave tells no more
GOOD_FIT_RATIO = 0.2  # what the model leaves unexplained of the harmonics, rms


def lost_by_cut(cut_rad: float, n_harmonics: int) -> Floats:
    """q_n of the module's formula for n = 0 ... n_harmonics (entry 0: the mean that is lost).

    `cut_rad` is the half-width of the flat top as an angle: the crest is cut at cos(cut_rad) of its height.
    """
    w = max(0.0, cut_rad)
    q = np.zeros(n_harmonics + 1)
    q[0] = (math.sin(w) - w * math.cos(w)) / math.pi
    if n_harmonics >= 1:
        q[1] = (w - math.sin(w) * math.cos(w)) / math.pi
    q[2:] = _lost_above(w, np.arange(2, n_harmonics + 1))
    return q


def _lost_above(w: float | Floats, n: npt.NDArray[np.int64]) -> Floats:
    """q_n for n of 2 and more; cuts and orders of shapes that fit each other."""
    bracket = np.sin((n - 1) * w) / (2 * (n - 1)) + np.sin((n + 1) * w) / (2 * (n + 1)) - np.cos(w) * np.sin(n * w) / n
    return np.asarray(2 / math.pi * bracket)


def cut_sine_harmonics(positive_cut_rad: float, negative_cut_rad: float, n_harmonics: int) -> Floats:
    """Signed amplitudes (n_harmonics + 1,) of a cut sine of amplitude 1 about its positive crest; entry 0: the mean."""
    sign = (-1.0) ** np.arange(n_harmonics + 1)
    lost = lost_by_cut(positive_cut_rad, n_harmonics) - sign * lost_by_cut(negative_cut_rad, n_harmonics)
    whole = np.zeros(n_harmonics + 1)
    if n_harmonics >= 1:
        whole[1] = 1.0
    return whole - lost


def thd_ratio_of(harmonics: Floats) -> float:
    """Harmonics 2 and up over the fundamental, from amplitudes (n + 1,)."""
    return float(np.sqrt(np.sum(np.square(harmonics[2:]))) / abs(harmonics[1]))


def thd_to_overdrive_db(thd_ratio: float, n_harmonics: int = 200) -> float:
    """Overdrive of an evenly, hard clipped sine with this THD (relative to the fundamental), dB.

    Limits: 24 dB at most (a square wave has 48.3 %).
    """
    if thd_ratio <= 0:
        return 0.0
    cuts, thd, _ = _even_clip_table(n_harmonics)
    cut = float(np.interp(math.log(thd_ratio), thd, cuts))
    return min(24.0, -20 * math.log10(max(1e-3, math.cos(cut))))


def hard_clip_level_db(thd_percent: float, n_harmonics: int = 150) -> float:
    """rms of an evenly clipped sine over that of a sine which just touches the ceiling, dB, by its THD."""
    if thd_percent <= 0:
        return 0.0
    _, thd, level_db = _even_clip_table(n_harmonics)
    return float(np.interp(math.log(thd_percent / 100), thd, level_db))


@lru_cache(maxsize=4)
def _even_clip_table(n_harmonics: int) -> tuple[Floats, Floats, Floats]:
    """Cuts, natural logarithm of the THD ratio, and level in dB re a sine at the ceiling; dense where THD is small."""
    cuts = np.concatenate([np.geomspace(1e-3, 0.2, 600, endpoint=False), np.linspace(0.2, _LARGEST_CUT, 1200)])
    # Even clipping: twice the loss of one cut at odd orders, none at even ones. Somebody may be waiting: no loop.
    first = 1 - 2 / np.pi * (cuts - np.sin(cuts) * np.cos(cuts))
    others = 2 * _lost_above(cuts[:, np.newaxis], np.arange(3, n_harmonics + 1, 2)[np.newaxis, :])
    squares = np.sum(others**2, axis=1)
    thd = np.log(np.sqrt(squares) / first)
    level_db = 20 * np.log10(np.sqrt(first**2 + squares) / np.cos(cuts))
    return cuts, thd, level_db


@dataclass(frozen=True, slots=True)
class ClipModel:
    """The two cuts that fit measured harmonics. `misfit_ratio`: what is left of the harmonics, rms, over them.
    `is_good`: the model explains the harmonics, so it may speak for those that were not measured."""

    positive_cut_rad: float
    negative_cut_rad: float
    misfit_ratio: float

    @property
    def is_good(self) -> bool:
        return self.misfit_ratio <= GOOD_FIT_RATIO

    @property
    def positive_overdrive_db(self) -> float:
        return -20 * math.log10(math.cos(self.positive_cut_rad))

    @property
    def negative_overdrive_db(self) -> float:
        return -20 * math.log10(math.cos(self.negative_cut_rad))

    def thd_ratio(self, n_harmonics: int, from_order: int = 2) -> float:
        """THD against the fundamental from `from_order` up to `n_harmonics`."""
        harmonics = cut_sine_harmonics(self.positive_cut_rad, self.negative_cut_rad, n_harmonics)
        harmonics[2:from_order] = 0.0
        return thd_ratio_of(harmonics)


def fit_clip_models(signed_ratios: Floats, orders: npt.NDArray[np.int64]) -> list[ClipModel]:
    """The cuts whose harmonics come nearest to those measured.

    Parameters
    ----------
    signed_ratios : (r, m) harmonics over the fundamental of r readings, signed by their phase about the positive crest
    orders : (m,) their orders, 2 and up

    Returns
    -------
    r models; with fewer harmonics than unknowns both cuts are taken as equal.

    Gaps
    ----
    Sees no samples.

    Limits
    ------
    A model of hard clipping of a memoryless stage: coupling capacitors, soft knees and slanted plateaus make
    `misfit_ratio` grow, and the model then speaks for nothing.

    Source
    ------
    Describing function of saturation and its harmonics; measured in tests/waveform/test_tone_meter.py.
    """
    n_top = int(orders.max())
    has_even = bool(np.any(orders % 2 == 0)) and len(orders) >= 2
    chosen = np.zeros((len(orders), n_top + 1))
    chosen[np.arange(len(orders)), orders] = 1.0
    return _fit_cuts(chosen, signed_ratios, 2 if has_even else 1)


def fit_clip_model_through(ratios: npt.NDArray[np.complex128], gains: npt.NDArray[np.complex128]) -> ClipModel:
    """The cuts whose harmonics, seen through known gains, come nearest to the lines that were measured.

    Parameters
    ----------
    ratios : (m,) lines over the fundamental, their phases turned to the positive crest
    gains : (m, n + 1) complex gain of each order into each line

    Returns
    -------
    ClipModel; where no even order shows both cuts are taken as equal.

    Gaps
    ----
    Sees no samples.

    Limits
    ------
    As for `fit_clip_models`. Phases count in the misfit: what does not lie where clipping puts it makes it grow.
    """
    n_cuts = 2 if bool(np.any(np.abs(gains[:, 2::2]) > 0)) and len(ratios) > 1 else 1

    seen = gains.copy()
    seen[:, :2] = 0.0  # the mean, and the line that all others are told against, are no distortion
    wanted = np.concatenate([ratios.real, ratios.imag])[np.newaxis]
    return _fit_cuts(np.concatenate([seen.real, seen.imag]), wanted, n_cuts)[0]


def _fit_cuts(gains: Floats, wanted: Floats, n_cuts: int) -> list[ClipModel]:
    """The cuts whose harmonics over the fundamental, times `gains` (k, n + 1), come nearest to `wanted` (r, k), by row.

    High harmonics change sign with depth, so there are many valleys: the descent begins at the best point of a grid.
    """
    sizes = np.linalg.norm(wanted, axis=1)
    n = gains.shape[1]
    cuts, ratios = _grid(_GRID_ORDERS * -(-n // _GRID_ORDERS), n_cuts)
    seen = ratios[:, :n] @ gains.T
    costs = np.square(seen).sum(axis=1) - 2 * wanted @ seen.T  # less what all points of the grid have in common
    best, cost = _descend(gains, wanted, cuts[np.argmin(costs, axis=1)])
    is_worse = cost >= sizes**2
    best[is_worse], cost[is_worse] = 0.0, sizes[is_worse] ** 2
    misfits = np.where(sizes > 0, np.sqrt(cost) / np.where(sizes > 0, sizes, 1.0), 1.0)
    return [ClipModel(float(b[0]), float(b[-1]), float(m)) for b, m in zip(best, misfits, strict=True)]


@lru_cache(maxsize=16)
def _grid(n_harmonics: int, n_cuts: int) -> tuple[Floats, Floats]:
    """Cuts (m, n_cuts) over all that is allowed; of each the harmonics over the fundamental (m, n_harmonics + 1)."""
    one = np.concatenate([[0.02, 0.05], np.linspace(0.1, _LARGEST_CUT, 31)])
    lost = np.array([lost_by_cut(float(cut), n_harmonics) for cut in one])
    mirrored = lost * (-1.0) ** np.arange(n_harmonics + 1)
    both = lost - mirrored if n_cuts == 1 else (lost[:, np.newaxis] - mirrored).reshape(-1, n_harmonics + 1)
    cuts = one[:, np.newaxis] if n_cuts == 1 else np.stack(np.meshgrid(one, one, indexing="ij"), axis=-1).reshape(-1, 2)
    harmonics = -both
    harmonics[:, 1] += 1.0
    return cuts, harmonics / harmonics[:, 1:2]


def _ratios_and_slopes(cuts: Floats, n_harmonics: int) -> tuple[Floats, Floats]:
    """Harmonics over the fundamental (r, n + 1) and how they change with each cut (r, n + 1, c), for cuts (r, c).

    The loss at order n changes with its cut as (2 / pi) sin(w) sin(n w) / n: from the module's formula.
    """
    n = np.arange(1, n_harmonics + 1)
    w = cuts[..., np.newaxis]
    sines = np.sin(np.arange(n_harmonics + 2) * w)  # (r, c, n + 2): of each order and its neighbours
    over = np.zeros_like(sines)
    over[..., 1:] = sines[..., 1:] / np.arange(1, n_harmonics + 2)
    sine, cosine = np.sin(w), np.cos(w)
    lost = np.zeros((*cuts.shape, n_harmonics + 1))
    lost[..., 0] = (sine - w * cosine)[..., 0] / math.pi
    lost[..., 1] = (w - sine * cosine)[..., 0] / math.pi
    lost[..., 2:] = (2 / math.pi) * ((over[..., 1:-2] + over[..., 3:]) / 2 - cosine * over[..., 2:-1])
    slopes = np.zeros_like(lost)
    slopes[..., 1:] = (2 / math.pi) * sine * sines[..., 1:-1] / n
    # The positive crest loses q_n, the negative one -(-1)^n q_n.
    sign = -((-1.0) ** np.arange(n_harmonics + 1))
    lost[:, -1] = lost[:, -1] * (sign if cuts.shape[1] == 2 else 1 + sign)
    slopes[:, -1] = slopes[:, -1] * (sign if cuts.shape[1] == 2 else 1 + sign)
    harmonics, changes = -lost.sum(axis=1), -slopes
    harmonics[:, 1] += 1.0
    ratios = harmonics / harmonics[:, 1:2]
    changes = (changes - ratios[:, np.newaxis, :] * changes[..., 1:2]) / harmonics[:, 1][:, np.newaxis, np.newaxis]
    return ratios, np.swapaxes(changes, 1, 2)


def _descend(gains: Floats, wanted: Floats, cuts: Floats) -> tuple[Floats, Floats]:
    """Damped Gauss-Newton within 0 ... _LARGEST_CUT; every row of `cuts` (r, c) goes its own way.

    Returns the cuts (r, c) and what they leave, squared (r,)."""
    n_harmonics = gains.shape[1] - 1
    best = cuts.copy()
    ratios, slopes = _ratios_and_slopes(best, n_harmonics)
    error = ratios @ gains.T - wanted
    cost = np.square(error).sum(axis=1)
    slope = gains @ slopes  # (r, k, c)
    damping = np.full(len(best), 1e-3)
    rows = np.arange(len(best))  # those that are not done
    unit = np.eye(cuts.shape[1])
    for _ in range(_ITERATIONS):
        here = slope[rows]
        gram = np.swapaxes(here, 1, 2) @ here
        trace = np.maximum(1e-12, np.trace(gram, axis1=1, axis2=2))
        damped = gram + (damping[rows] * trace)[:, np.newaxis, np.newaxis] * unit
        downhill = -np.swapaxes(here, 1, 2) @ error[rows][..., np.newaxis]
        tried = np.clip(best[rows] + np.linalg.solve(damped, downhill)[..., 0], 0.0, _LARGEST_CUT)
        ratios, slopes = _ratios_and_slopes(tried, n_harmonics)
        new_error = ratios @ gains.T - wanted[rows]
        new_cost = np.square(new_error).sum(axis=1)
        is_lower = new_cost < cost[rows]
        lower = rows[is_lower]
        is_done = cost[lower] - new_cost[is_lower] < 1e-9 * cost[lower]
        best[lower], error[lower], cost[lower] = tried[is_lower], new_error[is_lower], new_cost[is_lower]
        slope[lower] = gains @ slopes[is_lower]
        damping[lower] /= 5
        damping[rows[~is_lower]] *= 8
        rows = np.setdiff1d(rows, np.concatenate([lower[is_done], rows[damping[rows] > 1e6]]))
        if not len(rows):
            break
    return best, cost
