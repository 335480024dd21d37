"""The firmware's life on the emulated board: ports that close, buttons, edges, resets, the way to the prompt."""

from __future__ import annotations

from pathlib import Path

import pytest
from ampwire import layout
from emulated_board import (
    BOOT_S,
    Numbered,
    assert_exact,
    command,
    copy_firmware,
    hear,
    heartbeats,
    session,
    streaming_hello,
)

pytestmark = pytest.mark.long

HERE = Path(__file__).parent
HEARTBEAT_TIMEOUT_S = 2.0


def boot(emulator, tmp_path, changes=None, **more):
    """A board with the firmware and a numbered stimulus."""
    stimulus = Numbered()
    return emulator.Board(copy_firmware(tmp_path / "board", changes), stimulus, **more), stimulus


def test_kernels_on_the_target_match_their_twins(emulator, tmp_path):
    folder = copy_firmware(tmp_path / "board")
    (folder / "main.py").write_text((HERE / "kernels_on_board.py").read_text(encoding="utf-8"), encoding="utf-8")
    text = emulator.run_board(folder, None, 25.0).data.decode()
    print(text)
    lines = text.splitlines()
    for name in ("averages", "full_rails", "checks", "stuffing", "counting"):
        assert f"{name} thumb right" in lines
        assert f"{name} viper right" in lines
    assert "done True" in lines


def test_closed_port_stops_streaming_and_reopening_begins_a_new_session(emulator, tmp_path):
    close_s, open_s = BOOT_S + 1.3, BOOT_S + 5.0
    tx = session("bass", BOOT_S, close_s) + session("bass", open_s + 0.6, open_s + 3)
    board, stimulus = boot(emulator, tmp_path, host_tx=tx, closed=[(close_s, open_s)])
    board.run_until(close_s)
    converted = []
    for t in (1.0, HEARTBEAT_TIMEOUT_S + 0.6, HEARTBEAT_TIMEOUT_S + 1.6):
        board.run_until(close_s + t)
        converted.append(board.mcu.adc.total)
    assert converted[0] < converted[1] == converted[2], "the converter did not stop within the heartbeat's time-out"
    board.run_until(open_s + 2.5)
    heard = hear(board.result().chunks)
    tags = heard.tags()
    print(tags, heard.bad)
    # A frame that was on its way when the port closed may arrive cut; nothing wrong may be taken for data.
    assert len(heard.bad) <= 1
    heard.bad.clear()
    assert len(tags) == 2
    for tag in tags:
        assert_exact(heard, stimulus, tag)
    # Between closing and the time-out the port takes and forgets; its last bytes arrive late, under the old tag.
    before = [f.index for t, f in heard.samples(tags[0]) if t < close_s]
    assert before == list(range(0, 38 * len(before), 38))
    after = [f.index for _, f in heard.samples(tags[1])]
    assert after == list(range(0, 38 * len(after), 38))
    late = [f.tag for t, f in heard.samples() if t > open_s + 0.6]
    assert set(late) == {tags[1]}


def test_stop_and_start_give_sessions_that_are_exact(emulator, tmp_path):
    tx = [
        *session("bass", BOOT_S, BOOT_S + 4),
        (BOOT_S + 1.0, command(layout.KIND_STOP)),
        (BOOT_S + 1.5, command(layout.KIND_START)),
        (BOOT_S + 2.5, command(layout.KIND_MODE, b"wide")),
    ]
    board, stimulus = boot(emulator, tmp_path, host_tx=tx)
    board.run_until(BOOT_S + 3.5)
    heard = hear(board.result().chunks)
    tags = heard.tags()
    assert len(tags) == 3
    for tag in tags:
        assert assert_exact(heard, stimulus, tag).n_missing_scans == 0
    assert [streaming_hello(heard, tag)["mode"] for tag in tags] == ["bass", "bass", "wide"]


