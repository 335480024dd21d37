"""What was cut off, filled in from the wave on both sides by linear prediction: how high the crest would have gone.

Flanks tell of one half-cycle's shape alone, and what rings on them in music bends them. But for a while music goes on
as it did: what is missing is that which a linear prediction, learned around it, takes for the least surprise between
what came before and what came behind. How large a surprise remains says how well that is known.

Gaps: works inside one stretch; what lies beyond its ends counts as silence.
Limits: tops of LONGEST samples at most. While the prediction is learned the other tops nearby are what is left of them,
then what was filled in there. An attack that lies just under a top, and noise, cannot be foretold: the deviation says
so.
Source: the autoregressive interpolation of A. J. E. M. Janssen, R. N. J. Veldhuis and L. B. Vries, "Adaptive
interpolation of discrete-time signals that can be modeled as autoregressive processes", IEEE Trans. ASSP 34 (1986) 317
(from memory), ROUNDS of it; order and window are our choice, measured by `python -m ampwitness.bench.clip_scores`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.overdrive import HIDDEN_SD
from ampwitness.detect.clips.table.clip_candidates import Candidates, View, join
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]
Wave = npt.NDArray[np.float32]

ORDER, HALF = 32, 256  # samples: of the prediction; of the window to either side of a top
LONGEST = 48  # samples of a top; longer ones are wide bass, whose flanks tell enough
ENOUGH, MOST_LATER = 4_000, 64  # tops of a recording, behind which so many of each stretch are filled in
ROUNDS = 2
ARCH_GAIN, ARCH_MISFIT = 60.0, 2.5  # of a fit that shows a plateau by itself, as in `clip_plain`
CORNER = 0.3  # of a sample: so near a corner one may be cut off already
AT_ONCE = 64  # tops, so that what is made on the way stays small
DB_OF_SHARE = 20 / np.log(10)  # dB that a small share of a level makes
# How well an overdrive is known by the flanks: volts apart, shares of it in bass and in music or by crossings alone;
# and by what is filled in. Chosen on drawings with known truth, bass to full range (median error 0.39 to 0.28 dB in
# dense music, 0.14 to 0.03 of an organ, 0.026 to 0.016 of bass notes).
FLANKS_DB, FLANKS_SD, FLANKS_SHARE, ROUGH_SHARE = 0.1, 0.5, 0.05, 0.4
FILLED_DB, FILLED_LIVELY, FILLED_LONG = 0.01, 2.0, 24.0
LOW_SD, HIGH_SD, SPARE_DB = 3.5, 5.5, 0.03
MOST_UP = 1.0  # deviations of the flanks', by which it counts as more at most: a wave that jumps fools the prediction
_PADDED, _FFT_OF_WEIGHTS = 2 * HALF + 64, 128
_WHITE = 1e-6  # of the power, that keeps the prediction of a pure tone from being singular
_LAGS = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER)[None, :])


class FillBudget:
    """How many tops of a stretch are filled in: all, until ENOUGH were; of a long recording those that seem to have
    gone furthest, so that a day takes little longer than its first hour."""

    def __init__(self) -> None:
        self._n_filled = 0

    def most(self, n: int) -> int:
        """Of n tops of one stretch."""
        allowed = n if self._n_filled < ENOUGH else min(n, MOST_LATER)
        self._n_filled += allowed
        return allowed


def note_fills(view: View, tables: list[Candidates], budget: FillBudget) -> None:
    """Write into rows of a stretch the crest as the wave around each plateau has it, `filled_v`, and its standard
    deviation, `filled_sd_v`; both 0 where nothing can be said, or the budget leaves one out."""
    table = join(tables)
    if not len(table):
        return
    stretch = view.stretch
    edges = np.stack((table["start_s"], table["stop_s"])) * stretch.rate_hz - stretch.first_index - stretch.phase
    first = np.ceil(edges[0] - CORNER).astype(np.intp)
    last = np.floor(edges[1] + CORNER).astype(np.intp)
    crest_v, sd_v = np.zeros((2, len(table)))
    # What a law describes, a coil or a capacitor bends or a limit of current holds has no plateau to be filled in.
    is_plain = (table["sharpness"] == 0) & (table["held_v"] == 0) & (table["limited"] == 0)
    rows = np.flatnonzero(is_plain & (first >= 0) & (last < len(stretch.output_v)) & (last >= first))
    if len(rows):
        rows = rows[last[rows] - first[rows] < LONGEST]
        rows = rows[np.argsort(-table.over_db[rows], kind="stable")[: budget.most(len(rows))]]
        wave = _with_arches(stretch.output_v, first[rows], last[rows], table.take(rows))
        crest_v[rows], sd_v[rows] = fill_crests(wave, first[rows], last[rows], table["sign"][rows])
    at = 0
    for some in tables:
        some.columns["filled_v"] = crest_v[at : at + len(some)].copy()
        some.columns["filled_sd_v"] = sd_v[at : at + len(some)].copy()
        at += len(some)


def _with_arches(volts: Wave, first: IntArray, last: IntArray, table: Candidates) -> Wave:
    """The wave to begin with, as `fill_crests` takes it: over the tops that are plain by their own fit an arch as high
    as their flanks promise, from where long ones come out sooner. Others may be round by themselves."""
    wave = np.zeros(len(volts) + 2 * HALF, dtype=np.float32)
    wave[HALF:-HALF] = volts
    is_plain = (table["gain"] >= ARCH_GAIN) & (table["is_coarse"] == 0) & (table["misfit"] <= ARCH_MISFIT)
    rise_v = table["crest_v"] - table["level_v"]
    for row in np.flatnonzero(is_plain & (rise_v > 0)).tolist():
        n = int(last[row] - first[row]) + 1
        arch = 1.0 - np.linspace(-1, 1, n + 2)[1:-1] ** 2
        wave[HALF + first[row] : HALF + last[row] + 1] = table["sign"][row] * (
            table["level_v"][row] + rise_v[row] * arch
        )
    return wave


def fill_crests(wave: Wave, first: IntArray, last: IntArray, sign: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The highest of what is missing and its standard deviation, V, (n,) each. `wave` is changed.

    Parameters
    ----------
    wave : (HALF + samples + HALF,) volts between two margins of silence, with what is there to begin with where
        something is missing
    first, last : (n,) first and last sample that is missing, counted without the margin
    sign : (n,) 1.0 or -1.0
    """
    crest_v, sd_v = np.zeros((2, len(first)))
    long = last - first + 1
    order = np.argsort(long, kind="stable")
    for _ in range(ROUNDS):
        for at in range(0, len(order), AT_ONCE):
            rows = order[at : at + AT_ONCE]
            windows = wave[((first[rows] + last[rows]) // 2)[:, None] + np.arange(2 * HALF)[None, :]].astype(np.float64)
            weights, left_v2 = _learn(windows)
            for n in np.unique(long[rows]).tolist():
                mine = np.flatnonzero(long[rows] == n)
                filled, variance = _fill(windows[mine], weights[mine], left_v2[mine], n)
                up = filled * sign[rows[mine], None]
                top = np.argmax(up, axis=1)
                some = np.arange(len(mine))
                crest_v[rows[mine]], sd_v[rows[mine]] = up[some, top], np.sqrt(variance[some, top])
                wave[HALF + first[rows[mine], None] + np.arange(n)[None, :]] = filled
    return crest_v, sd_v


def _learn(windows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The prediction's error filter, (k, ORDER + 1), and the power that it leaves, (k,), of (k, 2 HALF) samples."""
    taper = np.hanning(2 * HALF + 2)[1:-1]
    power = np.abs(np.fft.rfft(windows * taper, _PADDED)) ** 2
    products = np.fft.irfft(power, _PADDED)[:, : ORDER + 1]
    products[:, 0] = products[:, 0] * (1.0 + _WHITE) + 1e-9
    ahead = np.linalg.solve(products[:, _LAGS], products[:, 1:, None])[:, :, 0]
    left_v2 = (products[:, 0] - np.einsum("kp,kp->k", ahead, products[:, 1:])) / float(taper @ taper)
    return np.concatenate((np.ones((len(windows), 1)), -ahead), axis=1), np.maximum(left_v2, 0.0)


def _fill(windows: FloatArray, weights: FloatArray, left_v2: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """(k, n) samples in the middle of windows that leave the prediction the least error, and their variances."""
    k, begin = len(windows), HALF - (n - 1) // 2
    own = np.fft.irfft(np.abs(np.fft.rfft(weights, _FFT_OF_WEIGHTS)) ** 2, _FFT_OF_WEIGHTS)[:, : ORDER + 1]
    reach = np.concatenate((own, np.zeros((k, max(0, n - ORDER - 1)))), axis=1)
    around = windows[:, begin - ORDER : begin + n + ORDER].copy()
    around[:, ORDER : ORDER + n] = 0.0
    spans = np.lib.stride_tricks.sliding_window_view(around, 2 * ORDER + 1, axis=1)
    both_sides = np.concatenate((own[:, :0:-1], own), axis=1)
    asked = -np.einsum("kns,ks->kn", spans, both_sides)
    lags = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])
    inverse = np.linalg.inv(reach[:, lags])
    variance = np.einsum("kii->ki", inverse) * left_v2[:, None]
    return np.einsum("kij,kj->ki", inverse, asked), np.maximum(variance, 0.0)


def weigh_fills(
    flanks_db: FloatArray, flanks_sd_db: FloatArray, filled_db: FloatArray, filled_sd_db: FloatArray,
    n_top: FloatArray, lively: FloatArray, is_coarse: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Overdrive from both, and its standard deviation, dB, (n,) each.

    Parameters
    ----------
    flanks_db, flanks_sd_db : (n,) as flanks tell it
    filled_db, filled_sd_db : (n,) as what was filled in does
    n_top : (n,) samples of the top: over long ones a prediction goes astray unawares
    lively : (n,) 0 for bass to 1 for full-range music, of which both know less
    is_coarse : (n,) 1 where flanks were measured by crossings alone, else 0
    """
    share_of_it = FLANKS_SHARE + ROUGH_SHARE * np.maximum(lively, is_coarse)
    own_db = FLANKS_DB + FLANKS_SD * flanks_sd_db + share_of_it * flanks_db
    doubt = (1.0 + FILLED_LIVELY * lively) * (1.0 + (n_top / FILLED_LONG) ** 4)
    other_db = FILLED_DB + doubt * filled_sd_db
    share = 1.0 / (1.0 + (other_db / own_db) ** 2)
    over_db = flanks_db + share * np.minimum(filled_db - flanks_db, MOST_UP * own_db)
    return np.maximum(over_db, 0.0), own_db * np.sqrt(1.0 - share)


def filled_interval(
    over_db: FloatArray, sd_db: FloatArray, lively: FloatArray, noise_share: FloatArray, unlike_db: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Low and high bounds, dB, that hold the truth of nine in ten weighed overdrives: an attack under a top goes higher
    than anything foretells, and so does what is noise in noise-like music. Parameters as of `overdrive_interval`."""
    low_db = np.maximum(over_db - LOW_SD * sd_db - SPARE_DB, 0.0)
    high_db = over_db + HIGH_SD * sd_db + SPARE_DB + 20 * np.log10(1 + HIDDEN_SD * noise_share) * lively
    return np.where(unlike_db, 0.0, low_db), np.where(unlike_db, np.maximum(high_db, unlike_db), high_db)
