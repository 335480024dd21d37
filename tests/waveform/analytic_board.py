"""A board written down as formulas, for tests: sines through an RC and a mean of conversions, no code of the project's
own models. Truth at any instant is a closed form."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from ampwitness.types import Block, Channel, Hello

# Gain and offset to volts by role, worked out by hand from the resistors: 120k / 6.2k / 6.49k to 3.3 V, 24k / 3.57k.
SCALE = {
    "out_p": (3.3 / 4096 * (1 + 120 / 6.2 + 120 / 6.49), -3.3 * 120 / 6.2),
    "out_n": (3.3 / 4096 * (1 + 120 / 6.2 + 120 / 6.49), -3.3 * 120 / 6.2),
    "supply": (3.3 / 4096 * (1 + 24 / 3.57), 0.0),
}
MODES = {"bass": (192_000, 8, 8.0), "wide": (150_000, 2, 2.0), "slow": (192_000, 32, 16.0)}


@dataclass(frozen=True)
class Sines:
    """dc + sum of amplitude x sin(2 pi f t + phase)."""

    dc_v: float
    parts: tuple[tuple[float, float, float], ...] = ()  # amplitude, Hz, phase

    def at(self, t_s: np.ndarray, corner_hz: float | None = None) -> np.ndarray:
        """Volts at the terminals, or behind a first-order low-pass."""
        total = np.full(np.shape(t_s), self.dc_v)
        for amplitude, hz, phase in self.parts:
            gain = 1.0 if corner_hz is None else 1 / (1 + 1j * hz / corner_hz)
            total += amplitude * abs(gain) * np.sin(2 * np.pi * hz * t_s + phase + np.angle(gain))
        return total


def hello(mode: str, roles: tuple[str, ...], session: str = "s1", corner_hz: float = 5100.0) -> Hello:
    conversions_hz, averaging, per_code = MODES[mode]
    channels = tuple(
        Channel(role, 26 + at, *SCALE[role], in_scan_offset_ns=round(at * 1e9 / conversions_hz))
        for at, role in enumerate(roles)
    )
    return Hello(
        protocol=1,
        firmware="test",
        board_id="b",
        session_id=session,
        session_tag=1,
        reset_cause="power on",
        mode=mode,
        rate_hz=Fraction(conversions_hz, averaging * len(roles)),
        averaging=averaging,
        counts_per_code=per_code,
        scans_per_frame=38,
        channels=channels,
        digital=(),
        input_corner_hz=corner_hz,
        time_scale=1.0,
        sample_index=0,
        host_s=0.0,
        raw={},
    )


def block(
    described: Hello,
    signals: dict[str, Sines],
    n_frames: int,
    first_index: int = 0,
    start_s: float | None = None,
    true_corner_hz: dict[str, float] | None = None,
    noise_lsb: float = 0.0,
    seed: int = 0,
) -> Block:
    """One unbroken block. The time of sample 0 of the session is recording time 0 unless `start_s` is given."""
    n = n_frames * described.scans_per_frame
    averaging, n_channels = described.averaging, len(described.channels)
    conversion_s = 1 / float(described.rate_hz * averaging * n_channels)
    shift_s = 0.0 if start_s is None else start_s - first_index / float(described.rate_hz)
    rng = np.random.default_rng(seed)
    counts = np.empty((n, n_channels), dtype=np.uint16)
    at_rail = np.zeros((n_frames, n_channels, 2), dtype=np.uint8)
    for at, channel in enumerate(described.channels):
        corner = (true_corner_hz or {}).get(channel.role, described.input_corner_hz)
        number = (first_index + np.arange(n))[:, np.newaxis] * averaging + np.arange(averaging)
        t = (number * n_channels + at) * conversion_s + shift_s
        gain, offset = SCALE[channel.role]
        # Conversions are left unrounded and only the sum is rounded: the converter is not what is tested with this.
        code = (signals[channel.role].at(t, corner) - offset) / gain + noise_lsb * rng.standard_normal(t.shape)
        clipped = np.clip(code, 0, 4095)
        for side, hit in enumerate((code <= 0, code >= 4095)):
            at_rail[:, at, side] = np.minimum(127, hit.reshape(n_frames, -1).sum(axis=1))
        mean = clipped.mean(axis=1)
        # The board rounds a shifted sum down.
        lost = (1 - described.counts_per_code / averaging) / 2
        counts[:, at] = np.rint(mean * described.counts_per_code - lost)
    return Block(
        session_id=described.session_id,
        seq=first_index // described.scans_per_frame,
        n_frames=n_frames,
        first_sample_index=first_index,
        start_s=first_index / float(described.rate_hz) if start_s is None else start_s,
        rate_hz=described.rate_hz,
        counts=counts,
        at_rail=at_rail,
        scans_per_frame=described.scans_per_frame,
        hello=described,
        host_s=0.0,
    )


def fit_sine(t_s: np.ndarray, volts: np.ndarray, hz: float) -> tuple[float, float, float]:
    """Amplitude, phase and DC by linear least squares (the three-parameter fit of IEEE 1057)."""
    basis = np.stack([np.sin(2 * np.pi * hz * t_s), np.cos(2 * np.pi * hz * t_s), np.ones(len(t_s))], axis=1)
    s, c, dc = np.linalg.lstsq(basis, volts, rcond=None)[0]
    return float(np.hypot(s, c)), float(np.arctan2(c, s)), float(dc)
