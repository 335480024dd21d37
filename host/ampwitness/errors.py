"""What can stop a command. Each says what, where, and what to do next, and has an exit code of its own.

Bad data inside a stream is never one of these: it is counted (`LinkHealth`) and shown. Only misuse and what cannot be
opened, read or written at all is raised.
"""

from __future__ import annotations


class AmpwitnessError(Exception):
    """One clear sentence for the person at the keyboard; `exit_code` tells scripts which kind it was."""

    exit_code = 1


class UsageError(AmpwitnessError):
    """An option that makes no sense, alone or with another. Code 2, as click itself uses."""

    exit_code = 2


class PortNotFoundError(AmpwitnessError):
    """No such serial port, or no board answered on any."""

    exit_code = 3


class NotOurBoardError(AmpwitnessError):
    """The port is open and talks, but not this protocol; or it stays silent."""

    exit_code = 4


class PortAccessError(AmpwitnessError):
    """The port exists but may not be opened: no permission, or another program holds it."""

    exit_code = 5


class RecordingUnreadableError(AmpwitnessError):
    """The file is missing, empty, foreign, or holds nothing that can be decoded."""

    exit_code = 6


class UnknownProtocolError(AmpwitnessError):
    """The board or the recording speaks a wire version this program does not know."""

    exit_code = 7


class DiskFullError(AmpwitnessError):
    """The disk filled while recording; what was written up to then is kept and readable."""

    exit_code = 8


class LinkLostError(AmpwitnessError):
    """The cable was pulled or the board vanished while recording; what was recorded is kept."""

    exit_code = 9


class TruthMissedError(AmpwitnessError):
    """A demo or self-check did not find what is known to be there."""

    exit_code = 10


class BoardFaultError(AmpwitnessError):
    """The board answered and reported a fault of its own."""

    exit_code = 11


class MissingToolError(AmpwitnessError):
    """Something this command needs is not installed or not offered by this platform."""

    exit_code = 12


class OutputError(AmpwitnessError):
    """A file that was asked for cannot be written."""

    exit_code = 13


class BalanceError(AmpwitnessError):
    """`verify` found losses that the counters do not explain."""

    exit_code = 14


class DiskForecastError(AmpwitnessError):
    """The asked time would not fit on the disk; nothing was started."""

    exit_code = 15


class PartsError(AmpwitnessError):
    """Files that were given as parts of one recording are none."""

    exit_code = 16


class DoNotSwitchOnError(AmpwitnessError):
    """A check with the power off found what can destroy an amplifier."""

    exit_code = 17


class CalibrationError(AmpwitnessError):
    """A calibration file that cannot be used, or points that contradict the board's design."""

    exit_code = 20


class WrongBoardError(AmpwitnessError):
    """A MicroPython board, but not one whose converter the firmware knows."""

    exit_code = 30


class OldMicroPythonError(AmpwitnessError):
    """The right board, with a MicroPython too old for the firmware."""

    exit_code = 31


class FlashFullError(AmpwitnessError):
    """The firmware does not fit into the board's free flash."""

    exit_code = 32


class SelfTestError(AmpwitnessError):
    """The board's self test found something wrong, or its result cannot be had."""

    exit_code = 33


class JobError(AmpwitnessError):
    """A job folder that is missing, damaged, newer, contradicting itself, or was changed by somebody else."""

    exit_code = 21
