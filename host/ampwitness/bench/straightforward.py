"""The straightforward way to look at a recording: PyPI `cobs`, zlib and scipy on whole arrays. What the day is timed
against; nothing of the program uses it."""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt
from ampwire import layout
from scipy import signal

from ampwitness.errors import MissingToolError

N_CHANNELS = 3


def decode_frame_by_frame(raw: bytes) -> npt.NDArray[np.uint16]:
    """Counts of all intact SAMPLES frames, (n_scans, 3). Raises MissingToolError without the package `cobs`."""
    try:
        from cobs import cobs  # type: ignore[import-untyped]
    except ImportError:
        raise MissingToolError("the comparison needs the package `cobs`: install the extra 'dev'") from None
    first = layout.HEADER_BYTES + 2 * N_CHANNELS
    parts = []
    for encoded in raw.split(b"\0"):
        if not encoded:
            continue
        try:
            body = cobs.decode(encoded)
        except cobs.DecodeError:
            continue
        if zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little") or body[0] != layout.KIND_SAMPLES:
            continue
        n_counts = (len(body) - first - layout.CRC_BYTES) // 2
        parts.append(np.frombuffer(body, dtype="<u2", offset=first, count=n_counts))
    return np.concatenate(parts).reshape(-1, N_CHANNELS)


def analyse_whole_arrays(raw: bytes, rate_hz: float = 8000.0) -> dict[str, int]:
    """Clipped tops, bass notes, dips, quiet spells and an overview, each by the first means that comes to mind."""
    counts = decode_frame_by_frame(raw)
    codes = counts.astype(np.float64) / 8
    output_v = (codes[:, 0] - codes[:, 1]) * 0.0313
    supply_v = codes[:, 2] * 0.00622
    # Clipping: the true peak between samples, and flat tops.
    fine_v = signal.resample_poly(output_v, 4, 1)
    tops, found = signal.find_peaks(np.abs(fine_v), plateau_size=4, height=1.0)
    # Bass notes: band, envelope, onsets; the supply's sag under each.
    band = signal.butter(4, (20, 120), btype="bandpass", fs=rate_hz, output="sos")
    bass_v = signal.sosfiltfilt(band, output_v)
    envelope_v = np.abs(signal.hilbert(bass_v))
    slow = signal.butter(2, 20, fs=rate_hz, output="sos")
    envelope_v = signal.sosfiltfilt(slow, envelope_v)
    onsets, _ = signal.find_peaks(np.gradient(envelope_v), height=0.001, distance=round(0.05 * rate_hz))
    sags_v = [float(np.ptp(supply_v[at : at + round(0.3 * rate_hz)])) for at in onsets]
    # Dips: mean of 10 ms against a sliding median.
    mean_v = np.convolve(supply_v, np.full(80, 1 / 80), "same")
    reference_v = np.repeat(signal.medfilt(mean_v[::80], 601), 80)[: len(mean_v)]
    low = mean_v[: len(reference_v)] < 0.9 * reference_v
    n_dips = int(np.count_nonzero(np.diff(low.astype(np.int8)) == 1))
    # Quiet spells: rms over 50 ms against the second before.
    power = np.convolve(output_v**2, np.full(400, 1 / 400), "same")
    before = np.concatenate((np.zeros(8000), power[:-8000])) if len(power) > 8000 else power
    n_quiet = int(np.count_nonzero(np.diff((power < before / 400).astype(np.int8)) == 1))
    # Overview: extremes and rms of 10 ms.
    steps = output_v[: len(output_v) // 80 * 80].reshape(-1, 80)
    overview = (steps.min(axis=1), steps.max(axis=1), np.sqrt((steps**2).mean(axis=1)))
    return {
        "tops": len(tops),
        "plateaus": len(found["plateau_sizes"]),
        "notes": len(sags_v),
        "dips": n_dips,
        "quiet": n_quiet,
        "steps": len(overview[0]),
    }
