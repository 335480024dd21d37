"""Everything that is kept of a candidate: from its fit, or plainly from its crossings where no fit served.

Gaps: works inside one stretch.
Limits: see `overdrive` for the crest, `clip_coarse` for what the crossings tell.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.clip_coarse import measure_coarsely
from ampwitness.detect.clips.measure.clip_fits import FAILED_MISFIT
from ampwitness.detect.clips.measure.corner_search import LEAST_SLOPE_RATIO
from ampwitness.detect.clips.measure.lobe_fit import LobeFit
from ampwitness.detect.clips.measure.overdrive import Corners, extrapolate_crests, unlike_a_sine
from ampwitness.detect.clips.measure.plateau_windows import Windows
from ampwitness.detect.clips.table.clip_candidates import (
    AHEAD_NAMES,
    FIELDS,
    Candidates,
    View,
    lean_of,
    touches_blocked,
)
from ampwitness.detect.clips.table.clip_screen import Crests
from ampwitness.detect.clips.table.clip_stream import LaggedMeans, Stretch
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

PART_SHARE = 0.6  # of a plateau: a fit that covers less is replaced
PART_MISFIT = 3.0  # only fits this bad may cover but a part
COARSE_CORNER_SD_S = 1e-4
_ELSEWHERE = (
    "sharpness", "held_v", "held_v_per_s", "held_by", "top_kind", "limited", "stay_v", "promised_v", "promised_sd_v",
    "cut_below_v", "on_course", "n_compared", "source_says",
    "filled_v", "filled_sd_v", *AHEAD_NAMES,
)  # fmt: skip


def describe_fits(view: View, windows: Windows, fit: LobeFit, narrow_gain: FloatArray, fit_gain: float) -> Candidates:
    """Everything that is kept of a candidate; where the fit gains less than `fit_gain`, a plainer one serves."""
    stretch, lagged, noise_v = view.stretch, view.lagged, view.noise_v
    rate, n = stretch.rate_hz, len(windows)
    variance = np.maximum(noise_v**2 / fit.averaged, fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2))
    point_sd = np.sqrt(variance)
    misfit = fit.flat_rss_v2 / np.maximum(fit.n_points - 10, 2) * fit.averaged / noise_v**2
    corners = Corners(
        fit.stop - fit.start, fit.level_v, fit.slope_left_v, fit.slope_right_v, fit.curvature_v,
        fit.slope_sd * point_sd, fit.curvature_sd * point_sd, fit.correlation,
        fit.tilt_v,
    )  # fmt: skip
    crest = extrapolate_crests(corners, view.lively)
    supply, output = lagged.at((fit.start + fit.stop) / 2)
    slope = fit.mean_slope_v()
    columns: dict[str, FloatArray] = {
        "sign": windows.sign,
        "start_s": np.asarray(stretch.time_s(fit.start)),
        "stop_s": np.asarray(stretch.time_s(fit.stop)),
        "level_v": fit.level_v,
        "tilt_v_per_s": fit.tilt_v * rate,
        "crest_v": crest.crest_v,
        "crest_sd_v": crest.sd_v,
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": fit.lower_slope_v() / np.maximum(np.abs(slope), 1e-12),
        "lean": lean_of(fit.slope_left_v, fit.slope_right_v),
        "gain": (fit.smooth_rss_v2 - fit.flat_rss_v2) / variance,
        "narrow_gain": narrow_gain,
        "misfit": misfit,
        "top_misfit": fit.top_rss_v2 / np.maximum(fit.n_top - 1, 1) * fit.averaged / noise_v**2,
        "n_top": (fit.stop - fit.start),
        "n_points": fit.n_points.astype(float),
        "noise_v": np.full(n, noise_v),
        "start_sd_s": fit.start_sd * point_sd / rate,
        "stop_sd_s": fit.stop_sd * point_sd / rate,
        "peak_v": windows.level_v,
        "supply_v": lagged.mean_supply(fit.start, fit.stop),
        "window_s": (windows.n_left + windows.n_right + 1) * windows.averaged / rate,
        "is_coarse": np.zeros(n),
        "lively": np.full(n, view.lively),
        "unlike": unlike_a_sine(corners),
        **{name: np.zeros(n) for name in _ELSEWHERE},
    }
    failed = (fit.lower_slope_v() < LEAST_SLOPE_RATIO * slope) | (misfit > FAILED_MISFIT) | (columns["gain"] < fit_gain)
    return _with_coarse(stretch, lagged, windows.crest, Candidates(columns, supply, output), failed)


def measure_full(view: View, crests: Crests) -> Candidates | None:
    """Rows for crests that the screen let go but that stay long near their height all the same."""
    stretch, lagged, noise_v, blocked = view.stretch, view.lagged, view.noise_v, view.blocked
    n = len(crests)
    if not n:
        return None
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {"sign": crests.sign, "noise_v": np.full(n, noise_v), "peak_v": crests.level_v}
    columns["lively"] = np.full(n, view.lively)
    supply, output = lagged.at(crests.sample.astype(float))
    table = Candidates(columns, supply, output)
    table = _with_coarse(stretch, lagged, crests.sample, table, np.ones(n, dtype=bool))
    place = table["start_s"] * stretch.rate_hz - stretch.first_index - stretch.phase
    length = (table["stop_s"] - table["start_s"]) * stretch.rate_hz
    table = table.take((table["is_coarse"] > 0) & ~touches_blocked(blocked, place - length, place + 2 * length))
    return table if len(table) else None


def _with_coarse(
    stretch: Stretch, lagged: LaggedMeans, crest: IntArray, table: Candidates, failed: npt.NDArray[np.bool_]
) -> Candidates:
    """Replace rows whose fit failed, or that cover but a part of the plateau, by the coarse measurement."""
    rows = np.flatnonzero(failed | (table["misfit"] > PART_MISFIT))
    if not len(rows):
        return table
    coarse = measure_coarsely(
        stretch.output_v, stretch.rate_hz, crest[rows], table["sign"][rows], table["peak_v"][rows]
    )
    rate = stretch.rate_hz
    part = table["n_top"][rows] < PART_SHARE * (coarse.stop - coarse.start)
    chosen = coarse.is_flat & (failed[rows] | part)
    rows, coarse = rows[chosen], coarse.take(chosen)
    if not len(rows):
        return table
    start, stop = coarse.start, coarse.stop
    slope = (coarse.slope_left_v + coarse.slope_right_v) / 2
    zero = np.zeros(len(start))
    values = {
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "level_v": coarse.level_v,
        "tilt_v_per_s": coarse.tilt_v * rate,
        "crest_v": coarse.crest_v,
        "crest_sd_v": 0.4 * (coarse.crest_v - coarse.level_v),
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": np.minimum(coarse.slope_left_v, coarse.slope_right_v) / slope,
        "lean": lean_of(coarse.slope_left_v, coarse.slope_right_v),
        "gain": zero,
        "narrow_gain": zero,
        "misfit": zero,
        "top_misfit": zero,
        "n_top": stop - start,
        "start_sd_s": zero + COARSE_CORNER_SD_S,
        "stop_sd_s": zero + COARSE_CORNER_SD_S,
        "supply_v": lagged.mean_supply(start, stop),
        "is_coarse": zero + 1.0,
    }
    for name, column in values.items():
        table.columns[name][rows] = column
    table.supply[rows], table.output[rows] = lagged.at((start + stop) / 2)
    return table
