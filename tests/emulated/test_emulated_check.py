"""The self-test script for a real board, on the emulated one: it passes a sound board and fails a broken one."""

from __future__ import annotations

import pytest
from ampwitness.firmware_files import find_firmware_dir
from emulated_board import copy_firmware

pytestmark = pytest.mark.long

BUTTON_S = 11.0


def run_check(emulator, folder, *, is_swapped=False, rest_codes=(1500, 1800, 2100, 0, 891), pressed=True):
    """What board_check.py prints on a board whose pull resistors move its inputs by 200 codes."""
    check = (find_firmware_dir() / "board_check.py").read_text(encoding="utf-8")
    copy_firmware(folder)
    (folder / "main.py").write_text("import time\ntime.sleep_ms(700)\n" + check, encoding="utf-8")
    boards = []

    def inputs(channel, time_s):
        if channel > 2:
            return rest_codes[channel]
        pin = {0: 0, 1: 2, 2: 1}[channel] if is_swapped else channel
        is_pulled = bool(boards) and boards[0].mcu.gpio[26 + pin].pullup_enabled
        rest = rest_codes[channel]
        return rest + 200 * is_pulled + (rest > 0) * (int(time_s * 9e5) % 5)

    board = emulator.Board(folder, inputs, gpio={14: lambda t: not (pressed and BUTTON_S <= t < BUTTON_S + 4)})
    boards.append(board)
    board.run_until(25)
    text = board.result().data.decode()
    print(text)
    return text


def test_a_sound_board_passes(emulator, tmp_path):
    text = run_check(emulator, tmp_path / "board")
    assert "ALL PASS" in text
    assert "FAIL" not in text


def test_swapped_channels_a_dead_one_and_no_button_fail(emulator, tmp_path):
    text = run_check(emulator, tmp_path / "board", is_swapped=True, rest_codes=(0, 1800, 2100, 0, 891), pressed=False)
    failed = text[text.index("FAILED: ") :].splitlines()[0]
    for name in ("noise of out_p (GPIO26)", "GPIO27 is channel 1", "GPIO28 is channel 2", "button"):
        assert name in failed
    assert "kernels" not in failed
