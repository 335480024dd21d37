"""The whole firmware on the emulated board: every sample right, every loss counted, CPU and memory within bounds."""

from __future__ import annotations

import pytest
from ampwire import layout
from emulated_board import (
    BOOT_S,
    Numbered,
    assert_exact,
    copy_firmware,
    hear,
    seq_holes,
    session,
    streaming_hello,
)

pytestmark = pytest.mark.long

RATE_HZ = {"bass": 8000, "wide": 25000, "slow": 2000}
# Our bound: the emulator's CPU shares are good to a quarter, and a board needs room for what it does not emulate.
BUSY_MOST = {"bass": 0.30, "wide": 0.60, "slow": 0.30}
# Times at which the small integers of a 32-bit board end.
NEAR_2_30 = "set_counters((1 << 28) - 1000, (1 << 30) - 20000)"
NEAR_2_32 = "set_counters((1 << 28) - 1000, (1 << 32) - 20000)"
BEGIN_FRAMES = "self.framer.begin(self.session.tag, self.stream.n_channels, self.stream.scans_per_frame)"


def stream(emulator, folder, mode, seconds, changes=None, **more):
    """Boot, stream for `seconds`; returns (board, stimulus, heard, busy share while streaming)."""
    stimulus = Numbered()
    tx = session(mode, BOOT_S, BOOT_S + seconds + 1)
    board = emulator.Board(copy_firmware(folder / "board", changes), stimulus, host_tx=tx, **more)
    board.run_until(BOOT_S)
    idle_s = board.idle_s
    board.run_until(BOOT_S + seconds)
    busy = 1 - (board.idle_s - idle_s) / seconds
    return board, stimulus, hear(board.result().chunks), busy


@pytest.mark.parametrize("mode", ["bass", "wide", "slow"])
def test_every_sample_is_exact_and_the_cpu_has_room(emulator, seconds, tmp_path, mode):
    board, stimulus, heard, busy = stream(emulator, tmp_path, mode, seconds)
    exactness = assert_exact(heard, stimulus)
    status = heard.last_status()
    hello = streaming_hello(heard, heard.tags()[0])
    kilobytes = sum(len(packet) for t, packet in board.result().chunks if t > BOOT_S) / seconds / 1000
    print(f"{hello['firmware']}: {mode} {seconds:.0f} s busy {busy:.1%} usb {kilobytes:.1f} kB/s {status}")
    assert exactness.n_missing_scans == 0
    assert exactness.n_scans > RATE_HZ[mode] * (seconds - 0.2)
    assert board.result().adc_dropped == 0
    assert hello["rate_hz"] == [RATE_HZ[mode], 1]
    assert busy <= BUSY_MOST[mode]
    assert (status["die_c"] is None) == (mode != "slow")
    lost = ("overrun_scans", "queue_dropped_frames", "queue_dropped_scans", "fifo_overflows", "bad_commands")
    assert [status[name] for name in lost] == [0] * len(lost)


@pytest.mark.parametrize("mode", ["bass", "wide"])
@pytest.mark.parametrize("channels", ['(("out_p", 26),)', '(("out_p", 26), ("supply", 28))'])
def test_fewer_channels_are_exact_at_their_higher_rates(emulator, seconds, tmp_path, channels, mode):
    three = 'CHANNELS = (("out_p", 26), ("out_n", 27), ("supply", 28))'
    changes = {f"board_config.py: {three}": f"CHANNELS = {channels}"}
    _, stimulus, heard, busy = stream(emulator, tmp_path, mode, seconds, changes)
    exactness = assert_exact(heard, stimulus)
    hello = streaming_hello(heard, heard.tags()[0])
    print(f"{channels} {mode} {hello['rate_hz']} busy {busy:.1%}")
    assert exactness.n_missing_scans == 0
    assert len(hello["channels"]) * hello["rate_hz"][0] == 3 * RATE_HZ[mode] * hello["rate_hz"][1]
    assert busy <= BUSY_MOST[mode]


@pytest.mark.parametrize("counters", [NEAR_2_30, NEAR_2_32])
def test_memory_stands_still_while_every_counter_passes_its_limit(emulator, seconds, tmp_path, counters):
    changes = {
        "main.py: acquire_rp2.Rp2Source()": "acquire_rp2.Rp2Source((1 << 30) - 300000)",
        f"logger/logger.py: {BEGIN_FRAMES}": f"{BEGIN_FRAMES}\n        self.framer.{counters}",
    }
    board, stimulus, heard, _ = stream(emulator, tmp_path, "bass", max(seconds, 6.0), changes)
    exactness = assert_exact(heard, stimulus)
    frames = [f for _, f in heard.samples()]
    limit = 1 << (30 if counters == NEAR_2_30 else 32)
    # From the second status of the session on: what is done for the first time may still take its memory.
    free = [m["free_bytes"] for t, m in heard.messages(layout.KIND_STATUS) if t > BOOT_S + 1.5]
    print("free_bytes", free)
    assert frames[0].index < limit < frames[-1].index
    assert frames[0].seq > frames[-1].seq, "the sequence number has not wrapped"
    assert board.mcu.adc.total > 300000, "the transfer count has not wrapped"
    assert exactness.n_missing_scans == 0
    assert len(free) >= 4
    assert len(set(free)) == 1


