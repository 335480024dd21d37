"""Rows of the candidates' table from a plain measurement: two crossings, a level, two flanks.

Every second look (short shelves, soft ceilings, moving ones, current limits) measures so and says the rest with it.

Gaps: works inside one stretch.
Limits: no fit stands behind such rows: gain and misfit stay 0, `is_coarse` is 1.
Source: our choice.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, OneSide, lean_of
from ampwitness.types import FloatArray

CREST_SD_SHARE = 0.4  # of what the crest is above the level


def rows_of(
    side: OneSide, start: FloatArray, stop: FloatArray, level_v: FloatArray, crest_v: FloatArray,
    slope_left: FloatArray, slope_right: FloatArray, peak_v: FloatArray, corner_sd_s: float,
    at: FloatArray | None = None, **more: FloatArray | float,
) -> Candidates:  # fmt: skip
    """Rows for n plateaus of one polarity.

    Parameters
    ----------
    side : the stretch and the polarity
    start, stop : (n,) corners, in samples of the stretch
    level_v, crest_v, peak_v : (n,) the plateau, the crest that the flanks promise, the highest sample; sign-turned
    slope_left, slope_right : (n,) flanks, volts a sample, positive where they fall away from the top
    corner_sd_s : how well the corners are known
    at : (n,) sample at which the lagged quantities are read; None: midway
    more : further columns
    """
    stretch, n = side.stretch, len(start)
    slope = (slope_left + slope_right) / 2
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "level_v": level_v,
        "crest_v": crest_v,
        "crest_sd_v": CREST_SD_SHARE * (crest_v - level_v),
        "flank_v_per_s": slope * stretch.rate_hz,
        "flatter_flank_ratio": np.minimum(slope_left, slope_right) / np.maximum(slope, 1e-12),
        "lean": lean_of(slope_left, slope_right),
        "n_top": stop - start,
        "peak_v": peak_v,
        "supply_v": side.lagged.mean_supply(start, stop),
    }
    same = {
        "sign": side.sign,
        "noise_v": side.noise_v,
        "start_sd_s": corner_sd_s,
        "stop_sd_s": corner_sd_s,
        "is_coarse": 1.0,
        "lively": liveliness_of(side),
    }
    columns |= {name: np.full(n, value) for name, value in same.items()}
    columns |= {name: np.broadcast_to(value, n).astype(float) for name, value in more.items()}
    return Candidates(columns, *side.lagged.at((start + stop) / 2 if at is None else at))


def liveliness_of(side: OneSide) -> float:
    """Of the stretch, 0 for bass to 1 for full-range music; the same in all its rows."""
    return side.view.lively
