"""The board's analog side: from volts at the terminals to raw conversions in scan order, or straight to blocks.

stimulus -> band-limited, at each conversion's own instant, behind the input network's low-pass -> clamp -> ADC
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
from ampwire import layout

from ampwitness.bench.adc import TOP_CODE, AdcModel
from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.front_end import (
    REFERENCE_SPREAD_RATIO,
    InputNetwork,
    InputParts,
    clamp_pin_v,
    drawn_network,
    nominal_network,
)
from ampwitness.bench.sampling import InstantSampler
from ampwitness.bench.stimulus import Stimulus
from ampwitness.errors import UsageError
from ampwitness.types import Block, Channel, DigitalLine, Edge, Hello

_BLOCK_SCANS = 12_288
_COUNT_BITS = 16


class BoardModel:
    """What the board's converter reads, as a stream of raw conversions.

    Parameters
    ----------
    stimulus : volts at the terminals; may have channels that are not in `roles`
    roles : analog channels in scan order (a real board has three or four; more are allowed here)
    mode : a name in board_config.MODES
    seed : draws the parts, the converter and the noise
    exact_parts : nominal resistors, capacitors and reference, wide codes exactly 8 LSB wider; noise stays
    start_s : stimulus time of the first conversion, taken to the nearest conversion
    adc : another converter instead of the drawn one
    input_of_role : other input networks than board_config's, parts by role

    Raises
    ------
    UsageError : unknown mode, or a role the stimulus does not have

    Limits: the pin's leakage, the converter's sampling time and crosstalk between channels are left out.
    """

    def __init__(
        self,
        stimulus: Stimulus,
        roles: tuple[str, ...],
        mode: str,
        *,
        seed: int = 1,
        exact_parts: bool = False,
        start_s: float = 0.0,
        adc: AdcModel | None = None,
        input_of_role: InputParts | None = None,
    ) -> None:
        config = load_board_config()
        if mode not in config.MODES:
            raise UsageError(f"unknown mode {mode!r}; the modes are {', '.join(config.MODES)}")
        for role in roles:
            if role not in stimulus.roles:
                raise UsageError(f"the stimulus has no {role!r}; it has {', '.join(stimulus.roles)}")
        if not roles:
            raise UsageError("a board needs at least one analog channel")
        self.roles, self.mode = tuple(roles), mode
        self.conversion_rate_hz = Fraction(config.ADC_CLOCK_HZ, config.MODES[mode]["cycles"])
        self._stimulus = stimulus
        self._columns = [stimulus.roles.index(role) for role in roles]
        stimulus_rate = Fraction(stimulus.rate_hz).limit_denominator(1000)
        self._step = stimulus_rate / self.conversion_rate_hz
        self._start = round(start_s * self.conversion_rate_hz)
        n_conversions = stimulus.n_samples / self._step - self._start
        self.n_scans = max(0, int(n_conversions // len(roles)))
        self.reference_v, self.networks = _draw_parts(self.roles, seed, exact_parts, input_of_role)
        self.adc = adc or AdcModel(seed, reference_v=self.reference_v, is_nominal=exact_parts)
        self._samplers = [
            InstantSampler(
                len(roles) * self._step,
                (self._start + place) * self._step,
                network.time_constant_s * float(stimulus_rate),
            )
            for place, network in enumerate(self.networks)
        ]
        group = self._samplers[0].group
        self._block_scans = group * -(-_BLOCK_SCANS // group)
        self._next_scan = 0
        self._waiting: npt.NDArray[np.uint16] = np.empty(0, dtype=np.uint16)
        self._remote = _find_remote_line(stimulus, self.roles)

    def conversions(self, n: int) -> npt.NDArray[np.uint16]:
        """The next `n` raw conversions in scan order; fewer at the end of the stimulus, then none.

        The same codes however `n` is cut.
        """
        pieces, n_have = [self._waiting], len(self._waiting)
        while n_have < n and self._next_scan < self.n_scans:
            block = self._convert_block()
            pieces.append(block)
            n_have += len(block)
        whole = np.concatenate(pieces) if len(pieces) > 1 else pieces[0]
        self._waiting = whole[n:]
        return whole[:n]

    def remote_level(self, time_s: float) -> int | None:
        """Level of the digital remote line `time_s` after the first conversion; None: the stimulus has no such line.

        A line is digital when the stimulus names `remote` and the board's analog roles do not.
        """
        if self._remote is None:
            return None
        column, threshold_v = self._remote
        at = int((time_s + float(self._start / self.conversion_rate_hz)) * self._stimulus.rate_hz)
        return int(self._stimulus.volts(at, 1)[0, column] > threshold_v)

    def remote_edges(self, start_s: float, stop_s: float) -> list[tuple[float, int]]:
        """Changes of the digital remote line in start_s <= t < stop_s after the first conversion: (time_s, level)."""
        if self._remote is None:
            return []
        column, threshold_v = self._remote
        rate_hz, origin_s = self._stimulus.rate_hz, float(self._start / self.conversion_rate_hz)
        first = int(np.ceil((start_s + origin_s) * rate_hz))
        last = int(np.ceil((stop_s + origin_s) * rate_hz))
        is_high = self._stimulus.volts(first - 1, last - first + 1)[:, column] > threshold_v
        changes = np.flatnonzero(is_high[1:] != is_high[:-1])
        return [(float((first + k) / rate_hz - origin_s), int(is_high[k + 1])) for k in changes]

    def _convert_block(self) -> npt.NDArray[np.uint16]:
        scan, n = self._next_scan, self._block_scans
        ranges = [sampler.range_for(scan, n) for sampler in self._samplers]
        start, stop = min(r[0] for r in ranges), max(r[1] for r in ranges)
        volts = self._stimulus.volts(start, stop - start)
        pin_v = np.empty((n, len(self.roles)))
        for place, (sampler, network) in enumerate(zip(self._samplers, self.networks, strict=True)):
            column = np.ascontiguousarray(volts[:, self._columns[place]])
            terminal_v = sampler.sample(column, start, scan, n)
            pin_v[:, place] = network.bias_v + network.gain_ratio * terminal_v
        codes = self.adc.codes(clamp_pin_v(pin_v))
        self._next_scan += n
        return codes[: self.n_scans - scan].reshape(-1)


def _draw_parts(
    roles: tuple[str, ...], seed: int, exact_parts: bool, input_of_role: InputParts | None
) -> tuple[float, list[InputNetwork]]:
    """Reference and networks of a board. A role's parts depend on the seed and the role, not on its neighbours."""
    config = load_board_config()
    if exact_parts:
        return config.REFERENCE_V, [nominal_network(role, input_of_role) for role in roles]
    error = np.random.default_rng([seed, 0]).uniform(-REFERENCE_SPREAD_RATIO, REFERENCE_SPREAD_RATIO)
    reference_v = config.REFERENCE_V * (1 + error)
    known = list(config.INPUT_OF_ROLE)
    return reference_v, [
        drawn_network(role, reference_v, np.random.default_rng([seed, 1 + known.index(role)]), input_of_role)
        for role in roles
    ]


