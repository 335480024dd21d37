"""What really hangs on an amplifier: a moving-coil loudspeaker, seen from its terminals.

    o--- coil_ohm --- coil_h ---+--------+--------+
                                |        |        |
                             farad    henry   loss_ohm       the motion: back-EMF is the volts across these three
                                |        |        |
    o---------------------------+--------+--------+

The three parallel parts follow from resonance and quality factors (IEC 60268-5 and common textbooks name them):
farad = Qes / (w Re), henry = Re / (w Qes), loss_ohm = Re Qms / Qes, w = 2 pi resonance. At resonance, without the
coil's inductance, the impedance is Re (1 + Qms / Qes).

Limits: linear; the coil neither heats up nor leaves its gap; eddy currents in the pole piece are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm
from scipy.signal import lfilter, lfiltic, ss2tf

Samples = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Recursion:
    """A load from sample to sample: x' = a x + b v, current = x'[0], with the volts v held since the sample before."""

    a: tuple[tuple[float, float, float], ...]
    b: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Loudspeaker:
    """A driver in its box. States: coil current, back-EMF, current of the spring's inductance."""

    coil_ohm: float = 3.3
    coil_h: float = 0.0012
    resonance_hz: float = 38.0
    q_mechanical: float = 5.0
    q_electrical: float = 0.7

    @property
    def farad(self) -> float:
        """The moving mass, as a capacitor."""
        return self.q_electrical / (2 * math.pi * self.resonance_hz * self.coil_ohm)

    @property
    def henry(self) -> float:
        """The spring, as an inductor."""
        return self.coil_ohm / (2 * math.pi * self.resonance_hz * self.q_electrical)

    @property
    def loss_ohm(self) -> float:
        """The mechanical losses, as a resistor."""
        return self.coil_ohm * self.q_mechanical / self.q_electrical

    def impedance_ohm(self, frequency_hz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
        """Complex impedance at these frequencies."""
        s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
        motion = 1 / (s * self.farad + 1 / (s * self.henry) + 1 / self.loss_ohm)
        return np.asarray(self.coil_ohm + s * self.coil_h + motion)

    def recursion(self, rate_hz: float) -> Recursion:
        """The load at a sample rate."""
        system = np.zeros((4, 4))
        system[0, :] = [-self.coil_ohm / self.coil_h, -1 / self.coil_h, 0, 1 / self.coil_h]
        system[1, :3] = [1 / self.farad, -1 / (self.farad * self.loss_ohm), -1 / self.farad]
        system[2, 1] = 1 / self.henry
        step = expm(system / rate_hz)
        rows = tuple((float(r[0]), float(r[1]), float(r[2])) for r in step[:3, :3])
        return Recursion(rows, (float(step[0, 3]), float(step[1, 3]), float(step[2, 3])))

    # ---- as a load of amplifier.py

    def rest_state(self) -> tuple[float, ...]:
        """Three last currents and three last volts: what the difference equation remembers."""
        return (0.0,) * 6

    def current_a(
        self, output_v: Samples, rate_hz: float, state: tuple[float, ...]
    ) -> tuple[Samples, tuple[float, ...]]:
        """Current for these volts, and the state after them."""
        step = self.recursion(rate_hz)
        a, b = np.array(step.a), np.array(step.b)[:, None]
        # current_k = first row of (a x_k-1 + b v_k), hence the direct term
        numerator, denominator = ss2tf(a, b, a[:1], b[:1])
        rest = lfiltic(numerator[0], denominator, state[:3], state[3:])
        current_a, _ = lfilter(numerator[0], denominator, output_v, zi=rest)
        currents = (*current_a[::-1][:3], *state[:3])[:3]
        volts = (*output_v[::-1][:3], *state[3:])[:3]
        return np.asarray(current_a), tuple(float(x) for x in (*currents, *volts))