def test_a_mark_by_either_button_is_within_50_ms(emulator, tmp_path):
    button_s, bootsel_s = BOOT_S + 1.2345, BOOT_S + 2.0123
    board, _ = boot(
        emulator,
        tmp_path,
        host_tx=session("bass", BOOT_S, BOOT_S + 4),
        gpio={14: lambda t: not button_s <= t < button_s + 0.15},
    )
    bootsel = find_bootsel(board)
    board.at(bootsel_s, bootsel.press)
    board.at(bootsel_s + 0.15, bootsel.release)
    board.run_until(BOOT_S + 3)
    heard = hear(board.result().chunks)
    marks = heard.of_kind(layout.KIND_MARK)
    zero_s = start_of_scans(board, heard)
    late_ms = [
        1000 * (zero_s + f.index / 8000 - pressed) for (_, f), pressed in zip(marks, (button_s, bootsel_s), strict=True)
    ]
    print("marks late by ms", late_ms)
    assert [f.payload for _, f in marks] == [bytes([layout.MARK_BUTTON])] * 2
    assert all(-1 <= late <= 50 for late in late_ms)


def find_bootsel(board):
    """The emulated BOOTSEL button."""
    pin = board.mcu.qspi[1]

    class Bootsel:
        """Pulls the flash's select line down, as the button does."""

        def press(self):
            """Hold it."""
            pin.set_input_value(False)

        def release(self):
            """Let go."""
            pin.release_input()

    return Bootsel()


def start_of_scans(board, heard):
    """Board time of scan 0: the converter's own start, known to the emulator."""
    return board.mcu.adc.base * 1e-9


def test_edges_are_within_a_millisecond_even_while_the_loop_is_busy(emulator, tmp_path):
    # 23 edges over a second, so that some fall into the loop's longest turn; a pulse of 3 ms among them.
    times = [BOOT_S + 0.5 + 0.0437 * k for k in range(22)]
    times += [times[-1] + 0.1, times[-1] + 0.103]

    board, _ = boot(emulator, tmp_path, host_tx=session("wide", BOOT_S, BOOT_S + 4))
    # Not by the emulator's polling: that makes an edge of every poll, whatever the level.
    for k, at in enumerate(times):
        board.at(at, lambda k=k: board.mcu.gpio[15].set_input_value(k % 2 == 0))
    board.run_until(BOOT_S + 2.5)
    heard = hear(board.result().chunks)
    edges = heard.of_kind(layout.KIND_EDGE)
    zero_s = start_of_scans(board, heard)
    assert [f.payload for _, f in edges] == [bytes([0x80, 0x81 - k % 2]) for k in range(len(times))]
    errors_ms = [1000 * (zero_s + f.index / 25000 - at) for (_, f), at in zip(edges, times, strict=True)]
    print("edge errors ms", [round(e, 3) for e in errors_ms])
    assert max(abs(e) for e in errors_ms) <= 1.0


def test_a_chattering_line_costs_no_samples(emulator, tmp_path):
    board, stimulus = boot(
        emulator,
        tmp_path,
        host_tx=session("wide", BOOT_S, BOOT_S + 4),
        gpio={15: lambda t: int(t * 20000) % 2 == 1},
        gpio_poll_s=5e-5,
    )
    board.run_until(BOOT_S + 2.0)
    heard = hear(board.result().chunks)
    n_edges = len(heard.of_kind(layout.KIND_EDGE))
    exactness = assert_exact(heard, stimulus)
    print(n_edges, heard.last_status())
    assert exactness.n_missing_scans == 0
    assert exactness.n_scans > 25000 * 1.8
    assert 10 <= n_edges <= 180  # at most 8 in 100 ms, and the level at the end of each


def test_a_hung_loop_is_reset_by_the_watchdog_and_says_so(emulator, tmp_path):
    hang = "logger.step()\n            while time.ticks_ms() > 6000 and life_rp2.reset_cause() == 'power': pass"
    board, _ = boot(emulator, tmp_path, {"main.py: logger.step()": hang}, host_tx=heartbeats(BOOT_S, BOOT_S + 20))
    board.run_until(BOOT_S + 16)
    result = board.result()
    hellos = hear(result.chunks).messages(layout.KIND_HELLO)
    causes = [m["reset_cause"] for _, m in hellos]
    print(result.resets, causes)
    assert result.resets == 1
    assert causes[0] == "power"
    assert causes[-1] == "watchdog"


