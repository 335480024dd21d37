"""What stands at the terminals: volts of several roles against time, from an array or a file."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

Volts = npt.NDArray[np.float64]


class Stimulus(Protocol):
    """Volts at the terminals, sampled evenly; between samples the signal is the band-limited one through them."""

    @property
    def roles(self) -> tuple[str, ...]: ...

    @property
    def rate_hz(self) -> float: ...

    @property
    def n_samples(self) -> int: ...

    @property
    def duration_s(self) -> float: ...

    def volts(self, start_sample: int, n: int) -> Volts:
        """Volts (n, n_roles) from `start_sample`; before the start and after the end the edge value is held."""
        ...


class ArrayStimulus:
    """A stimulus held in memory.

    Parameters
    ----------
    roles : name of each column
    rate_hz : samples a second
    volts : (n, n_roles) volts at the terminals
    """

    def __init__(self, roles: tuple[str, ...], rate_hz: float, volts: npt.NDArray[np.floating[Any]]) -> None:
        if volts.ndim != 2 or volts.shape[1] != len(roles) or len(volts) == 0:
            raise ValueError(f"volts of shape {volts.shape} do not fit the {len(roles)} roles {', '.join(roles)}")
        self.roles = tuple(roles)
        self.rate_hz = float(rate_hz)
        self._volts = volts

    @property
    def n_samples(self) -> int:
        return len(self._volts)

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz

    def role_v(self, role: str) -> npt.NDArray[np.floating[Any]]:
        """All volts (n,) of one role."""
        return self._volts[:, self.roles.index(role)]

    def volts(self, start_sample: int, n: int) -> Volts:
        """Volts (n, n_roles) from `start_sample`; before the start and after the end the edge value is held."""
        return hold_edges(self._volts, start_sample, n)


def hold_edges(samples: npt.NDArray[Any], start: int, n: int) -> Volts:
    """Rows start .. start + n of `samples` as float64, the first and last row repeated beyond the ends."""
    inside = samples[max(0, start) : max(0, min(start + n, len(samples)))]
    if len(inside) == n:
        return np.asarray(inside, dtype=np.float64)
    at = np.clip(np.arange(start, start + n), 0, len(samples) - 1)
    return np.asarray(samples[at], dtype=np.float64)
