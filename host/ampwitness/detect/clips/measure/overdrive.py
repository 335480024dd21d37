"""How far past its ceiling a half-cycle was driven: what the crest would have been, from the flanks that are left.

Three things are known at the corners: the level L, the flanks' slope s and their curvature k. A sine about zero needs
two of them, s T / L = 2 phi tan(phi) with phi = w T / 2, and its curvature follows: k T / (2 s) = phi / tan(phi).
Flanks that bend more than that belong to a flatter crest, those that bend less to a higher one: of what an even curve
of fourth degree would make of the difference, a share is taken, the larger, the more of the wave is hidden.
For the uncertainty the crest is taken to be A cos(w t) + C; all phases phi are tried and weighed by how well they agree
with the curvature, given its uncertainty, and by how large an offset they ask for; the spread of their answers counts.

Gaps: works on numbers of one lobe, which never reaches over a gap.
Limits: what the flanks do not show cannot be known: a tone hidden wholly under the plateau is missed.
Source: our choice, measured in tests/detect_clipping; the closed form follows from y = L cos(w t) / cos(phi).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

OFFSET_SHARE = 0.06  # of the plateau's level: scale of the offset expected, with heavy tails
STEP_S = 0.0005
BASS_HZ, FULL_RANGE_HZ = 110.0, 220.0  # how fast bass and full-range music move, rms
AT_ONCE = 256  # plateaus: what is done with them stays in the processor's cache
LIVELY_SHARE = 0.4  # of the crest that full-range music does not reach
BENT_SHARE = 0.09  # of slope times half a plateau, for a difference of 1 in k T / (2 s); an even quartic's is 1/8
BENT_FROM, BENT_FULL, MOST_BENT = 0.4, 0.8, 1.2  # phases from which and at which it counts; the largest difference
BENT_SD = 0.3  # how far such differences lie apart: a curvature known no better tells half
USUAL_BENT = 0.5  # such differences are usual in music
LEAST_EXCESS = 0.2  # of a sine's
HIDDEN_DB = 3.0  # by which peaks of full-range music stand above what its flanks let expect,
HIDDEN_SD = 3.0  # and deviations of what looks like noise, where most of it is music
PHASES = np.concatenate(
    [np.geomspace(0.04, 0.5, 20, endpoint=False), np.linspace(0.5, 1.56, 45), np.linspace(1.57, 2.1, 8)]
)


@dataclass(frozen=True, slots=True)
class Corners:
    """What the fit knows about the two corners of n plateaus; volts sign-turned, times in samples."""

    flat: FloatArray  # from corner to corner
    level_v: FloatArray
    slope_left_v: FloatArray  # volts a sample, positive: falls away from the plateau
    slope_right_v: FloatArray
    curvature_v: FloatArray  # mean of both flanks, volts a sample squared, positive: bends down
    slope_sd_v: FloatArray  # of the mean slope
    curvature_sd_v: FloatArray
    correlation: FloatArray  # between the errors of mean slope and curvature
    tilt_v: FloatArray | float = 0.0  # of the plateau, volts a sample


@dataclass(frozen=True, slots=True)
class Crest:
    """What the crest would have been, (n,) each, sign-turned volts."""

    crest_v: FloatArray
    sd_v: FloatArray


def sine_crest(slope_v: FloatArray, flat: FloatArray, level_v: FloatArray) -> FloatArray:
    """Crest of a sine about zero with this plateau: slope at the corners (volts a sample), length (samples), level.

    Source: the closed form above, x tan x = half, solved by Newton's rule as x sin x = half cos x, which bends little;
    three steps from these starts leave less than 1e-8 of the crest."""
    half = np.maximum(slope_v * flat / level_v, 0.0) / 2
    x = np.where(half < 1, np.sqrt(half / (1 + half / 3)), np.pi / 2 * half / (half + 1))
    for _ in range(3):
        sine, cosine = np.sin(x), np.cos(x)
        x -= (x * sine - half * cosine) / np.maximum(sine * (1 + half) + x * cosine, 1e-12)
    return np.asarray(level_v / np.cos(np.minimum(x, np.pi / 2 - 1e-6)))


def measure_liveliness(volts: FloatArray, rate_hz: float) -> float:
    """0 for bass, 1 for full-range music: from how fast the waveform moves for its size.

    Parameters
    ----------
    volts : (n,) volts
    rate_hz : samples a second
    """
    step = max(1, round(STEP_S * rate_hz))
    thinned = volts[: len(volts) // step * step : step].astype(float)
    size = float(np.sqrt(thinned @ thinned / len(thinned))) if len(thinned) else 0.0
    if size <= 0 or len(thinned) < 2:
        return 0.0
    moved = np.diff(thinned)
    moved_hz = float(np.sqrt(moved @ moved / len(moved))) / size / (2 * np.pi * step / rate_hz)
    return float(np.clip((moved_hz - BASS_HZ) / (FULL_RANGE_HZ - BASS_HZ), 0.0, 1.0))


# By phase: k a / s of a cosine; its amplitude less its offset, and its excess, of slope times half the plateau; widths.
_SHAPE, _INNER, _EXCESS, _SPACING = (
    x.astype(np.float32)
    for x in (
        PHASES / np.tan(PHASES),
        1 / (PHASES * np.tan(PHASES)),
        (1 - np.cos(PHASES)) / (PHASES * np.sin(PHASES)),
        np.gradient(PHASES),
    )
)


def _spread(corners: Corners, slope_v: FloatArray, rows: slice, every: int) -> FloatArray:
    """(n,) variance of the excess over `every` so many phases, weighed by how well they agree with the curvature.

    In single precision: this says but how well the crest is known."""

    def column(values: FloatArray) -> FloatArray:
        return values.astype(np.float32)[:, None]

    shape, inner, whole, spacing = (one[::every] for one in (_SHAPE, _INNER, _EXCESS, _SPACING))
    half, slope = corners.flat[rows] / 2, slope_v[rows]
    # Slope and curvature err together; take out of the curvature what the slope's error explains.
    curvature_sd = np.maximum(corners.curvature_sd_v[rows], 1e-12)
    a, sd = slope / half, corners.slope_sd_v[rows] / half
    variance = column(sd**2 + (0.05 * a) ** 2) * shape
    variance -= column(2 * corners.correlation[rows] * curvature_sd * sd)
    variance *= shape
    variance += column(curvature_sd**2)
    np.maximum(variance, np.float32(1e-30), out=variance)
    score = column(a) * shape
    score -= column(corners.curvature_v[rows])
    score *= score
    score /= variance
    score += np.log(variance)
    score *= np.float32(0.5)
    offset = column(slope * half / (OFFSET_SHARE * corners.level_v[rows])) * inner
    offset -= np.float32(1 / OFFSET_SHARE)
    offset *= offset
    score += np.log1p(offset)
    score -= score.min(axis=1, keepdims=True)
    weight = np.exp(-score)
    weight *= spacing
    total = weight.sum(axis=1)
    excess = weight @ whole / total
    apart = np.maximum(weight @ whole**2 / total - excess**2, 0.0)
    return np.asarray(apart * (slope * half) ** 2, dtype=float)


def extrapolate_crests(corners: Corners, lively: float = 0.0, every: int = 1) -> Crest:
    """The crest that flanks like these belong to, and its standard deviation.

    lively : see `measure_liveliness`; the livelier, the lower is the crest that is likely under the same flanks
    every : how many phases count as one where the deviation is asked for; it need not be known as well as the crest
    """
    half = corners.flat / 2
    slope = np.maximum((corners.slope_left_v + corners.slope_right_v) / 2, 0.0)
    spread = np.concatenate(
        [np.zeros(0), *(_spread(corners, slope, slice(k, k + AT_ONCE), every) for k in range(0, len(slope), AT_ONCE))]
    )
    mean = _excess(corners, slope)
    from_slope = mean * corners.slope_sd_v / np.maximum(slope, 1e-12)
    # Flanks of unequal slope lean the crest over: an odd cubic that vanishes at both corners. Corners at two heights,
    # as under a ceiling that sinks, make flanks unequal by themselves: leaning is counted from the line between them.
    x = np.linspace(-1, 1, 33)[None, :]
    tilt = np.broadcast_to(corners.tilt_v * half, half.shape)
    lean = (corners.slope_left_v - corners.slope_right_v) / 2 * half - tilt
    top = np.max(mean[:, None] * (1 - x**2) - lean[:, None] * (x - x**3) / 2 + tilt[:, None] * x, axis=1)
    top = np.minimum(top, 1.5 * mean) * (1 - LIVELY_SHARE * lively)
    sd = np.sqrt(spread + from_slope**2 + (0.03 * mean) ** 2)
    return Crest(corners.level_v + top, sd)


def _excess(corners: Corners, slope_v: FloatArray) -> FloatArray:
    """(n,) volts by which an even crest with these corners goes beyond the plateau."""
    half, slope_v = corners.flat / 2, np.maximum(slope_v, 1e-12)
    excess = sine_crest(slope_v, corners.flat, corners.level_v) - corners.level_v
    phi = np.arccos(np.clip(corners.level_v / (corners.level_v + excess), 0.0, 1.0))
    bent = corners.curvature_v * half / slope_v - phi / np.tan(np.maximum(phi, 1e-3))
    doubt = corners.curvature_sd_v * half / slope_v / BENT_SD
    counts = np.clip((phi - BENT_FROM) / (BENT_FULL - BENT_FROM), 0.0, 1.5) / (1 + doubt**2)
    bent = np.clip(bent, -MOST_BENT, MOST_BENT) * counts
    return np.asarray(np.maximum(excess - BENT_SHARE * slope_v * half * bent, LEAST_EXCESS * excess))


def unlike_a_sine(corners: Corners) -> FloatArray:
    """(n,) by how many deviations flanks bend otherwise than those of a sine with such slopes."""
    half, slope_v = corners.flat / 2, np.maximum((corners.slope_left_v + corners.slope_right_v) / 2, 1e-12)
    crest_v = sine_crest(slope_v, corners.flat, corners.level_v)
    phi = np.arccos(np.clip(corners.level_v / crest_v, 0.0, 1.0))
    bent = corners.curvature_v * half / slope_v - phi / np.tan(np.maximum(phi, 1e-3))
    return np.asarray(np.abs(bent) / np.hypot(USUAL_BENT, corners.curvature_sd_v * half / slope_v))


def overdrive_interval(
    overdrive_db: FloatArray | float,
    sd_db: FloatArray | float,
    lively: FloatArray | float,
    is_coarse: npt.NDArray[np.bool_] | bool,
    unlike_db: FloatArray | float = 0.0,
    noise_share: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Low and high bounds, dB, that hold the truth in nine of ten cases.

    Parameters
    ----------
    overdrive_db, sd_db : the estimates and their standard deviations by the fit; (n,) each, as all that follow, or one
    lively : 0 for bass ... 1 for full-range music, in which the crest that is missing is not known from its flanks
    is_coarse : measured by crossings alone
    unlike_db : by how much crests may have gone beyond where the flanks of this music are unlike any sine's
        (`clip_unlike`); 0 where they are not
    noise_share : noise of one sample to the plateau

    What the flanks of full-range music cannot show is a peak of its own that stood on the crest: its size does not
    depend on the estimate, so it is added.

    Source: our choice, from the errors on generated signals."""
    below = np.where(is_coarse, 0.55, 0.3 + 0.35 * lively)
    above = np.where(is_coarse, 1.5 - lively, 0.22 + 0.2 * lively)
    spare_db = 0.03 + 1.6 * sd_db
    hidden_db = HIDDEN_DB + 20 * np.log10(1 + HIDDEN_SD * noise_share)
    high_db = overdrive_db * (1 + above) + spare_db + hidden_db * lively
    low_db = np.maximum(0.0, overdrive_db * (1 - below) - spare_db)
    return np.where(unlike_db, 0.0, low_db), np.where(unlike_db, np.maximum(high_db, unlike_db), high_db)
