"""A ceiling without a corner: crests bent over more and more the closer they come to it.

    y = x / (1 + |x / B|^k)^(1/k)

is taken for the way from the wanted output x to the output y: B is the ceiling, k how sharply it sets in (a hyperbolic
tangent lies near k = 2.5, a hard corner beyond 100). Undone with the right B and k, the flanks and tops of strongly
driven half-cycles become one smooth curve each, where B may tilt and bow a little within one (`soft_fit`). One k must
serve half-cycles of both polarities and of quite different drive, and the ceilings of each must agree: then every crest
near the ceiling is known to be bent over, and by how much.

Gaps: works inside one stretch.
Limits: needs FEWEST half-cycles that are bent over and whose drive differs, FEWEST_DRIVEN of them strongly; nothing
softer than the softest k tried. A source that bends in this way at a constant level looks the same.
Source: the curve is a common limiter's law; the search is our choice, measured by `python -m
ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.second.soft_fit import Effort, SoftFits, Spreads, fit_lobes
from ampwitness.detect.clips.second.soft_shared import Crowd, learn_shared
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join, lies_on_plateau
from ampwitness.detect.clips.table.clip_rows import liveliness_of, rows_of
from ampwitness.detect.clips.table.clip_screen import Crests
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

SHARPNESS = (3.0, 4.5, 6.0, 8.0, 10.0, 13.0, 17.0, 22.0, 30.0, 42.0, 60.0)
HARD = 200.0
STRONG_DB, STRONG_GAIN = 0.6, 25.0
HIGH_SHARE = 0.75  # of the highest crests: lower ones may be flat, but hardly at the ceiling
MOST_OVER, OVER_SHARE = 0.03, 1.05  # of the crests that come near the ceiling may stand so high above it
HARD_GAIN = 60.0  # what a straight top fits so much better than a smooth crest stays as it was measured
# A straight top that fits to within the noise has a corner. Of half-cycles bent over quite sharply (k = 30) up to 40 %
# look so, of those cut off hard two thirds and more in bass; what lies between the quick look ahead tells.
STRAIGHT_MISFIT, MOST_STRAIGHT = 2.5, 0.6
MANY, MOST_OF_MANY = 100, 0.42  # so many say more surely what share of them is straight
FEWEST, MOST = 6, 16  # half-cycles that are fitted, of both polarities, and of each
FEWEST_DRIVEN, FEWEST_A_SIDE = 4, 2  # of them strongly driven
TRIED_SHARE = 0.7  # of the high crests, the highest
LIVELY = 0.25
FEWEST_CANDIDATES = 2  # before half-cycles are asked each for its own ceiling
MANY_CANDIDATES = 12  # where so many show none, all crests together are not asked
TOGETHER, TOGETHER_SHARE = 12, 0.8  # half-cycles a polarity that are: of the highest, and of the others above a share
# A quick look ahead: where a soft law was learned behind it, it served 1.5 times as well as a corner, and 1.2 times at
# most in clean music.
FIRST_EVERY, FIRST_SHARPNESS, WORTH_LEARNING = 2, (6.0, 10.0, 22.0), 1.3
# A glance ahead of that: of six soft stretches the least came to 1.4, of 49 others three above 1.2.
# Half of the half-cycles would do for 32 such stretches, but lose three of four clips of soft knees into a loudspeaker.
GLANCE, WORTH_A_LOOK = Effort(points=30, rounds=2, above=(0.004, 0.03, 0.15)), 1.15
LEAST_DRIVE = 1.05  # of the wanted crest over the ceiling: less says little of where that is
LONGEST_S, SHORTEST_POINTS = 0.03, 14
SURER_THAN_HARD = 1.6  # by so much the misfit must fall against a hard corner
SERVES_MISFIT = 1.3
AGREE_SPREAD = 0.008  # of the ceiling: views in which half-cycles disagree more about it count as missing more
# Of a crest; flanks that are followed no further down are fitted more closely, by sharper laws than the true one.
LONG_VIEW, SHORT_MISSES = 0.5, 2.2
MOST_COST = 20.0  # more says no more
AGREES_MISFIT = 3.0  # where one law is taken for all half-cycles
WORST_MISFIT = 6.0  # hard corners, blurred by the logger's band, fit no better than 9 at any k
MOST_DRIVE = 2.8  # times the ceiling, in the middle half-cycle: under true ones it was 1.3, of square notes 4 and more
LEAST_DRIVE_SPREAD = 1.05  # 90th over 10th percentile of wanted crest over ceiling
WIDEST_SPREAD = 0.025  # of the ceiling: how far half-cycles may disagree about it
WIDER_SPREAD = 0.04  # ... where those of the other polarity agree so well
LEAST_DB, EDGE_DB = 0.22, 0.1  # bent over by so much: a finding; where it starts and stops
CEILING_SD, LEAST_SD = 0.005, 0.002  # how well a ceiling, and how it tilts and bows, are known at best, as shares
MAYBE_DB = 0.1  # by so much, as the ceiling is known from others: worth a fit of its own
ASTRAY_SD, HIGHEST_SHARE = 3.0, 0.999
AT_ONCE = 256  # half-cycles
CORNER_SD_S = 2e-4


@dataclass(frozen=True, slots=True)
class _View:
    """How much of half-cycles is fitted (down to this share of their crests), and how freely."""

    share: float
    degree: int
    spreads: Spreads


@dataclass(frozen=True, slots=True)
class SoftCeiling:
    """B by the rail model, and k."""

    rail: Rail
    sharpness: float
    lowest_v: float  # ceiling that was seen
    view: _View
    misfit: float  # reduced chi-square of those that it was learned from

    def fit(self, windows: list[FloatArray], noise_v: float, ceiling_v: FloatArray) -> SoftFits:
        """Half-cycles (n) under ceilings that are known (n,). What the curve misses at best counts as noise, else it
        would pull at the ceiling."""
        return fit_lobes(
            windows, noise_v * np.sqrt(self.misfit), (self.sharpness,), ceiling_v, self.view.spreads, self.view.degree
        )


@dataclass(frozen=True, slots=True)
class _Cut:
    """Windows of half-cycles, the sample of each and the place of its polarity in the list of sides."""

    windows: list[FloatArray]
    sample: IntArray
    side: IntArray

    def take(self, rows: slice) -> _Cut:
        return _Cut(self.windows[rows], self.sample[rows], self.side[rows])


# Long flanks tell most where so simple a curve serves; lively bass needs shorter ones, or one that turns more often.
# A ceiling that may tilt takes in part of what the sharpness does: only where a level one does not serve.
LEVEL = Spreads(tilt=LEAST_SD, bow=LEAST_SD)
FIRST_VIEW = _View(0.6, 5, LEVEL)
VIEWS = (
    _View(0.4, 5, LEVEL),
    _View(0.6, 5, LEVEL),
    _View(0.4, 7, LEVEL),
    _View(0.4, 5, Spreads()),
    _View(0.6, 5, Spreads()),
)


def compression_db(share: FloatArray, sharpness: float) -> FloatArray:
    """By how much an output at this share of its ceiling lies below what was wanted, dB."""
    return np.asarray(-20 / sharpness * np.log10(1 - share**sharpness))


def share_of_compression(db: float, sharpness: float) -> float:
    """The other way round."""
    return float((1 - 10 ** (-db * sharpness / 20)) ** (1 / sharpness))


def ceiling_of(level_v: FloatArray, crest_v: FloatArray, sharpness: FloatArray) -> FloatArray:
    """B from an output, what was wanted, and k."""
    return np.asarray(level_v / (1 - (level_v / crest_v) ** sharpness) ** (1 / sharpness))


def find_soft(sides: list[OneSide]) -> list[Candidates]:
    """Rows for the crests of a stretch that a soft ceiling bends over, where the candidates of both polarities show
    one sharpness."""
    strong = [side.candidates.take(_is_strong(side)) for side in sides]
    if any(map(len, strong)) and _has_corners(join(strong)):
        return []
    n_candidates = sum(len(side.candidates) for side in sides)
    soft: list[SoftCeiling | None] = [None] * len(sides)
    if n_candidates >= FEWEST_CANDIDATES:
        probes = [
            _join(_at_candidates(side, rows), _at_crests(side, rows)) for side, rows in zip(sides, strong, strict=True)
        ]
        soft = _learn(sides, probes)
    if n_candidates < MANY_CANDIDATES and not any(soft):
        soft = _learn_together(sides)
    return [rows for side, ceiling in zip(sides, soft, strict=True) if ceiling and (rows := _bent(side, ceiling))]


def _bent(side: OneSide, soft: SoftCeiling) -> Candidates | None:
    """Rows for the crests of one polarity that its ceiling bends over."""
    table, crests = side.candidates, side.crests
    crests = crests.take(crests.level_v >= 0.8 * share_of_compression(MAYBE_DB, soft.sharpness) * soft.lowest_v)
    if not len(crests):
        return None
    ceiling = soft.rail.predict(*side.lagged.at(crests.sample.astype(float)))
    near = crests.level_v >= HIGH_SHARE * ceiling
    if np.count_nonzero(crests.level_v > OVER_SHARE * ceiling) > MOST_OVER * np.count_nonzero(near):
        return None
    hard = table.take(_is_straight(table))
    maybe = (crests.level_v >= share_of_compression(MAYBE_DB, soft.sharpness) * ceiling) & ~lies_on_plateau(
        side.stretch, crests, hard
    )
    if side.blocked is not None:
        maybe &= ~side.blocked[crests.sample]
    crests, ceiling = crests.take(maybe), ceiling[maybe]
    windows = [
        _window(side, int(at), float(v), soft.view.share) for at, v in zip(crests.sample, crests.level_v, strict=True)
    ]
    whole = np.flatnonzero([window is not None for window in windows])
    if not len(whole):
        return None
    fits = [
        soft.fit([window for row in rows if (window := windows[row]) is not None], side.noise_v, ceiling[rows])
        for rows in np.split(whole, range(AT_ONCE, len(whole), AT_ONCE))
    ]
    over_db, ceiling_v, drive = (
        np.concatenate([getattr(fit, name)[:, 0] for fit in fits]) for name in ("over_db", "ceiling_v", "drive")
    )
    # A fit that finds its own ceiling elsewhere went astray: there the height alone tells.
    known_v, height_v = ceiling[whole], crests.level_v[whole]
    astray = np.abs(ceiling_v / known_v - 1) > ASTRAY_SD * soft.view.spreads.ceiling
    by_height = compression_db(np.minimum(height_v / known_v, HIGHEST_SHARE), soft.sharpness)
    over_db, ceiling_v = np.where(astray, by_height, over_db), np.where(astray, known_v, ceiling_v)
    drive = np.where(astray, height_v * 10 ** (by_height / 20) / known_v, drive)
    bent = over_db >= LEAST_DB
    if not bent.any():
        return None
    return _describe(side, crests.take(whole[bent]), ceiling_v[bent], drive[bent], over_db[bent], soft)


def _is_straight(table: Candidates) -> BoolArray:
    return np.asarray((table["is_coarse"] == 0) & (table["gain"] >= HARD_GAIN) & (table["misfit"] <= STRAIGHT_MISFIT))


def _has_corners(strong: Candidates) -> bool:
    return float(np.mean(_is_straight(strong))) > (MOST_STRAIGHT if len(strong) < MANY else MOST_OF_MANY)


def _is_strong(side: OneSide) -> BoolArray:
    table = side.candidates
    highest_v = float(np.percentile(side.crests.level_v, 98)) if len(side.crests) else 0.0
    return np.asarray(
        (table.over_db >= STRONG_DB)
        & (table["level_v"] >= HIGH_SHARE * highest_v)
        & (table["flatter_flank_ratio"] > 0.2)
        & ((table["is_coarse"] > 0) | (table["gain"] > STRONG_GAIN))
    )


@dataclass(frozen=True, slots=True)
class _Probes:
    """Half-cycles to learn from: a sample in each, and its level."""

    sample: IntArray
    level_v: FloatArray

    def take(self, rows: IntArray | BoolArray) -> _Probes:
        return _Probes(self.sample[rows], self.level_v[rows])


def _at_candidates(side: OneSide, table: Candidates) -> _Probes:
    """Some of the strong candidates, evenly."""
    table = table.take(np.argsort(table["start_s"], kind="stable")[:: -(-len(table) // MOST) or 1])
    middle = (table["start_s"] + table["stop_s"]) / 2 * side.stretch.rate_hz
    middle = middle - side.stretch.first_index - side.stretch.phase
    return _Probes(np.round(middle).astype(np.intp), table["level_v"])


def _join(one: _Probes, other: _Probes) -> _Probes:
    return _Probes(np.concatenate((one.sample, other.sample)), np.concatenate((one.level_v, other.level_v)))


def _at_crests(side: OneSide, strong: Candidates) -> _Probes:
    """Some of the highest crests, evenly over their levels: bent over too little to look cut off."""
    crests = side.crests.take(~lies_on_plateau(side.stretch, side.crests, strong))
    order = np.argsort(-crests.level_v, kind="stable")
    high = order[crests.level_v[order] >= HIGH_SHARE * (crests.level_v[order[:1]].sum() or 1.0)]
    high = high[: round(TRIED_SHARE * len(high)) + 1] if len(high) > MOST else high
    rows = np.sort(high[:: -(-len(high) // MOST) or 1])
    return _Probes(crests.sample[rows], crests.level_v[rows])


def _learn_together(sides: list[OneSide]) -> list[SoftCeiling | None]:
    """One ceiling for both polarities, where few crests are bent over so far that each could show its own."""
    nothing: list[SoftCeiling | None] = [None] * len(sides)
    if not sides or liveliness_of(sides[0]) >= LIVELY:
        return nothing
    cut = _cut(sides, [_highest(side) for side in sides], FIRST_VIEW)
    supply_v = [side.lagged.at(cut.sample[cut.side == at].astype(float))[0] for at, side in enumerate(sides)]
    time_s = cut.sample / sides[0].stretch.rate_hz
    shared = learn_shared(Crowd(cut.windows, time_s, np.concatenate(supply_v), sides[0].noise_v))
    if shared is None:
        return nothing
    view = replace(FIRST_VIEW, spreads=Spreads(max(CEILING_SD, shared.spread), LEAST_SD, LEAST_SD))
    return [SoftCeiling(shared.rail, shared.sharpness, shared.lowest_v, view, shared.misfit)] * len(sides)


def _highest(side: OneSide) -> _Probes:
    """The highest crests, and some of the others evenly over their levels: what is bent over, and what is not."""
    crests = side.crests
    order = np.argsort(-crests.level_v, kind="stable")
    high = order[crests.level_v[order] >= TOGETHER_SHARE * crests.level_v[order[:1]].sum()]
    others = high[TOGETHER:]
    rows = np.sort(np.concatenate((high[:TOGETHER], others[:: -(-len(others) // TOGETHER) or 1])))
    return _Probes(crests.sample[rows], crests.level_v[rows])


def _learn(sides: list[OneSide], probes: list[_Probes]) -> list[SoftCeiling | None]:
    """Try every k on half-cycles of both polarities; keep the best if it is no hard corner and half-cycles agree."""
    nothing: list[SoftCeiling | None] = [None] * len(sides)
    cut = _cut(sides, probes, FIRST_VIEW)
    if len(cut.windows) < FEWEST or not _bends_at_all(cut.take(slice(None, None, FIRST_EVERY)), sides[0].noise_v):
        return nothing
    tried: list[_Tried] = []
    # Between the corners of dense music anything smooth fits a short window.
    for view in VIEWS if liveliness_of(sides[0]) < LIVELY else VIEWS[:1]:
        cut = _cut(sides, probes, view)
        if len(cut.windows) < FEWEST:
            continue
        fits = fit_lobes(cut.windows, sides[0].noise_v, (*SHARPNESS, HARD), spreads=view.spreads, degree=view.degree)
        tried.append(_settle(sides, view, cut, fits))
        if tried[-1].misfit <= SERVES_MISFIT:
            break
    if not tried:
        return nothing
    best = min(tried, key=_Tried.rank)
    misfit, view, cut, fits, settled, sharpness = (
        best.misfit,
        best.view,
        best.cut,
        best.fits,
        best.settled,
        best.sharpness,
    )
    cost, driven = settled.cost[:, 0], best.driven
    if misfit > WORST_MISFIT or np.count_nonzero(driven) < FEWEST_DRIVEN:
        return nothing
    bent, hard = (float(_mean_cost(fitted.cost[driven])[-1]) for fitted in (settled, fits))
    if hard < SURER_THAN_HARD * bent or np.mean(fits.cost[driven, -1] > SURER_THAN_HARD * cost[driven]) < 0.6:
        return nothing
    found = nothing
    rails = best.rails
    narrowest = min((rail.spread_v / typical_v for _, (rail, typical_v) in rails if rail is not None), default=np.inf)
    widest = WIDER_SPREAD if narrowest <= WIDEST_SPREAD else 0.0
    for at, (rows, (rail, typical_v)) in enumerate(rails):
        if rail is not None and rail.spread_v <= widest * typical_v:
            spreads = Spreads(
                max(CEILING_SD, rail.spread_v / typical_v),
                *(max(LEAST_SD, float(np.sqrt(np.mean(bow[rows, 0] ** 2)))) for bow in (settled.tilt, settled.bow)),
            )
            found[at] = SoftCeiling(
                rail, sharpness, float(np.min(settled.ceiling_v[rows, 0])), replace(view, spreads=spreads),
                max(1.0, misfit),
            )  # fmt: skip
    return found if _holds(sides, found, cut) else [None] * len(sides)


@dataclass(frozen=True, slots=True)
class _Tried:
    """What one view makes of the half-cycles: at every sharpness, and settled at the best between them."""

    misfit: float
    view: _View
    cut: _Cut
    fits: SoftFits
    sharpness: float
    settled: SoftFits
    driven: BoolArray  # of the half-cycles
    rails: list[tuple[IntArray, tuple[Rail | None, float]]]  # by polarity which of them, the ceiling, its typical volts

    def rank(self) -> float:
        """What speaks against it: what it misses, how far ceilings of half-cycles lie apart in the polarity that agrees
        less, and how little of their flanks it looked at."""
        spread = max(
            (rail.spread_v / typical_v for _, (rail, typical_v) in self.rails if rail is not None), default=1.0
        )
        return self.misfit * max(1.0, spread / AGREE_SPREAD) * (SHORT_MISSES if self.view.share > LONG_VIEW else 1.0)


def _settle(sides: list[OneSide], view: _View, cut: _Cut, fits: SoftFits) -> _Tried:
    cost = _mean_cost(fits.cost)[:-1]
    sharpness = _lowest_between(cost)
    settled = fit_lobes(cut.windows, sides[0].noise_v, (sharpness,), spreads=view.spreads, degree=view.degree)
    driven = (settled.cost[:, 0] <= 2 * WORST_MISFIT) & (settled.drive[:, 0] >= LEAST_DRIVE)
    rows = [np.flatnonzero(driven & (cut.side == at)) for at in range(len(sides))]
    rails = [(mine, _rail_of(side, settled, cut, mine)) for side, mine in zip(sides, rows, strict=True)]
    return _Tried(float(cost.min()), view, cut, fits, sharpness, settled, driven, rails)


def _rail_of(side: OneSide, settled: SoftFits, cut: _Cut, rows: IntArray) -> tuple[Rail | None, float]:
    """The ceiling of one polarity that strongly driven half-cycles (rows) show, and its typical volts."""
    if len(rows) < FEWEST_A_SIDE:
        return None, 1.0
    ceiling_v = settled.ceiling_v[rows, 0]
    return learn_rail(ceiling_v, *side.lagged.at(cut.sample[rows].astype(float))), float(np.median(ceiling_v))


def _mean_cost(cost: FloatArray) -> FloatArray:
    """(sharpnesses,) what half-cycles miss on the average, the worst of them counted as if they missed less."""
    return np.asarray(np.mean(np.minimum(cost, MOST_COST), axis=0))


def _lowest_between(cost: FloatArray) -> float:
    """The sharpness at which a parabola through the lowest cost and its neighbours is lowest."""
    at = int(np.argmin(cost))
    if not 0 < at < len(cost) - 1:
        return SHARPNESS[at]
    x = np.log(SHARPNESS[at - 1 : at + 2])
    bend, slope, _ = np.polyfit(x - x[1], cost[at - 1 : at + 2], 2)
    return float(np.exp(x[1] - slope / max(2 * bend, 1e-9)))


def _bends_at_all(cut: _Cut, noise_v: float) -> bool:
    """A quick look at a few half-cycles: whether any sharpness serves better than a corner."""
    for effort, least in ((GLANCE, WORTH_A_LOOK), (Effort(), WORTH_LEARNING)):
        fits = fit_lobes(cut.windows, noise_v, (*FIRST_SHARPNESS, HARD), spreads=FIRST_VIEW.spreads, effort=effort)
        cost = _mean_cost(fits.cost)
        if cost[-1] < least * cost[:-1].min():
            return False
    return True


def _holds(sides: list[OneSide], found: list[SoftCeiling | None], cut: _Cut) -> bool:
    """Whether one law with these ceilings serves strongly and lightly driven half-cycles alike.

    Half-cycles of one shape and level fit a law by chance, each with a ceiling of its own; others do not fit then. And
    a square note, rounded a little, fits one that it would be driven far into: its flanks lead tens of dB above."""
    drive, cost = [np.zeros(0)], [np.zeros(0)]
    for at, (side, soft) in enumerate(zip(sides, found, strict=True)):
        rows = np.flatnonzero(cut.side == at)
        if soft is None or not len(rows):
            continue
        ceiling_v = soft.rail.predict(*side.lagged.at(cut.sample[rows].astype(float)))
        fits = soft.fit([cut.windows[row] for row in rows], side.noise_v, ceiling_v)
        reached = fits.over_db[:, 0] >= MAYBE_DB
        drive.append(fits.drive[reached, 0])
        cost.append(fits.cost[reached, 0])
    reached_drive, reached_cost = np.concatenate(drive), np.concatenate(cost)
    if len(reached_drive) < FEWEST or np.median(reached_drive) > MOST_DRIVE:
        return False
    is_spread = np.percentile(reached_drive, 90) >= LEAST_DRIVE_SPREAD * np.percentile(reached_drive, 10)
    return bool(is_spread and np.mean(np.minimum(reached_cost, MOST_COST)) <= AGREES_MISFIT)


def _cut(sides: list[OneSide], probes: list[_Probes], view: _View) -> _Cut:
    """The probes' windows, those that are whole."""
    windows, sample, side_of = [], [], []
    for at, (side, some) in enumerate(zip(sides, probes, strict=True)):
        for middle, level_v in zip(some.sample.tolist(), some.level_v.tolist(), strict=True):
            window = _window(side, middle, level_v, view.share)
            if window is not None:
                windows.append(window)
                sample.append(middle)
                side_of.append(at)
    return _Cut(windows, np.array(sample, dtype=np.intp), np.array(side_of, dtype=np.intp))


