"""Watchdog, cause of the last reset, the way out to the MicroPython prompt, and why a board does not start."""

import time

import machine
from machine import mem32

WATCHDOG_MS = 8000  # the chip's limit is 8388 ms
_SCRATCH = 0x4005800C  # scratch register 0: survives a watchdog reset; the boot code uses registers 4 to 7 only
_LEAVING = 0x6C656176  # "leav"
_AWAKE = 0x6C6F6767  # "logg": the logger was running
_PROMPT = 0x70726F6D  # "prom": the prompt was asked for


# Both read once, at the import: what was before this start.
_found = mem32[_SCRATCH]
# The tick counter begins at 0 at every reset but a soft one; the boot code needs less than a second.
_was_soft = time.ticks_ms() > 3000
# Used up at once: a Ctrl-C that ends main.py from here on must not make the start after it the one to the prompt.
_is_leaving = _found == _LEAVING and not _was_soft
mem32[_SCRATCH] = _PROMPT if _is_leaving else 0


def start_watchdog():
    """Arm the watchdog; nothing but a reset stops it.

    Returns
    -------
    object with `feed()`
    """
    mem32[_SCRATCH] = _AWAKE
    return machine.WDT(timeout=WATCHDOG_MS)


def reset_cause():
    """Why the logger started: "power", "watchdog", "leave" (after the prompt), "soft reset" or "reset"."""
    if _found == _PROMPT:
        return "leave"
    if _was_soft:
        return "soft reset"
    if machine.reset_cause() != machine.WDT_RESET:
        return "power"
    return "watchdog" if _found == _AWAKE else "reset"


def leave():
    """Reset once to the MicroPython prompt, watchdog off. Does not return."""
    mem32[_SCRATCH] = _LEAVING
    machine.reset()


def take_leave():
    """Whether this start is the one after `leave`; the start after this one runs the logger again.

    Returns
    -------
    bool : True: end main.py now and let the prompt come
    """
    return _is_leaving


def refuse(code, text, led_pin):
    """Say as a fault, once a second, why the logger does not run. Ends by Ctrl-C, so that it can be installed anew.

    Parameters
    ----------
    code, text : of the fault
    led_pin : GPIO of the lamp; None: not known
    """
    import sys

    import micropython
    from ampwire import framing, layout

    from logger import hello, lamp

    micropython.kbd_intr(3)
    led = None if led_pin is None else machine.Pin(led_pin, machine.Pin.OUT)
    payload = ('{"code":"%s","text":%s}' % (code, hello.quote(text))).encode()
    seq = 0
    while True:
        if led is not None:
            led.value(lamp.is_on(lamp.FAULT, time.ticks_ms()))
        if time.ticks_ms() // 1000 != seq:
            seq = time.ticks_ms() // 1000
            sys.stdout.buffer.write(b"\0" + framing.pack_frame(layout.KIND_FAULT, 0, seq, 0, 0, payload))
        time.sleep_ms(20)