def _find_remote_line(stimulus: Stimulus, roles: tuple[str, ...]) -> tuple[int, float] | None:
    if "remote" not in stimulus.roles or "remote" in roles:
        return None
    threshold_v = next(volts for role, _, volts in load_board_config().DIGITAL if role == "remote")
    return stimulus.roles.index("remote"), threshold_v


# ---- without a wire -------------------------------------------------------------------------------------------------


def count_shift(averaging: int) -> int:
    """Bits by which the sum of `averaging` conversions is shifted right so that it fits 16 bits."""
    return max(0, (averaging * TOP_CODE).bit_length() - _COUNT_BITS)


def nominal_channels(roles: tuple[str, ...], mode: str) -> tuple[Channel, ...]:
    """What a board of these roles says of its channels: nominal gain and offset, and the in-scan offset."""
    config = load_board_config()
    pins = dict(config.CHANNELS)
    spare = iter(range(29, 29 + len(roles)))
    channels = []
    for place, role in enumerate(roles):
        network = nominal_network(role)
        channels.append(
            Channel(
                role=role,
                pin=pins.get(role) or next(spare),
                gain_v_per_code=config.REFERENCE_V / config.ADC_CODES / network.gain_ratio,
                offset_v=-network.bias_v / network.gain_ratio,
                in_scan_offset_ns=round(place * config.MODES[mode]["cycles"] * 10**9 / config.ADC_CLOCK_HZ),
            )
        )
    return tuple(channels)


