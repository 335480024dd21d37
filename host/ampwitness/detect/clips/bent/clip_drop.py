"""A rail behind a resistance or a small store: tops that lean and bow, as the load's current pulls them down late.

What an output draws through the resistance of its rail, or out of a store that is filled through one, comes out of step
with the output where a coil, a moving cone or the store itself holds it back. The top of a cut-off half-cycle then
follows the current, not a line:

    output = ceiling - share * (output, lagged by tau)

A loudspeaker above its resonance draws early: then the share is negative. With that share added again
(those `share` and `tau` with which most of the output lies level around the tops that were seen) all of them lie level,
and the look for clipped half-cycles is taken at the wave ahead of the resistance. Added to a clean wave it is a gentle
filter and makes no top.

Gaps: works inside one stretch.
Limits: bass only; one share and one tau a stretch, for both polarities; needs FEWEST tops that something was seen of.
Each stretch learns its own, so levels ahead of it are scaled to lie where they lie at the terminals, on average.
Source: a first-order shelf and its inverse; the search is our choice, measured by `python -m
ampwitness.bench.clip_scores --sets unusual stages`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_plain import find_plain
from ampwitness.detect.clips.table.clip_candidates import Candidates, join
from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import recur

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

TAUS_S = (0.0003, 0.0005, 0.0008, 0.0012, 0.0018, 0.0027, 0.004)
LOWEST_SHARE, HIGHEST_SHARE = -0.2, 0.4
FEWEST, LEAST_GAIN, FEWEST_SAMPLES = 8, 25.0, 4
MOVES_AMONG, MOVES_SHARE = 0.75, 0.015  # of its level, that a quarter of the tops tilt by at least
SHARES = (-0.15, -0.1, -0.05, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
STRAY, ROUNDS = 3.0, 2  # times what is left of the middle top: what is left of a stray one tells nothing
REACH_S = 0.008
ON_TOP_SD, ON_TOP_SHARE = 4.0, 0.003  # noise of one sample, and of the level: so near a sample lies on its top
MORE_ON_TOP = 1.15  # times the samples that the first look saw there
MOST_TOPS, MOST_TRIED = 400, 100
END_SAMPLES = 1  # of a top, which its corners round


def find_drop(stretch: Stretch, noise_v: float, parts: list[Candidates]) -> FloatArray | None:
    """What to add to a stretch's output so that its tops lie level, (n_samples,); None where tops do not agree.

    Parameters
    ----------
    stretch : as it was measured
    noise_v : noise of one sample
    parts : candidates of it, both polarities, as seen there or ahead of what was supposed before
    """
    table = join(parts)
    table = table.take((table["is_coarse"] == 0) & (table["gain"] >= LEAST_GAIN) & (table["flank_v_per_s"] > 0))
    first, count = _inner_samples(stretch, table)
    seen = count >= FEWEST_SAMPLES
    table, first, count = table.take(seen), first[seen], count[seen]
    if len(table) < FEWEST:
        return None
    moved = np.abs(table["tilt_v_per_s"]) * (table["stop_s"] - table["start_s"]) / table["level_v"]
    if float(np.quantile(moved, MOVES_AMONG)) < MOVES_SHARE:
        return None
    some = slice(None, None, -(-len(table) // MOST_TOPS))
    tops = _cut(stretch, table["sign"][some], first[some], count[some])
    near_v = np.maximum(ON_TOP_SD * noise_v, ON_TOP_SHARE * table["level_v"][some])
    lagged = {tau_s: tops.of(_lagged(stretch, tau_s)) for tau_s in TAUS_S}
    pairs = [(tau_s, share) for tau_s in TAUS_S for share in SHARES]
    few = slice(None, None, -(-len(near_v) // MOST_TRIED))
    tried = [tops.take(few).run(share * lagged[tau_s][few], near_v[few]).sum() for tau_s, share in pairs]
    tau_s, share = pairs[int(np.argmax(tried))]
    for _ in range(ROUNDS):
        on = tops.run(share * lagged[tau_s], near_v)
        share = _fit(tops, on, lagged[tau_s])
    if not LOWEST_SHARE <= share <= HIGHEST_SHARE:
        return None
    on = tops.run(share * lagged[tau_s], near_v)
    if on.sum() < MORE_ON_TOP * tops.run(np.zeros_like(on), near_v).sum():
        return None
    level = float(np.median(1 + share * lagged[tau_s][on] / tops.volts_v[on]))
    drop_v = _lagged(stretch, tau_s)
    drop_v *= share
    drop_v += stretch.output_v
    drop_v /= level
    drop_v -= stretch.output_v
    return drop_v


def count_plain(parts: list[Candidates]) -> int:
    """How many of the candidates are plateaus that are plain by themselves."""
    return int(np.count_nonzero(find_plain(join(parts))))


def _inner_samples(stretch: Stretch, table: Candidates) -> tuple[IntArray, IntArray]:
    """(n,) the first sample of each top that its corners leave alone, and how many there are."""
    start, stop = (
        table[name] * stretch.rate_hz - stretch.first_index - stretch.phase for name in ("start_s", "stop_s")
    )
    n_samples = len(stretch.output_v)
    first = np.clip(np.ceil(start).astype(np.intp) + END_SAMPLES, 0, n_samples)
    last = np.clip(np.floor(stop).astype(np.intp) - END_SAMPLES, -1, n_samples - 1)
    return first, np.maximum(last + 1 - first, 0)


def _lagged(stretch: Stretch, tau_s: float) -> FloatArray:
    """(n_samples,) the output behind a low-pass of first order."""
    keep = float(np.exp(-1 / (tau_s * stretch.rate_hz)))
    volts = stretch.output_v.astype(np.float64)  # in place from here on: of a stretch each array takes eight megabytes
    volts *= 1 - keep
    return recur(volts, (keep,))


class _Tops(NamedTuple):
    """n tops cut out with what lies around them: samples of the stretch (n, m), polarity (n, 1), the output turned to
    it (n, m), and which of them the first look saw on the top, (n, m)."""

    sample: IntArray
    sign: FloatArray
    volts_v: FloatArray
    seen: BoolArray

    def of(self, values: FloatArray) -> FloatArray:
        """(n, m) other values of the stretch at the same places, turned alike."""
        return np.asarray(self.sign * values[self.sample])

    def take(self, rows: slice) -> _Tops:
        return _Tops(self.sample[rows], self.sign[rows], self.volts_v[rows], self.seen[rows])

    def run(self, drop_v: FloatArray, near_v: FloatArray) -> BoolArray:
        """(n, m) which samples lie in one run level with the middle one when `drop_v` (n, m) is added, to within
        `near_v` (n,)."""
        level_v = self.volts_v + drop_v
        middle = level_v.shape[1] // 2
        top_v = level_v[:, middle - 1 : middle + 2].mean(axis=1)
        is_near = np.abs(level_v - top_v[:, None]) <= near_v[:, None]
        is_near[:, middle] = True
        ahead = np.logical_and.accumulate(is_near[:, middle::-1], axis=1)[:, ::-1]
        return np.concatenate((ahead, np.logical_and.accumulate(is_near[:, middle + 1 :], axis=1)), axis=1)


def _cut(stretch: Stretch, sign: FloatArray, first: IntArray, count: IntArray) -> _Tops:
    reach = round(REACH_S * stretch.rate_hz)
    sample = (first + count // 2)[:, None] + np.arange(-reach, reach + 1)
    sample = np.clip(sample, 0, len(stretch.output_v) - 1)
    seen = (sample >= first[:, None]) & (sample < (first + count)[:, None])
    return _Tops(sample, sign[:, None], sign[:, None] * stretch.output_v[sample], seen)


def _fit(tops: _Tops, on: BoolArray, lagged_v: FloatArray) -> float:
    """The share of what is lagged (n, m) that best levels the samples `on` tops about their own means."""
    n = on.sum(axis=1, keepdims=True)
    y, x = (on * (values - (on * values).sum(axis=1, keepdims=True) / n) for values in (tops.volts_v, lagged_v))
    share = -float(np.sum(x * y)) / max(float(np.sum(x**2)), 1e-12)
    off = np.sqrt(np.mean((y + share * x) ** 2, axis=1))
    use = off <= STRAY * np.median(off)
    return -float(np.sum(x[use] * y[use])) / max(float(np.sum(x[use] ** 2)), 1e-12)