def _window(side: OneSide, middle: int, level_v: float, share: float) -> FloatArray | None:
    """Samples of one half-cycle down to a share of its crest on both sides, sign-turned; None if too few."""
    volts = side.stretch.output_v
    reach = round(LONGEST_S * side.stretch.rate_hz)
    if middle - reach < 0 or middle + reach >= len(volts):
        return None
    around = volts[middle - reach : middle + reach] * np.float32(side.sign)
    is_low = around < share * level_v
    left, right = is_low[reach - 1 :: -1], is_low[reach:]
    n_left, n_right = int(np.argmax(left)), int(np.argmax(right))
    if not left[n_left] or not right[n_right]:
        return None
    window = around[reach - n_left : reach + n_right].astype(float)
    return window if len(window) >= SHORTEST_POINTS else None


def _describe(
    side: OneSide, crests: Crests, ceiling_v: FloatArray, drive: FloatArray, over_db: FloatArray, soft: SoftCeiling
) -> Candidates:
    """Rows of the table."""
    stretch, n = side.stretch, len(crests)
    reach = round(LONGEST_S * stretch.rate_hz)
    at = np.clip(crests.sample[:, None] + np.arange(-reach, reach + 1)[None, :], 0, len(stretch.output_v) - 1)
    window = stretch.output_v[at].astype(float) * side.sign
    edge_v = share_of_compression(EDGE_DB, soft.sharpness) * ceiling_v
    below = window < edge_v[:, None]
    below[:, 0] = below[:, -1] = True
    left, right = np.argmax(below[:, reach::-1], axis=1), np.argmax(below[:, reach:], axis=1)
    rows = np.arange(n)
    # The step across the edge on either side: the flank where the bending sets in.
    slope_left = window[rows, reach - left + 1] - window[rows, reach - left]
    slope_right = window[rows, reach + right - 1] - window[rows, reach + right]
    start, stop = crests.sample - left + 0.5, crests.sample + right - 0.5
    crest_v = drive * ceiling_v
    level_v = crest_v / 10 ** (over_db / 20)
    return rows_of(
        side, start, stop, level_v, crest_v, slope_left, slope_right, crests.level_v, CORNER_SD_S,
        at=crests.sample.astype(float), sharpness=soft.sharpness,
    )  # fmt: skip
