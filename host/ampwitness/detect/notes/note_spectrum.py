"""The fundamentals of many notes at once, from their spectra."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

LOWEST_HZ = 19.0
HIGHEST_HZ = 123.5  # B2 is 123.47 Hz; a note just above 120 Hz still is what the player calls bass
_SEARCH_HZ = (17.0, 230.0)
_HARMONICS_TO_HZ = 200.0  # above, the band holds next to nothing
_MOST_HARMONICS = 5
_MOST_DIVISOR = 4
_PAD = 4
_LEAST_ROOT, _LEAST_PARTIAL, _LEAST_FIFTH, _LEAST_HINT = 144.0, 30.0, 1000.0, 1000.0  # strongest line over it, of power
_PERIODS_OF_HINT = 6.0
_CLEAR_RATIO = 0.97  # explained by one note: nothing is looked for beside it
_LOBE_BINS = 4  # of the padded spectrum, to either side: a decay of the note's own length stays inside
_SAMPLES_AT_ONCE = 32768
_SIZES = (64, 128, 256, 512, 1024, 2048)
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True, slots=True)
class Pitch:
    """Fundamental, how much of the signal it and its harmonics explain, and the strongest line beside them."""

    frequency_hz: float
    explained_ratio: float
    amplitudes_v: tuple[float, ...]  # of fundamental and harmonics, peak
    beside_hz: float  # NaN: none
    both_ratio: float  # how much both explain


def name_pitch(frequency_hz: float) -> tuple[str, float]:
    """Nearest note of the equally tempered scale and the distance to it in cents. Source: ISO 16, A4 = 440 Hz."""
    number = 69.0 + 12.0 * math.log2(frequency_hz / 440.0)
    nearest = round(number)
    return f"{_NAMES[nearest % 12]}{nearest // 12 - 1}", 100.0 * (number - nearest)


def measure_pitches(
    parts: Sequence[FloatArray], rate_hz: float, response: Callable[[FloatArray], FloatArray] | None = None
) -> list[Pitch | None]:
    """Fundamental of what sounds in each part.

    Parameters
    ----------
    parts : (n,) volts each, about 500 samples a second, of the band, of one note without its attack
    rate_hz : their rate
    response : ratio that the band leaves of a sine, by frequency; None: all of it

    Returns
    -------
    One Pitch a part (its frequency may lie outside the bass), or None where nothing is there or fewer than two periods
    of the lowest note.

    Limits
    ------
    Needs two periods; good to a cent from six on. A note without its fundamental (weaker than 1/12 of its strongest
    partial) is given it where second, third and fifth partial are there, or second, third and a trace (1/32) of the
    root, and six periods; else the pitch of its lowest partial that is there.

    Source
    ------
    The peak of a parabola through the logarithm of the spectrum under a Hann window, padded to four times its length:
    a method of the textbooks; lines and their harmonics are summed up as Parseval's theorem allows. Checked against a
    least-squares fit in tests/detect_notes.
    """
    found: list[Pitch | None] = [None] * len(parts)
    for places, fits in _iter_fits(parts, rate_hz):
        for place, pitch in zip(places, _describe(fits, response), strict=True):
            found[place] = pitch
    return found


def measure_fundamentals(parts: Sequence[FloatArray], rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """The fundamental alone of what sounds in each part, and how much of the part it and its harmonics explain: (n,)
    each, NaN where `measure_pitches` has None. Takes half as long, as nothing is looked for beside it."""
    found = np.full((2, len(parts)), np.nan)
    for places, fits in _iter_fits(parts, rate_hz):
        there = np.array(places)[fits.total > 0.0]
        found[:, there] = fits.frequency[fits.total > 0.0], fits.share[fits.total > 0.0]
    return found[0], found[1]


def _iter_fits(parts: Sequence[FloatArray], rate_hz: float) -> Iterator[tuple[list[int], _Fits]]:
    """Parts by number that are alike in length, few enough that the spectra stay near the processor, with their
    fundamentals."""
    lengths = np.array([len(part) for part in parts], dtype=np.intp)
    sizes = np.minimum(np.searchsorted(_SIZES, lengths), len(_SIZES) - 1)
    sizes[lengths < 0.030 * rate_hz] = len(_SIZES)
    for number in np.flatnonzero(np.bincount(sizes, minlength=len(_SIZES) + 1)[:-1]).tolist():
        size, places = _SIZES[number], np.flatnonzero(sizes == number).tolist()
        n_at_once = max(96, _SAMPLES_AT_ONCE // size)
        for begin in range(0, len(places), n_at_once):
            some = places[begin : begin + n_at_once]
            yield some, _fit([parts[place][:size] for place in some], size, rate_hz)


@dataclass(frozen=True, slots=True)
class _Fits:
    """Spectra of some parts, and the fundamental of each with what it explains; (k,) and (k, harmonics)."""

    spectra: _Spectra
    frequency: FloatArray
    share: FloatArray
    total: FloatArray  # power of the whole
    hz: FloatArray  # harmonics, as far as the fundamental was known at first
    heights: FloatArray  # of their lines
    gain: FloatArray


def _fit(few: Sequence[FloatArray], size: int, rate_hz: float) -> _Fits:
    # Single precision leaves 140 dB below the strongest line, and takes half the time.
    n_of = np.array([len(part) for part in few], dtype=np.intp)
    windows = [_window(n) for n in n_of.tolist()]
    # All behind one another: row by row it would take as long as their transform.
    flat = np.concatenate(few)
    flat -= np.repeat(np.add.reduceat(flat, np.cumsum(n_of) - n_of) / n_of, n_of)
    flat *= np.concatenate([window for window, _ in windows])
    x = np.zeros((len(few), size), dtype=np.float32)
    x[np.arange(size) < n_of[:, None]] = flat
    gain, length = np.array([total for _, total in windows]), n_of.astype(np.float64)
    spectrum = np.fft.rfft(x, _PAD * size)
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    total = np.einsum("ij,ij->i", x, x).astype(np.float64) * _PAD * size / 2.0
    scale = rate_hz / (_PAD * size)  # hertz a bin
    # Shorter notes have wider lines: as many bins to either side as `_LOBE_BINS` of a full row.
    lobe = np.maximum(2, np.round(_LOBE_BINS * size / length)).astype(np.intp)
    sums = np.empty((len(few), power.shape[1] + 1))
    sums[:, 0] = 0.0
    np.cumsum(power, axis=1, dtype=np.float64, out=sums[:, 1:])
    inside = slice(max(1, round(_SEARCH_HZ[0] / scale)), min(power.shape[1] - 1, round(_SEARCH_HZ[1] / scale)))
    top = np.argmax(power[:, inside], axis=1) + inside.start
    strongest = _refine(power, np.arange(len(few)), top) * scale
    spectra = _Spectra(power, sums, lobe, _PAD * size / length, scale)
    fundamental, share = _choose_divisor(spectra, strongest, total, length / rate_hz)
    frequency, hz, heights = _refine_fundamentals(spectra, fundamental)
    return _Fits(spectra, frequency, share, total, hz, heights, gain)


@lru_cache(maxsize=512)
def _window(n: int) -> tuple[FloatArray, float]:
    """Hann's window without its zeros, and its sum."""
    window = np.hanning(n + 2)[1:-1]
    return window, float(window.sum())


