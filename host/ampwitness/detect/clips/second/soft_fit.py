"""Half-cycles as a smooth wanted curve bent over under a ceiling that may tilt and bow: one fit for each sharpness.

    y = x / (1 + |x / B|^k)^(1/k),   x = polynomial in time,   B = ceiling * (1 + tilt * t + bow * (t^2 - 1/3))

Into a loudspeaker what is lost in the output stage follows the current, not the volts, and reservoirs sink while they
give: a ceiling is not level within one half-cycle. All half-cycles and all sharpnesses are fitted at once, by
Gauss-Newton steps in the outputs themselves; those in single precision, which is a thousand times finer than the
least noise that is reckoned with, while what is solved and what is kept are in double.

Gaps: windows are cut out before.
Limits: what tilts or bows far beyond TILT_SD and BOW_SD is taken for part of the wanted curve.
Source: the curve is a common limiter's law; the search is our choice, measured by `python -m
ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

Single = npt.NDArray[np.float32]

DEGREE = 5  # of the wanted curve within a window, if nothing else is asked
TILT_SD, BOW_SD = 0.03, 0.015  # of the ceiling, at a window's ends
MOST_STEP = 0.05  # of the ceiling, in one round
LEAST_SD_SHARE = 2e-4  # of the crest
HIGHEST_SHARE = 0.9995
AT_ONCE = 64  # windows fitted together: each stands alone, and six hundred take 35 MB for a moment


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations, as shares of the ceiling: how well it is known, how far it tilts and bows at a window's
    ends."""

    ceiling: float = 0.01
    tilt: float = TILT_SD
    bow: float = BOW_SD


@dataclass(frozen=True, slots=True)
class Effort:
    """How far a fit goes: points of a window at most (longer ones are averaged), rounds, and by how much ceilings may
    lie above a crest to begin with, as shares."""

    points: int = 60
    rounds: int = 10
    above: tuple[float, ...] = (0.002, 0.01, 0.03, 0.08, 0.2)


@dataclass(frozen=True, slots=True)
class SoftFits:
    """(lobes, sharpnesses) each: reduced chi-square, ceiling in volts, the wanted crest over the ceiling, by how much
    it was bent over in dB, and how far the ceiling tilts and bows, as shares of it."""

    cost: FloatArray
    ceiling_v: FloatArray
    drive: FloatArray
    over_db: FloatArray
    tilt: FloatArray
    bow: FloatArray


