"""A ceiling behind a capacitor: plateaus that all fall at one rate, as the charge on a coupling capacitor rises.

An output behind a capacitor, or a signal cut off in the source and then taken through one, is a cut-off wave less the
mean that the capacitor holds back:

    d held / dt = output / tau,     output = cut-off - held

While the cut-off wave stands still the output falls by its own size over tau, whatever that size is. A rail that sinks
with its supply can look the same: then the supply is seen to fall by as much. Where many plateaus agree about tau, and
the supply does not explain it, what the capacitor held back is added again (a sum over the output), and the look for
clipped half-cycles is taken at the wave ahead of the capacitor.

Gaps: works inside one stretch.
Limits: each stretch learns its capacitor by itself. What it holds back more slowly than SLOWEST_HZ is not known, and
moves the level of all plateaus around by a little. A square note through a capacitor looks the same.
Source: a first-order high-pass and its inverse; the search is our choice, measured by `python -m
ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import find_pile, might_be_plateaus
from ampwitness.detect.clips.ceiling.clip_plain import PLAIN_GAIN, find_plain, misfit_allows
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide, join
from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import follow

FEWEST = 8  # plateaus
SLOWEST_PER_S, FASTEST_PER_S = 10.0, 200.0  # 1 / tau: 1.6 to 32 Hz
LEAST_GAIN, LEAST_FLAT_S, LEAST_FLANK_RATIO = 20.0, 0.0006, 0.2
MOST_SPREAD = 0.09  # of 1 / tau, middle deviation; rails that tilt scattered by 0.14 and more
SIDES_AGREE, LEAST_SIDE = 0.15, 0.2  # a polarity that shows next to none says nothing
HIGH_SHARE = 0.8  # of the highest crests: those that may have been cut off
MOST_CRESTS = 600
LEAD_S, PART_S = 0.0002, 0.00035  # behind a crest three parts of this length are compared
PARTS_AGREE, PARTS_SD = 0.1, 2.0
MOST_SD = 0.4
WINDOW, FEWEST_ALIKE, LEAST_ALIKE = 1.2, 6, 0.15  # falls that agree to a fifth: so many, and so much of the high crests
FEWEST_PLAIN, TIMES_PLAIN = 4, 3
SLOWEST_HZ = 0.1
FLANK_S = 0.0005  # over which the change of what is held back counts as that at a corner
RESERVOIRS_S = (0.0005, 0.0007, 0.001, 0.0014, 0.002, 0.0028, 0.004)  # time constants of a rail's own capacitors
LEAST_OF_SUPPLY, MOST_OF_SUPPLY = 0.8, 1.3  # a top's fall to its supply's, both as shares of themselves
TIMES_SCATTER = 1.5  # tops may scatter about the supply's fall, to how they scatter about one rate


def find_coupling(parts: list[Candidates]) -> float | None:
    """The capacitor (1 / tau, per second) that the candidates of a stretch agree about; None if they do not.

    Parameters
    ----------
    parts : candidates of a stretch, both polarities
    """
    table = _take_sure(parts)
    if len(table) < FEWEST:
        return None
    per_s = _falls_of(table)
    middle = float(np.median(per_s))
    if not SLOWEST_PER_S <= middle <= FASTEST_PER_S:
        return None
    if float(np.median(np.abs(per_s - middle))) > MOST_SPREAD * middle:
        return None
    for sign in (1.0, -1.0):
        side = per_s[table["sign"] == sign]
        if len(side) >= LEAST_SIDE * len(table) and abs(float(np.median(side)) - middle) > SIDES_AGREE * middle:
            return None
    return middle


def _take_sure(parts: list[Candidates]) -> Candidates:
    """Candidates whose fall is well measured."""
    table = join(parts)
    return table.take(
        (table["is_coarse"] == 0)
        & (table["gain"] >= LEAST_GAIN)
        & (table["stop_s"] - table["start_s"] >= LEAST_FLAT_S)
        & (table["flatter_flank_ratio"] > LEAST_FLANK_RATIO)
        & (table["flank_v_per_s"] > 0)
        & misfit_allows(table, PLAIN_GAIN)
    )


def _falls_of(table: Candidates) -> FloatArray:
    """(n,) how fast each plateau falls, as a share of itself, 1 / s."""
    return np.asarray(-table["tilt_v_per_s"] / np.maximum(table["level_v"], 1e-9))


def falls_with_supply(parts: list[Candidates], stretch: Stretch) -> bool:
    """Whether the plateaus fall as the supply does under them: a rail that follows it, through a reservoir or none.

    A rail falls in proportion to its lagged supply, and a little more by what is lost in the amplifier. Behind a
    capacitor the supply falls far less than the tops, or not at all."""
    table = _take_sure(parts)
    if stretch.supply_v is None or len(table) < FEWEST:
        return False
    per_s = _falls_of(table)
    scatter = float(np.median(np.abs(per_s - np.median(per_s))))
    edges_s = np.stack((table["start_s"], table["stop_s"]))
    places = np.clip(edges_s * stretch.rate_hz - stretch.first_index - stretch.phase, 0, len(stretch.supply_v) - 1)
    first, last = np.round(places).astype(np.intp)
    for lag_s in RESERVOIRS_S:
        lagged_v = follow(stretch.supply_v, float(np.exp(-1.0 / (stretch.rate_hz * lag_s))))
        supply_per_s = (lagged_v[first] / np.maximum(lagged_v[last], 1.0) - 1.0) / (edges_s[1] - edges_s[0])
        share = float(np.median(per_s)) / max(float(np.median(supply_per_s)), 1e-9)
        left = per_s - share * supply_per_s
        left_scatter = float(np.median(np.abs(left - np.median(left))))
        if LEAST_OF_SUPPLY <= share <= MOST_OF_SUPPLY and left_scatter <= TIMES_SCATTER * scatter:
            return True
    return False


def guess_coupling(sides: list[OneSide]) -> float | None:
    """The same from crests alone, for plateaus that fall too fast to become candidates: what to try, no proof.

    Behind a crest that was cut off the output falls at the same rate in each of three short parts; behind a round one
    it falls faster and faster."""
    falls, n_high = [], 0
    for side in sides:
        if len(side.crests):
            mine, n = _falls_behind_crests(side)
            falls.append(mine)
            n_high += n
    logs = np.sort(np.log(np.concatenate([*falls, np.zeros(0)])))
    if len(logs) < FEWEST_ALIKE:
        return None
    alike = np.searchsorted(logs, logs + np.log(WINDOW)) - np.arange(len(logs))
    first = int(np.argmax(alike))
    if alike[first] < max(FEWEST_ALIKE, LEAST_ALIKE * n_high):
        return None
    return float(np.exp(np.median(logs[first : first + alike[first]])))


def _falls_behind_crests(side: OneSide) -> tuple[FloatArray, int]:
    """Relative falls (1 / s) behind high crests that fall evenly, and how many high crests there are."""
    stretch, crests = side.stretch, side.crests
    rate, volts = stretch.rate_hz, stretch.output_v
    crests = crests.take(crests.level_v >= HIGH_SHARE * float(np.percentile(crests.level_v, 98)))
    crests = crests.take(np.arange(len(crests))[:: len(crests) // MOST_CRESTS + 1])
    n_part, lead = max(2, round(PART_S * rate)), max(1, round(LEAD_S * rate))
    at = np.clip(crests.sample[:, None] + lead + np.arange(3 * n_part)[None, :], 0, len(volts) - 1)
    means = np.maximum((volts[at] * side.sign).reshape(len(crests), 3, n_part).mean(axis=2), 1e-6)
    falls = np.log(means[:, :-1] / means[:, 1:]) * rate / n_part
    sd = side.noise_v * np.sqrt(6 / n_part) / means[:, 1] * rate / n_part
    mean = falls.mean(axis=1)
    even = np.abs(falls[:, 0] - falls[:, 1]) <= PARTS_SD * sd + PARTS_AGREE * mean
    known = (mean >= SLOWEST_PER_S) & (mean <= FASTEST_PER_S) & (sd < MOST_SD * mean)
    return np.asarray(mean[even & known]), len(crests)


def shows_more(ahead: list[Candidates], behind: list[Candidates]) -> bool:
    """Whether plateaus that are plain by themselves show ahead of a guessed capacitor that do not show behind it.

    Where tops pile up at one ceiling behind it and at none ahead of it, there is none: square notes that a high-pass
    tilts before an amplifier cuts off their tips become level ahead of it, each at a height of its own."""
    n_ahead, n_behind = (int(np.count_nonzero(find_plain(join(parts)))) for parts in (ahead, behind))
    if n_ahead < max(FEWEST_PLAIN, TIMES_PLAIN * n_behind):
        return False
    return _piles_up(ahead) or not _piles_up(behind)


def _piles_up(parts: list[Candidates]) -> bool:
    """Whether tops of either polarity pile up at one ceiling."""
    table = join(parts)
    sides = [table.take(table["sign"] == sign) for sign in (1.0, -1.0)]
    return any(find_pile(side, might_be_plateaus(side)) is not None for side in sides)


def held_back(volts: npt.NDArray[np.float32], rate_hz: float, per_s: float) -> FloatArray:
    """(n,) what the capacitor held back while it let `volts` (n,) through, less what moved below SLOWEST_HZ."""
    n = len(volts)
    padded = _quick_length(n + round(rate_hz / SLOWEST_HZ / 2))
    spectrum = np.fft.rfft(volts.astype(np.float64) - float(np.mean(volts, dtype=np.float64)), padded)
    hz = np.fft.rfftfreq(padded, 1 / rate_hz)
    spectrum *= per_s / (2j * np.pi) * hz / (hz**2 + SLOWEST_HZ**2)
    return np.asarray(np.fft.irfft(spectrum, padded)[:n])


def _quick_length(n: int) -> int:
    """The least product of twos, threes and fives that is not below n: transforms of such lengths are quick."""
    best, fives = 1 << (n - 1).bit_length(), 1
    while fives < best:
        odd = fives
        while odd < best:
            best = min(best, odd << (-(-n // odd) - 1).bit_length())
            odd *= 3
        fives *= 5
    return best


def undo(stretch: Stretch, held_v: FloatArray) -> Stretch:
    """The stretch ahead of the capacitor."""
    ahead_v = (stretch.output_v + held_v).astype(np.float32)
    return Stretch(
        stretch.rate_hz, stretch.first_index, stretch.phase, stretch.own_first, stretch.own_last, stretch.is_first,
        stretch.is_last, ahead_v, stretch.supply_v,
    )  # fmt: skip


def note_held(rows: Candidates, stretch: Stretch, held_v: FloatArray, *, by_wave: bool = False) -> None:
    """Write into rows what the capacitor held back in the middle of each plateau, and how fast that changed over it,
    turned to its polarity.

    by_wave : the cut-off wave itself caused it, as with a resistance: without a ceiling it would have been another.
        Then the crest is that of flanks at the terminals, where nothing was added to them.
    """
    middle_s = (rows["start_s"] + rows["stop_s"]) / 2
    place = np.round(middle_s * stretch.rate_hz - stretch.first_index - stretch.phase).astype(np.intp)
    rows.columns["held_v"] = rows["sign"] * held_v[np.clip(place, 0, len(held_v) - 1)]
    half = np.maximum(1, (rows["stop_s"] - rows["start_s"]) / 2 * stretch.rate_hz).astype(np.intp)
    ends = [np.clip(place + side * half, 0, len(held_v) - 1) for side in (-1, 1)]
    change = (held_v[ends[1]] - held_v[ends[0]]) / np.maximum(ends[1] - ends[0], 1)
    rows.columns["held_v_per_s"] = rows["sign"] * change * stretch.rate_hz
    if by_wave:
        rows.columns["crest_v"] = rows["crest_v"] + _crest_off_v(rows, stretch.rate_hz, held_v, ends)


def _crest_off_v(rows: Candidates, rate_hz: float, held_v: FloatArray, ends: list[npt.NDArray[np.intp]]) -> FloatArray:
    """(n,) by how much a sine through the corners at the terminals, plus what is held back in the middle, comes higher
    than one through the corners as they were looked at.

    ends : samples of the corners"""
    n = max(1, round(FLANK_S * rate_hz))
    corners = np.stack([held_v[end] for end in ends]) * rows["sign"]
    outer = np.stack([held_v[np.clip(end + side * n, 0, len(held_v) - 1)]
                      for side, end in zip((-1, 1), ends, strict=True)]) * rows["sign"]  # fmt: skip
    added = (corners - outer).mean(axis=0) / n
    slope, flat = rows["flank_v_per_s"] / rate_hz, (rows["stop_s"] - rows["start_s"]) * rate_hz
    there = sine_crest(np.maximum(slope - added, 1e-9), flat, np.maximum(rows["level_v"] - corners.mean(axis=0), 1e-6))
    here = sine_crest(np.maximum(slope, 1e-9), flat, np.maximum(rows["level_v"], 1e-6))
    return np.asarray(there - here + rows["held_v"])
