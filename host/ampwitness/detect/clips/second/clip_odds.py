"""How likely it is that a crest which ends just at a ceiling was cut off by it: flanks, top and ceiling weighed.

What its flanks promise may leave open on which side of the ceiling a crest would have ended, and whether its top is
flat is lost in noise. Together they tell: a natural crest must end within a few hundredths of a volt to look like one
that was cut off, and one that was cut off may have gone any way beyond. So all heights that the crest may have had are
tried, each as likely as any other before the samples are asked: the curve that both flanks lead to, raised or lowered
to that height and cut off at the ceiling, is held against every sample of the top. The sum over the heights above the
ceiling, over that of those below, are the odds that it was cut off.

What is kept is the highest ceiling at which they are ODDS to one, as the ceiling itself is known only later.

Gaps: works on samples of one top.
Limits: the curve of the flanks has one free height; the error that is left at other places counts as noise. Heights
near the ceiling are taken for equally likely, which music that a limiter holds to just that level is not.
Source: Bayes' rule with a flat prior. At ceilings that three plateaus and more showed (bass set, seeds 9940 to 9955;
hostile, 9946 to 9948; 10 s each) 2,262 crests driven past them by 0.4 dB at most had such odds: three were none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.types import FloatArray

ODDS = 20.0
HEIGHTS_SD = np.linspace(-6.0, 6.0, 65)  # from what the flanks promise, in its standard deviations
CEILINGS_SD = np.array([-1.5, -0.75, 0.0, 0.75])  # from the level of the top, in noise of one sample
MOST_MISFIT = 3.0  # of the top, mean square over noise: then no height fits
FEWEST_HALF = 2  # samples, half of a top that says anything


@dataclass(frozen=True, slots=True)
class Leads:
    """What flanks lead to over n tops of as many samples, sign-turned volts.

    `curve_v` (n, top) the likeliest curve, `left_v2` (n, top) the variance that it has beside that of its height;
    `rises` (n, top) by how much it rises with its height; `crest_v`, `sd_v` (n,) the height and its deviation."""

    curve_v: FloatArray
    left_v2: FloatArray
    rises: FloatArray
    crest_v: FloatArray
    sd_v: FloatArray


def cut_below(leads: Leads, top_v: FloatArray, noise_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The highest ceiling at which each crest was cut off, by odds of ODDS to one, and its likely height then.

    Parameters
    ----------
    leads : of the flanks
    top_v : (n, top) samples of the top, sign-turned
    noise_v : (n,) of one sample

    Returns
    -------
    (n,) volts, 0 where no ceiling near the top is; (n,) volts
    """
    threes = (top_v[:, :-2] + top_v[:, 1:-1] + top_v[:, 2:]).max(axis=1) / 3
    height_v = leads.crest_v[:, None] + leads.sd_v[:, None] * HEIGHTS_SD
    curve_v = leads.curve_v[:, None, :] + (height_v - leads.crest_v[:, None])[:, :, None] * leads.rises[:, None, :]
    noise_v2 = noise_v[:, None, None] ** 2
    ceilings_v = threes[:, None] + CEILINGS_SD * noise_v[:, None]
    free_v2 = noise_v2 + leads.left_v2[:, None, :]
    log_free = np.log(free_v2 / noise_v2)  # 0 where the curve is cut off: noise alone
    log_odds, likely_v, misfit = (np.empty(ceilings_v.shape) for _ in range(3))
    for k, ceiling_v in enumerate(ceilings_v.T):
        is_cut = curve_v > ceiling_v[:, None, None]
        variance = np.where(is_cut, noise_v2, free_v2)
        off = (top_v[:, None, :] - np.minimum(curve_v, ceiling_v[:, None, None])) ** 2 / variance
        log_like = -0.5 * (np.sum(off + np.where(is_cut, 0.0, log_free), axis=2) + HEIGHTS_SD**2)
        best = log_like.max(axis=1, keepdims=True)
        like = np.exp(log_like - best)
        above = np.where(is_cut.any(axis=2), like, 0.0)
        cut, natural = above.sum(axis=1), like.sum(axis=1) - above.sum(axis=1)
        log_odds[:, k] = np.log(np.maximum(cut, 1e-30)) - np.log(np.maximum(natural, 1e-30))
        misfit[:, k] = -2 * best[:, 0] / top_v.shape[1]
        likely_v[:, k] = np.sum(above * height_v, axis=1) / np.maximum(cut, 1e-30)
    log_odds[misfit.min(axis=1) > MOST_MISFIT] = -np.inf
    return _highest(ceilings_v, log_odds - np.log(ODDS)), likely_v[:, len(CEILINGS_SD) // 2]


def _highest(ceilings_v: FloatArray, surplus: FloatArray) -> FloatArray:
    """(n,) the highest ceiling (n, k), ascending, at which there is a surplus (n, k), between two of them by a straight
    line; 0 where there is none."""
    n, k = surplus.shape
    speaks = surplus >= 0
    at = k - 1 - np.argmax(speaks[:, ::-1], axis=1)
    rows, after = np.arange(n), np.minimum(at + 1, k - 1)
    here, there = np.maximum(surplus[rows, at], 0.0), np.maximum(surplus[rows, after], -1e3)
    share = np.where(speaks[:, -1], 0.0, here / np.maximum(here - there, 1e-9))
    found = ceilings_v[rows, at] + np.clip(share, 0.0, 1.0) * (ceilings_v[rows, after] - ceilings_v[rows, at])
    return np.asarray(np.where(speaks.any(axis=1), found, 0.0))
