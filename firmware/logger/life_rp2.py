"""Watchdog, cause of the last reset, and the way out to the MicroPython prompt."""

import machine
from machine import mem32

WATCHDOG_MS = 8000  # the chip's limit is 8388 ms
_SCRATCH = 0x4005800C  # scratch register 0: survives a watchdog reset; the boot code uses registers 4 to 7 only
_LEAVING = 0x6C656176  # "leav"
_AWAKE = 0x6C6F6767  # "logg": the logger was running
_PROMPT = 0x70726F6D  # "prom": the prompt was asked for


def start_watchdog():
    """Arm the watchdog; nothing but a reset stops it.

    Returns
    -------
    object with `feed()`
    """
    mem32[_SCRATCH] = _AWAKE
    return machine.WDT(timeout=WATCHDOG_MS)


def reset_cause():
    """Why the board started: "power", "watchdog", "leave" or "reset" (asked for by a program or the prompt)."""
    if machine.reset_cause() != machine.WDT_RESET:
        return "power"
    if mem32[_SCRATCH] == _LEAVING or mem32[_SCRATCH] == _PROMPT:
        return "leave"
    return "watchdog" if mem32[_SCRATCH] == _AWAKE else "reset"


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
    is_leaving = machine.reset_cause() == machine.WDT_RESET and mem32[_SCRATCH] == _LEAVING
    mem32[_SCRATCH] = _PROMPT if is_leaving else 0
    return is_leaving
