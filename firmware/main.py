"""Builds the logger from the board's parts and runs it. No logic here."""

import sys

from machine import mem32

# A soft reset leaves the converter writing into memory that is now the heap's: end that before anything is loaded.
mem32[0x4004F000] = 1 << 3  # RP2040 datasheet, section 4.9.6: clears START_MANY

from logger import life_rp2  # noqa: E402

MODE_FILE = "mode.txt"
CALIBRATION_FILE = "calibration.json"


def load_mode():
    """The mode that the host chose last; None: never."""
    try:
        with open(MODE_FILE) as file:
            return file.read().strip()
    except OSError:
        return None


def save_mode(name):
    """Keep the mode over a reset."""
    with open(MODE_FILE, "w") as file:
        file.write(name)


def load_calibration():
    """What was kept last; empty: nothing ever."""
    import os

    try:
        n_bytes = os.stat(CALIBRATION_FILE)[6]
    except OSError:
        return ""
    with open(CALIBRATION_FILE) as file:
        return file.read(min(n_bytes, 2049))  # no more than is there: memory in one piece is scarce


def save_calibration(text):
    """Keep it over a reset. A reset in the middle leaves the one before."""
    import os

    with open(CALIBRATION_FILE + ".new", "w") as file:
        file.write(text)
    os.rename(CALIBRATION_FILE + ".new", CALIBRATION_FILE)


def random_bytes(n):
    """n bytes that differ from call to call even where the chip's random source stands still."""
    import os
    import time

    drawn = bytearray(os.urandom(n))
    mixed = time.ticks_us()
    for i in range(n):
        drawn[i] ^= mixed & 0xFF
        mixed = (mixed >> 8) + (mixed & 0xFF) * 7919
    return bytes(drawn)


def describe_board(source):
    """What only this board knows about itself."""
    import machine
    from logger.facts import Facts

    facts = Facts()
    facts.board_id = "".join("%02x" % byte for byte in machine.unique_id())
    facts.reset_cause = life_rp2.reset_cause()
    facts.firmware_suffix = " on MicroPython %d.%d.%d" % sys.implementation.version[:3]
    facts.random_bytes = random_bytes
    facts.save_mode = save_mode
    facts.load_calibration = load_calibration
    facts.save_calibration = save_calibration
    facts.leave = life_rp2.leave
    facts.tidy_memory = source.fill_holes
    facts.die_tenths = source.die_tenths
    return facts


def build():
    """The logger with everything around it. Raises whatever hinders that, ValueError with a sentence where known."""
    from logger import acquire_rp2

    acquire_rp2.stop_hardware()
    unfit = acquire_rp2.why_unfit(sys.implementation)
    if unfit:
        raise ValueError(unfit)
    source = acquire_rp2.Rp2Source()  # before the rest is loaded: it needs 64 KiB in one piece
    queue_memory = bytearray(32768)  # the same
    import gc
    import time

    # Collect often while modules are compiled: what stays is packed then, and free memory is left in large pieces.
    gc.threshold(24000)

    import board_config
    from logger import pins_rp2, usb_link
    from logger.logger import Logger

    line_pins = [pin for _, pin, _ in board_config.DIGITAL]
    pins = pins_rp2.BoardPins(board_config.BUTTON_PIN, board_config.LED_PIN, line_pins, source.count_address)
    port = usb_link.UsbPort()
    logger = Logger(board_config, source, port, pins, time, describe_board(source), load_mode(), queue_memory)
    gc.threshold(-1)
    source.fill_all_holes()
    return logger


def run(logger):
    """Run the logger until something ends it; then leave the converter stopped."""
    import time

    watchdog = life_rp2.start_watchdog()
    try:
        while True:
            watchdog.feed()
            logger.step()
            rest_ms = logger.rest_ms()
            if rest_ms:
                time.sleep_ms(rest_ms)
    finally:
        logger.shut_down()


def tell_why_not(error):
    """Say why there is no logger until somebody installs a better one."""
    try:
        from board_config import LED_PIN
    except Exception:  # it may be the very file that is wrong
        LED_PIN = None
    life_rp2.refuse("start", "The logger does not start: %s: %s" % (type(error).__name__, error), LED_PIN)


def main():
    """One start of the board."""
    try:
        logger = build()
    except Exception as error:
        tell_why_not(error)
    else:
        run(logger)


if not life_rp2.take_leave():
    main()
