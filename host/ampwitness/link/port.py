"""The serial port: listing, opening for this program alone, reading and writing, with errors a person can act on."""

from __future__ import annotations

import errno
import time
from collections.abc import Iterable
from dataclasses import dataclass

import serial
from serial.tools import list_ports as serial_list_ports

from ampwitness.errors import AmpwitnessError, LinkLostError, PortAccessError, PortNotFoundError

BAUD = 115_200  # means nothing on USB; for adapters in between
READ_WAIT_S = 0.02
READ_BYTES = 1 << 16
WRITE_WAIT_S = 1.0


@dataclass(frozen=True, slots=True)
class PortListing:
    """A serial port of this computer: the name to open it by, and what the system says it is.

    usb_vendor, usb_serial : what is on USB says of itself; None where the port is not on USB or says nothing.
    """

    name: str
    description: str
    usb_vendor: int | None = None
    usb_serial: str | None = None


def list_ports() -> tuple[PortListing, ...]:
    """Serial ports of this computer, those on USB first, by name."""
    found = sorted(serial_list_ports.comports(), key=lambda port: (port.vid is None, port.device))
    said = {"n/a": ""}  # the library's word for a port that the system says nothing of
    return tuple(
        PortListing(port.device, said.get(port.description, port.description or ""), port.vid, port.serial_number)
        for port in found
    )


class Port:
    """An open port. All methods raise LinkLostError once the other end has gone.

    Parameters
    ----------
    name : device name, path of a pseudo-terminal, or `socket://host:port`.

    Raises
    ------
    PortNotFoundError : there is no such port.
    PortAccessError : it may not be opened, or another program holds it.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._is_url = "://" in name
        self._lost: Exception | None = None
        try:
            # Without a wait of its own a socket gives what is there; a serial port waits for its first byte.
            self._serial = serial.serial_for_url(
                name,
                baudrate=BAUD,
                timeout=0.0 if self._is_url else READ_WAIT_S,
                write_timeout=WRITE_WAIT_S,
                exclusive=None if self._is_url else True,
            )
        except (OSError, ValueError) as error:
            raise _opening_error(name, error) from error

    def read(self) -> bytes:
        """Bytes that have arrived, at most READ_BYTES; empty after READ_WAIT_S without any."""
        if self._lost is not None:
            raise self._lost_error(self._lost)
        raw = b""
        try:
            if self._is_url:
                raw = bytes(self._serial.read(READ_BYTES))
                if not raw:
                    time.sleep(READ_WAIT_S / 4)
            else:
                raw = bytes(self._serial.read(1))
                if raw:
                    raw += bytes(self._serial.read(min(self._serial.in_waiting, READ_BYTES)))
        except (OSError, TypeError) as error:  # TypeError: pyserial, when another thread has closed the port
            if not raw:
                raise self._lost_error(error) from error
            self._lost = error  # what came before the end is given first
        return raw

    def write(self, raw: bytes) -> bool:
        """Send bytes. False when the other end did not take them within WRITE_WAIT_S."""
        try:
            self._serial.write(raw)
        except serial.SerialTimeoutException:
            return False
        except (OSError, TypeError) as error:
            raise self._lost_error(error) from error
        return True

    def close(self) -> None:
        """Give the port back. Harmless when it is closed already."""
        try:
            self._serial.close()
        except OSError:
            pass  # it has gone

    def _lost_error(self, error: Exception) -> LinkLostError:
        return LinkLostError(f"{self.name} has gone ({_reason(error)}): was the cable pulled or the board reset?")


def _reason(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number is None and isinstance(error.__cause__ or error.__context__, OSError):
        number = getattr(error.__cause__ or error.__context__, "errno", None)
    text = str(error).partition("\n")[0]
    if number == errno.EIO or "device disconnected" in text:
        return "the device does not answer"
    if "Could not configure port" in text:
        return "it is a file or another kind of device"
    if number == errno.EISDIR:
        return "it is a folder"
    return text[:80] if text else type(error).__name__


def _opening_error(name: str, error: Exception) -> AmpwitnessError:
    """What hindered opening, told by the system's error number (Windows: by pyserial's text)."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EACCES, errno.EPERM):
        return PortAccessError(
            f"You may not open {name}: permission denied. On Linux add yourself to the group that owns it "
            "(often `dialout`), log in again, and try again."
        )
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text or "Access is denied" in text:
        return PortAccessError(f"{name} is held by another program. Close that one and try again.")
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return PortNotFoundError(f"There is no port {name}. `ampwitness boards` lists those that are there.")
    if "://" in name:
        return PortNotFoundError(f"Nothing can be reached at {name} ({_reason(error)}). Is the virtual board running?")
    return PortNotFoundError(
        f"{name} is no serial port ({_reason(error)}). `ampwitness boards` lists those that are there."
    )


def describe_ports(ports: Iterable[PortListing]) -> str:
    """The ports' names in one line, for messages."""
    return ", ".join(port.name for port in ports) or "none"
