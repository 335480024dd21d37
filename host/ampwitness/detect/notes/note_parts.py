"""Parts of one note's band: where it sounds, where it is strong, how it rises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from statistics import median

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import BAND_STEP, LEVEL_S, Bands
from ampwitness.detect.notes.note_spectrum import Pitch, measure_fundamentals, measure_pitches
from ampwitness.detect.notes.note_swell import BEFORE_S, LEAST_ATTACK_S, date_swell
from ampwitness.detect.notes.sounding_note import SoundingNote, join
from ampwitness.types import FloatArray

STANDS_OUT = 0.5  # of the energy behind an onset, that must be new for a second look
_STRONG_RATIO = 0.2  # of the highest mean square
_LEAST_STRONG_S = 0.080
_LEAST_ALONE_S = 0.150
_MOST_OF_IT = 0.9
_PIECE_S, _LEAST_PIECES, _MOST_PIECES = 0.110, 3, 16
_CLEAR_PIECE, _AGREES, _AGREEING_SHARE = 0.85, 0.015, 0.4  # explained; of pitch; of the pieces
_SHARE_LINE, _LEAST_WITH, _CLEAR_SHARE = np.array([2.0, 3.0, 2 / 3]), 0.45, 0.25  # of pitch; explained; of the pieces
_WAVE_S, _WAVE_SHIFT, _SAME_WAVE, _ROLL_S = 0.060, 2, 0.90, 0.150  # of a beginning; samples; cosine; to the next
_ROWS_AT_ONCE = 64
_LETS_GO_S = 0.040  # behind the end of a note, until the band's filters have let go of it
_RIPPLES_TO_HZ, _SOON_S = 80.0, 0.400  # notes below ripple; of a note's beginning, in which most are loudest
# Where the mean square over 50 ms reaches 81 % of its largest, and where the envelope reaches 90 %, in closed form
# for rises along a line and along half a cosine, which differ by 1 ms at most.
_AVERAGED_S = (0.0158, 0.0170, 0.0238, 0.0315, 0.0395, 0.0565, 0.0840, 0.1223, 0.2010, 0.3008)
_ATTACK_S = (0.0, 0.001, 0.010, 0.020, 0.030, 0.050, 0.080, 0.120, 0.200, 0.300)
_SWELLS_FROM_S = float(np.interp(LEAST_ATTACK_S, _ATTACK_S, _AVERAGED_S))


def sounding_part(note: SoundingNote, bands: Bands) -> FloatArray:
    """The band while the note sounded, without its attack and its very end; where an older one rang on, without that if
    enough is left."""
    band = join(note.band)
    duration_s = (note.end - note.onset) / bands.rate_hz
    band = band[: max(0, round(note.end / bands.factor / 2) - note.band_first)]
    skip = round(min(max(0.2 * duration_s, 0.008), 0.080) * bands.band_hz)
    keep_off = 0 if duration_s < 0.150 else round(0.005 * bands.band_hz)
    least = _LEAST_ALONE_S * bands.band_hz
    if note.alone_from is not None and len(band) - keep_off - (alone := note.alone_from - note.band_first) > least:
        skip = alone
    part: FloatArray = band[skip : len(band) - keep_off]
    return part


def strong_part(note: SoundingNote, bands: Bands, part: FloatArray) -> FloatArray | None:
    """The part of a note up to where its level falls below `_STRONG_RATIO` of the highest; None where that is nearly
    all of it, or too short, or the beginning did not stand out of what sounded before."""
    if not note.novelty_ratio >= STANDS_OUT:
        return None
    levels = join(note.levels)
    if not len(levels):
        return None
    top = int(np.argmax(levels[: round(0.3 * bands.band_hz)]))
    low = np.flatnonzero(levels[top:] < _STRONG_RATIO * levels[top])
    skip = len(join(note.band)) - len(part)
    n = (top + int(low[0]) if len(low) else len(levels)) - skip
    if n < _LEAST_STRONG_S * bands.band_hz or n > _MOST_OF_IT * len(part):
        return None
    return part[:n]


def agree_in_pieces(parts: Sequence[FloatArray], rate_hz: float) -> list[Pitch | None]:
    """The pitch on which pieces agree of each long note whose partials come and go so fast that its lines part, as
    those of synthesisers do; noise and voices agree on none. The pieces of all notes are measured together.

    Parameters
    ----------
    parts : (n,) volts each, as `sounding_part` gives them
    rate_hz : their rate
    """
    n = round(_PIECE_S * rate_hz)
    cut = [[part[first : first + n] for first in range(0, len(part) - n + 1, n)][:_MOST_PIECES] for part in parts]
    cut = [pieces if len(pieces) >= _LEAST_PIECES else [] for pieces in cut]
    hz, explained = measure_fundamentals([piece for pieces in cut for piece in pieces], rate_hz)
    stops = np.cumsum([len(pieces) for pieces in cut], dtype=np.intp).tolist()
    agreed = [
        _find_agreed(hz[stop - len(pieces) : stop], explained[stop - len(pieces) : stop])
        for pieces, stop in zip(cut, stops, strict=True)
    ]
    best = iter(measure_pitches([cut[row][one[0]] for row, one in enumerate(agreed) if one is not None], rate_hz))
    out: list[Pitch | None] = [None] * len(parts)
    for row, one in enumerate(agreed):
        if one is not None and (pitch := next(best)) is not None:
            out[row] = replace(pitch, frequency_hz=one[1])
    return out


def _find_agreed(hz: FloatArray, explained: FloatArray) -> tuple[int, float] | None:
    """The best of a note's pieces, and the frequency in the middle of those that agree; None: too few.

    Pieces in which a partial comes or goes are taken for another pitch that shares their strongest line: an octave or
    a twelfth above, a fifth below. They go with the pitch of the others, but do not say what it is."""
    if len(hz) < _LEAST_PIECES:
        return None
    is_clear = explained >= _CLEAR_PIECE
    ratio = hz[:, None] / hz  # of all to each
    agrees = (np.abs(ratio - 1.0) <= _AGREES) & is_clear[:, None] & is_clear
    shares_line = (np.abs(ratio[:, :, None] / _SHARE_LINE - 1.0) <= _AGREES).any(axis=2)
    n_agree = np.count_nonzero(agrees, axis=0)
    n_with = np.count_nonzero(agrees | (shares_line & (explained >= _LEAST_WITH)[:, None]), axis=0)
    best = int(np.argmax(n_agree + n_with))
    if n_agree[best] < max(_LEAST_PIECES, _CLEAR_SHARE * len(hz)) or n_with[best] < _AGREEING_SHARE * len(hz):
        return None
    agreeing = np.flatnonzero(agrees[:, best])
    if agreeing[0] >= _LEAST_PIECES:  # what all agree on must be what began
        return None
    return int(agreeing[np.argmax(explained[agreeing])]), median(hz[agreeing].tolist())


def find_rolls(notes: Sequence[SoundingNote], bands: Bands) -> npt.NDArray[np.bool_]:
    """(k,) whether each of one run's notes begins with the same wave as the one ahead of it or the one behind: a drum
    in a roll, which no swell of noise is."""
    n, k = round(_WAVE_S * bands.band_hz), len(notes)
    waves, known = np.zeros((k, n + 2 * _WAVE_SHIFT)), np.zeros((k, n + 2 * _WAVE_SHIFT), dtype=bool)
    for row, note in enumerate(notes):
        band = join(note.band)[: waves.shape[1]]
        waves[row, : len(band)], known[row, : len(band)] = band, True
    onset_s = np.array([note.onset for note in notes]) / bands.rate_hz
    middle, shares = slice(_WAVE_SHIFT, _WAVE_SHIFT + n), np.zeros((2 * _WAVE_SHIFT + 1, max(k - 1, 0)))
    for begin, share in enumerate(shares):
        other = slice(begin, begin + n)
        both = known[:-1, middle] & known[1:, other]
        one, two = waves[:-1, middle] * both, waves[1:, other] * both
        size = np.sqrt(np.einsum("ij,ij->i", one, one) * np.einsum("ij,ij->i", two, two))
        is_enough = both.sum(axis=1) >= n // 2
        share[is_enough] = (np.einsum("ij,ij->i", one, two) / np.maximum(size, 1e-30))[is_enough]
    # Onsets are good to less than a sample: between samples the cosine is a parabola's.
    before, at, behind = shares[:-2], shares[1:-1], shares[2:]
    bend = np.where(at >= np.maximum(before, behind), np.minimum(before - 2.0 * at + behind, -1e-9), -np.inf)
    alike = (at - 0.125 * (before - behind) ** 2 / bend).max(axis=0)
    is_alike = (alike >= _SAME_WAVE) & (np.diff(onset_s) <= _ROLL_S)
    out = np.zeros(k, dtype=bool)
    out[:-1] |= is_alike
    out[1:] |= is_alike
    return out


def date_again(note: SoundingNote, bands: Bands, pitch: Pitch) -> None:
    """A note that swells began before its rise stood out; of what has no pitch (NaN) nothing is carried back."""
    if note.band_before is None or not isfinite(pitch.frequency_hz) or note.since_last_s * bands.rate_hz < 1.0:
        return
    if not _rise_s(note, bands, join(note.levels), note.level_peak_v**2) >= _SWELLS_FROM_S:
        return
    # No more of it than lies behind the note ahead, whose end would be a part of the rise.
    alone_s = min(max(note.since_last_s - _LETS_GO_S, 0.0), BEFORE_S)
    ahead = note.band_before[max(0, len(note.band_before) - round(alone_s * bands.band_hz)) :]
    band = np.concatenate((ahead, *note.band))
    a_band = bands.factor * BAND_STEP
    before = note.band_first - len(ahead)
    onset = round(note.onset / a_band) - before
    at = date_swell(band, onset, bands.band_hz, pitch.frequency_hz, pitch.amplitudes_v)
    if at is None:
        return
    earliest = note.onset - note.since_last_s * bands.rate_hz
    note.onset = min(max((before + at) * a_band, earliest, 0.0), note.end - 1.0)
    note.onset_basis = "a swell: where its rise, carried back, leaves nothing"


def measure_attacks(notes: Sequence[SoundingNote], bands: Bands, pitch_hz: FloatArray) -> FloatArray:
    """Seconds from each onset until the level is within 0.9 of its highest, averaging taken off; NaN: it never is.

    The level of a low note over 50 ms rises and falls with its periods: it is averaged over whole ones, of all such
    notes at once.

    Parameters
    ----------
    notes : all of one run's `bands`
    pitch_hz : (k,) their fundamentals; NaN: none is known
    """
    levels = [join(note.levels) for note in notes]
    averaged_s, over_s = np.empty(len(notes)), np.full(len(notes), LEVEL_S)
    low: list[int] = []
    for place, (note, hz, level) in enumerate(zip(notes, pitch_hz.tolist(), levels, strict=True)):
        if not hz <= _RIPPLES_TO_HZ or not len(level):  # of a drum none is known
            averaged_s[place] = _rise_s(note, bands, level, note.level_peak_v**2)
            continue
        if int(level.argmax()) < _SOON_S * bands.band_hz:
            levels[place] = level[: round((_SOON_S + LEVEL_S) * bands.band_hz)]
        low.append(place)
    over_s[low] = np.maximum(1.0, np.round(LEVEL_S * pitch_hz[low])) / pitch_hz[low]
    low.sort(key=lambda place: len(levels[place]))  # alike in length, as all are made as long as the longest
    for begin in range(0, len(low), _ROWS_AT_ONCE):
        some = low[begin : begin + _ROWS_AT_ONCE]
        lengths = [len(levels[place]) for place in some]
        averaged = _average([notes[place] for place in some], lengths, over_s[some] * bands.band_hz)
        for row, place in enumerate(some):
            level = averaged[row, : lengths[row]]
            averaged_s[place] = _rise_s(notes[place], bands, level, float(np.maximum.reduce(level)))
    scale = over_s / LEVEL_S
    attack_s = scale * np.interp(averaged_s / scale, _AVERAGED_S, _ATTACK_S)
    return np.where(averaged_s > _AVERAGED_S[-1] * scale, averaged_s, attack_s)


def _average(notes: Sequence[SoundingNote], lengths: Sequence[int], widths: FloatArray) -> FloatArray:
    """(k, longest) mean squares of notes' first band samples over so many samples (with a fraction) around each; of
    each row only its own length counts."""
    n_before = max(0 if note.band_before is None else len(note.band_before) for note in notes)
    longest = max(lengths)
    squares = np.zeros((len(notes), n_before + longest + round(float(widths.max())) + 1))
    for row, (note, n, width) in enumerate(zip(notes, lengths, widths.tolist(), strict=True)):
        if note.band_before is not None:
            squares[row, n_before - len(note.band_before) : n_before] = note.band_before
        band = join(note.band)[: n + round(width)]
        squares[row, n_before : n_before + len(band)] = band
    np.square(squares, out=squares)
    sums = np.zeros((len(notes), squares.shape[1] + 1))
    np.cumsum(squares, axis=1, out=sums[:, 1:])
    # Beyond the ends it counts as silent: sums stand still there.
    rows, number = np.arange(len(notes))[:, None], np.arange(longest)
    edges = []
    for half in (0.5 * widths, -0.5 * widths):
        at = n_before + 0.5 + half
        whole = np.floor(at).astype(np.intp)
        first = whole[:, None] + number
        low = np.clip(first, 0, squares.shape[1])
        high = np.clip(first + 1, 0, squares.shape[1])
        part = (at - whole)[:, None]
        edges.append((1.0 - part) * sums[rows, low] + part * sums[rows, high])
    out: FloatArray = (edges[0] - edges[1]) / widths[:, None]
    return out


def _rise_s(note: SoundingNote, bands: Bands, levels: FloatArray, highest_v2: float) -> float:
    """Seconds from the onset to where averaged levels reach 81 % of their highest; NaN: they never do."""
    limit = 0.81 * highest_v2
    loud = levels >= limit
    first = int(loud.argmax()) if len(loud) else 0
    if not len(loud) or not loud[first]:
        return float("nan")
    at = float(first)
    if first:
        at -= float((levels[first] - limit) / max(levels[first] - levels[first - 1], 1e-12))
    return (note.band_first + at) / bands.band_hz - note.onset / bands.rate_hz
