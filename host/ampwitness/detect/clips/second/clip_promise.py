"""What crest the flanks of a half-cycle promise when its top is not looked at, and how well they do.

A crest that comes just up to its ceiling is cut off by less than the noise of a sample. A fit of flanks and line then
lays its corners anywhere, and what it gains tells little: a natural crest whose shape no even curve has gains as much,
and where a steady note happens to end just below the ceiling it does so a dozen times in a row. But where the ceiling
is known, what is asked is not whether the top is flat: it is whether the flanks lead above the ceiling. A curve through
both flanks alone answers that to less than the noise of one sample.

Gaps: works inside one stretch; where a flank is cut off nothing is said.
Limits: tops of LONGEST_TOP_S at most, between flanks that a polynomial follows to within noise; nothing is said of
others, which is most of full-range music.
Source: least squares, as in any text; window and degree are our choice, measured by `python -m
ampwitness.bench.clip_scores --sets bass --tuning`: of true crests less what was promised, over the stated deviation,
two thirds lay within 1.4.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.second.clip_odds import FEWEST_HALF, Leads, cut_below
from ampwitness.detect.clips.table.clip_screen import run_lengths, samples_around
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

DEGREE = 6
FLANKS_S = (0.0015, 0.002, 0.003, 0.004, 0.006, 0.008)  # on either side of the top: the widest that fits serves best
MOST_MISFIT = 1.3  # reduced chi-square of the flanks,
MOST_NARROW_MISFIT = 12.0  # and of the narrowest, where no wider ones fit
LONGEST_TOP_S = 0.004
TOP_SD = 4.0  # noise of one sample under the crest: down to there is left out, and a sample on either side
N_PLACES = 33  # at which the curve over the top is read


@dataclass(frozen=True, slots=True)
class Promises:
    """What flanks lead to, (n,) each, sign-turned; NaN where nothing can be said."""

    crest_v: FloatArray
    sd_v: FloatArray
    first: FloatArray  # place of the first of `curve_v`, in samples of the stretch,
    step: FloatArray  # and from one to the next
    curve_v: FloatArray  # (n, N_PLACES) over the top
    cut_below_v: FloatArray  # the highest ceiling that cut it off for all that flanks and top say (`clip_odds`), or 0,
    likely_v: FloatArray  # and the crest then
    rises: FloatArray  # (n, N_PLACES) by how much the curve rises with its crest

    def take(self, rows: npt.NDArray[np.bool_] | IntArray) -> Promises:
        return Promises(*(getattr(self, name)[rows] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class _Design:
    """Flanks of so many samples on either side of a top: their places, and what they say of the curve over it."""

    place: IntArray  # (n_flank,) from the middle of the top
    basis: FloatArray  # (n_flank, DEGREE + 1) orthonormal: what a curve takes of them
    curve: FloatArray  # (DEGREE + 1, N_PLACES) and what that says of the curve over the top
    spread: FloatArray  # (N_PLACES,) standard deviation there, for a noise of 1 V
    at_samples: FloatArray  # (DEGREE + 1, 2 half + 1) as `curve`, at the samples of the top


@lru_cache(maxsize=512)
def _design(half: int, n_flank: int) -> _Design:
    """`half` : of the top, in samples, its middle one not counted."""
    reach = half + n_flank
    left = np.arange(-reach, -half)
    place = np.concatenate((left, -left[::-1]))
    powers = np.polynomial.legendre.legvander(place / reach, DEGREE)
    basis, triangle = np.linalg.qr(powers)
    over = np.polynomial.legendre.legvander(np.linspace(-half, half, N_PLACES) / reach, DEGREE)
    curve = np.linalg.solve(triangle.T, over.T)
    samples = np.polynomial.legendre.legvander(np.arange(-half, half + 1) / reach, DEGREE)
    at_samples = np.linalg.solve(triangle.T, samples.T)
    return _Design(place, basis, curve, np.sqrt(np.sum(curve**2, axis=0)), at_samples)


@dataclass(frozen=True, slots=True)
class Tops:
    """Crests of one stretch whose flanks are asked: volts (n_samples,), samples a second, the sample of each crest and
    its polarity (n,), the noise of one sample in volts."""

    volts: npt.NDArray[np.float32]
    rate_hz: float
    sample: IntArray
    sign: FloatArray
    noise_v: float


def measure_promises(tops: list[Tops]) -> list[Promises]:
    """What the flanks of crests promise, those of several stretches together: what is done in many small steps takes
    much the same time for a few crests as for hundreds."""
    out: list[Promises | None] = [None] * len(tops)
    for rate_hz in {some.rate_hz for some in tops}:
        at = [k for k, some in enumerate(tops) if some.rate_hz == rate_hz]
        every = _measure([tops[k] for k in at], rate_hz)
        edges = np.cumsum([0, *(len(tops[k].sample) for k in at)]).tolist()
        for k, first, last in zip(at, edges[:-1], edges[1:], strict=True):
            out[k] = every.take(np.arange(first, last))
    return [some for some in out if some is not None]


def _measure(tops: list[Tops], rate_hz: float) -> Promises:
    """`measure_promises` of stretches of one rate, in one table."""
    longest = max(1, round(LONGEST_TOP_S / 2 * rate_hz))
    widest = round(FLANKS_S[-1] * rate_hz)
    n = sum(len(some.sample) for some in tops)
    crest_v, sd_v, first, step = np.full((4, n), np.nan)
    curve_v, rises = np.full((2, n, N_PLACES), np.nan)
    out = Promises(crest_v, sd_v, first, step, curve_v, np.zeros(n), np.full(n, np.nan), rises)
    if not n:
        return out
    noise_v = np.repeat([some.noise_v for some in tops], [len(some.sample) for some in tops])
    found = [_find_top(some, longest, widest) for some in tops]
    middle, half, known = (np.concatenate([part[k] for part in found]) for k in range(3))
    up = np.concatenate(
        [
            samples_around(some.volts, part[0], longest + widest) * some.sign[:, None].astype(np.float32)
            for some, part in zip(tops, found, strict=True)
        ]
    )
    for size in np.unique(half[known]).tolist():
        rows = np.flatnonzero(known & (half == size))
        mine = up[rows].astype(np.float64)
        lengths = [round(flank_s * rate_hz) for flank_s in FLANKS_S]
        designs = [_design(size, length) for length in lengths if 2 * length >= DEGREE + 4]
        used = np.full(len(rows), -1)
        for k, design in enumerate(designs):
            flanks = mine[:, longest + widest + design.place]
            most = MOST_MISFIT if k else MOST_NARROW_MISFIT
            used[_keep_better(out, rows, middle[rows], flanks, design, size, noise_v[rows], most)] = k
        for k, design in enumerate(designs if size >= FEWEST_HALF else []):
            some = np.flatnonzero(used == k)
            flanks = mine[some[:, None], longest + widest + design.place]
            top_v = mine[some, longest + widest - size : longest + widest + size + 1]
            _weigh(out, rows[some], flanks, top_v, design, noise_v[rows[some]])
    return out


def _find_top(some: Tops, longest: int, widest: int) -> tuple[IntArray, IntArray, npt.NDArray[np.bool_]]:
    """(n,) the middle of each top, half of it in samples, the middle one not counted, and whether flanks are whole."""
    near = samples_around(some.volts, some.sample, 2 * longest) * some.sign[:, None]
    top_v = near[:, 2 * longest - 2 : 2 * longest + 3].max(axis=1)
    before, after = run_lengths(near, 2 * longest, top_v - TOP_SD * some.noise_v)
    middle = some.sample + np.round((after - before) / 2).astype(np.intp)
    half = np.ceil((before + after) / 2 + 0.5).astype(np.intp)
    reach = half + widest
    return middle, half, (half <= longest) & (middle >= reach) & (middle < len(some.volts) - reach)


def _keep_better(
    out: Promises, rows: IntArray, middle: IntArray, flanks: FloatArray, design: _Design, half: int,
    noise_v: FloatArray, most_misfit: float,
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Put in what these flanks promise where they fit, and better than before; which rows those are."""
    mean_v = flanks.mean(axis=1, keepdims=True)
    flanks = flanks - mean_v
    taken = flanks @ design.basis
    left_v2 = np.einsum("ij,ij->i", flanks, flanks) - np.einsum("ij,ij->i", taken, taken)
    misfit = left_v2 / (len(design.place) - DEGREE - 1) / noise_v**2
    curve_v = taken @ design.curve
    at = np.argmax(curve_v, axis=1)
    sd_v = design.spread[at] * noise_v * np.sqrt(np.maximum(misfit, 1.0))
    better = (misfit <= most_misfit) & ~(sd_v >= out.sd_v[rows])
    chosen = rows[better]
    out.crest_v[chosen] = (curve_v[np.arange(len(at)), at] + mean_v[:, 0])[better]
    out.sd_v[chosen] = sd_v[better]
    out.first[chosen] = middle[better] - half
    out.step[chosen] = 2 * half / (N_PLACES - 1)
    out.curve_v[chosen] = curve_v[better] + mean_v[better]
    return np.asarray(better)


def _weigh(
    out: Promises, rows: IntArray, flanks: FloatArray, top_v: FloatArray, design: _Design, noise_v: FloatArray
) -> None:
    """Put in what flanks and tops say together of rows of which the promise is known."""
    if not len(rows):
        return
    mean_v = flanks.mean(axis=1, keepdims=True)
    taken = (flanks - mean_v) @ design.basis
    at = np.argmax(taken @ design.curve, axis=1)
    of_crest, spread_v2 = design.curve.T[at], design.spread[at, None] ** 2
    rises = of_crest @ design.at_samples / spread_v2
    # What was added to the noise for flanks that fit badly counts at the top as well.
    unit_v2 = (out.sd_v[rows, None] / design.spread[at, None]) ** 2
    left_v2 = unit_v2 * np.maximum(np.sum(design.at_samples**2, axis=0) - rises**2 * spread_v2, 0.0)
    curve_v = taken @ design.at_samples + mean_v
    leads = Leads(curve_v, left_v2, rises, out.crest_v[rows], out.sd_v[rows])
    out.cut_below_v[rows], out.likely_v[rows] = cut_below(leads, top_v, noise_v)
    out.rises[rows] = of_crest @ design.curve / spread_v2