def fit_lobes(
    windows: list[FloatArray],
    noise_v: float,
    sharpness: tuple[float, ...],
    ceiling_v: FloatArray | None = None,
    spreads: Spreads | None = None,
    degree: int = DEGREE,
    effort: Effort | None = None,
) -> SoftFits:
    """Fit every window with every sharpness.

    Parameters
    ----------
    windows : n windows of sign-turned volts, each around one crest
    noise_v : noise of one sample
    sharpness : (m,) exponents k to try
    ceiling_v : (n,) ceilings that are known, if they are
    spreads : how well, and how far they tilt and bow
    degree : of the wanted curve within a window
    effort : None: all that is worth it
    """
    effort = effort or Effort()
    averaged = np.array([max(1, len(window) // effort.points) for window in windows])
    thinned = [window[: len(window) // every * every].reshape(-1, every).mean(axis=1)
               for window, every in zip(windows, averaged.tolist(), strict=True)]  # fmt: skip
    n_points = np.array([len(points) for points in thinned])
    place = np.arange(int(n_points.max()))
    mask = (place < n_points[:, None]).astype(np.float32)
    t = np.where(mask > 0, 2 * place / (n_points[:, None] - 1) - 1, 0.0).astype(np.float32)
    crest = np.array([points.max() for points in thinned])
    y = np.zeros_like(t)
    for row, points in enumerate(thinned):
        y[row, : len(points)] = points / crest[row]
    sd = np.maximum(noise_v / np.sqrt(averaged) / crest, LEAST_SD_SHARE).astype(np.float32)
    basis = np.ascontiguousarray(np.polynomial.legendre.legvander(t, degree).transpose(0, 2, 1)) * mask[:, None]
    k = np.broadcast_to(np.array(sharpness), (len(windows), len(sharpness)))
    known = None if ceiling_v is None else ceiling_v / crest
    parts = []
    for first in range(0, len(windows), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        few = _Problem(t[some], y[some], mask[some], basis[some], sd[some], spreads or Spreads(), effort)
        own = None if known is None else known[some]
        parts.append(few.polish(k[some], *few.start(k[some], own), own))
    fits = SoftFits(*(np.concatenate([getattr(part, name) for part in parts]) for name in SoftFits.__slots__))
    spare = np.maximum(n_points - degree - 5, 2)[:, None]
    return replace(fits, cost=fits.cost / spare, ceiling_v=fits.ceiling_v * crest[:, None])


@dataclass(frozen=True, slots=True)
class _Problem:
    """Windows in shares of their crests; (n, points) and, `basis`, (n, terms, points)."""

    t: Single
    y: Single
    mask: Single
    basis: Single
    sd: Single  # (n,)
    spreads: Spreads
    effort: Effort

    @property
    def terms(self) -> int:
        """Of the wanted curve."""
        return int(self.basis.shape[1])

    def start(self, k: FloatArray, known: FloatArray | None) -> tuple[FloatArray, FloatArray]:
        """Coefficients (n, m, terms) and ceilings (n, m): a level ceiling, undone, of a few the best."""
        best, coefficient, ceiling = np.full(k.shape, np.inf), np.zeros((*k.shape, self.terms)), np.ones(k.shape)
        above = self.effort.above
        starts = [np.full((len(k), 1), 1 + share) for share in above]
        power = k.astype(np.float32)[:, :, None]
        for bound in starts if known is None else [np.maximum(known, 1 + above[0])[:, None]]:
            share = np.clip(self.y / bound.astype(np.float32), 1e-6, HIGHEST_SHARE)[:, None, :]
            rest = np.log1p(-np.exp(np.log(share) * power))
            wanted = self.y[:, None, :] * np.exp(-rest / power)
            weight = np.exp(rest * (1 + 1 / power))  # dy / dx
            rows = self.basis[:, None] * weight[:, :, None]
            normal = (rows @ rows.transpose(0, 1, 3, 2)).astype(float) + 1e-9 * np.eye(self.terms)
            right = (rows @ (weight * wanted)[:, :, :, None]).astype(float)
            found = np.linalg.solve(normal, right)[..., 0]
            trial = np.broadcast_to(bound, k.shape)
            zero = np.zeros(k.shape)
            off, _, _ = self.bend(k, self.curve(found), trial, zero, zero)
            cost = np.einsum("nmp,nmp->nm", off, off)
            better = cost < best
            best, ceiling = np.where(better, cost, best), np.where(better, trial, ceiling)
            coefficient[better] = found[better]
        return coefficient, ceiling

    def curve(self, coefficient: FloatArray) -> Single:
        """(n, m, points) the wanted curve."""
        return np.asarray(coefficient.astype(np.float32) @ self.basis)

    def bend(
        self, k: FloatArray, x: Single, ceiling: FloatArray, tilt: FloatArray, bow: FloatArray
    ) -> tuple[Single, Single, Single]:
        """What the bent curve misses, in standard deviations, and its slopes by the curve and by the ceiling's log."""
        t = self.t[:, None]
        power, level, lean, arch = (x.astype(np.float32)[:, :, None] for x in (k, ceiling, tilt, bow))
        bound = level * (1 + lean * t + arch * (t**2 - np.float32(1 / 3)))
        size = np.minimum(power * np.log(np.maximum(np.abs(x) / np.maximum(bound, 1e-3), 1e-6)), 600.0)
        # exp and log of 1 + e^size, both from the smaller of e^size and e^-size.
        small = np.exp(-np.abs(size))
        whole = 1 + small
        loss = np.exp((np.maximum(size, 0.0) + np.log(whole)) / -power)
        is_below = size < 0
        by_curve = loss * np.where(is_below, np.float32(1), small) / whole
        bent = x * loss
        by_ceiling = bent * np.where(is_below, small, np.float32(1)) / whole
        scale = (self.mask / self.sd[:, None])[:, None]
        return (self.y[:, None] - bent) * scale, by_curve * scale, by_ceiling * scale

    def polish(self, k: FloatArray, coefficient: FloatArray, ceiling: FloatArray, known: FloatArray | None) -> SoftFits:
        """Steps on everything at once; cost as chi-square, ceilings in crests."""
        tilt, bow = np.zeros(k.shape), np.zeros(k.shape)
        kept = (coefficient, ceiling, tilt, bow)
        best = np.full(k.shape, np.inf)
        trial = kept
        damping = np.full(k.shape, 1e-3)
        t = self.t[:, None]
        surely = 0.0 if known is None else self.spreads.ceiling**-2
        expected = np.zeros((len(k), 1)) if known is None else np.log(known)[:, None]
        tilt_sd, bow_sd = self.spreads.tilt, self.spreads.bow
        prior = np.array([0.0] * self.terms + [surely, tilt_sd**-2, bow_sd**-2])
        rows = np.empty((*k.shape, self.terms + 3, t.shape[2]), dtype=np.float32)
        for _ in range(self.effort.rounds):
            off, by_curve, by_ceiling = self.bend(k, self.curve(trial[0]), *trial[1:])
            cost = (
                np.einsum("nmp,nmp->nm", off, off).astype(float) + (trial[2] / tilt_sd) ** 2 + (trial[3] / bow_sd) ** 2
            )
            cost += surely * (np.log(trial[1]) - expected) ** 2
            better = cost < best
            best = np.where(better, cost, best)
            kept = tuple(
                np.where(better[..., None] if new.ndim == 3 else better, new, old)
                for new, old in zip(trial, kept, strict=True)
            )  # type: ignore[assignment]
            damping = np.where(better, damping / 4, damping * 8)
            if not better.all():  # those that got worse start again from what was kept, with smaller steps
                off, by_curve, by_ceiling = self.bend(k, self.curve(kept[0]), *kept[1:])
            np.multiply(self.basis[:, None], by_curve[:, :, None], out=rows[:, :, : self.terms])
            rows[:, :, -3] = by_ceiling
            np.multiply(by_ceiling, t, out=rows[:, :, -2])
            np.multiply(by_ceiling, t**2 - np.float32(1 / 3), out=rows[:, :, -1])
            normal = (rows @ rows.transpose(0, 1, 3, 2)).astype(float)
            pull = (rows @ off[..., None])[..., 0].astype(float)
            pull[..., -3] -= surely * (np.log(kept[1]) - expected)
            pull[..., -2] -= kept[2] / tilt_sd**2
            pull[..., -1] -= kept[3] / bow_sd**2
            diagonal = np.einsum("nmii->nmi", normal)
            ridge = prior + damping[..., None] * diagonal + 1e-9 * diagonal.max(axis=-1, keepdims=True)
            step = np.linalg.solve(normal + ridge[..., None] * np.eye(self.terms + 3), pull[..., None])[..., 0]
            largest = np.abs(step[..., self.terms :]).max(axis=-1, keepdims=True)
            step *= np.minimum(1.0, MOST_STEP / np.maximum(largest, 1e-12))
            trial = (
                kept[0] + step[..., : self.terms],
                kept[1] * np.exp(step[..., self.terms]),
                kept[2] + step[..., self.terms + 1],
                kept[3] + step[..., self.terms + 2],
            )
        wanted = np.where(self.mask[:, None] > 0, self.curve(kept[0]), 0.0)
        at = np.argmax(wanted, axis=2)[..., None]
        bound = 1 + kept[2][..., None] * t + kept[3][..., None] * (t**2 - 1 / 3)
        crest, bound = (np.take_along_axis(np.broadcast_to(x, wanted.shape), at, 2)[..., 0] for x in (wanted, bound))
        drive = np.maximum(crest / kept[1], 1e-6)
        over_db = 20 / np.log(10) / k * np.logaddexp(0.0, k * np.log(drive / np.maximum(bound, 0.1)))
        return SoftFits(best, kept[1], drive, over_db, kept[2], kept[3])
