"""What the logger's input does to a channel, and the filter that undoes it.

From the terminals to a count a signal passes three things, all known from the hello:

1. the input network, a first-order low-pass: R(f) = 1 / (1 + j f / fc), fc = `input_corner_hz` (parts: +-10 %);
2. the mean of `averaging` conversions spaced T = 1 / (averaging x rate) apart:
   D(f) = sin(pi f averaging T) / (averaging sin(pi f T)), whose middle lies (averaging - 1) T / 2 after the first;
3. the wait for the channel's turn in the scan, `in_scan_offset`, so that sample k stands for the instant
   k / rate + delay, delay = in_scan_offset + (averaging - 1) T / 2.

The inverse is one FIR filter a channel: 1 / (R D) in amplitude and phase with the delay taken out, so that after it
sample k of every channel is the volts at the terminals at the instant k / rate after the first conversion of the
session's first scan. It is exact to 0.1 % up to PASS_FRACTION of the Nyquist frequency (to 0.005 % up to half of it)
and falls to nothing at Nyquist, where a delay by part of a sample has no meaning.

Above Nyquist: the input network is gentle, so what lies there is folded down, and no filter after sampling can take it
out again. At 8 kS/s, with a 5.1 kHz corner, 7 kHz shows at 1 kHz with 0.09 of its volts: a 1 kHz tone's seventh
harmonic lands on itself. This is why distortion of a 1 kHz tone is measured at 25 kS/s only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ampwitness.types import FloatArray, Hello

PASS_FRACTION = 0.85  # of Nyquist: 3.4 kHz at 8 kS/s, 10.6 kHz at 25 kS/s, which holds the tenth harmonic of 1 kHz
HALF_TAPS = 32  # 65 taps: 4 ms at each end of a run at 8 kS/s, 1.3 ms at 25 kS/s
_N_GRID = 1500  # frequencies at which the fit is made, 0 to Nyquist
_TAPER_WEIGHT = 0.01  # how much the fit cares between PASS_FRACTION and Nyquist; measured: less gains nothing
_DC_WEIGHT = 1000.0


@dataclass(frozen=True, slots=True)
class ChannelResponse:
    """What the input does to one channel. `delay_s`: from a scan's nominal instant to the middle of its average."""

    corner_hz: float
    rate_hz: float
    averaging: int
    delay_s: float

    def gain_at(self, frequency_hz: FloatArray) -> np.typing.NDArray[np.complex128]:
        """Complex gain from the terminals to the samples, for frequencies on either side of Nyquist.

        Parameters
        ----------
        frequency_hz : (n,) frequencies, Hz

        Returns
        -------
        (n,) complex gain, 1 at 0 Hz; its phase is that against the nominal instants k / rate.

        Limits
        ------
        The input network is taken as first order; the ADC's own sampling capacitor (1 pF) is neglected.
        """
        frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
        angle = np.pi * frequency_hz / (self.averaging * self.rate_hz)
        sine = self.averaging * np.sin(angle)
        at_a_multiple = np.abs(np.sin(angle)) < 1e-12  # of the conversion rate: the mean of equal phases
        averaged = np.where(
            at_a_multiple,
            np.cos(self.averaging * angle) / np.cos(angle),
            np.sin(self.averaging * angle) / np.where(at_a_multiple, 1.0, sine),
        )
        turned = np.exp(2j * np.pi * frequency_hz * self.delay_s)
        return np.asarray(averaged / (1.0 + 1j * frequency_hz / self.corner_hz) * turned, dtype=np.complex128)


def response_of(hello: Hello, role: str, corner_hz: float | None = None) -> ChannelResponse:
    """The response of one channel as the hello describes it.

    Parameters
    ----------
    hello : the session's hello
    role : role of the channel
    corner_hz : measured corner of this channel's input network, Hz; None: the nominal one of the hello

    Returns
    -------
    ChannelResponse.

    Raises
    ------
    KeyError : the hello has no such channel.
    """
    rate_hz = float(hello.rate_hz)
    for channel in hello.channels:
        if channel.role == role:
            averaged_s = (hello.averaging - 1) / (2.0 * hello.averaging * rate_hz)
            return ChannelResponse(
                corner_hz=hello.input_corner_hz if corner_hz is None else corner_hz,
                rate_hz=rate_hz,
                averaging=hello.averaging,
                delay_s=channel.in_scan_offset_ns * 1e-9 + averaged_s,
            )
    raise KeyError(role)


