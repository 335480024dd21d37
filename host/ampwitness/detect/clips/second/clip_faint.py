"""A second look at crests that come just up to a known ceiling: cut off by hundredths of a decibel, or natural?

Where many plateaus have told the ceiling to a few hundredths of a volt, hardly a natural crest ends there by chance. So
crests level with it are fitted although the screen let them go; what the fit has to show may then be little.

Gaps: works inside one stretch.
Limits: needs a ceiling that plain plateaus, or a pile of others, show in the same stretch.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets bass`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import find_pile, might_be_plateaus, stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import AT_RAIL_GAIN, DOUBTFUL_GAIN, LIVELY, find_plain
from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.second.clip_promise import N_PLACES, Promises, Tops, measure_promises
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, View, lies_on_plateau
from ampwitness.detect.clips.table.clip_rows import rows_of
from ampwitness.detect.clips.table.clip_screen import Crests
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

MOST_PLAIN = 120
NEAR_SHARE = 0.006  # of the ceiling: how far above what is known of it so far a crest is still looked at,
BELOW_SD, ABOVE_SD = 1.5, 3.0  # and in noise of one sample
LEAST_SD = 1.0  # by which the flanks must lead above the ceiling
CORNER_SD_S = 2e-4


@dataclass(frozen=True, slots=True)
class FaintCrests:
    """Crests that come up to a ceiling, and where that lies by what is known so far, (n,) sign-turned volts."""

    side: OneSide
    crests: Crests
    ceiling_v: FloatArray


def find_faint(side: OneSide, known: Rail | None = None) -> FaintCrests | None:
    """The crests that come up to the ceiling which the candidates of a stretch show, and are no candidates yet.

    known : that ceiling, where it is; None: the candidates tell"""
    table, crests = side.candidates, side.crests
    rail = _rail_so_far(table) if known is None or not len(table) else known
    if rail is None or not len(crests):
        return None
    sure = table.take((table["is_coarse"] > 0) | (table["gain"] >= AT_RAIL_GAIN))
    # Means over long spans only for crests that can be near at all.
    lowest_v = (1 - 4 * NEAR_SHARE) * float(np.min(table["level_v"][might_be_plateaus(table)]))
    supply_v, output_v = side.lagged.extremes()
    least_v = rail.constant_v + rail.per_supply_v * supply_v + rail.per_output_v * output_v
    lowest_v = max(lowest_v, least_v - BELOW_SD * side.noise_v)
    crests = crests.take((crests.level_v >= lowest_v) & ~lies_on_plateau(side.stretch, crests, sure))
    expected = rail.predict(*side.lagged.at(crests.sample.astype(float)))
    off = crests.level_v - expected
    near = (off >= -BELOW_SD * side.noise_v) & (off <= NEAR_SHARE * expected + ABOVE_SD * side.noise_v)
    return FaintCrests(side, crests.take(near), expected[near])


def promised_rows(faint: list[FaintCrests], fitted: list[Candidates | None]) -> list[Candidates | None]:
    """Rows for faint crests that no fit holds, where the flanks lead above the ceiling.

    Parameters
    ----------
    faint : each of one polarity of a stretch
    fitted : what was fitted in that stretch
    """
    some = [_unfitted(one, rows) for one, rows in zip(faint, fitted, strict=True)]
    found = measure_promises([_tops(one.side.view, one.crests.sample, one.crests.sign) for one in some])
    return [_rows(one, promises) for one, promises in zip(some, found, strict=True)]


def _unfitted(faint: FaintCrests, fitted: Candidates | None) -> FaintCrests:
    """Those crests that no fit holds; none of full-range music."""
    is_open = np.full(len(faint.crests), faint.side.view.lively < LIVELY)
    if fitted is not None:
        is_open &= ~lies_on_plateau(faint.side.stretch, faint.crests, fitted)
    return FaintCrests(faint.side, faint.crests.take(is_open), faint.ceiling_v[is_open])


def _tops(view: View, sample: IntArray, sign: FloatArray) -> Tops:
    return Tops(view.stretch.output_v, view.stretch.rate_hz, sample, sign, view.noise_v)


def _rows(faint: FaintCrests, found: Promises) -> Candidates | None:
    """Rows where what the flanks promise lies above the ceiling."""
    crests, ceiling_v = faint.crests, faint.ceiling_v
    with np.errstate(invalid="ignore"):
        by_flanks = found.crest_v - ceiling_v >= LEAST_SD * found.sd_v
        rises = by_flanks | ((found.cut_below_v >= ceiling_v) & (found.likely_v > ceiling_v))
    if not rises.any():
        return None
    found, crests, ceiling_v, by_flanks = found.take(rises), crests.take(rises), ceiling_v[rises], by_flanks[rises]
    crest_v = np.where(by_flanks, found.crest_v, found.likely_v)
    shifted_v = np.where(by_flanks, 0.0, found.likely_v - found.crest_v)
    over = found.curve_v + shifted_v[:, None] * found.rises > ceiling_v[:, None]
    first, last = np.argmax(over, axis=1), N_PLACES - 1 - np.argmax(over[:, ::-1], axis=1)
    start, stop = found.first + (first - 0.5) * found.step, found.first + (last + 0.5) * found.step
    # A curve through both corners: what it falls beyond them is what it rises within.
    slope = 4 * (crest_v - ceiling_v) / (stop - start)
    return rows_of(
        faint.side, start, stop, ceiling_v, crest_v, slope, slope, crests.level_v, CORNER_SD_S, is_coarse=0.0,
        crest_sd_v=found.sd_v, promised_v=found.crest_v, promised_sd_v=found.sd_v, cut_below_v=found.cut_below_v,
    )  # fmt: skip


def note_promises(tables: list[tuple[View, Candidates]]) -> None:
    """Write into rows of little evidence what their flanks promise; tables with the stretch that each is of."""
    chosen = [_doubtful(view, rows) for view, rows in tables]
    tops = []
    for (view, rows), some in zip(tables, chosen, strict=True):
        stretch = view.stretch
        middle_s = (rows["start_s"][some] + rows["stop_s"][some]) / 2
        sample = np.round(middle_s * stretch.rate_hz - stretch.first_index - stretch.phase).astype(np.intp)
        tops.append(_tops(view, sample, rows["sign"][some]))
    for (_, rows), some, found in zip(tables, chosen, measure_promises(tops), strict=True):
        known = np.isfinite(found.sd_v)
        rows["promised_v"][some[known]] = found.crest_v[known]
        rows["promised_sd_v"][some[known]] = found.sd_v[known]
        rows["cut_below_v"][some[known]] = found.cut_below_v[known]


def _doubtful(view: View, rows: Candidates) -> IntArray:
    """Rows of little evidence of which it is not known yet; none of full-range music."""
    if view.lively >= LIVELY:
        return np.zeros(0, dtype=np.intp)
    is_doubtful = (rows["is_coarse"] == 0) & (rows["gain"] < DOUBTFUL_GAIN) & stands_at_level(rows)
    return np.flatnonzero(is_doubtful & (rows["promised_sd_v"] == 0))


def _rail_so_far(table: Candidates) -> Rail | None:
    plain = np.flatnonzero(find_plain(table))
    if len(plain):
        plain = plain[:: -(-len(plain) // MOST_PLAIN)]
        return learn_rail(table["level_v"][plain], table.supply[plain], table.output[plain])
    pile = find_pile(table, might_be_plateaus(table))
    return None if pile is None else pile.rail
