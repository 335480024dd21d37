"""One unbroken run of scans inside a session: keeps the raw counts that are still needed and turns spans into volts."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from math import ceil

import numpy as np
import numpy.typing as npt

from ampwitness.types import Block, Calibration, CountArray, FloatArray, InputPath
from ampwitness.waveform.adc_correction import CENTRE_CODE, AdcModel, correct_counts, make_correction
from ampwitness.waveform.balance import BridgeBalanceMeter
from ampwitness.waveform.response import HALF_TAPS, design_inverse, response_of
from ampwitness.waveform.tiles import TileFilter, TileInputs

BALANCE_EVERY, BALANCE_STRETCH = 8192, 2048  # samples: the two dividers are compared on a quarter of them
BALANCE_SELDOM = 8  # and once that is settled on each eighth of those
COMMON = "common"  # half the sum of a bridged output's terminals
StreamKey = tuple[str, Fraction, tuple[str, ...]]  # mode, rate, roles: a window never mixes two of these


def stream_key(block: Block) -> StreamKey:
    """What must stay the same within a window."""
    return (block.hello.mode, block.rate_hz, block.hello.roles)


def trace_role_of(role: str, roles: tuple[str, ...]) -> str:
    """The trace a channel belongs to: out_p, and out_n beside it, make `output`; others keep their role."""
    if role == "out_p" or (role == "out_n" and "out_p" in roles):
        return "output"
    return role


def origin_of(first: Block) -> Fraction:
    """Recording time of a session's scan 0, from its first block."""
    return Fraction(first.start_s) - first.first_sample_index / first.rate_hz


