"""How a ceiling moves with the supply, learned from all plateaus of one polarity: not, in step, or up to a level.

    level = a + b * min(lagged supply, knee) - c * lagged load + what the plateau's tilt adds

b = 0: regulated; no knee: it follows throughout; c: an amplifier that droops under its own load. What its rails hold
fills from the supply and is emptied by the load in one time constant, so both are asked for at one lag. The load is the
output's mean size where the stage takes from its rails what the load draws, its mean square where it switches.

Where the supply falls within the very half-cycle, plateaus fall with it by a twentieth of their level and more. Their
tilt is then the lagged supply's own course and would take the place of b: it is left out, the supply is that behind a
filter of the lag (`lag_between`), and the level that in a plateau's middle.

Gaps: each plateau carries its own lagged supply.
Limits: a level above all that was seen (regulation that sets in only there) cannot be known; the line is carried on.
Source: least squares with Tukey's weights; our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.cause.lag_between import bend_s, filter_between, to_lag_s
from ampwitness.types import FloatArray

Kind = Literal["regulated", "follows supply", "regulated until the supply is too low"]

FEWEST = 5
FEWEST_FOR_TILT = 12
FEWEST_FOR_DROOP = 20
MOST_DROOP = 0.4
MOST_TILT = 2.0  # of what the lagged supply gives way by
STEEP_SHARE = 0.05  # of its level, that a plateau in the middle of all falls by within itself
_WORTH_DROOP = 0.85
LOADS = ("size", "square")
LEAST_RANGE_V = 0.08
_WORTH = 0.9  # a further number must narrow the spread to this
MOST = 600  # plateaus; more adds time, not knowledge
LAG_STEP = 0.25
AT_ONCE = -1.0  # the place of no lag: the mean over the plateau itself
_SPREAD_FLOOR_SHARE = 0.0005
TUKEY = 4.7


@dataclass(frozen=True, slots=True)
class CeilingFit:
    """A ceiling of one polarity as a positive number of volts. `lag` is a place among the lagged supplies, 1.5 midway
    between the second and the third, AT_ONCE none of them but the supply under or just ahead of the plateau itself
    (`ceiling_at_once`).

    `per_tilt_s` and `per_fall`: what a plateau's tilt (V/s, falling ones negative) and its tilt times length add. A
    lag that is not quite the amplifier's own, and a top that is not straight, show there and not in `ratio`."""

    kind: Kind
    constant_v: float
    ratio: float
    ratio_sd: float
    knee_v: float  # supply above which it rises no further; inf: none
    lag: float
    spread_v: float
    n_plateaus: int
    per_tilt_s: float = 0.0
    per_fall: float = 0.0
    droop: float = 0.0  # volts lost for each volt of lagged load: the amplifier's own, whatever the supply does
    load: int = 0  # place in LOADS
    highest_v: float = float("inf")  # lagged supply under which a plateau was seen; above, the line is carried on
    is_steep: bool = False  # learned of plateaus that fall steeply
    at_terminals: bool = False  # learned there, although something seemed to be held back by a capacitor
    early: float = 0.0  # with AT_ONCE: how far it follows the supply ahead of the plateau (1) and not under it (0)

    def at(self, supply_v: FloatArray) -> FloatArray:
        """(n,) levels at supplies that stand."""
        return np.asarray(self.constant_v + self.ratio * np.minimum(supply_v, self.knee_v))

    def supply_of(self, supply: FloatArray, now_v: FloatArray, early_v: FloatArray) -> FloatArray:
        """(n,) the supply that it follows, of lagged ones (n, lags), of means over the plateaus (n,) and ahead of them
        (n,)."""
        if self.lag == AT_ONCE:
            return mix(now_v, early_v, self.early)
        return filter_between(supply, self.lag) if self.is_steep else pick_lag(supply, self.lag)

    def tilted_v(self, supply: FloatArray, tilt_v_per_s: FloatArray, flat_s: FloatArray) -> FloatArray:
        """(n,) by how much plateaus of that tilt and length lie above the level of their lagged supply (n, lags).

        A tilt stands for a lag that is not quite the amplifier's own, so it moves the supply by half a place among the
        lagged ones at most; what a top tilts beyond that is the amplifier's own doing. Where plateaus fall steeply it
        bends them, by what the lag gives way by. What follows at once has the tilt in its supply."""
        if self.lag == AT_ONCE:
            return np.zeros(len(flat_s))
        if self.is_steep:
            gives_v = np.abs(supply[:, 0] - filter_between(supply, self.lag))
            most_v_per_s = MOST_TILT * self.ratio * gives_v / to_lag_s(self.lag)
            return -np.clip(tilt_v_per_s, -most_v_per_s, most_v_per_s) * bend_s(flat_s, self.lag)
        lagged, last = pick_lag(supply, self.lag), supply.shape[1] - 1.0
        sides = [pick_lag(supply, min(max(self.lag + step, 0.0), last)) - lagged for step in (-0.5, 0.5)]
        most_v = self.ratio * np.maximum(*np.abs(sides))
        return np.clip((self.per_tilt_s + self.per_fall * flat_s) * tilt_v_per_s, -most_v, most_v)


