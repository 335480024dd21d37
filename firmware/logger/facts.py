"""What the logger cannot know by itself about the board it runs on. main.py fills it in."""

import gc
import os


class Facts:
    """Plain values and small functions; the defaults fit a board about which nothing is known."""

    def __init__(self):
        self.board_id = "unknown"
        self.reset_cause = "unknown"
        self.firmware_suffix = ""  # the MicroPython version, say
        self.time_scale = 1.0  # board seconds a wall-clock second; 0: the reader sets the pace
        self.remarks = ()  # short sentences for the hello
        self.extra_status = ()  # (name, function -> bool) pairs for the status message
        self.channels_most = 4
        self.random_bytes = os.urandom
        self.die_tenths = no_temperature  # function -> tenths of a degree Celsius, None: not now
        self.free_bytes = free_bytes  # function -> bytes, below 0: unknown
        self.save_mode = forget_mode  # function(name): keep the mode over a reset; may raise OSError
        self.load_calibration = nothing_kept  # function -> text, empty: none; may raise OSError
        self.save_calibration = forget_calibration  # function(text); may raise OSError
        self.tidy_memory = gc.collect  # function: called at every start, before conversions wait
        self.leave = None  # function: reset to the prompt, does not return; None: this board cannot


def no_temperature():
    """No thermometer."""
    return None


def free_bytes():
    """Free heap, below 0 where the interpreter does not tell."""
    return gc.mem_free() if hasattr(gc, "mem_free") else -1


def forget_mode(name):
    """Keep nothing."""


def nothing_kept():
    """No calibration."""
    return ""


def forget_calibration(text):
    """Keep nothing beyond the next reset."""
