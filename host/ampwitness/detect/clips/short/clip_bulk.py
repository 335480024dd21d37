"""Once a ceiling is proven most of a recording's half-cycles need no long look: the short way, when it is open, and for
which crests.

A stretch that went the long way shows, by polarity, a ceiling: many plain plateaus that keep to it closely. The short
way (`clip_short`) is tried on the same stretch; where both find the same half-cycles and agree about their crests it
opens for the stretches that follow. There a crest at the ceiling whose plateau passes with room to spare is measured in
closed form; one that stays well below leaves; whatever is between, above, or at a supply that was not seen yet, goes
the long way as before. So does everything in some seconds of each minute, and there both ways are compared: what
disagrees, or shows flats elsewhere, closes the short way, and the whole stretch goes the long way.

Gaps: none here; stretches stand alone, and what was learned goes on behind a gap.
Limits: what clips well below a proven ceiling for less than WATCH_EVERY seconds may be missed. Ceilings that are soft,
move within half-cycles or lie behind a capacitor never open the short way.
Source: our choice, measured in tests/detect_clipping and on the made day of music (`ampwitness.bench.day`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import might_be_plateaus, stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import AT_RAIL_GAIN, find_plain, slack_of
from ampwitness.detect.clips.ceiling.clip_source import is_source_for_sure, lies_at_many_levels
from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.short.clip_short import ROUNDED_FROM, Ceiling, fit_at, measure_short, measure_tops
from ampwitness.detect.clips.table.clip_candidates import Candidates, View, join
from ampwitness.detect.clips.table.clip_screen import Crests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

FEWEST_PLAIN = 20  # plateaus of a polarity that show its ceiling,
MOST_PLAIN = 1024  # and that are kept to learn it from
WIDEST_SPREAD = 0.004  # of the level: how far plateaus may lie from it
MOST_OTHERWISE = 0.03  # of the rows of a stretch, that are no plateaus at a level
TOLERANCE_SHARE, TOLERANCE_SPREADS, TOLERANCE_SD = 0.004, 4.0, 3.0
FEWEST_TOPS, TOP_QUANTILE = 8, 0.7  # of plateaus by what their samples scatter
LEAST_TOP_SHARE = 2e-4  # of the level
FEWEST_TWINS, LEAST_TWINS = 50, 0.85  # of half-cycles that the short way finds the long way finds as well
MOST_BIAS_DB, MOST_APART_DB = 0.03, 0.06  # of overdrives, medians; or in what the long way states of its own:
BIAS_SD, APART_SD = 1.0, 2.0
NOISY_SHARE = 0.002  # of the level: noise above it is music
LOWEST_SHARE = 0.9  # of the lowest ceiling: crests that are asked how they stand to it
NEAR_TOLERANCES = 2.5  # below the ceiling: crests that come so near go the long way
FAR_SHARE = 0.035  # of the ceiling: plateaus further from it belong to another
SUPPLY_SPARE, LEAST_SPARE_V = 0.25, 0.06  # of the range of supplies that was seen, beyond it
MOST_UNSEEN = 0.5  # of the crests at a ceiling
WATCH_EVERY, CHECK_EVERY = 6, 48  # seconds
FEWEST_CHECKED, LEAST_AGREE = 8, 0.6
ELSEWHERE_SHARE, FEWEST_ELSEWHERE = 0.05, 3  # of the short way's rows: plain plateaus at no ceiling that is known
ABOVE_SHARE, MOST_ABOVE = 0.012, 0.03  # of the ceiling; of the rows


@dataclass(frozen=True, slots=True)
class Proven:
    """The ceiling of one polarity, and on how many half-cycles both ways were compared."""

    rail: Rail
    top_sd_v: float
    tolerance_v: float
    supply_v: tuple[float, float]  # lowest and highest that was seen; NaN without a supply channel
    level_v: float
    n_compared: int


@dataclass(frozen=True, slots=True)
class Split:
    """How a stretch's crests part: rows that the short way gives, and which crests go the long way (n,)."""

    rows: Candidates
    goes_long: BoolArray
    asked_again: BoolArray  # which of those second looks take in (n,)
    rails: dict[float, Rail]  # by polarity
    tolerance_v: dict[float, float]
    is_noisy: bool

    @property
    def rails_in_noise(self) -> dict[float, Rail]:
        """The rails where they are known better than noise; what comes just up to one in quiet asks for more."""
        return self.rails if self.is_noisy else {}

    def long_rows(self, rows: Candidates | None) -> Candidates | None:
        """What the long way adds: rows that lie on none of the short way's."""
        if rows is None:
            return None
        return rows.take(~_overlaps(rows, self.rows))


