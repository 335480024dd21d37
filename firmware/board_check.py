"""Ten-minute check of a real board: prints PASS or FAIL for each point, and one line at the end.

Run it at the MicroPython prompt of a board that the firmware is installed on (the logger must not be running: send it
`leave` first, which `ampwitness install` does), with nothing connected to the analog pins or with the inputs at rest:

    mpremote run firmware/board_check.py

It asks for the button and for a look at the lamp; everything else it does alone. None of this was ever seen on silicon
by the authors: a FAIL is news, not necessarily your mistake.
"""

import gc
import sys
import time

from logger import acquire_rp2, kernels_plain, kernels_thumb, kernels_viper
from machine import Pin, mem32

source = acquire_rp2.Rp2Source((1 << 30) - 400000)  # first: it wants 64 KiB in one piece. Wraps after two seconds.

import board_config  # noqa: E402
from logger import kernels, pins_rp2  # noqa: E402

PINS = tuple(pin for _, pin in board_config.CHANNELS)
CYCLES = 250
CONVERSIONS_A_SECOND = 48000000 // CYCLES
ASK_S = 10
PADS = 0x4001C004  # RP2040 datasheet, section 2.19.6.3: the register of GPIO0, then 4 bytes a pin
PULL_UP = 1 << 3
failed = []


def report(name, is_right, figure=""):
    """Print one point."""
    print("PASS" if is_right else "FAIL", name, figure)
    if not is_right:
        failed.append(name)


def code_at(position):
    """Conversion number `position`, 0 to 4095."""
    place = position % acquire_rp2.RING_CONVERSIONS
    return source.ring[2 * place] | source.ring[2 * place + 1] << 8


def statistics(pulled_pin=None, n_scans=1000):
    """(mean, noise) in codes of each channel over n_scans of a fresh start, read when the converter stands still.

    pulled_pin: pin whose pull-up resistor is on meanwhile.
    """
    source.start(CYCLES, len(PINS), PINS)
    pad = PADS + 4 * (pulled_pin or 0)
    before = mem32[pad]
    if pulled_pin is not None:
        mem32[pad] = before | PULL_UP
    time.sleep_ms(60)
    source.stop()
    mem32[pad] = before
    n_channels = len(PINS)
    start = source.first_position + 1000 * n_channels  # the first milliseconds settle
    out = []
    for channel in range(n_channels):
        total = squares = 0
        first = code_at(start + channel)
        for k in range(n_scans):
            difference = code_at(start + channel + k * n_channels) - first
            total += difference
            squares += difference * difference
        mean = total / n_scans
        out.append((first + mean, max(0.0, squares / n_scans - mean * mean) ** 0.5))
    return out


def check_board():
    """The right chip and a MicroPython that is new enough."""
    unfit = acquire_rp2.why_unfit(sys.implementation)
    report("board and MicroPython", not unfit, unfit or sys.version)


def check_kernels():
    """The machine code computes what plain Python computes, on this chip and this MicroPython."""
    from array import array

    ring = array("H", [(i * 7919) % 4096 for i in range(1024)])
    for kernel in (kernels_thumb, kernels_viper):
        same = True
        for place, n_sum, n_slots in ((0, 8, 3), (1000, 8, 3), (6, 2, 3), (900, 32, 3), (5, 24, 4), (1000, 24, 4)):
            out1, out2 = bytearray(24), bytearray(24)
            rails1, rails2 = bytearray(b"\x80" * 6), bytearray(b"\x80" * 6)
            p1 = array("i", (place, 1024, 3, n_sum, 1, 4, n_slots))
            p2 = array("i", p1)
            kernel.average_scans(ring, out1, rails1, p1)
            kernels_plain.average_scans(ring, out2, rails2, p2)
            same = same and out1 == out2 and rails1 == rails2 and p1[0] == p2[0]
        crc = bytearray(4)
        kernel.crc_into(b"123456789", 9, kernels.make_crc_table(), crc)
        same = same and crc == b"\x26\x39\xf4\xcb"
        report("kernels in " + kernel.__name__, same)