def _make_held() -> tuple[FloatArray, FloatArray]:
    """Share of a steady sine's energy within so many bins to either side, of a Hann window without padding."""
    power = np.abs(np.fft.fft(np.hanning(258)[1:-1], 32 * 256)) ** 2
    sums = np.concatenate((power[:1], power[0] + 2.0 * np.cumsum(power[1 : 32 * 4])))
    at = (np.arange(len(sums)) + 0.5) / 32
    # The bins of a padded spectrum reach half a bin of their own further.
    return at - 0.5 / _PAD, sums / power.sum()


_HELD = _make_held()


@dataclass(frozen=True, slots=True)
class _Spectra:
    power: FloatArray  # (k, bins)
    sums: FloatArray  # running sums of it
    lobe: npt.NDArray[np.intp]  # (k,) bins to either side of a line
    unit: FloatArray  # (k,) bins in one over the length of the note
    scale: float  # hertz a bin

    def lines(self, rows: npt.NDArray[np.intp], hz: FloatArray, spacing_hz: FloatArray) -> FloatArray:
        """Energy of the lines at (k, m) frequencies of some rows; 0 above the highest harmonic looked at. Lines that
        stand `spacing_hz` (k, 1) apart do not reach into each other."""
        at = np.minimum(np.rint(hz / self.scale).astype(np.intp), self.power.shape[1] - 2)
        reach = np.minimum(self.lobe[rows, None], np.maximum(1, (0.5 * spacing_hz / self.scale).astype(np.intp) - 1))
        a, b = np.maximum(at - reach, 0), np.minimum(at + reach + 1, self.power.shape[1])
        row = rows[:, None]
        # Of a steady sine this much lies within reach: it counts as all of it.
        held = np.interp(reach / self.unit[row], *_HELD)
        out: FloatArray = np.where(hz < _HARMONICS_TO_HZ, (self.sums[row, b] - self.sums[row, a]) / held, 0.0)
        return out

    def is_peak(self, rows: npt.NDArray[np.intp], hz: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether a line of its own stands at the frequency of each of some rows."""
        at = _within(np.rint(hz / self.scale).astype(np.intp), 4, self.power.shape[1] - 5)
        around = self.power[rows[:, None], at[:, None] + np.arange(-4, 5)[None, :]]
        top = np.argmax(around, axis=1)
        out: npt.NDArray[np.bool_] = (top > 0) & (top < 8)
        return out


def _refine(power: FloatArray, rows: npt.NDArray[np.intp], top: npt.NDArray[np.intp]) -> FloatArray:
    """Bins, with a fraction, of peaks: a parabola through three logarithms."""
    top = _within(top, 1, power.shape[1] - 2)
    least = np.finfo(power.dtype).tiny  # a power of nothing, as a float may hold it
    a, b, c = (np.log(np.maximum(power[rows, top + d], least)) for d in (-1, 0, 1))
    bend = a - 2.0 * b + c
    shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
    out: FloatArray = np.minimum(np.maximum(shift, -1.0), 1.0) + top
    return out


def _within(bins: npt.NDArray[np.intp], first: int, last: int) -> npt.NDArray[np.intp]:
    """As np.clip, which takes longer to set up than for all of these bins."""
    return np.asarray(np.minimum(np.maximum(bins, first), last))


def _choose_divisor(
    spectra: _Spectra, strongest: FloatArray, total: FloatArray, length_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The strongest line may be a harmonic: take the divisor that explains much more and has a root of its own."""
    best_hz = strongest.copy()
    best_share = np.zeros(len(strongest))
    whole = np.maximum(total, 1e-30)
    for divisor in range(1, _MOST_DIVISOR + 1):
        hz = strongest / divisor
        # A lower octave must be there, not only fit better; and its lines must stand apart.
        may_be = (best_share < 1.0 - 2e-3) & (hz >= LOWEST_HZ) & (hz * length_s > 2.5)
        rows = np.flatnonzero(may_be) if divisor > 1 else np.arange(len(hz))
        if not len(rows):
            break
        hz = hz[rows]
        numbers = np.arange(1, min(_MOST_HARMONICS * divisor, int(_HARMONICS_TO_HZ / LOWEST_HZ)) + 1)
        lines = spectra.lines(rows, hz[:, None] * numbers[None, :], hz[:, None])
        share = np.minimum(lines.sum(axis=1) / whole[rows], 1.0)
        if divisor == 1:
            best_share = share
            continue
        strongest_line = lines.max(axis=1)
        is_peak = spectra.is_peak(rows, hz)
        has_root = (lines[:, 0] > strongest_line / _LEAST_ROOT) & is_peak
        # A root that a high-pass took is told by its partials: two notes a fifth apart have the second and the third,
        # and hardly a line at the root or the fifth.
        has_third = (lines[:, 1:3] > strongest_line[:, None] / _LEAST_PARTIAL).all(axis=1)
        has_fifth = lines[:, 4] > strongest_line / _LEAST_FIFTH
        hints = has_fifth | ((lines[:, 0] > strongest_line / _LEAST_HINT) & is_peak)
        has_root |= has_third & hints & (hz * length_s[rows] > _PERIODS_OF_HINT)
        take = has_root & (1.0 - share < 0.4 * (1.0 - best_share[rows]))
        best_hz[rows[take]], best_share[rows[take]] = hz[take], share[take]
    return best_hz, best_share


def _refine_fundamentals(spectra: _Spectra, fundamental: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fundamentals by their best line, harmonics of what they were taken for, and the heights of those lines."""
    power, scale, rows = spectra.power, spectra.scale, np.arange(len(fundamental))
    harmonics = np.arange(1, _MOST_HARMONICS + 1)
    hz = fundamental[:, None] * harmonics[None, :]
    at = _within(np.rint(hz / scale).astype(np.intp), 1, power.shape[1] - 2)
    heights = np.sqrt(power[rows[:, None], at])
    # Each harmonic votes for the fundamental by its strength and its number: the strongest vote is taken.
    weight = np.where(hz < 130.0, heights * harmonics, 0.0)
    weight[:, 0] = np.maximum(weight[:, 0], 1e-30)
    pick = np.argmax(weight, axis=1)
    near = at[rows, pick]
    # The peak of that line itself, which may lie a bin off.
    steps = np.arange(-2, 3)
    around = _within(near[:, None] + steps[None, :], 1, power.shape[1] - 2)
    near = around[rows, np.argmax(power[rows[:, None], around], axis=1)]
    refined = _refine(power, rows, near) * scale / harmonics[pick]
    return np.where(np.abs(refined - fundamental) * harmonics[pick] < 3 * scale, refined, fundamental), hz, heights


def _describe(fits: _Fits, response: Callable[[FloatArray], FloatArray] | None) -> list[Pitch | None]:
    amplitude = 2.0 * fits.heights / fits.gain[:, None]
    amplitude[fits.hz > _HARMONICS_TO_HZ] = 0.0
    if response is not None:
        left = response(fits.hz)
        amplitude = np.where(left > 0.05, amplitude / np.maximum(left, 0.05), 0.0)
    k = len(fits.share)
    beside_hz, both = np.full(k, np.nan), fits.share.copy()
    unclear = np.flatnonzero(fits.share < _CLEAR_RATIO)
    if len(unclear):
        beside_hz[unclear], more = _find_beside(fits, unclear)
        both[unclear] += more
    columns = (fits.total, fits.frequency, fits.share, amplitude, beside_hz, np.minimum(both, 1.0))
    return [
        Pitch(hz, explained, tuple(filter(None, heights_v)), by_hz, with_by) if whole > 0.0 else None
        for whole, hz, explained, heights_v, by_hz, with_by in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]


def _find_beside(fits: _Fits, rows: npt.NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """The strongest line that belongs to none of the harmonics, of some rows: its frequency, and the share that it and
    its harmonics explain."""
    spectra, frequency = fits.spectra, fits.frequency[rows]
    power, scale, wide = spectra.power, spectra.scale, 2.0 * spectra.lobe[rows, None]
    stop = min(power.shape[1] - 1, int(HIGHEST_HZ / scale))
    rest = power[rows, :stop]
    bins = np.arange(stop)
    harmonics = np.arange(1, _MOST_HARMONICS + 1)
    spacing = (frequency / scale)[:, None]
    nearest = np.minimum(np.maximum(np.rint(bins / spacing), 1.0), _MOST_HARMONICS)
    rest[np.abs(bins - nearest * spacing) <= wide] = 0.0
    rest[:, : max(1, int(LOWEST_HZ / scale))] = 0.0
    top = np.argmax(rest, axis=1)
    hz = _refine(power, rows, top) * scale
    numbers = hz[:, None] * np.arange(1, 4)[None, :]
    lines = spectra.lines(rows, numbers, hz[:, None])
    # What the first note's lines hold already is not counted again.
    far = np.abs(numbers[:, :, None] - frequency[:, None, None] * harmonics[None, None, :]).min(axis=2) / scale
    share = np.where(far > wide, lines, 0.0).sum(axis=1) / np.maximum(fits.total[rows], 1e-30)
    return hz, share