@dataclass(frozen=True, slots=True)
class InverseFilter:
    """The FIR that undoes a channel's response: y[k] = sum over m of taps[m + half_taps] x[k - m].

    `noise_gain` is the rms of white noise after it over that before it; `highest_gain` the largest gain at any
    frequency; `worst_error_ratio` the largest |response x filter - 1| up to `pass_hz`.
    """

    taps: FloatArray  # (2 half_taps + 1,) float64
    half_taps: int
    pass_hz: float
    noise_gain: float
    highest_gain: float
    worst_error_ratio: float


@lru_cache(maxsize=64)
def design_inverse(
    response: ChannelResponse, half_taps: int = HALF_TAPS, pass_fraction: float = PASS_FRACTION
) -> InverseFilter:
    """Fit the FIR that inverts `response` in amplitude and phase.

    Parameters
    ----------
    response : what is to be undone
    half_taps : the filter reaches this many samples to either side
    pass_fraction : up to this fraction of Nyquist the inverse holds; beyond it the target falls as a squared cosine

    Returns
    -------
    InverseFilter; its gain at 0 Hz is 1 exactly (to rounding).

    Gaps
    ----
    A filter needs `half_taps` samples on both sides: the first and last `half_taps` samples of an unbroken run have
    no output. Nothing is put in their place.

    Limits
    ------
    Noise rises with the inverse: see `noise_gain` (1.2 at 8 kS/s, 1.8 at 25 kS/s with a 5.1 kHz corner).

    Source
    ------
    Weighted complex least squares, our choice, measured in tests/waveform/test_response.py.
    """
    turn = np.linspace(0.0, np.pi, _N_GRID)  # radians a sample
    frequency_hz = turn / np.pi * response.rate_hz / 2
    target = 1.0 / response.gain_at(frequency_hz)
    fraction = turn / np.pi
    beyond = np.clip((fraction - pass_fraction) / (1.0 - pass_fraction), 0.0, 1.0)
    wanted = target * np.cos(np.pi / 2 * beyond) ** 2
    weight = np.where(fraction <= pass_fraction, 1.0, _TAPER_WEIGHT) / np.abs(target)
    weight[0] = _DC_WEIGHT
    basis = np.exp(-1j * np.outer(turn, np.arange(-half_taps, half_taps + 1)))
    rows = basis * weight[:, np.newaxis]
    right = wanted * weight
    taps = np.linalg.lstsq(np.vstack([rows.real, rows.imag]), np.concatenate([right.real, right.imag]), rcond=None)[0]
    taps /= taps.sum()
    reached = basis @ taps
    taps.setflags(write=False)
    return InverseFilter(
        taps=taps,
        half_taps=half_taps,
        pass_hz=pass_fraction * response.rate_hz / 2,
        noise_gain=float(np.sqrt(np.sum(taps**2))),
        highest_gain=float(np.max(np.abs(reached))),
        worst_error_ratio=float(np.max(np.abs(reached / target - 1.0)[fraction <= pass_fraction])),
    )


def gain_through(response: ChannelResponse, inverse: InverseFilter, frequency_hz: FloatArray) -> FloatArray:
    """Complex gain from the terminals to the volts passed on: 1 in the pass band where nothing is wrong.

    Parameters
    ----------
    response : what the input really does
    inverse : the filter that is applied, perhaps designed for another response
    frequency_hz : (n,) Hz, any

    Returns
    -------
    (n,) complex. Above Nyquist: the gain with which that frequency appears at its folded place.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    turn = 2 * np.pi * frequency_hz / response.rate_hz
    m = np.arange(-inverse.half_taps, inverse.half_taps + 1)
    filtered = np.exp(-1j * np.outer(turn, m)) @ inverse.taps
    return np.asarray(response.gain_at(frequency_hz) * filtered)