@dataclass(frozen=True, slots=True)
class Plateaus:
    """What is known of the plateaus of one polarity, all (n,) but `supply` (n, lags) and `load` (n, LOADS, lags).

    The squares among the loads are over such a level that a sine up to the median plateau is as much load in both."""

    level_v: FloatArray
    tilt_v_per_s: FloatArray
    flat_s: FloatArray
    supply: FloatArray
    load: FloatArray
    now_v: FloatArray | None = None  # (n,) mean supply over the plateaus themselves; None: not known
    early_v: FloatArray | None = None  # (n,) the same EARLY_S ahead of them
    is_steep: bool = False  # the supply falls within the very half-cycles: plateaus fall by STEEP_SHARE and more

    def supply_at(self, lag: float) -> FloatArray:
        """(n,) the supply at a place between the lags."""
        return filter_between(self.supply, lag) if self.is_steep else pick_lag(self.supply, lag)

    def load_at(self, load: int, lag: float) -> FloatArray:
        """(n,) one of LOADS, at a place between the lags."""
        loads = self.load[:, load]
        return filter_between(loads, lag) if self.is_steep else pick_lag(loads, lag)

    def level_at(self, lag: float) -> FloatArray:
        """(n,) the level that a line is fitted to: in the middle of plateaus that fall steeply."""
        return self.level_v + self.tilt_v_per_s * bend_s(self.flat_s, lag) if self.is_steep else self.level_v

    @property
    def lag_step(self) -> float:
        """Places between the lags that are tried: a filter's time constant shows the finer the steeper they fall."""
        return LAG_STEP / 2 if self.is_steep else LAG_STEP

    @property
    def tilts(self) -> list[FloatArray]:
        """The columns (n,) by which tilts are asked for, where plateaus are enough and their tilts not the lag's."""
        if len(self.level_v) < FEWEST_FOR_TILT or self.is_steep:
            return []
        return [self.tilt_v_per_s, self.tilt_v_per_s * self.flat_s]

    def thin(self, most: int) -> Plateaus:
        """Every k-th, so that no more than about `most` are left."""
        return self.take(slice(None, None, max(1, len(self.level_v) // most)))

    def take(self, chosen: npt.NDArray[np.bool_] | slice) -> Plateaus:
        """Some of them."""
        some = {name: getattr(self, name)[chosen] for name in ("level_v", "tilt_v_per_s", "flat_s", "supply", "load")}
        for name in ("now_v", "early_v"):
            some[name] = None if getattr(self, name) is None else getattr(self, name)[chosen]
        return replace(self, **some)


def mix(now_v: FloatArray, early_v: FloatArray, early: float) -> FloatArray:
    """(n,) the supply so far ahead of plateaus: 0 under them, 1 EARLY_S earlier."""
    return np.asarray(now_v + early * (early_v - now_v)) if early else now_v


def to_loads(level_v: FloatArray, size_v: FloatArray, rms_v: FloatArray) -> FloatArray:
    """(n, LOADS, lags) as Plateaus holds them.

    Parameters
    ----------
    level_v : (n,) plateaus
    size_v : (n, output lags) lagged means of the output's size, the first as long as the second of `rms_v`
    rms_v : (n, lags) its lagged root mean squares, of which the first is hardly longer than a plateau
    """
    size_v = np.concatenate((rms_v[:, :1], size_v[:, : rms_v.shape[1] - 1]), axis=1)
    square_v = rms_v**2 * (4 / np.pi / float(np.median(level_v))) if len(level_v) else rms_v
    return np.stack((size_v, square_v), axis=1)


def mark_steep(sides: Mapping[str, Plateaus]) -> dict[str, Plateaus]:
    """The same, and whether they fall steeply, both polarities together: they hang on one supply."""
    falls = [-seen.tilt_v_per_s * seen.flat_s / seen.level_v for seen in sides.values()]
    falls_by = np.concatenate([np.zeros(0), *falls])
    is_steep = bool(len(falls_by) and np.median(falls_by) >= STEEP_SHARE)
    return {side: replace(seen, is_steep=is_steep) for side, seen in sides.items()}


def fit_line(plateaus: Plateaus) -> CeilingFit | None:
    """The best line in any lag of the supply, or a level that stands still, of plateaus of one polarity.

    None with fewer than 5 plateaus, or a supply that hardly moved."""
    seen = plateaus.thin(MOST)
    n = len(seen.level_v)
    # While clipped an amplifier asks for much the same whatever it plays: the supply of that very moment hardly moves.
    if n < FEWEST or float(np.max(np.ptp(np.quantile(seen.supply, (0.05, 0.95), axis=0), axis=0))) < LEAST_RANGE_V:
        return None
    flat, _, spread_v = robust(np.ones((1, n, 1)), seen.level_v)
    best = CeilingFit("regulated", float(flat[0, 0]), 0.0, 0.0, float("inf"), 0.0, float(spread_v[0]), n)
    best = _try_line(best, seen, None)
    if n >= FEWEST_FOR_DROOP:
        tried = replace(best, spread_v=best.spread_v * _WORTH_DROOP)
        for load in range(len(LOADS)):
            tried = _try_line(tried, seen, load)
        best = tried if tried.droop > 0 else best
    return best


def fit_at(seen: Plateaus, lag: float, knee_v: float, load: int | None) -> tuple[CeilingFit, FloatArray]:
    """The line up to a knee in one lag, and what is left of each plateau's level (n,).

    `load` None: no droop"""
    fits, left_v = fit_each(seen, [(lag, knee_v, load)])
    return fits[0], left_v[0]


def fit_each(seen: Plateaus, places: Sequence[tuple[float, float, int | None]]) -> tuple[list[CeilingFit], FloatArray]:
    """`fit_at` for each lag, knee and load, all together, which takes a fifth of the time: fits, and what they leave
    (places, n)."""
    n = len(seen.level_v)
    lagged = np.stack([seen.supply_at(lag) for lag, _, _ in places])
    bent = np.minimum(lagged, np.array([knee_v for _, knee_v, _ in places])[:, None])
    middle = bent.mean(axis=1)
    columns: list[FloatArray] = [np.ones(n), bent - middle[:, None]]
    columns += seen.tilts
    loads = [load for _, _, load in places]
    if any(load is not None for load in loads):  # of a column that is 0 nothing comes out
        columns.append(np.stack([np.zeros(n) if load is None else seen.load_at(load, lag) for lag, _, load in places]))
    matrix = np.stack(np.broadcast_arrays(*columns), axis=2)
    level_v = np.stack([seen.level_at(lag) for lag, _, _ in places])
    solution, errors, spread_v = robust(matrix, level_v)
    fits = []
    for place, (lag, knee_v, load) in enumerate(places):
        one = solution[place].tolist()
        tilts: tuple[float, float] = (one[2], one[3]) if seen.tilts else (0.0, 0.0)
        droop = -one[-1] if load is not None else 0.0
        fits.append(CeilingFit(
            "follows supply", one[0] - one[1] * float(middle[place]), one[1], float(errors[place, 1]), knee_v, lag,
            float(spread_v[place]), n, *tilts, droop, load or 0, float(lagged[place].max()),
            seen.is_steep,
        ))  # fmt: skip
    return fits, level_v - np.einsum("mnk,mk->mn", matrix, solution)


def _try_line(best: CeilingFit, seen: Plateaus, load: int | None) -> CeilingFit:
    """The best line in any lag, with a load or none, where it is better than what stood."""
    lags = np.arange(0.0, seen.supply.shape[1] - 1 + 1e-9, seen.lag_step).tolist()
    for fit in fit_each(seen, [(lag, float("inf"), load) for lag in lags])[0]:
        if fit.ratio <= 3 * fit.ratio_sd or fit.spread_v >= best.spread_v * (_WORTH if best.ratio == 0 else 1.0):
            continue
        if 0 <= fit.droop <= MOST_DROOP:
            best = fit
    return best


def pick_lag(supply: FloatArray, lag: float) -> FloatArray:
    """Supply at a place between the lagged ones: (n, lags) -> (n,)."""
    low = min(int(lag), supply.shape[1] - 2)
    return np.asarray(supply[:, low] + (lag - low) * (supply[:, low + 1] - supply[:, low]))


def robust(matrix: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least squares with Tukey weights after two rounds of absolute deviations, of each of m sets of columns by itself.

    Parameters
    ----------
    matrix : (m, n, k) the columns
    level : (n,) what they are to make, or (m, n) each its own

    Returns
    -------
    (m, k) solutions, (m, k) their errors, (m,) spreads
    """
    scale = np.maximum(np.max(np.abs(matrix), axis=1), 1e-12)
    rows = np.ascontiguousarray(np.swapaxes(matrix / scale[:, None], 1, 2))  # (m, k, n)
    level = np.broadcast_to(level, (len(rows), level.shape[-1]))
    floor = _SPREAD_FLOOR_SHARE * float(np.median(level))
    weight: FloatArray = np.ones(level.shape)
    solution: FloatArray = np.zeros(scale.shape)
    ridge = 1e-9 * np.eye(scale.shape[1])
    inner: FloatArray = ridge
    spread = np.full(len(rows), floor)
    for k in range(7):
        weighted = rows * weight[:, None]
        inner = weighted @ np.swapaxes(rows, 1, 2) + ridge
        solution = np.linalg.solve(inner, weighted @ level[:, :, None])[:, :, 0]
        residual = np.abs(level - (solution[:, None] @ rows)[:, 0])
        spread = np.maximum(floor, 1.4826 * np.median(residual, axis=1))
        if k < 2:
            weight = spread[:, None] / np.maximum(residual, spread[:, None])
        else:
            weight = np.maximum(1 - (residual / (TUKEY * spread[:, None])) ** 2, 0) ** 2 + 1e-6
    errors = spread[:, None] * np.sqrt(np.diagonal(np.linalg.inv(inner), axis1=1, axis2=2))
    return solution / scale, errors / scale, spread
