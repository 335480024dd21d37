"""The board's analog side: instants, low-pass, scan skew and cutting, against closed forms."""

import itertools
import time

import numpy as np
import pytest
from ampwitness.bench.adc import AdcModel
from ampwitness.bench.board_model import BoardModel, nominal_channels, simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.errors import UsageError
from ampwitness.types import Block, Edge, Hello

ROLES = ("out_p", "out_n", "supply")


class PinReader:
    """Stands in for the converter and keeps the pin volts it is shown."""

    def __init__(self) -> None:
        self.pin_v: list[np.ndarray] = []

    def codes(self, pin_v: np.ndarray) -> np.ndarray:
        self.pin_v.append(pin_v.copy())
        return np.zeros(pin_v.shape, dtype=np.uint16)


def sines(rate_hz: int, seconds: float, tone_hz: float) -> ArrayStimulus:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    swing = np.sin(2 * np.pi * tone_hz * t + 0.3)
    return ArrayStimulus(ROLES, rate_hz, np.column_stack((7 + 20 * swing, 7 - 20 * swing, 12 + 2 * swing)))


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000, 44_101, 11_025])
@pytest.mark.parametrize("mode", ["bass", "wide"])
def test_pin_volts_are_those_of_the_sine_behind_the_rc_at_each_conversion(rate_hz: int, mode: str) -> None:
    tone_hz, start_s = 1_234.5, 0.0203
    reader = PinReader()
    board = BoardModel(
        sines(rate_hz, 0.25, tone_hz),
        ROLES,
        mode,
        exact_parts=True,
        start_s=start_s,
        adc=reader,  # type: ignore[arg-type]
    )
    n = len(board.conversions(10**9))
    pin_v = np.concatenate(reader.pin_v)[: n // 3]
    conversion = np.arange(n).reshape(-1, 3) + round(start_s * board.conversion_rate_hz)
    t = conversion / float(board.conversion_rate_hz)
    inner = slice(1000, -1000)  # away from the ends, where the stimulus stops being a sine
    for place, (network, dc, ac) in enumerate(zip(board.networks, (7, 7, 12), (20, -20, 2), strict=True)):
        response = 1 / (1 + 1j * tone_hz / network.corner_hz)
        sine = np.imag(response * np.exp(1j * (2 * np.pi * tone_hz * t[:, place] + 0.3)))
        expected = network.bias_v + network.gain_ratio * (dc + ac * sine)
        error = np.abs(pin_v[inner, place] - expected[inner]).max()
        assert error < 2e-5 * abs(ac) * network.gain_ratio + 1e-9


def test_top_of_the_stimulus_band_survives() -> None:
    # 20 kHz in a 44.1 kS/s file lies at 0.4535 of its rate, and must come out at the RC's loss.
    reader = PinReader()
    board = BoardModel(sines(44_100, 0.3, 20_000), ROLES, "bass", exact_parts=True, adc=reader)  # type: ignore[arg-type]
    board.conversions(10**9)
    seen = np.concatenate(reader.pin_v)[2000:14000, 0]
    network = board.networks[0]
    expected = 20 * network.gain_ratio / np.sqrt(1 + (20_000 / network.corner_hz) ** 2)
    assert np.std(seen) * np.sqrt(2) == pytest.approx(expected, rel=0.01)


def test_dc_is_exact_to_the_very_ends() -> None:
    reader = PinReader()
    stimulus = ArrayStimulus(ROLES, 48_000, np.tile([7.0, 6.0, 12.6], (4800, 1)))
    board = BoardModel(stimulus, ROLES, "bass", exact_parts=True, adc=reader)  # type: ignore[arg-type]
    n = len(board.conversions(10**9))
    assert n == 19_200
    pin_v = np.concatenate(reader.pin_v)[: n // 3]
    for place, terminal_v in enumerate((7.0, 6.0, 12.6)):
        network = board.networks[place]
        assert np.abs(pin_v[:, place] - network.bias_v - network.gain_ratio * terminal_v).max() < 1e-12


@pytest.mark.parametrize("rate_hz", [48_000, 44_100, 44_101])
def test_same_codes_however_they_are_cut(rate_hz: int) -> None:
    stimulus = sines(rate_hz, 0.7, 40.0)
    whole = BoardModel(stimulus, ROLES, "bass", seed=3).conversions(10**9)
    board = BoardModel(stimulus, ROLES, "bass", seed=3)
    sizes = np.random.default_rng(1).integers(1, 20_000, 1000)
    pieces = []
    for n in sizes:
        pieces.append(board.conversions(int(n)))
        if len(pieces[-1]) == 0:
            break
        assert len(pieces[-1]) == n or len(np.concatenate(pieces)) == len(whole)
    assert np.array_equal(np.concatenate(pieces), whole)
    assert len(whole) == 3 * int(0.7 * 64_000)
    assert not np.array_equal(whole, BoardModel(stimulus, ROLES, "bass", seed=4).conversions(10**9))


def test_a_roles_parts_do_not_depend_on_its_neighbours() -> None:
    stimulus = sines(48_000, 0.1, 40.0)
    alone = BoardModel(stimulus, ("supply",), "bass", seed=9)
    together = BoardModel(stimulus, ROLES, "bass", seed=9)
    assert alone.networks[0] == together.networks[2]


def test_blocks_are_the_conversions_averaged() -> None:
    stimulus = sines(48_000, 2.3, 40.0)
    items = list(simulate_blocks(stimulus, ROLES, "slow", seed=2, block_s=0.5))
    hello = items[0]
    assert isinstance(hello, Hello)
    assert (hello.rate_hz, hello.counts_per_code, hello.roles) == (2000, 16, ROLES)
    blocks = [item for item in items[1:] if isinstance(item, Block)]
    counts = np.concatenate([block.counts for block in blocks])
    raw = BoardModel(stimulus, ROLES, "slow", seed=2).conversions(len(counts) * 32 * 3)
    assert np.array_equal(counts, raw.reshape(-1, 32, 3).sum(axis=1) // 2)
    assert counts.max() <= 65_535
    for before, after in itertools.pairwise(blocks):
        assert after.first_sample_index == before.first_sample_index + len(before.counts)
        assert after.seq == before.seq + before.n_frames
        assert after.start_s == pytest.approx(after.first_sample_index / 2000)


def test_counts_come_back_as_volts() -> None:
    stimulus = ArrayStimulus(ROLES, 8_000, np.tile([7.25, -30.0, 12.6], (8000, 1)))
    items = list(simulate_blocks(stimulus, ROLES, "bass", exact_parts=True))
    hello, block = items[0], items[1]
    assert isinstance(hello, Hello)
    assert isinstance(block, Block)
    for place, (channel, volts) in enumerate(zip(hello.channels, (7.25, -30.0, 12.6), strict=True)):
        mean_code = block.counts[:, place].mean() / hello.counts_per_code
        seen = channel.gain_v_per_code * mean_code + channel.offset_v
        # within the converter's non-linearity of 4 LSB
        assert abs(seen - volts) < 4.2 * channel.gain_v_per_code


def test_rails_are_counted_before_averaging() -> None:
    volts = np.tile([0.0, 0.0, 12.6], (8_000, 1))
    volts[4000:, 0] = 80.0
    volts[4000:, 1] = -80.0
    blocks = [b for b in simulate_blocks(ArrayStimulus(ROLES, 8_000, volts), ROLES, "bass") if isinstance(b, Block)]
    rails = np.concatenate([block.at_rail for block in blocks])
    assert rails[:100].max() == 0
    assert np.all(rails[-10:, 0] == [0, 127])
    assert np.all(rails[-10:, 1] == [127, 0])
    assert rails[:, 2].max() == 0


def test_a_remote_channel_that_is_no_analog_role_is_a_digital_line() -> None:
    n = 48_000
    remote = np.full(n, 12.0)
    remote[24_000:30_000] = 0.0
    volts = np.column_stack((np.zeros(n), np.zeros(n), np.full(n, 12.6), remote))
    stimulus = ArrayStimulus((*ROLES, "remote"), 48_000, volts)
    board = BoardModel(stimulus, ROLES, "bass", start_s=0.25)
    assert [board.remote_level(t) for t in (0.0, 0.2499, 0.2501, 0.374, 0.376)] == [1, 1, 0, 0, 1]
    items = list(simulate_blocks(stimulus, ROLES, "bass", start_s=0.25, block_s=0.1))
    edges = [item for item in items if isinstance(item, Edge)]
    assert [(edge.level, round(edge.time_s, 6)) for edge in edges] == [(0, 0.25), (1, 0.375)]
    assert isinstance(items[0], Hello)
    assert items[0].digital[0].level == 1
    analog = BoardModel(stimulus, (*ROLES, "remote"), "bass")
    assert analog.remote_level(0.0) is None


def test_skew_is_told_per_channel() -> None:
    assert [channel.in_scan_offset_ns for channel in nominal_channels(ROLES, "bass")] == [0, 5208, 10417]


def test_wrong_wishes_are_refused() -> None:
    stimulus = sines(8_000, 0.1, 40.0)
    with pytest.raises(UsageError, match="unknown mode 'loud'"):
        BoardModel(stimulus, ROLES, "loud")
    with pytest.raises(UsageError, match="no 'battery'"):
        BoardModel(stimulus, ("battery",), "bass")


def test_two_million_conversions_a_second() -> None:
    board = BoardModel(sines(48_000, 8.0, 40.0), ROLES, "bass")
    began = time.process_time()  # our own time, not that of other programs
    n = len(board.conversions(10**9))
    assert n / (time.process_time() - began) > 2e6


def test_converter_may_be_given() -> None:
    codes = BoardModel(sines(8_000, 0.1, 40.0), ROLES, "bass", adc=AdcModel(1, is_noisy=False)).conversions(30)
    assert codes.dtype == np.uint16