@pytest.mark.parametrize("is_tidy", [True, False])
def test_a_soft_reset_leaves_the_converter_stopped(emulator, tmp_path, is_tidy):
    # Untidy: the program ends without stopping anything, as after a crash in its own clean-up.
    at_ms = int(BOOT_S * 1000) + 1500
    end = f"logger.step()\n            if {at_ms} < time.ticks_ms() < {at_ms + 20}: sys.exit()"
    changes = {"main.py: logger.step()": end}
    if not is_tidy:
        changes["main.py: logger.shut_down()"] = "pass"
    board, stimulus = boot(
        emulator,
        tmp_path,
        changes,
        host_tx=session("bass", BOOT_S, BOOT_S + 1.4) + session("bass", BOOT_S + 6, BOOT_S + 9),
    )
    board.run_until(BOOT_S + 4.5)
    before = board.mcu.adc.total
    board.run_until(BOOT_S + 5.5)
    assert board.mcu.adc.total == before
    board.run_until(BOOT_S + 8)
    heard = hear(board.result().chunks)
    tags = heard.tags()
    print(tags, heard.bad)
    heard.bad.clear()  # the prompt's own words at the soft reset
    assert len(tags) == 2
    assert assert_exact(heard, stimulus, tags[1]).n_missing_scans == 0


def test_leave_resets_once_to_the_prompt_and_the_next_start_runs_the_logger(emulator, tmp_path):
    tx = session("bass", BOOT_S, BOOT_S + 1.0)
    tx += [
        (BOOT_S + 1.0, command(layout.KIND_LEAVE)),
        (BOOT_S + 4.0, b"\x03print(6 * 7)\r\n"),
        (BOOT_S + 14.0, b"\x04"),
        *heartbeats(BOOT_S + 18, BOOT_S + 22),
    ]
    board, _ = boot(emulator, tmp_path, host_tx=tx)
    board.run_until(BOOT_S + 13.9)
    result = board.result()
    text = b"".join(packet for t, packet in result.chunks if t > BOOT_S + 1.5)
    replies = [m for _, m in hear(result.chunks).messages(layout.KIND_REPLY) if m["for"] == "leave"]
    print(result, replies, text[-200:])
    assert [m["ok"] for m in replies] == [True]
    assert result.resets == 1, "the watchdog was still armed, or there was no reset"
    assert b">>> " in text
    assert b"42\r\n" in text
    converted = board.mcu.adc.total
    board.run_until(BOOT_S + 21)
    hellos = hear([c for c in board.result().chunks if c[0] > BOOT_S + 18]).messages(layout.KIND_HELLO)
    assert board.mcu.adc.total >= converted
    assert hellos
    assert hellos[-1][1]["reset_cause"] == "leave"


def test_self_test_answers_in_words(emulator, tmp_path):
    tx = [*heartbeats(BOOT_S, BOOT_S + 6), (BOOT_S + 0.2, command(layout.KIND_SELF_TEST))]
    board = emulator.Board(
        copy_firmware(tmp_path / "board"),
        lambda ch, t: (2048, 0, 2900, 0, 891)[ch] + (ch != 1) * (int(t * 1e5) % 3),
        host_tx=tx,
    )
    board.run_until(BOOT_S + 4)
    heard = hear(board.result().chunks)
    replies = [m for _, m in heard.messages(layout.KIND_REPLY) if m["for"] == "self-test"]
    status = heard.last_status()
    print(replies, status)
    assert len(replies) == 1
    assert replies[0]["ok"] is False
    assert "out_n is stuck at the bottom" in replies[0]["text"]
    # 27 degrees are 0.706 V: code 876 of 4096; 891 codes are 0.718 V. Source: RP2040 datasheet, section 4.9.5.
    assert status["die_c"] == pytest.approx(27 - (891.5 * 3.3 / 4096 - 0.706) / 0.001721, abs=1.0)