def simulate_blocks(
    stimulus: Stimulus,
    roles: tuple[str, ...],
    mode: str,
    *,
    seed: int = 1,
    block_s: float = 1.0,
    exact_parts: bool = False,
    start_s: float = 0.0,
) -> Iterator[Hello | Block | Edge]:
    """What the decoder would give for this stimulus over a perfect link: one Hello, then Blocks, Edges as they come.

    Parameters
    ----------
    block_s : length of a block, rounded to whole frames; the scans that do not fill a last frame are left out
    the others : as for BoardModel

    Returns
    -------
    Iterator; the edges of a digital remote line follow the block in which they lie. Recording time 0 is the first
    conversion, which stands at `start_s` of the stimulus.
    """
    board = BoardModel(stimulus, roles, mode, seed=seed, exact_parts=exact_parts, start_s=start_s)
    averaging = load_board_config().MODES[mode]["averaging"]
    hello = _hello(board, averaging)
    yield hello
    n_scan, n_channels = hello.scans_per_frame, len(roles)
    n_frames_wanted = max(1, round(block_s * float(hello.rate_hz) / n_scan))
    n_frames_done = 0
    while True:
        raw = board.conversions(n_frames_wanted * n_scan * averaging * n_channels)
        n_frames = len(raw) // (n_scan * averaging * n_channels)
        if n_frames == 0:
            return
        frames = raw[: n_frames * n_scan * averaging * n_channels].reshape(n_frames, n_scan, averaging, n_channels)
        block = _block(frames, hello, n_frames_done)
        yield block
        n_frames_done += n_frames
        stop_s = float(n_frames_done * n_scan / hello.rate_hz)
        for time_s, level in board.remote_edges(block.start_s, stop_s):
            yield Edge("remote", level, time_s, hello.session_id, int(time_s * hello.rate_hz))


def _block(frames: npt.NDArray[np.uint16], hello: Hello, first_frame: int) -> Block:
    """Average raw conversions (n_frames, scans, averaging, channels) as the firmware does."""
    n_frames, n_scan, averaging, n_channels = frames.shape
    total = np.zeros((n_frames, n_scan, n_channels), dtype=np.uint32)
    for k in range(averaging):  # much faster than a sum over the short axis
        total += frames[:, :, k]
    counts = (total >> count_shift(averaging)).astype(np.uint16).reshape(n_frames * n_scan, n_channels)
    rails = np.zeros((n_frames, n_channels, 2), dtype=np.uint8)
    for place, code in enumerate((0, TOP_CODE)):
        if (is_at_rail := frames == code).any():
            rails[:, :, place] = np.minimum(is_at_rail.sum(axis=(1, 2)), 127)
    counts.flags.writeable = rails.flags.writeable = False
    first = first_frame * n_scan
    return Block(
        session_id=hello.session_id,
        seq=first_frame,
        n_frames=n_frames,
        first_sample_index=first,
        start_s=float(first / hello.rate_hz),
        rate_hz=hello.rate_hz,
        counts=counts,
        at_rail=rails,
        scans_per_frame=n_scan,
        hello=hello,
        host_s=float((first + n_frames * n_scan) / hello.rate_hz),
    )


def _hello(board: BoardModel, averaging: int) -> Hello:
    config = load_board_config()
    level = board.remote_level(0.0)
    digital = tuple(
        DigitalLine(role, pin, threshold_v, level)
        for role, pin, threshold_v in config.DIGITAL
        if role == "remote" and level is not None
    )
    fields: dict[str, Any] = {
        "protocol": int(layout.PROTOCOL_VERSION),
        "firmware": "none: straight from the model",
        "board_id": "model",
        "session_id": "model-1",
        "reset_cause": "power on",
        "mode": board.mode,
        "averaging": averaging,
        "counts_per_code": averaging / 2 ** count_shift(averaging),
        "scans_per_frame": layout.scans_per_frame(len(board.roles)),
        "input_corner_hz": float(config.INPUT_CORNER_HZ),
        "time_scale": 1.0,
    }
    return Hello(
        **fields,
        session_tag=1,
        rate_hz=board.conversion_rate_hz / averaging / len(board.roles),
        channels=nominal_channels(board.roles, board.mode),
        digital=digital,
        sample_index=0,
        host_s=0.0,
        raw=fields,
    )