class ShortWay:
    """When the short way is open, by polarity; stretches come in order."""

    def __init__(self) -> None:
        self._proven: dict[float, Proven] = {}
        self._plain: dict[float, Candidates] = {}

    @property
    def is_open(self) -> bool:
        """Whether crests of both polarities may go the short way."""
        return len(self._proven) == 2

    def split(self, view: View, crests: Crests) -> Split | None:
        """Part a stretch's crests; None where all go the long way."""
        if not self._proven:
            return None
        second = np.floor(np.asarray(view.stretch.time_s(crests.sample.astype(float)))).astype(np.int64)
        is_watched, is_checked = second % WATCH_EVERY == 0, second % CHECK_EVERY == 0
        goes_long = np.ones(len(crests), dtype=bool)
        asked_again = is_checked | ~np.isin(crests.sign, list(self._proven))
        for sign in self._proven:
            mine = crests.sign == sign
            goes_long[mine] = is_watched[mine]
        high, some, known, is_unseen, is_noisy = self._stand(view, crests)
        is_high = some.level_v >= known.expected_v - NEAR_TOLERANCES * known.tolerance_v
        for sign in self._proven:
            mine = is_high & (some.sign == sign)
            if np.count_nonzero(mine & is_unseen) > MOST_UNSEEN * np.count_nonzero(mine):
                return None
        rows, passed = self._measure(view, some, known, is_noisy, ~is_unseen)
        goes_long[high] = (is_high & ~passed) | is_watched[high]
        goes_long[high] &= ~passed | is_checked[high]
        asked_again[high] |= is_high & ~passed
        n_above = np.count_nonzero(some.level_v > (1 + ABOVE_SHARE) * known.expected_v + known.tolerance_v)
        if n_above > max(1, MOST_ABOVE * len(rows)):
            return None
        return Split(
            rows,
            goes_long,
            goes_long & asked_again,
            {sign: one.rail for sign, one in self._proven.items()},
            {sign: one.tolerance_v for sign, one in self._proven.items()},
            all(_is_noisy(view, one) for one in self._proven.values()),
        )

    def _stand(self, view: View, crests: Crests) -> tuple[IntArray, Crests, Ceiling, BoolArray, BoolArray]:
        """Which crests may stand at a ceiling that is known, by polarity; for each its ceiling, whether that was never
        seen at such a supply, and whether noise there is music."""
        of_side = [
            mine[crests.level_v[mine] >= LOWEST_SHARE * _lowest(proven.rail, view)]
            for sign, proven in self._proven.items()
            for mine in [np.flatnonzero(crests.sign == sign)]
        ]
        high = np.concatenate(of_side)
        supply_v, output_v = view.lagged.at(crests.sample[high].astype(float))
        expected_v, top_sd_v, tolerance_v = np.empty((3, len(high)))
        is_unseen, is_noisy = np.empty((2, len(high)), dtype=bool)
        stops = np.cumsum([len(mine) for mine in of_side]).tolist()
        for proven, start, stop in zip(self._proven.values(), [0, *stops], stops, strict=False):
            part = slice(start, stop)
            expected_v[part] = proven.rail.predict(supply_v[part], output_v[part])
            top_sd_v[part], tolerance_v[part] = proven.top_sd_v, proven.tolerance_v
            is_unseen[part], is_noisy[part] = _is_unseen(proven, supply_v[part]), _is_noisy(view, proven)
        return high, crests.take(high), Ceiling(expected_v, top_sd_v, tolerance_v, False), is_unseen, is_noisy

    def _measure(
        self, view: View, crests: Crests, known: Ceiling, is_noisy: BoolArray, is_seen: BoolArray
    ) -> tuple[Candidates, BoolArray]:
        """The short way's rows, and which crests they lie on, (n,); only those that `is_seen` are looked at."""
        parts, passed = [], np.zeros(len(crests), dtype=bool)
        for noisy in (True, False):
            mine = np.flatnonzero(is_seen & (is_noisy == noisy))
            if not len(mine):
                continue
            short = measure_short(view, crests.take(mine), replace(known.take(mine), is_noisy=noisy))
            passed[mine] = short.row_of >= 0
            rows = short.rows
            if noisy:
                n_compared = [self._proven[sign].n_compared for sign in rows["sign"].tolist()]
                rows.columns["n_compared"] = np.array(n_compared, dtype=float)
            elif len(rows):
                rows = fit_at(view, rows, crests.sample[mine[short.first_of]])
            parts.append(rows)
        return join(parts), passed

    def agrees(self, split: Split, fitted: Candidates, found: list[Candidates]) -> bool:
        """Whether what went the long way bears the short way out; if not, it closes.

        Parameters
        ----------
        split : of the stretch
        fitted : all rows that the long way gave, those on the short way's half-cycles among them
        found : all rows of the stretch
        """
        every = join(found)
        is_odd = ~stands_at_level(every) | (every["on_course"] > 0)
        plain = find_plain(every)
        n_elsewhere = int(np.count_nonzero(is_odd))
        for sign, rail in split.rails.items():
            mine = np.flatnonzero(plain & (every["sign"] == sign) & ~is_odd)
            expected_v = rail.predict(every.supply[mine], every.output[mine])
            some = every.take(mine)
            off_v = np.abs(some["level_v"] - expected_v) - slack_of(some) - split.tolerance_v[sign]
            n_elsewhere += int(np.count_nonzero(off_v > FAR_SHARE * expected_v))
        checked_s = np.floor(split.rows["start_s"]) % CHECK_EVERY
        checked = split.rows.take(checked_s == 0)
        n_twins = int(np.count_nonzero(_overlaps(checked, fitted)))
        is_borne_out = n_elsewhere <= max(FEWEST_ELSEWHERE, ELSEWHERE_SHARE * len(split.rows))
        if len(checked) >= FEWEST_CHECKED:
            is_borne_out &= n_twins >= LEAST_AGREE * len(checked)
        if not is_borne_out:
            self.close()
        return is_borne_out

    def close(self) -> None:
        """Forget what was proven: what comes goes the long way until it is proven anew."""
        self._proven.clear()
        self._plain.clear()

    def learn(self, view: View, crests: Crests, found: list[Candidates], is_ahead_of_capacitor: bool) -> None:
        """Take in a stretch that went the long way, and open the short way where it serves.

        Parameters
        ----------
        view, crests : the stretch and all its crests
        found : the rows that it gave
        is_ahead_of_capacitor : whether they were looked for there
        """
        table = join(found)
        is_odd = ~stands_at_level(table) | (table["on_course"] > 0) | (table["stay_v"] > 0)
        if is_ahead_of_capacitor or np.count_nonzero(is_odd) > MOST_OTHERWISE * len(table):
            self.close()
            return
        plain = find_plain(table) & ~is_odd
        for sign in {1.0, -1.0} - set(self._proven):
            mine = table.take(plain & (table["sign"] == sign))
            kept = join([self._plain[sign], mine]) if sign in self._plain else mine
            self._plain[sign] = kept.take(np.arange(max(0, len(kept) - MOST_PLAIN), len(kept)))
        sides = [(some, np.ones(len(some), dtype=bool)) for some in self._plain.values()]
        if any(lies_at_many_levels(*side) for side in sides) or is_source_for_sure(sides):
            self.close()
            return
        for sign, some in self._plain.items():
            if sign in self._proven:
                continue
            proven = self._prove(view, sign, crests.take(crests.sign == sign), some, table)
            if proven is not None:
                self._proven[sign] = proven

    @staticmethod
    def _prove(view: View, sign: float, crests: Crests, plain: Candidates, table: Candidates) -> Proven | None:
        if len(plain) < FEWEST_PLAIN:
            return None
        rail = learn_rail(plain["level_v"], plain.supply, plain.output)
        if rail is None or rail.spread_v > WIDEST_SPREAD * float(np.median(plain["level_v"])):
            return None
        level_v = float(np.median(plain["level_v"]))
        top_sd_v = _scatter(view, sign, plain, LEAST_TOP_SHARE * level_v)
        if top_sd_v is None:
            return None
        tolerance_v = max(TOLERANCE_SPREADS * rail.spread_v, TOLERANCE_SD * top_sd_v, TOLERANCE_SHARE * level_v)
        supply_v = rail.supply_of(plain.supply)
        proven = Proven(rail, top_sd_v, tolerance_v, (float(supply_v.min()), float(supply_v.max())), level_v, 0)
        n_compared = _compare(view, sign, crests, table, proven)
        return None if n_compared is None else replace(proven, n_compared=n_compared)