def test_the_chips_temperature_is_told_in_slow_and_while_idle_and_nowhere_else(emulator, tmp_path):
    stop = command(layout.KIND_STOP)
    tx = session("slow", BOOT_S, BOOT_S + 11)
    tx += [(BOOT_S + 2.6, stop), *session("bass", BOOT_S + 5, BOOT_S + 6), (BOOT_S + 7.6, stop)]
    board = emulator.Board(
        copy_firmware(tmp_path / "board"), lambda ch, t: (2048, 2048, 2900, 0, 891)[ch], host_tx=sorted(tx)
    )
    board.run_until(BOOT_S + 10)
    told = [(t - BOOT_S, m["die_c"]) for t, m in hear(board.result().chunks).messages(layout.KIND_STATUS)]
    print(told)
    in_slow = [c for t, c in told if 1.1 < t < 2.6]
    in_bass = [c for t, c in told if 5.1 < t < 7.6]
    idle = [c for t, c in told if 2.7 < t < 4.9 or t > 7.7]
    # 27 degrees are 0.706 V, 1.721 mV less a degree; source: RP2040 datasheet, section 4.9.5. 891 codes of 4096.
    expected_c = 27 - (891 * 3.3 / 4096 - 0.706) / 0.001721
    assert len(in_slow) >= 1
    assert in_slow == pytest.approx([expected_c] * len(in_slow), abs=0.2)
    assert len(in_bass) >= 2
    assert set(in_bass) == {None}
    assert len(idle) >= 3
    assert idle == pytest.approx([expected_c] * len(idle), abs=0.2)


@pytest.mark.parametrize(
    ("moved_channel", "words"),
    [
        ((0, 1, 2), "All channels convert and are quiet."),
        ((0, 2, 1), "out_n is swapped: its pin moves supply; supply is swapped: its pin moves out_n."),
        ((0, None, 2), "out_n is stuck: the resistor on its pin does not move it."),
    ],
)
def test_self_test_pulls_at_every_pin_in_turn(emulator, tmp_path, moved_channel, words):
    boards = []

    def inputs(channel, time_s):
        code = (2048, 1300, 2900, 0, 891)[channel] + int(time_s * 1e5) % 3
        for pin in range(3 if boards else 0):
            if moved_channel[pin] == channel:
                pad = boards[0].mcu.gpio[26 + pin]
                code += 100 * pad.pullup_enabled - 100 * pad.pulldown_enabled
        return code

    tx = [*heartbeats(BOOT_S, BOOT_S + 6), (BOOT_S + 0.2, command(layout.KIND_SELF_TEST))]
    board = emulator.Board(copy_firmware(tmp_path / "board"), inputs, host_tx=tx)
    boards.append(board)
    board.run_until(BOOT_S + 2.5)
    replies = [m for _, m in hear(board.result().chunks).messages(layout.KIND_REPLY) if m["for"] == "self-test"]
    print(replies)
    assert [m["text"] for m in replies] == [words]
    if moved_channel == (0, 1, 2):
        # Away from the nearer end: 2048 and 2900 downwards, 1300 upwards.
        moves = [[round(shift) for shift in one["shifts_codes"]] for one in replies[0]["channels"]]
        assert moves == [[-100, 0, 0], [0, 100, 0], [0, 0, -100]]
    assert not any(board.mcu.gpio[pin].pullup_enabled or board.mcu.gpio[pin].pulldown_enabled for pin in (26, 27, 28))