def check_rate_and_wrap():
    """No conversion is lost over five seconds with collections going on, the transfer count wrapping among them."""
    source.start(CYCLES, len(PINS), PINS)
    start_us = time.ticks_us()
    start = source.position()
    overflowed = False
    while time.ticks_diff(time.ticks_us(), start_us) < 5000000:
        gc.collect()
        overflowed = overflowed or source.overflowed()
    took_us = time.ticks_diff(time.ticks_us(), start_us)
    n_done = (source.position() - start) & 0x3FFFFFFF
    expected = took_us * (CONVERSIONS_A_SECOND // 1000) // 1000
    # Both clocks come from one crystal; 50 conversions are the time between the two readings.
    report("conversions in 5 s", abs(n_done - expected) < 50, "%d, expected %d" % (n_done, expected))
    report("transfer count started again", source.position() < start)
    report("converter's FIFO never overflowed", not overflowed)


def check_channels():
    """Every channel converts, is quiet, and is the one it says: a pull resistor moves that channel alone."""
    rest = statistics()
    for k in range(len(PINS)):
        mean, noise = rest[k]
        role = board_config.CHANNELS[k][0]
        report("noise of %s (GPIO%d)" % (role, PINS[k]), 0 < noise < 14, "mean %.1f noise %.2f codes" % (mean, noise))
    for k in range(len(PINS)):
        moved = statistics(PINS[k])
        shifts = [abs(moved[i][0] - rest[i][0]) for i in range(len(PINS))]
        others = max([shifts[i] for i in range(len(PINS)) if i != k] + [0])
        figure = "shifts " + " ".join(["%.1f" % shift for shift in shifts])
        report("GPIO%d is channel %d" % (PINS[k], k), shifts[k] > 20 and shifts[k] > 2 * others, figure)


def check_stop():
    """Stopping stops, and the thermometer answers."""
    source.start(CYCLES, len(PINS), PINS)
    time.sleep_ms(10)
    source.stop()
    position = source.position()
    time.sleep_ms(50)
    report("converter stops", source.position() == position)
    celsius = source.die_tenths() / 10
    report("temperature of the chip", -20 < celsius < 85, "%.1f degrees Celsius" % celsius)


def check_person():
    """Button and lamp, with the help of whoever sits there."""
    line_pins = [pin for _, pin, _ in board_config.DIGITAL]
    pins = pins_rp2.BoardPins(board_config.BUTTON_PIN, board_config.LED_PIN, line_pins, source.count_address)
    print("The lamp blinks now. Press the button, or BOOTSEL, within %d s." % ASK_S)
    pressed = False
    until_ms = time.ticks_add(time.ticks_ms(), 1000 * ASK_S)
    while not pressed and time.ticks_diff(until_ms, time.ticks_ms()) > 0:
        pins.led(time.ticks_ms() // 100 & 1)
        pressed = bool(pins.button())
        time.sleep_ms(5)
    pins.led(0)
    report("button", pressed)
    for catcher in pins.catchers:
        catcher.start()
    for _, pin, _ in board_config.DIGITAL:
        # Its own pull resistors make the edges; a divider that is connected may hold the level.
        for pull in (Pin.PULL_UP, Pin.PULL_DOWN) * 3:
            Pin(pin, Pin.IN, pull)
            time.sleep_ms(2)
        Pin(pin, Pin.IN)
    for k in range(len(pins.catchers)):
        n = pins.catchers[k].n_caught()
        if n:
            report("edges of " + board_config.DIGITAL[k][0], n >= 3, "%d caught" % n)
        else:
            print("----", "edges of", board_config.DIGITAL[k][0], "not judged: the line is held from outside")
        pins.catchers[k].stop()


check_board()
check_kernels()
check_rate_and_wrap()
check_channels()
check_stop()
check_person()
source.close()
print("ALL PASS" if not failed else "FAILED: " + ", ".join(failed))