class SessionVolts:
    """Everything fixed for a session: where its samples stand in recording time, its filters and its calibrations."""

    def __init__(
        self,
        first: Block,
        calibrations: Mapping[str, Calibration],
        corner_hz_by_role: Mapping[str, float],
        adc: AdcModel | None,
        origin: Fraction | None = None,
    ) -> None:
        hello = first.hello
        self.session_id = first.session_id
        self.key = stream_key(first)
        self.mode = hello.mode
        self.rate = first.rate_hz
        self.rate_hz = float(first.rate_hz)
        self.roles = hello.roles
        self.trace_roles = tuple(dict.fromkeys(trace_role_of(role, self.roles) for role in self.roles))
        # Exact, from the session's first scan alone: how the blocks after it are cut has no say in it.
        self._origin = origin_of(first) if origin is None else origin
        self._correction = make_correction(adc, hello.averaging, float(hello.counts_per_code))
        self._filters: list[TileFilter] = []
        self.paths: dict[str, tuple[InputPath, ...]] = dict.fromkeys(self.trace_roles, ())
        self._offsets: dict[str, float] = dict.fromkeys(self.trace_roles, 0.0)
        self._common_offset_v = 0.0
        for role in self.roles:
            calibration = calibrations[role]
            sign = -1.0 if role == "out_n" and "out_p" in self.roles else 1.0
            response = response_of(hello, role, corner_hz_by_role.get(role))
            self.paths[trace_role_of(role, self.roles)] += (
                InputPath(response.corner_hz, response.averaging, response.delay_s),
            )
            inverse = design_inverse(response)
            self._filters.append(TileFilter(inverse, sign * calibration.gain_v_per_code))
            centre_v = calibration.gain_v_per_code * CENTRE_CODE + calibration.offset_v
            self._offsets[trace_role_of(role, self.roles)] += sign * centre_v
            if role in ("out_p", "out_n"):
                self._common_offset_v += centre_v / 2

    def time(self, index: int) -> Fraction:
        """Recording time of a sample."""
        return self._origin + index / self.rate

    def time_s(self, index: int) -> float:
        """Recording time of a sample, rounded once."""
        return float(self.time(index))

    def first_index_at(self, time: Fraction) -> int:
        """First sample at or after a recording time."""
        return ceil((time - self._origin) * self.rate)

    def volts(
        self, counts: CountArray, first: int, start: int, stop: int, meter: BridgeBalanceMeter | None
    ) -> dict[str, FloatArray]:
        """Volts of samples start ... stop of an unbroken run.

        Parameters
        ----------
        counts : (n_channels, n) uint16; counts[:, 0] is sample `first` and is, like the last, either the run's end or
            HALF_TAPS + 1 samples beyond the samples wanted
        meter : is shown both terminals of a bridged output; None: not

        Returns
        -------
        trace role -> (stop - start,) float32 volts at the terminals, read-only; of a bridged output COMMON as well.
        """
        parts: dict[str, list[npt.NDArray[np.float32]]] = {}
        inputs = TileInputs(start, stop, HALF_TAPS)
        codes = inputs.between(first, first + counts.shape[1])
        for channel, role in enumerate(self.roles):
            correct_counts(counts[channel], self._correction, out=codes)
            part = self._filters[channel].run(inputs)
            parts.setdefault(trace_role_of(role, self.roles), []).append(part)
        volts: dict[str, FloatArray] = {}
        for role, pieces in parts.items():
            if len(pieces) == 2 and meter is not None:
                self._compare(meter, pieces[0], pieces[1], start)
            total = pieces[0]
            if len(pieces) == 2:
                common = np.subtract(pieces[0], pieces[1])  # the second is negative already
                common *= np.float32(0.5)
                common += np.float32(self._common_offset_v)
                common.setflags(write=False)
                volts[COMMON] = common
                total += pieces[1]
            total += np.float32(self._offsets[role])
            total.setflags(write=False)
            volts[role] = total
        return volts

    @staticmethod
    def _compare(
        meter: BridgeBalanceMeter, out_p_v: npt.NDArray[np.float32], minus_out_n_v: npt.NDArray[np.float32], start: int
    ) -> None:
        first = -(-start // BALANCE_EVERY) * BALANCE_EVERY
        for sample in range(first, start + len(out_p_v) - BALANCE_STRETCH + 1, BALANCE_EVERY):
            if meter.is_settled and sample % (BALANCE_SELDOM * BALANCE_EVERY):
                continue
            span = slice(sample - start, sample - start + BALANCE_STRETCH)
            meter.push(out_p_v[span], -minus_out_n_v[span])


class Run:
    """Scans of one session without a gap between them, as raw counts; old ones are let go."""

    def __init__(self, session: SessionVolts, first_index: int) -> None:
        self.session = session
        self.start = first_index
        self.stop = first_index
        self.is_closed = False
        self._kept: list[tuple[int, CountArray]] = []

    @property
    def first_output(self) -> int:
        """First sample that has HALF_TAPS samples before it."""
        return self.start + HALF_TAPS

    @property
    def stop_output(self) -> int:
        """One past the last sample that is final: HALF_TAPS samples behind it, and while the run goes on one more, as
        the converter's correction looks at both neighbours."""
        return self.stop - HALF_TAPS - (0 if self.is_closed else 1)

    @property
    def n_trimmed(self) -> int:
        """Samples that are received but not passed on once the run is closed."""
        return min(2 * HALF_TAPS, self.stop - self.start)

    def append(self, block: Block) -> None:
        """Take the next block of the run."""
        self._kept.append((block.first_sample_index, block.counts))
        self.stop += len(block.counts)

    def forget_before(self, index: int) -> None:
        """Let go of counts that no output from `index` on needs."""
        needed = index - HALF_TAPS - 1
        self._kept = [(first, counts) for first, counts in self._kept if first + len(counts) > needed]

    def volts(self, start: int, stop: int, meter: BridgeBalanceMeter | None) -> dict[str, FloatArray]:
        """Volts of samples start ... stop, which must lie within first_output ... stop_output."""
        low, high = max(self.start, start - HALF_TAPS - 1), min(self.stop, stop + HALF_TAPS + 1)
        pieces = [
            counts[max(0, low - first) : high - first]
            for first, counts in self._kept
            if first < high and first + len(counts) > low
        ]
        planar = np.empty((len(self.session.roles), high - low), dtype=np.uint16)
        at = 0
        for piece in pieces:
            planar[:, at : at + len(piece)] = piece.T
            at += len(piece)
        return self.session.volts(planar, low, start, stop, meter)