def _is_noisy(view: View, proven: Proven) -> bool:
    return view.noise_v > NOISY_SHARE * proven.level_v


def _lowest(rail: Rail, view: View) -> float:
    """No ceiling lies lower in the stretch."""
    lowest_supply_v, highest_output_v = view.lagged.extremes()
    return rail.constant_v + rail.per_supply_v * lowest_supply_v + rail.per_output_v * highest_output_v


def _is_unseen(proven: Proven, supply_v: FloatArray) -> BoolArray:
    """(n,) which crests lie at a supply beyond those at which the ceiling was seen."""
    low_v, high_v = proven.supply_v
    spare_v = max(SUPPLY_SPARE * (high_v - low_v), LEAST_SPARE_V)
    now_v = proven.rail.supply_of(supply_v)
    return np.asarray((now_v < low_v - spare_v) | (now_v > high_v + spare_v))


def _scatter(view: View, sign: float, plain: Candidates, least_v: float) -> float | None:
    """What samples on plain plateaus of this stretch scatter about their lines; None where too few are long enough."""
    stretch = view.stretch
    start, stop = (
        plain[name] * stretch.rate_hz - stretch.first_index - stretch.phase for name in ("start_s", "stop_s")
    )
    first, last = np.ceil(start).astype(np.intp), np.floor(stop).astype(np.intp)
    whole = (last - first + 1 >= ROUNDED_FROM) & (first >= 0) & (last < len(stretch.output_v))
    if np.count_nonzero(whole) < FEWEST_TOPS:
        return None
    first, last = first[whole], last[whole]
    variance = measure_tops(stretch.output_v, np.full(len(first), sign), first, last).variance_v2
    return max(float(np.sqrt(np.quantile(variance, TOP_QUANTILE))), least_v)


