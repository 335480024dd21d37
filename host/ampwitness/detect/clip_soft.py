"""A ceiling without a corner: crests bent over more and more the closer they come to it.

    y = x / (1 + |x / B|^k)^(1/k)

is taken for the way from the wanted output x to the output y: B is the ceiling, k how sharply it sets in (a hyperbolic
tangent lies near k = 2.5, a hard corner beyond 100). Undone with the right B and k, the flanks and tops of strongly
driven half-cycles become one smooth curve each. One k must serve half-cycles of quite different drive, and their
ceilings must agree: then every crest near the ceiling is known to be bent over, and by how much.

Gaps: works inside one stretch.
Limits: needs FEWEST strongly driven half-cycles whose drive differs; nothing softer than the softest k tried. A source
that bends in this way at a constant level looks the same.
Source: the curve is a common limiter's law; the search is our choice, measured by `python -m
ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import Candidates, OneSide, lies_on_plateau
from ampwitness.detect.clip_rows import rows_of
from ampwitness.detect.clip_screen import Crests
from ampwitness.detect.clip_stream import Stretch
from ampwitness.detect.rail_model import Rail, learn_rail
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

SHARPNESS = (3.0, 4.5, 6.0, 8.0, 10.0, 13.0, 17.0, 22.0, 30.0, 42.0, 60.0)
HARD = 200.0
ABOVE_SHARES = tuple(np.geomspace(0.0006, 0.3, 26))  # by how much a ceiling may lie above a crest
STRONG_DB, STRONG_GAIN = 0.6, 25.0
HARD_GAIN = 60.0  # what a straight top fits so much better than a smooth crest stays as it was measured
# A straight top that fits to within the noise has a corner. Of half-cycles bent over softly none was seen to have one,
# of those cut off hard, in the liveliest music, one in eight.
STRAIGHT_MISFIT, MOST_STRAIGHT = 2.5, 0.1
FEWEST, MOST = 6, 24  # half-cycles that are fitted
PROBED = 8  # of these first, which often say already that nothing comes of it,
PROBE_SLACK = 2.0  # where all of them together would have to differ from these by such a factor
WINDOW_SHARE = 0.4  # of the crest: windows reach down to it
LONGEST_S, SHORTEST_POINTS, POINTS = 0.03, 12, 60
DEGREE = 5  # of the curve that a wanted half-cycle is within a window
SURER_THAN_HARD = 1.6  # by so much the misfit must fall against a hard corner
WORST_MISFIT = 5.0  # hard corners, blurred by the logger's band, fit no better than 9 at any k
LEAST_DRIVE_SPREAD = 1.05  # 90th over 10th percentile of wanted crest over ceiling
WIDEST_SPREAD = 0.01  # of the ceiling: how far half-cycles may disagree about it
LEAST_DB, EDGE_DB = 0.22, 0.1  # bent over by so much: a finding; where it starts and stops
HIGHEST_SHARE = 0.999  # of the ceiling: above, noise decides what was wanted
CORNER_SD_S = 2e-4


@dataclass(frozen=True, slots=True)
class SoftCeiling:
    """B by the rail model, and k."""

    rail: Rail
    sharpness: float


def compression_db(share: FloatArray, sharpness: float) -> FloatArray:
    """By how much an output at this share of its ceiling lies below what was wanted, dB."""
    return np.asarray(-20 / sharpness * np.log10(1 - share**sharpness))


def share_of_compression(db: float, sharpness: float) -> float:
    """The other way round."""
    return float((1 - 10 ** (-db * sharpness / 20)) ** (1 / sharpness))


def ceiling_of(level_v: FloatArray, crest_v: FloatArray, sharpness: FloatArray) -> FloatArray:
    """B from an output, what was wanted, and k."""
    return np.asarray(level_v / (1 - (level_v / crest_v) ** sharpness) ** (1 / sharpness))


def find_soft(side: OneSide) -> Candidates | None:
    """Rows for the crests of a stretch that a soft ceiling bends over, where its candidates show one."""
    table, crests = side.candidates, side.crests
    strong = table.take(_is_strong(table))
    if len(strong) < FEWEST or not len(crests) or _has_corners(strong):
        return None
    soft = _learn(side.stretch.output_v * np.float32(side.sign), side, strong)
    if soft is None:
        return None
    lowest = share_of_compression(LEAST_DB, soft.sharpness)
    crests = crests.take(crests.level_v >= 0.8 * lowest * float(np.min(strong["level_v"])))
    ceiling = soft.rail.predict(*side.lagged.at(crests.sample.astype(float)))
    hard = table.take(table["gain"] >= HARD_GAIN)
    bent = (crests.level_v >= lowest * ceiling) & ~lies_on_plateau(side.stretch, crests, hard)
    if side.blocked is not None:
        bent &= ~side.blocked[crests.sample]
    return _describe(side, crests.take(bent), ceiling[bent], soft.sharpness) if bent.any() else None


def _has_corners(strong: Candidates) -> bool:
    is_straight = (strong["is_coarse"] == 0) & (strong["gain"] >= HARD_GAIN) & (strong["misfit"] <= STRAIGHT_MISFIT)
    return float(np.mean(is_straight)) > MOST_STRAIGHT


def _is_strong(table: Candidates) -> BoolArray:
    over_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
    return np.asarray(
        (over_db >= STRONG_DB)
        & (table["flatter_flank_ratio"] > 0.2)
        & ((table["is_coarse"] > 0) | (table["gain"] > STRONG_GAIN))
    )


def _learn(volts: npt.NDArray[np.float32], side: OneSide, strong: Candidates) -> SoftCeiling | None:
    """Try every k; keep the best if it is no hard corner and the half-cycles agree."""
    order = np.argsort(strong["start_s"], kind="stable")
    chosen = strong.take(order[:: -(-len(order) // MOST)])
    windows = [_window(volts, side.stretch, chosen, row) for row in range(len(chosen))]
    chosen = chosen.take(np.array([window is not None for window in windows]))
    if len(chosen) < FEWEST:
        return None
    lobes = [window for window in windows if window is not None]
    probes = range(0, len(lobes), max(1, len(lobes) // PROBED))
    fitted = {k: _fit_lobe(lobes[k], side.noise_v) for k in probes}
    probed = np.median([fit[0] for fit in fitted.values()], axis=0)
    if probed[:-1].min() > PROBE_SLACK * WORST_MISFIT or PROBE_SLACK * probed[-1] < SURER_THAN_HARD * probed.min():
        return None
    fits = [fitted[k] if k in fitted else _fit_lobe(lobe, side.noise_v) for k, lobe in enumerate(lobes)]
    cost = np.array([fit[0] for fit in fits])  # (lobes, k), reduced chi-square
    ceiling, drive = np.array([fit[1] for fit in fits]), np.array([fit[2] for fit in fits])
    middle = np.median(cost, axis=0)
    best = int(np.argmin(middle[:-1]))
    better = cost[:, -1] > SURER_THAN_HARD * cost[:, best]
    if middle[best] > WORST_MISFIT or middle[-1] < SURER_THAN_HARD * middle[best] or np.mean(better) < 0.6:
        return None
    good = cost[:, best] <= 2 * WORST_MISFIT
    if np.count_nonzero(good) < FEWEST:
        return None
    wanted = drive[good, best]
    if np.percentile(wanted, 90) < LEAST_DRIVE_SPREAD * np.percentile(wanted, 10):
        return None
    rail = learn_rail(ceiling[good, best], chosen.supply[good], chosen.output[good])
    if rail is None or rail.spread_v > WIDEST_SPREAD * float(np.median(ceiling[good, best])):
        return None
    return SoftCeiling(rail, SHARPNESS[best])


def _window(volts: npt.NDArray[np.float32], stretch: Stretch, table: Candidates, row: int) -> FloatArray | None:
    """Samples of one half-cycle down to a share of its crest on both sides; None if too few."""
    middle_s = (table["start_s"][row] + table["stop_s"][row]) / 2
    middle = round(float(middle_s * stretch.rate_hz - stretch.first_index - stretch.phase))
    reach = round(LONGEST_S * stretch.rate_hz)
    if middle - reach < 0 or middle + reach >= len(volts):
        return None
    floor_v = WINDOW_SHARE * float(table["level_v"][row])
    left = np.flatnonzero(volts[middle - reach : middle][::-1] < floor_v)
    right = np.flatnonzero(volts[middle : middle + reach] < floor_v)
    if not len(left) or not len(right):
        return None
    window = volts[middle - int(left[0]) : middle + int(right[0])].astype(float)
    return window if len(window) >= SHORTEST_POINTS else None


def _fit_lobe(window_v: FloatArray, noise_v: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each k (and the hard corner last): reduced chi-square, ceiling, and the wanted crest over the ceiling."""
    n = len(window_v)
    every = max(1, n // POINTS)
    y = window_v[: n // every * every].reshape(-1, every).mean(axis=1)
    t = np.linspace(-1, 1, len(y))
    basis = np.polynomial.legendre.legvander(t, DEGREE)
    crest = float(np.max(y))
    ceilings = crest * (1 + np.array(ABOVE_SHARES))
    sd = max(noise_v / np.sqrt(every), 2e-4 * crest)
    n_k = len(SHARPNESS) + 1
    cost, ceiling, drive = np.zeros(n_k), np.zeros(n_k), np.zeros(n_k)
    log_share = np.log(np.clip(y[None, :] / ceilings[:, None], 1e-6, None))
    for j, k in enumerate((*SHARPNESS, HARD)):
        log_rest = np.log1p(-np.exp(k * log_share))
        wanted = y[None, :] * np.exp(log_rest / -k)
        slope = np.exp(log_rest * (1 + 1 / k))  # dy / dx
        weighted = basis[None, :, :] * slope[:, :, None]
        gram = weighted.transpose(0, 2, 1) @ weighted + 1e-9 * np.eye(DEGREE + 1)
        right = weighted.transpose(0, 2, 1) @ (slope * wanted)[:, :, None]
        curve = np.linalg.solve(gram, right)[:, :, 0] @ basis.T
        # In the outputs themselves: what the curve, bent over again, misses.
        size = np.clip(np.abs(curve) / ceilings[:, None], 1e-6, 50.0)
        again = (
            curve * np.exp(np.log1p(np.exp(k * np.log(size))) / -k)
            if k < HARD
            else np.minimum(curve, ceilings[:, None])
        )
        chi = np.sum((again - y[None, :]) ** 2, axis=1) / sd**2 / max(len(y) - DEGREE - 3, 2)
        best = int(np.argmin(chi))
        cost[j], ceiling[j], drive[j] = chi[best], ceilings[best], np.max(curve[best]) / ceilings[best]
    return cost, ceiling, drive


def _describe(side: OneSide, crests: Crests, ceiling_v: FloatArray, sharpness: float) -> Candidates:
    """Rows of the table."""
    stretch, n = side.stretch, len(crests)
    reach = round(LONGEST_S * stretch.rate_hz)
    at = np.clip(crests.sample[:, None] + np.arange(-reach, reach + 1)[None, :], 0, len(stretch.output_v) - 1)
    window = stretch.output_v[at].astype(float) * side.sign
    edge_v = share_of_compression(EDGE_DB, sharpness) * ceiling_v
    below = window < edge_v[:, None]
    below[:, 0] = below[:, -1] = True
    left, right = np.argmax(below[:, reach::-1], axis=1), np.argmax(below[:, reach:], axis=1)
    rows = np.arange(n)
    # The step across the edge on either side: the flank where the bending sets in.
    slope_left = window[rows, reach - left + 1] - window[rows, reach - left]
    slope_right = window[rows, reach + right - 1] - window[rows, reach + right]
    start, stop = crests.sample - left + 0.5, crests.sample + right - 0.5
    over_db = compression_db(np.minimum(crests.level_v / ceiling_v, HIGHEST_SHARE), sharpness)
    crest_v = crests.level_v * 10 ** (over_db / 20)
    return rows_of(
        side, start, stop, crests.level_v, crest_v, slope_left, slope_right, crests.level_v, CORNER_SD_S,
        at=crests.sample.astype(float), sharpness=sharpness,
    )  # fmt: skip
