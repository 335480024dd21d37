"""From one stretch of output to a compact table of what might be a clipped half-cycle, and of what surely is none.

A candidate is a crest on which flanks-and-line fits better than one smooth curve; it is fitted again at three window
widths, since a wide window is strongest on a tone and a narrow one on music, and the widest that fits is kept.

Gaps: half-cycles cut off by a gap are counted, not tested.
Limits: see `lobes` and `lobe_fit`.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_coarse import measure_coarsely
from ampwitness.detect.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S, Stretch
from ampwitness.detect.lobe_fit import LobeFit, fit_lobes
from ampwitness.detect.lobes import Lobes, find_lobes, test_flatness
from ampwitness.detect.overdrive import Corners, extrapolate_crests
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

SCREEN_GAIN = 8.0  # residual squares, in noise variances, that a candidate must save
LOWEST_CREST_IN_NOISE = 15.0
NEAR_TOP_SHARE = 0.5  # of the highest value in the stretch; no rail sinks further within seconds and still is one
SHORT_WINDOW = 28  # samples
STAYS_SHARE = 0.28  # of its window that a crest spends within 4 % of its height; a sine spends 0.23
WIDTHS = (2.5, 1.3, 0.7)  # of the flanks that are fitted, in plateau lengths
SHORTEST_FLANK_S = 0.0006
LEAST_SLOPE_RATIO = 0.15  # of the flatter flank to the mean of both
FAILED_MISFIT = 25.0
PART_SHARE = 0.6
COARSE_CORNER_SD_S = 1e-4
FITS_WELL = 2.2  # reduced chi-square up to which the widest window is kept
CREST_STEP_S = 0.25  # one highest unclipped crest is kept for each of these

FIELDS: tuple[str, ...] = (
    "sign", "start_s", "stop_s", "level_v", "tilt_v_per_s", "crest_v", "crest_sd_v", "flank_v_per_s",
    "flatter_flank_ratio", "gain", "narrow_gain", "misfit", "top_misfit", "n_top", "n_points", "noise_v",
    "start_sd_s", "stop_sd_s", "peak_v", "supply_v", "window_s", "is_coarse",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidates:
    """Columns of numbers, one row a candidate, and the lagged quantities beside them."""

    columns: dict[str, FloatArray]
    supply: FloatArray  # (n, supply lags), NaN where there is none
    output: FloatArray  # (n, output lags)

    def __len__(self) -> int:
        return len(self.columns["sign"])

    def __getitem__(self, name: str) -> FloatArray:
        return self.columns[name]

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray) -> Candidates:
        return Candidates(
            {name: column[chosen] for name, column in self.columns.items()}, self.supply[chosen], self.output[chosen]
        )


def join(parts: list[Candidates]) -> Candidates:
    """One table from many."""
    if not parts:
        return Candidates(
            {name: np.zeros(0) for name in FIELDS}, np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        )
    return Candidates(
        {name: np.concatenate([part[name] for part in parts]) for name in FIELDS},
        np.concatenate([part.supply for part in parts]),
        np.concatenate([part.output for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class Crests:
    """The highest crest of each quarter second and polarity that was no candidate: what refutes a rail below it."""

    sign: FloatArray
    time_s: FloatArray
    level_v: FloatArray
    supply: FloatArray
    output: FloatArray


def _lagged_at(stretch: Stretch, sample: FloatArray) -> tuple[FloatArray, FloatArray]:
    at = np.clip(np.round(sample).astype(np.intp), 0, len(stretch.output_v) - 1)
    output = stretch.lagged_output_v[:, at].T
    if stretch.lagged_supply_v is None:
        return np.full((len(at), len(SUPPLY_LAGS_S)), np.nan), output
    return stretch.lagged_supply_v[:, at].T, output


def look_at(
    stretch: Stretch, noise_v: float, blocked: npt.NDArray[np.bool_]
) -> tuple[list[Candidates], list[Crests], list[tuple[float, float]]]:
    """Find candidates in a stretch.

    Parameters
    ----------
    stretch : samples with margins
    noise_v : noise of one sample
    blocked : (n_samples,) True where the logger's own converter was at its rail

    Returns
    -------
    Candidates, highest other crests, and the spans (s) of half-cycles that a gap cut off, for both polarities.
    """
    candidates, crests, cut = [], [], []
    for sign in (1.0, -1.0):
        volts = sign * stretch.output_v
        lobes = find_lobes(volts, stretch.rate_hz, noise_v, LOWEST_CREST_IN_NOISE * noise_v)
        own = (lobes.crest >= stretch.own_first) & (lobes.crest < stretch.own_last)
        if blocked.any():
            total = np.concatenate(([0], np.cumsum(blocked)))
            own &= total[np.minimum(lobes.last, len(volts))] == total[lobes.first]
        lobes = lobes.take(own)
        for k in np.flatnonzero(lobes.is_cut):
            times = stretch.time_s(np.array([lobes.first[k], lobes.last[k]], dtype=float))
            cut.append((float(times[0]), float(times[1])))  # type: ignore[index]
        lobes = lobes.take(~lobes.is_cut)
        if not len(lobes):
            continue
        might_be = lobes.level_v >= NEAR_TOP_SHARE * float(np.max(volts[~blocked], initial=0.0))
        high = lobes.take(might_be)
        looks_cut, start, stop = _screen(volts, high, noise_v)
        if not looks_cut.all():
            left_over = _measure_rest(stretch, sign, volts, high.take(~looks_cut), noise_v)
            if left_over is not None:
                candidates.append(left_over)
        might_be[might_be] = looks_cut
        if might_be.any():
            chosen = lobes.take(might_be)
            candidates.append(_measure(stretch, sign, volts, chosen, start[looks_cut], stop[looks_cut], noise_v))
        if not might_be.all():
            crests.append(_highest(stretch, sign, lobes.take(~might_be)))
    return candidates, crests, cut


def _screen(volts: FloatArray, lobes: Lobes, noise_v: float) -> tuple[npt.NDArray[np.bool_], FloatArray, FloatArray]:
    """Which crests look cut off, in the wide or the narrow window, and where the corners seem to be."""
    might_be = np.zeros(len(lobes), dtype=bool)
    start, stop = np.zeros(len(lobes)), np.zeros(len(lobes))
    best = np.full(len(lobes), SCREEN_GAIN)
    for view in (lobes, lobes.narrowed()):
        test = test_flatness(volts, view)
        variance = np.maximum(noise_v**2 / test.averaged, test.flat_rss_v2 / np.maximum(test.n_points - 10, 2))
        gain = (test.smooth_rss_v2 - test.flat_rss_v2) / variance
        better = gain > best
        might_be |= better
        best = np.where(better, gain, best)
        start = np.where(better, view.first + test.corner_left, start)
        stop = np.where(better, view.first + test.corner_right, stop)
    # Short crests with steep flanks ring at their corners, which the screen does not know of: let the fit decide.
    near_first, near_last = lobes.near_first, lobes.near_last
    length = lobes.last - lobes.first
    stays = near_last - near_first
    short = ~might_be & (length <= SHORT_WINDOW) & (stays >= 2.2) & (stays >= STAYS_SHARE * length)
    return might_be | short, np.where(short, near_first, start), np.where(short, near_last, stop)


def _highest(stretch: Stretch, sign: float, lobes: Lobes) -> Crests:
    """The highest of the lobes in each step of time."""
    time_s = np.asarray(stretch.time_s(lobes.crest.astype(float)))
    step = np.floor(time_s / CREST_STEP_S)
    order = np.lexsort((-lobes.level_v, step))
    first = order[np.unique(step[order], return_index=True)[1]]
    supply, output = _lagged_at(stretch, lobes.crest[first].astype(float))
    return Crests(np.full(len(first), sign), time_s[first], lobes.level_v[first], supply, output)


def _fit_best_width(
    stretch: Stretch, volts: FloatArray, lobes: Lobes, start: FloatArray, stop: FloatArray, noise_v: float
) -> tuple[LobeFit, FloatArray, FloatArray]:
    """Fit at each width, from the screen's corners and from how long the wave stays close under its crest.

    Keeps the first that fits well, else the one that fits best. Returns fits, misfits, and the most that a narrow
    window gained."""
    kept: dict[str, npt.NDArray[np.generic]] | None = None
    n = len(lobes)
    misfit, best, gain = np.zeros(n), np.full(n, np.inf), np.zeros(n)
    guesses = (
        (start, stop, WIDTHS),
        (lobes.run_first, lobes.run_last, WIDTHS[1:]),
        (lobes.wide_run_first, lobes.wide_run_last, WIDTHS),
    )
    for guess_start, guess_stop, widths in guesses:
        for width in widths:
            rows = np.flatnonzero(best > FITS_WELL) if width != WIDTHS[-1] else np.arange(n)
            if not len(rows):
                continue
            flank = np.maximum(width * (guess_stop - guess_start)[rows], SHORTEST_FLANK_S * stretch.rate_hz)
            first = np.maximum(lobes.first[rows], np.floor(guess_start[rows] - flank).astype(np.intp))
            last = np.minimum(lobes.last[rows], np.ceil(guess_stop[rows] + flank).astype(np.intp) + 1)
            fit = fit_lobes(volts, first, last, guess_start[rows], guess_stop[rows])
            chi = fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2) * fit.averaged / noise_v**2
            if width == WIDTHS[-1]:
                gained = (fit.smooth_rss_v2 - fit.flat_rss_v2) * fit.averaged / (np.maximum(chi, 1) * noise_v**2)
                gain[rows] = np.maximum(gain[rows], gained)
            # A window in which one flank does not fall holds one corner only, however well it fits.
            one_sided = fit.lower_slope_v() < LEAST_SLOPE_RATIO * fit.mean_slope_v()
            cost = np.where(one_sided, chi * 1e3, chi)
            if kept is None:
                kept = {name: np.array(getattr(fit, name)) for name in LobeFit.__slots__}
                misfit, best = chi, cost
                continue
            better = (best[rows] > FITS_WELL) & (cost < best[rows])
            for name, column in kept.items():
                column[rows[better]] = getattr(fit, name)[better]
            misfit[rows[better]], best[rows[better]] = chi[better], cost[better]
    assert kept is not None
    return LobeFit(**kept), misfit, gain  # type: ignore[arg-type]


def _measure(
    stretch: Stretch, sign: float, volts: FloatArray, lobes: Lobes, start: FloatArray, stop: FloatArray, noise_v: float
) -> Candidates:  # fmt: skip
    """Everything that is kept of a candidate."""
    fit, misfit, narrow_gain = _fit_best_width(stretch, volts, lobes, start, stop, noise_v)
    rate = stretch.rate_hz
    variance = np.maximum(noise_v**2 / fit.averaged, fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2))
    point_sd = np.sqrt(variance)
    crest = extrapolate_crests(
        Corners(
            fit.stop - fit.start, fit.level_v, fit.slope_left_v, fit.slope_right_v, fit.curvature_v,
            fit.slope_sd * point_sd, fit.curvature_sd * point_sd, fit.correlation,
        )
    )  # fmt: skip
    middle = (fit.start + fit.stop) / 2
    supply, output = _lagged_at(stretch, middle)
    slope = fit.mean_slope_v()
    n = len(lobes)
    columns: dict[str, FloatArray] = {
        "sign": np.full(n, sign),
        "start_s": np.asarray(stretch.time_s(fit.start)),
        "stop_s": np.asarray(stretch.time_s(fit.stop)),
        "level_v": fit.level_v,
        "tilt_v_per_s": fit.tilt_v * rate,
        "crest_v": crest.crest_v,
        "crest_sd_v": crest.sd_v,
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": fit.lower_slope_v() / np.maximum(np.abs(slope), 1e-12),
        "gain": (fit.smooth_rss_v2 - fit.flat_rss_v2) / variance,
        "narrow_gain": narrow_gain,
        "misfit": misfit,
        "top_misfit": fit.top_rss_v2 / np.maximum(fit.n_top - 1, 1) * fit.averaged / noise_v**2,
        "n_top": (fit.stop - fit.start),
        "n_points": fit.n_points.astype(float),
        "noise_v": np.full(n, noise_v),
        "start_sd_s": fit.start_sd * point_sd / rate,
        "stop_sd_s": fit.stop_sd * point_sd / rate,
        "peak_v": lobes.level_v,
        "supply_v": _mean_supply(stretch, fit.start, fit.stop),
        "window_s": (lobes.last - lobes.first) / rate,
        "is_coarse": np.zeros(n),
    }
    failed = (fit.lower_slope_v() < LEAST_SLOPE_RATIO * slope) | (misfit > FAILED_MISFIT) | (columns["gain"] < 12)
    return _with_coarse(stretch, sign, volts, lobes, Candidates(columns, supply, output), failed)


def _measure_rest(
    stretch: Stretch, sign: float, volts: FloatArray, lobes: Lobes, noise_v: float
) -> Candidates | None:  # fmt: skip
    """Rows for high crests that the screen let go but that look flat all the same."""
    flat = measure_coarsely(volts, lobes).is_flat
    if not flat.any():
        return None
    lobes = lobes.take(flat)
    n = len(lobes)
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {"sign": np.full(n, sign), "noise_v": np.full(n, noise_v), "peak_v": lobes.level_v,
                "window_s": (lobes.last - lobes.first) / stretch.rate_hz}  # fmt: skip
    supply, output = _lagged_at(stretch, lobes.crest.astype(float))
    return _with_coarse(stretch, sign, volts, lobes, Candidates(columns, supply, output), np.ones(n, dtype=bool))


def _with_coarse(
    stretch: Stretch, sign: float, volts: FloatArray, lobes: Lobes, table: Candidates, failed: npt.NDArray[np.bool_]
) -> Candidates:  # fmt: skip
    """Replace rows whose fit failed, or that cover but a part of the plateau, by the coarse measurement."""
    coarse = measure_coarsely(volts, lobes)
    rate = stretch.rate_hz
    part = table["n_top"] < PART_SHARE * (coarse.stop - coarse.start)
    rows = coarse.is_flat & (failed | part)
    if not rows.any():
        return table
    start, stop = coarse.start[rows], coarse.stop[rows]
    slope = (coarse.slope_left_v + coarse.slope_right_v)[rows] / 2
    values = {
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "level_v": coarse.level_v[rows],
        "tilt_v_per_s": coarse.tilt_v[rows] * rate,
        "crest_v": coarse.crest_v[rows],
        "crest_sd_v": 0.4 * (coarse.crest_v - coarse.level_v)[rows],
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": np.minimum(coarse.slope_left_v, coarse.slope_right_v)[rows] / slope,
        "gain": np.zeros(len(start)),
        "narrow_gain": np.zeros(len(start)),
        "misfit": np.zeros(len(start)),
        "top_misfit": np.zeros(len(start)),
        "n_top": stop - start,
        "start_sd_s": np.full(len(start), COARSE_CORNER_SD_S),
        "stop_sd_s": np.full(len(start), COARSE_CORNER_SD_S),
        "supply_v": _mean_supply(stretch, start, stop),
        "is_coarse": np.ones(len(start)),
    }
    for name, column in values.items():
        table.columns[name][rows] = column
    table.supply[rows], table.output[rows] = _lagged_at(stretch, (start + stop) / 2)
    return table


def _mean_supply(stretch: Stretch, start: FloatArray, stop: FloatArray) -> FloatArray:
    if stretch.supply_v is None:
        return np.full(len(start), np.nan)
    low = np.clip(np.floor(start).astype(np.intp), 0, len(stretch.supply_v) - 1)
    high = np.clip(np.ceil(stop).astype(np.intp) + 1, low + 1, len(stretch.supply_v))
    return np.array([float(np.mean(stretch.supply_v[a:b])) for a, b in zip(low, high, strict=True)])