def _compare(view: View, sign: float, crests: Crests, table: Candidates, proven: Proven) -> int | None:
    """On how many half-cycles of a stretch both ways agree; None where they do not."""
    crests = crests.take(crests.level_v >= LOWEST_SHARE * _lowest(proven.rail, view))
    supply_v, output_v = view.lagged.at(crests.sample.astype(float))
    expected_v = proven.rail.predict(supply_v, output_v)
    same = np.ones(len(crests))
    ceiling = Ceiling(expected_v, proven.top_sd_v * same, proven.tolerance_v * same, _is_noisy(view, proven))
    short = measure_short(view, crests, ceiling).rows
    mine = np.flatnonzero((table["sign"] == sign) & might_be_plateaus(table))
    mine = mine[(table["gain"][mine] >= AT_RAIL_GAIN) | (table["is_coarse"][mine] > 0)]
    mine = mine[np.argsort(table["start_s"][mine], kind="stable")]
    if len(short) < FEWEST_TWINS or len(mine) < FEWEST_TWINS:
        return None
    middle_s = (short["start_s"] + short["stop_s"]) / 2
    at = mine[np.maximum(np.searchsorted(table["start_s"][mine], middle_s) - 1, 0)]
    has_twin = (table["start_s"][at] <= middle_s) & (table["stop_s"][at] >= middle_s)
    if np.count_nonzero(has_twin) < max(FEWEST_TWINS, LEAST_TWINS * len(short)):
        return None
    both = np.flatnonzero(has_twin & (table["is_coarse"][at] == 0))
    if len(both) < FEWEST_TWINS:
        return None
    apart_db = _overdrive_db(short)[both] - _overdrive_db(table)[at[both]]
    sd_db = 20 / np.log(10) * table["crest_sd_v"][at[both]] / np.maximum(table["crest_v"][at[both]], 1e-9)
    stated_db = float(np.median(sd_db))
    if abs(float(np.median(apart_db))) > max(MOST_BIAS_DB, BIAS_SD * stated_db):
        return None
    if float(np.median(np.abs(apart_db))) > max(MOST_APART_DB, APART_SD * stated_db):
        return None
    return len(both)


def _overdrive_db(table: Candidates) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(table["crest_v"], table["level_v"]) / table["level_v"]))


def _overlaps(rows: Candidates, others: Candidates) -> BoolArray:
    """(n,) which rows overlap one of the others of their polarity in time."""
    found = np.zeros(len(rows), dtype=bool)
    for sign in (1.0, -1.0):
        theirs = np.flatnonzero(others["sign"] == sign)
        mine = np.flatnonzero(rows["sign"] == sign)
        if not len(theirs) or not len(mine):
            continue
        theirs = theirs[np.argsort(others["start_s"][theirs], kind="stable")]
        latest_s = np.maximum.accumulate(others["stop_s"][theirs])
        before = np.searchsorted(others["start_s"][theirs], rows["stop_s"][mine]) - 1
        found[mine] = (before >= 0) & (latest_s[np.maximum(before, 0)] > rows["start_s"][mine])
    return found
