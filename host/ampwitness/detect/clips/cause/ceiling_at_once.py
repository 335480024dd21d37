"""Ceilings that follow their supply at once: the plainest that an amplifier has, in proportion to the supply under the
plateau itself, or up to half a millisecond ahead of it.

An amplifier without a reservoir stops at its supply of that moment, one with a small store at that of a moment before.
Lagged means, which mix in what the supply was beside a short plateau, miss that by tens of millivolts; knees and loads
then explain the rest, and the ceiling is told as regulated. One straight line in the mean over each plateau, of two
numbers where the others have up to seven, is believed instead where it leaves clearly less.

Gaps: each plateau carries its own supply.
Limits: where the supply under plateaus hardly moves (it rests on a resistance while the output is cut off) what
follows within half a millisecond to one looks like a level that stands. No knee is looked for.
Source: least squares with Tukey's weights; the limits are our choice, tuned on drawn amplifiers of 0.1 to 1.2 ms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import AT_ONCE, MOST, CeilingFit, Plateaus, mark_steep, mix, robust
from ampwitness.detect.clips.cause.ceiling_knee import refit, tukey_loss
from ampwitness.detect.clips.cause.ceiling_prior import LOSS_SD_V, LOSS_V, is_in_proportion
from ampwitness.types import FloatArray

WORTH = 0.7  # of Tukey's loss of the ceilings by lags, that the line may leave at most
EARLY = (0.0, 0.5, 1.0)  # so far ahead of the plateaus, of EARLY_S: the time constants of small stores
WORTH_OF_ODD = 1.4  # the same where that rise is one that no output stage has
AROUND = 0.12  # of proportion with the usual loss, that its rise may lie off that, and its own error more,
KNOWN_TO = 0.15  # ... and how well it must be known


def follow_at_once(fits: Mapping[str, CeilingFit], sides: Mapping[str, Plateaus]) -> dict[str, CeilingFit] | None:
    """The same ceilings as lines in proportion to the supply under their plateaus; None where those by lags stay.

    Parameters
    ----------
    fits : by polarity the ceilings by lagged supplies
    sides : by polarity the plateaus that they were learned from
    """
    marked = mark_steep(sides)
    seen = {side: marked[side].thin(MOST) for side in fits}
    if not fits:
        return None
    by_lags = {side: _left_by(fit, seen[side]) for side, fit in fits.items()}
    before = sum(float(tukey_loss(left_v, spread_v)) for left_v, spread_v in by_lags.values())
    is_odd = all(_is_odd(fit, seen[side]) for side, fit in fits.items())
    best, least = None, (WORTH_OF_ODD if is_odd else WORTH) * before
    for early in EARLY:
        found = {side: _line(fit, seen[side], early) for side, fit in fits.items()}
        lines = {side: line for side, line in found.items() if line is not None}
        after = sum(float(tukey_loss(left_v, by_lags[side][1])) for side, (_, left_v) in lines.items())
        if len(lines) == len(fits) and after < least:
            best, least = {side: fit for side, (fit, _) in lines.items()}, after
    return best


def _is_odd(fit: CeilingFit, seen: Plateaus) -> bool:
    """Whether a ceiling rises with its supply by much less than in proportion: no output stage does."""
    return fit.ratio > 0 and bool(np.isinf(fit.knee_v)) and not is_in_proportion(fit, seen)


def _left_by(fit: CeilingFit, seen: Plateaus) -> tuple[FloatArray, float]:
    """(n,) what a ceiling by lags leaves of its plateaus, and the spread of that."""
    if fit.ratio > 0:
        bent, left_v = refit(seen, fit, fit.knee_v)
        return left_v, bent.spread_v
    columns: list[FloatArray] = [np.ones(len(seen.level_v))]
    columns += [seen.load_at(fit.load, fit.lag)] if fit.droop > 0 else []
    rows = np.stack(columns, axis=1)
    solution, _, spread_v = robust(rows[None], seen.level_v)
    return np.asarray(seen.level_v - rows @ solution[0]), float(spread_v[0])


def _line(fit: CeilingFit, seen: Plateaus, early: float) -> tuple[CeilingFit, FloatArray] | None:
    """One polarity's line in the supply so far ahead, and what it leaves (n,); None where it rises out of proportion,
    or nobody knows how."""
    if seen.now_v is None or seen.early_v is None or not np.isfinite(seen.now_v + seen.early_v).all():
        return None
    supply_v = mix(seen.now_v, seen.early_v, early)
    middle_v = float(supply_v.mean())
    rows = np.stack((np.ones(len(supply_v)), supply_v - middle_v), axis=1)
    solution, errors, spread_v = robust(rows[None], seen.level_v)
    (level_v, ratio), ratio_sd = solution[0].tolist(), float(errors[0, 1])
    usual_v = float(np.median(seen.level_v))
    share = ratio * float(np.median(supply_v)) / (usual_v + LOSS_V)
    if ratio_sd > KNOWN_TO * ratio or ratio <= 0 or abs(share - 1) > AROUND + ratio_sd / ratio:
        return None
    ratio, ratio_sd = _towards_proportion(ratio, ratio_sd, (usual_v + LOSS_V) / middle_v, LOSS_SD_V / middle_v)
    line = replace(
        fit, kind="follows supply", constant_v=level_v - ratio * middle_v, ratio=ratio, ratio_sd=ratio_sd,
        knee_v=float("inf"), lag=AT_ONCE, spread_v=float(spread_v[0]), per_tilt_s=0.0, per_fall=0.0, droop=0.0, load=0,
        highest_v=float(supply_v.max()), is_steep=False, early=early,
    )  # fmt: skip
    return line, np.asarray(seen.level_v - line.constant_v - ratio * supply_v)


def _towards_proportion(ratio: float, sd: float, usual: float, usual_sd: float) -> tuple[float, float]:
    """A rise and its error, with what outputs that follow do besides (`ceiling_prior`)."""
    weights = np.array([1 / max(sd, 1e-9) ** 2, 1 / usual_sd**2])
    return float(weights @ (ratio, usual) / weights.sum()), float(weights.sum() ** -0.5)
