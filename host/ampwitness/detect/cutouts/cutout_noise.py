"""When a mute of noise began: the start and the course that explain best how its spectrum sank into the logger's noise.

Noise has no continuation that it could leave, so that a fall shows only as its level shrinks. But each frequency
tells of that level for itself, and the quiet ones between as well as the loud ones: all together date a fall about
twice as well as its power does, which the loudest few decide.

Gaps: only one unbroken run is looked at.
Limits: falls of more than 40 ms of a noise that keeps its level and its colour; the logger's noise must have been heard
alone for 50 ms.
Source: Whittle's likelihood on a grid of starts, lengths and shapes; our choice of frames, measured by
`python -m ampwitness.bench.cutout_scores --only slow` beside the least that is possible (Cramer-Rao).
"""

from __future__ import annotations

import numpy as np

from ampwitness.types import FloatArray

HOP_S = 0.004
_HOPS_A_FRAME = 2
_QUIET_FRAMES = 12
_LEAST_FRAMES = 50  # of the noise before
_FALLS_S = {"exponential": np.geomspace(0.010, 0.400, 24), "line": np.geomspace(0.040, 1.6, 24)}
_FINER_RATIO, _FINER_SHARE = 0.18, 0.012
_LIKELY = 1.92  # of the logarithm: what is less likely by more lies outside 95 %
_STANDS_OUT = (
    10.0  # times the logger's noise: its converter's steps make some noise that goes only when the signal is gone
)
_DOUBT_TIMES = 1.75  # the level before is itself only measured; so much holds 95 % of drawn falls
_TINY = 1e-12
_LEAST_MEANS, _WHITE = 20, (0.3, 2.0)


def date_in_noise(wave: FloatArray, n_before: int, n_quiet: int, rate_hz: float) -> tuple[float, float] | None:
    """The likeliest start of a fall, and how far off it may be with 95 %; samples both.

    Parameters
    ----------
    wave : (n,) volts, less those at rest: first noise at its level, last the logger's own
    n_before : of them certainly lie before the fall
    n_quiet : from here on the output is quiet
    """
    hop = max(1, round(HOP_S * rate_hz))
    size = _HOPS_A_FRAME * hop
    if n_before < _LEAST_FRAMES * hop or len(wave) < n_quiet + (_QUIET_FRAMES + 2) * hop:
        return None
    window = np.hanning(size + 1)[:-1]
    frames = np.lib.stride_tricks.sliding_window_view(wave, size)[::hop]
    power = np.abs(np.fft.rfft(frames * window, axis=1)[:, 1:-1]) ** 2
    n_level, quiet_from = n_before // hop - 1, _find_quietest(power, -(-n_quiet // hop))
    power = power[: quiet_from + _QUIET_FRAMES]
    weight = hop / (2.0 * power.shape[1])  # frames share half of their samples, and neighbours among frequencies
    quiet = power[quiet_from:].mean(axis=0) + _TINY
    power, quiet = (v[..., power[:n_level].mean(axis=0) > _STANDS_OUT * quiet] for v in (power, quiet))
    if not len(quiet):
        return None
    lengths = {shape: (lengths_s / HOP_S).tolist() for shape, lengths_s in _FALLS_S.items()}
    place, doubt, best = _search(power, n_level, n_level, quiet, weight, lengths)
    # Once more, with the level of all that lies before it. Where a fall ends is known far better than where it began:
    # one length allows hardly more than one start.
    level_to = max(n_level, round(place - 2 * doubt))
    place, doubt, _ = _search(
        power, n_level, level_to, quiet, weight, {shape: _finer(length) for shape, length in best.items()}
    )
    return (place + 0.5 * _HOPS_A_FRAME) * hop, _DOUBT_TIMES * (doubt + 0.5) * hop


def _search(
    power: FloatArray, first: int, level_to: int, quiet: FloatArray, weight: float, lengths: dict[str, list[float]]
) -> tuple[float, float, dict[str, float]]:
    """Frame of the likeliest start from `first` on, its doubt, and the likeliest length of each shape; hops all."""
    level = np.maximum(power[:level_to].mean(axis=0) - quiet, _TINY)
    seen = power[first:]
    by_start, best = np.full(len(seen), -np.inf), dict[str, float]()
    for shape, some in lengths.items():
        likely = np.array([weight * _likely(seen, level, quiet, shape, length) for length in some])
        best[shape] = some[int(np.argmax(likely.max(axis=1)))]
        np.maximum(by_start, likely.max(axis=0), out=by_start)
    place = _top(by_start)
    may_be = np.flatnonzero(by_start > by_start.max() - _LIKELY)
    return first + place, float(np.max(np.abs(may_be - place))), best


def _finer(length: float) -> list[float]:
    """Lengths around one, as dense as a hop or an eightieth, whichever is more."""
    n = int(np.ceil(_FINER_RATIO * length / max(1.0, _FINER_SHARE * length)))
    return [length * (1 + _FINER_RATIO * k / n) for k in range(-n, n + 1)]


def _find_quietest(power: FloatArray, first: int) -> int:
    """Where the quietest frames in a row begin, from `first` on."""
    total = np.convolve(power[first:].sum(axis=1), np.ones(_QUIET_FRAMES), "valid")
    return first + int(np.argmin(total))


def _likely(seen: FloatArray, level: FloatArray, quiet: FloatArray, shape: str, length: float) -> FloatArray:
    """Logarithm of how likely each frame is the one in whose middle the fall begins."""
    n = len(seen)
    # Power left in a frame: mean over a frame of the gain's square, from one frame ahead of the start on.
    fine = (np.arange(8 * (n + 1)) + 0.5) / 8 - 1.0
    since = np.maximum(fine, 0.0)
    gain2 = np.exp(-2 * since / length) if shape == "exponential" else np.maximum(1.0 - since / length, 0.0) ** 2
    by_hop = gain2.reshape(n + 1, 8).mean(axis=1)
    left = 0.5 * (by_hop[:-1] + by_hop[1:])  # frame k lies from k - 1 to k + 1 hops behind the start
    due = left[:, None] * level + quiet
    whole = np.log(level + quiet) + seen / (level + quiet)
    before = np.concatenate(([0.0], np.cumsum(whole.sum(axis=1))))[:n]
    size = 2 * n
    product = np.fft.rfft(seen, size, axis=0) * np.fft.rfft(1.0 / due, size, axis=0).conj()
    fallen = np.fft.irfft(product.sum(axis=1), size)[:n]
    fallen += np.cumsum(np.log(due).sum(axis=1))[n - 1 - np.arange(n)]
    return np.asarray(-(before + fallen))


def _top(values: FloatArray) -> float:
    """Where a course is highest, between its steps."""
    at = int(np.argmax(values))
    if not 0 < at < len(values) - 1:
        return float(at)
    a, b, c = values[at - 1 : at + 2].tolist()
    bend = a - 2 * b + c
    return at + 0.5 * (a - c) / bend if bend < 0 else float(at)


def is_hiss(volts: FloatArray, n: int) -> bool:
    """Whether means of `n` samples scatter as little as those of white noise do: no tone, and no programme."""
    rows = volts[: len(volts) // n * n].reshape(-1, n)
    power = float(np.var(volts))
    if n < 2 or len(rows) < _LEAST_MEANS or power <= 0:
        return False
    return _WHITE[0] < n * float(np.var(rows.mean(axis=1))) / power < _WHITE[1]
