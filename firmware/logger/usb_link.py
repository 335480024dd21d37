"""The board's USB serial port, used so that no call ever waits for the host.

Measured: a write that finds no room blocks for half a second and more, then reports a short count; a write of exactly
64 bytes, made only when the port says that it takes one, never blocked. Bytes from the host are data, Ctrl-C too.
"""

import select
import sys

import micropython

PACKET_BYTES = 64


class UsbPort:
    """Writes packets of 64 bytes when there is room, reads what has arrived."""

    def __init__(self):
        micropython.kbd_intr(-1)  # 0x03 is data
        self._out = sys.stdout.buffer  # sys.stdout itself would turn LF into CR LF
        self._in = sys.stdin.buffer
        can_write = select.poll()
        can_write.register(sys.stdout, select.POLLOUT)
        can_read = select.poll()
        can_read.register(sys.stdin, select.POLLIN)
        self._can_write = can_write.ipoll
        self._can_read = can_read.ipoll
        self._write = self._out.write
        self._packet = bytearray(PACKET_BYTES)
        self._one = bytearray(1)

    def write_ready(self):
        """Whether a packet can be written now without waiting."""
        for _ in self._can_write(0):
            return True
        return False

    def write(self, piece):
        """Write up to 64 bytes as one packet of exactly 64, filled up with frame delimiters.

        A short packet would leave the port's buffer with room for less than the next one, which would then block.
        Delimiters between frames are empty frames and mean nothing.

        Parameters
        ----------
        piece : bytes-like, 1 to 64 bytes

        Returns
        -------
        int : bytes of `piece` written; fewer than its length only if the port refused
        """
        n = len(piece)
        if n == PACKET_BYTES:
            return self._write(piece)
        packet = self._packet
        for i in range(n):
            packet[i] = piece[i]
        for i in range(n, PACKET_BYTES):
            packet[i] = 0
        n_written = self._write(packet)
        return n if n_written > n else n_written

    def read_into(self, buf):
        """Take what the host has sent, without waiting.

        Parameters
        ----------
        buf : bytearray

        Returns
        -------
        int : bytes put into `buf`
        """
        n = 0
        while n < len(buf):
            for _ in self._can_read(0):
                break
            else:
                return n
            self._in.readinto(self._one)
            buf[n] = self._one[0]
            n += 1
        return n
