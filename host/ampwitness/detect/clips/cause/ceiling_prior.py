"""What plateaus say of a ceiling, weighed against what amplifiers do.

An output that follows its supply loses a few per cent of it; own rails sink by a few per cent under load, whether they
are regulated or not. Where they sink as the supply does, plateaus hardly tell one from the other, and a line takes both
for the supply's: so both are asked for together, in all lags, once with a ceiling in proportion to the supply and once
with one that stands still.

Gaps: each plateau carries its own lagged supply.
Limits: ceilings that move far less than in proportion are left as the line has them, if they do not stand still.
Source: least squares with expectations as further rows; those are common practice, no source. Measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import (
    FEWEST_FOR_TILT,
    LAG_STEP,
    LOADS,
    TUKEY,
    CeilingFit,
    Plateaus,
    fit_at,
    pick_lag,
)
from ampwitness.types import FloatArray

# Of its level, that an output that follows its supply stays below proportion (drops of transistors and diodes), and how
# far that varies; what own rails sink by.
LOSS_SHARE, LOSS_SHARE_SD, DROOP_SHARE_SD = 0.06, 0.06, 0.04
INDEPENDENT = 60  # plateaus: neighbours are much alike
IN_PROPORTION = 0.5  # of what is expected: a line that rises less follows nothing, or not alone


@dataclass(frozen=True, slots=True)
class Weighed:
    """A ceiling, and what it costs: squares of what is left, in standard deviations."""

    fit: CeilingFit
    cost: float


def is_in_proportion(line: CeilingFit, seen: Plateaus) -> bool:
    """Whether a line rises nearly as outputs do that follow their supply."""
    level_v = seen.level_v + line.droop * seen.load_at(line.load, line.lag)
    return bool(line.ratio * np.median(pick_lag(seen.supply, line.lag)) >= IN_PROPORTION * np.median(level_v))


def weigh(line: CeilingFit, seen: Plateaus, *, follows: bool) -> Weighed:
    """The best ceiling that follows its supply up to the line's knee, or that stands still but for its own droop."""
    n = len(seen.level_v)
    _, left_v = fit_at(seen, line.lag, line.knee_v, line.load if line.droop > 0 else None)
    weight = np.sqrt(np.clip(1 - (left_v / (TUKEY * line.spread_v)) ** 2, 0, None) ** 2 + 1e-6)
    weight *= np.sqrt(min(1.0, INDEPENDENT / n)) / line.spread_v
    level_v = float(np.median(seen.level_v))
    best = Weighed(line, np.inf)
    for lag in np.arange(0.0, seen.supply.shape[1] - 1 + 1e-9, LAG_STEP).tolist():
        bent = np.minimum(pick_lag(seen.supply, lag), line.knee_v)
        for load in range(len(LOADS)):
            droop = -seen.load_at(load, lag)
            columns = [np.ones(n), droop]
            columns += [bent] if follows else []
            columns += [seen.tilt_v_per_s, seen.tilt_v_per_s * seen.flat_s] if follows and n >= FEWEST_FOR_TILT else []
            rows = np.stack(columns, axis=1)
            own = np.zeros((1, rows.shape[1]))
            own[0, 1] = float(droop.mean()) / (DROOP_SHARE_SD * level_v)
            proportion = np.zeros((int(follows), rows.shape[1]))
            if follows:
                proportion[0, 1:3] = (1 + LOSS_SHARE) * float(droop.mean()), float(bent.mean())
                proportion /= LOSS_SHARE_SD * level_v
            wanted = np.concatenate((seen.level_v * weight, [0.0], [(1 + LOSS_SHARE) / LOSS_SHARE_SD] * int(follows)))
            rows = np.concatenate((rows * weight[:, None], own, proportion))
            solution, sd = _solve(rows, wanted)
            if solution[1] < 0:  # no amplifier's rails rise under load
                some = np.delete(np.arange(rows.shape[1]), 1)
                solution[some], sd[some] = _solve(rows[:, some], wanted)
                solution[1] = 0.0
            cost = float(np.sum((rows @ solution - wanted) ** 2))
            if cost >= best.cost or (follows and solution[2] <= 0):
                continue
            ratio, ratio_sd = (float(solution[2]), float(sd[2])) if follows else (0.0, 0.0)
            tilts = (float(solution[3]), float(solution[4])) if len(solution) > 3 else (0.0, 0.0)
            fit = replace(
                line, constant_v=float(solution[0]), ratio=ratio, ratio_sd=ratio_sd, lag=lag, per_tilt_s=tilts[0],
                per_fall=tilts[1], droop=float(solution[1]), load=load,
                kind="follows supply" if follows else "regulated",
            )  # fmt: skip
            best = Weighed(fit, cost)
    return best


def _solve(rows: FloatArray, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares, and the standard deviations that follow."""
    size = np.maximum(np.sqrt(np.einsum("nk,nk->k", rows, rows)), 1e-12)  # of a column that says nothing: 0 comes out
    scaled = rows / size
    inverse = np.linalg.inv(scaled.T @ scaled + 1e-9 * np.eye(len(size)))
    return inverse @ (scaled.T @ wanted) / size, np.sqrt(np.diag(inverse)) / size