def test_a_pause_of_300_ms_loses_nothing_in_bass(emulator, tmp_path):
    _, stimulus, heard, _ = stream(emulator, tmp_path, "bass", 4.0, pauses=[(BOOT_S + 1.5, BOOT_S + 1.8)])
    exactness = assert_exact(heard, stimulus)
    status = heard.last_status()
    print(status)
    assert exactness.n_missing_scans == 0
    assert seq_holes(heard, heard.tags()[0]) == 0
    assert status["queue_dropped_frames"] == 0


@pytest.mark.parametrize("mode", ["bass", "wide"])
def test_a_pause_of_2_s_loses_counted_frames_and_nothing_else(emulator, tmp_path, mode):
    pauses = [(BOOT_S + 1.5, BOOT_S + 3.5)]
    _, stimulus, heard, _ = stream(emulator, tmp_path, mode, 6.0, pauses=pauses)
    exactness = assert_exact(heard, stimulus)
    status = heard.last_status()
    tag = heard.tags()[0]
    print(mode, "worst loop", max(m["worst_loop_us"] for _, m in heard.messages(layout.KIND_STATUS)[-4:]), status)
    assert exactness.n_missing_scans > RATE_HZ[mode]
    assert exactness.n_missing_scans == status["queue_dropped_scans"]
    assert seq_holes(heard, tag) == status["queue_dropped_frames"]
    assert status["overrun_scans"] == 0
    flagged = [f for _, f in heard.samples() if f.flags]
    assert [f.flags for f in flagged] == [layout.FLAG_LINK_LOSS] * len(flagged)
    assert flagged


def test_an_overrun_skips_whole_scans_and_counts_them(emulator, tmp_path):
    stall = "logger.step()\n            if {0} < time.ticks_ms() < {0} + 9:\n                time.sleep_ms(200)"
    changes = {"main.py: logger.step()": stall.format(int(BOOT_S * 1000) + 1000)}
    _, stimulus, heard, _ = stream(emulator, tmp_path, "bass", 4.0, changes)
    exactness = assert_exact(heard, stimulus)
    status = heard.last_status()
    print(exactness, status)
    assert exactness.n_missing_scans == status["overrun_scans"] > 0
    assert status["overruns"] >= 1
    assert seq_holes(heard, heard.tags()[0]) == 0
    assert [f.flags for _, f in heard.samples() if f.flags] == [layout.FLAG_BOARD_LOSS] * status["overruns"]


def test_a_fifo_overflow_is_counted_and_begins_a_new_session(emulator, tmp_path):
    stimulus = Numbered()
    tx = session("bass", BOOT_S, BOOT_S + 5)
    board = emulator.Board(copy_firmware(tmp_path / "board"), stimulus, host_tx=tx)
    converter_starts = []

    def note_start():
        started_s = board.mcu.adc.base * 1e-9
        if board.mcu.adc.running and converter_starts[-1:] != [started_s]:
            converter_starts.append(started_s)
        board.at(board.now + 0.01, note_start)

    board.at(BOOT_S, note_start)
    board.run_until(BOOT_S + 1.5)
    # The DMA is held off for two milliseconds: 384 conversions for the four places of the FIFO.
    paced = [c for c in board.mcu.dma.channels if c._treq_value == emulator.ADC_TREQ and c.active]
    assert len(paced) == 1
    held = paced[0]._treq_value
    paced[0]._treq_value = 0x3E
    board.run_until(board.now + 0.002)  # the emulator may have overshot the time asked for
    paced[0]._treq_value = held
    board.run_until(BOOT_S + 4)
    result = board.result()
    heard = hear(result.chunks)
    tags = heard.tags()
    faults = heard.messages(layout.KIND_FAULT)
    print(result, tags, faults, heard.last_status())
    assert result.adc_dropped > 0  # how many depends on how soon the loop wakes and restarts the converter
    assert len(tags) == 2
    for tag in tags:
        assert assert_exact(heard, stimulus, tag).n_missing_scans == 0
    # The emulator knows when the converter was started each time.
    n_before = heard.samples(tags[0])[-1][1].index + 38
    n_truly_lost = (converter_starts[-1] - converter_starts[-2]) * 8000 - n_before
    print("scans lost", faults[0][1]["lost_scans"], "truly", round(n_truly_lost, 2))
    assert faults[0][1]["lost_scans"] == pytest.approx(n_truly_lost, abs=1.0)
    assert [m["code"] for _, m in faults] == ["fifo-overflow"]
    assert heard.last_status()["fifo_overflows"] == 1
    assert faults[0][0] < BOOT_S + 1.75
