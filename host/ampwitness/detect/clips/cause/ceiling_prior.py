"""What plateaus say of a ceiling, weighed against what amplifiers do.

An output that follows its supply loses a volt or so of it; own rails sink by a few per cent under load, whether they
are regulated or not. Where they sink as the supply does, plateaus hardly tell one from the other, and a line takes both
for the supply's: so both are asked for together, in all lags, once with a ceiling in proportion to the supply and once
with one that stands still. Both polarities hang on one converter: they have one lag, and one kind of load.

Gaps: each plateau carries its own lagged supply.
Limits: ceilings that move far less than in proportion are left as the line has them, if they do not stand still.
Source: least squares with expectations as further rows; those are common practice, no source. Measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import (
    AT_ONCE,
    LAG_STEP,
    LOADS,
    TUKEY,
    CeilingFit,
    Plateaus,
    fit_at,
)
from ampwitness.types import FloatArray

# That an output that follows its supply stays below proportion (drops of transistors and diodes: volts, whatever the
# rails are), and how far that varies; what own rails sink by, a share of the level.
LOSS_V, LOSS_SD_V, DROOP_SHARE_SD = 0.8, 0.6, 0.04
STEEP_SHARE_SD = 0.03  # by which lines through plateaus that fall steeply miss theirs besides
INDEPENDENT = 60  # plateaus: neighbours are much alike
FOR_SLOPE = 20  # ... and by how much any model misses those of a note is, which makes slopes too sure
FINER = 4  # steps within one of LAG_STEP
STANDS_BELOW = 0.25  # of proportion: so little no amplifier rises, it is its own droop (regulated ones 0.17 at most)
IN_PROPORTION = 0.5  # of what is expected: a line that rises less follows nothing, or not alone


@dataclass(frozen=True, slots=True)
class Weighed:
    """Ceilings by polarity, and what they cost: squares of what is left, in standard deviations."""

    fits: Mapping[str, CeilingFit]
    cost: float


def is_in_proportion(line: CeilingFit, seen: Plateaus) -> bool:
    """Whether a line rises nearly as outputs do that follow their supply."""
    return rises_by(line, seen) >= IN_PROPORTION


def rises_by(line: CeilingFit, seen: Plateaus) -> float:
    """How far a line rises with the supply, as a share of proportion."""
    level_v = seen.level_v + line.droop * seen.load_at(line.load, line.lag)
    return float(line.ratio * np.median(seen.supply_at(line.lag)) / np.median(level_v))


def leave_out_droop(fits: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus]) -> dict[str, CeilingFit]:
    """The same with lines that hardly rise as levels: what own rails sink by falls in step with the supply."""
    out = dict(fits)
    for side, fit in fits.items():
        if fit.ratio > 0 and fit.lag != AT_ONCE and np.isinf(fit.knee_v) and rises_by(fit, seen[side]) < STANDS_BELOW:
            level_v = float(np.median(seen[side].level_v))
            out[side] = replace(fit, kind="regulated", constant_v=level_v, ratio=0.0, ratio_sd=0.0, droop=0.0)
    return out


def weigh(lines: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus], *, follows: bool) -> Weighed:
    """The best ceilings of all polarities at one lag and load that follow their supply up to the lines' knee, or that
    stand still but for their own droop."""
    step = min(plateaus.lag_step for plateaus in seen.values())
    return _weigh_among(lines, seen, np.arange(0.0, _last(seen) + 1e-9, step), INDEPENDENT, follows=follows)


def weigh_finer(chosen: Weighed, lines: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus]) -> Weighed:
    """Ceilings that follow, within a step of the lag of those chosen: so little moves the ratio by a tenth, as supply
    and load ripple with the very notes that clip."""
    lag = next(iter(chosen.fits.values())).lag
    lags = np.clip(lag + LAG_STEP * np.linspace(-1, 1, 2 * FINER + 1), 0.0, _last(seen))
    return _weigh_among(lines, seen, lags, FOR_SLOPE, follows=True)


def _last(seen: Mapping[str, Plateaus]) -> float:
    return float(min(plateaus.supply.shape[1] for plateaus in seen.values()) - 1)


def _weigh_among(
    lines: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus], lags: FloatArray, independent: int, *, follows: bool
) -> Weighed:
    """The best of some lags and of all loads; plateaus of each polarity count for at most so many."""
    weights = {side: _weights(line, seen[side], independent) for side, line in lines.items()}
    tried = []
    for lag in lags.tolist():
        for load in range(len(LOADS)):
            ones = {
                side: _weigh_at(replace(line, lag=lag, load=load), seen[side], weights[side], follows=follows)
                for side, line in lines.items()
            }
            fits = {side: fit for side, (fit, _) in ones.items()}
            tried.append(Weighed(fits, sum(cost for _, cost in ones.values())))
    return min(tried, key=lambda one: one.cost)


def _weights(line: CeilingFit, seen: Plateaus, independent: int) -> FloatArray:
    """(n,) roots of what plateaus count by, 1 / V."""
    _, left_v = fit_at(seen, line.lag, line.knee_v, line.load if line.droop > 0 else None)
    weight = np.sqrt(np.clip(1 - (left_v / (TUKEY * line.spread_v)) ** 2, 0, None) ** 2 + 1e-6)
    return np.asarray(weight * np.sqrt(min(1.0, independent / len(left_v))) / line.spread_v)


def _weigh_at(line: CeilingFit, seen: Plateaus, weight: FloatArray, *, follows: bool) -> tuple[CeilingFit, float]:
    """The best of one polarity up to the line's knee, at its lag and load, and what it costs: no end where it would
    fall with a rising supply."""
    n, level_v = len(seen.level_v), float(np.median(seen.level_v))
    bent = np.minimum(seen.supply_at(line.lag), line.knee_v)
    droop = -seen.load_at(line.load, line.lag)
    columns = [np.ones(n), droop]
    columns += [bent] if follows else []
    columns += seen.tilts if follows else []
    rows = np.stack(columns, axis=1)
    own = np.zeros((1, rows.shape[1]))
    own[0, 1] = float(droop.mean()) / (DROOP_SHARE_SD * level_v)
    proportion = np.zeros((int(follows), rows.shape[1]))
    sd_v = float(np.hypot(LOSS_SD_V, STEEP_SHARE_SD * level_v * seen.is_steep))
    if follows:
        proportion[0, 1:3] = float(droop.mean()), float(bent.mean())
        proportion /= sd_v
    expected = [0.0, *[(level_v + LOSS_V) / sd_v] * int(follows)]
    wanted = np.concatenate((seen.level_at(line.lag) * weight, expected))
    rows = np.concatenate((rows * weight[:, None], own, proportion))
    solution, sd = _solve(rows, wanted)
    if solution[1] < 0:  # no amplifier's rails rise under load
        some = np.delete(np.arange(rows.shape[1]), 1)
        solution[some], sd[some] = _solve(rows[:, some], wanted)
        solution[1] = 0.0
    cost = float(np.sum((rows @ solution - wanted) ** 2))
    ratio, ratio_sd = (float(solution[2]), float(sd[2])) if follows else (0.0, 0.0)
    tilts = (float(solution[3]), float(solution[4])) if len(solution) > 3 else (0.0, 0.0)
    fit = replace(
        line, constant_v=float(solution[0]), ratio=ratio, ratio_sd=ratio_sd, per_tilt_s=tilts[0], per_fall=tilts[1],
        droop=float(solution[1]), kind="follows supply" if follows else "regulated",
    )  # fmt: skip
    return fit, np.inf if follows and ratio <= 0 else cost


def _solve(rows: FloatArray, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares, and the standard deviations that follow."""
    size = np.maximum(np.sqrt(np.einsum("nk,nk->k", rows, rows)), 1e-12)  # of a column that says nothing: 0 comes out
    scaled = rows / size
    inverse = np.linalg.inv(scaled.T @ scaled + 1e-9 * np.eye(len(size)))
    return inverse @ (scaled.T @ wanted) / size, np.sqrt(np.diag(inverse)) / size