def test_starting_again_and_again_with_a_full_calibration_leaves_memory_enough(emulator, tmp_path):
    # Three channels kept with the longest words: the longest hello there is. Every start takes memory anew.
    entry = (
        '"uncertainty_v":0.004,"gain_uncertainty_ratio":0.00123456,"made_on":"2026-11-25","meter":"' + "m" * 60 + '"}'
    )
    figures = (("out_p", 26, "0.0321", "-63.1"), ("out_n", 27, "0.0321", "-63.1"), ("supply", 28, "0.00625", "-0.01"))
    kept = [f'"{r}":{{"pin":{p},"gain_v_per_code":{g},"offset_v":{o},{entry}' for r, p, g, o in figures]
    folder = copy_firmware(tmp_path / "board")
    (folder / "calibration.json").write_text("{" + ",".join(kept) + "}", encoding="ascii")
    tx = heartbeats(BOOT_S - 0.4, BOOT_S + 13)
    n_starts = 24
    for k in range(n_starts):
        mode = (b"bass", b"slow", b"wide")[k % 3]
        tx += [
            (BOOT_S + 0.5 * k, command(layout.KIND_MODE, mode)),
            (BOOT_S + 0.5 * k + 0.2, command(layout.KIND_START)),
        ]
    board = emulator.Board(folder, lambda ch, t: 2048, host_tx=sorted(tx))
    board.run_until(BOOT_S + 0.5 * n_starts + 1)
    heard = hear(board.result().chunks)
    starts = [m for _, m in heard.messages(layout.KIND_REPLY) if m["for"] == "start"]
    free = [m["free_bytes"] for _, m in heard.messages(layout.KIND_STATUS)]
    hellos = heard.messages(layout.KIND_HELLO)
    print(len(starts), "free", free, "hello", max(len(f.payload) for _, f in heard.of_kind(layout.KIND_HELLO)))
    assert [m["ok"] for m in starts] == [True] * n_starts
    assert len(hellos[-1][1]["calibration"]) == 3
    assert hellos[-1][1]["remarks"] == []
    assert board.result().resets == 0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"logger/acquire_rp2.py: OLDEST_MICROPYTHON = (1, 26)": "OLDEST_MICROPYTHON = (1, 99)"}, "needs MicroPython"),
        ({'logger/acquire_rp2.py: "RP2040" not in': '"RP9999" not in'}, "needs an RP2040"),
        ({"board_config.py: MODES = {": "MODES = ["}, "SyntaxError"),
        ({"board_config.py: BUTTON_PIN = 14": "BUTTON_PIN = 77"}, "ValueError"),
    ],
)
def test_a_board_that_cannot_start_says_why_and_can_be_interrupted(emulator, tmp_path, changes, words):
    board, _ = boot(emulator, tmp_path, changes, host_tx=[(7.5, b"\x03"), (8.0, b"print(6 * 7)\r\n")])
    board.run_until(7.4)
    faults = hear(board.result().chunks).messages(layout.KIND_FAULT)
    print(faults)
    assert len(faults) >= 2
    assert {m["code"] for _, m in faults} == {"start"}
    assert words in faults[0][1]["text"]
    board.run_until(9)
    assert b"42\r\n" in board.result().data
    assert board.result().resets == 0, "a watchdog would throw everybody out of the prompt"


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ('(("out_n", 27), ("out_p", 26), ("supply", 28))', "scans its pins upwards"),
        ('(("out_p", 26), ("supply", 22))', "GPIO22 is no analog input"),
        ('(("out_n", 26), ("supply", 27))', "out_n without out_p"),
        ('(("out_p", 26), ("remote", 27))', "as an analog channel and as a digital line"),
    ],
)
def test_what_does_not_fit_together_is_refused_at_start_with_a_fault(emulator, tmp_path, channels, words):
    three = 'CHANNELS = (("out_p", 26), ("out_n", 27), ("supply", 28))'
    board, _ = boot(
        emulator,
        tmp_path,
        {f"board_config.py: {three}": f"CHANNELS = {channels}"},
        host_tx=session("bass", BOOT_S, BOOT_S + 2),
    )
    board.run_until(BOOT_S + 1)
    heard = hear(board.result().chunks)
    faults = [m["text"] for _, m in heard.messages(layout.KIND_FAULT)]
    replies = [m for _, m in heard.messages(layout.KIND_REPLY) if m["for"] == "start"]
    print(faults)
    assert len(faults) >= 1
    assert words in faults[0]
    assert [m["ok"] for m in replies] == [False]
    assert heard.samples() == []
