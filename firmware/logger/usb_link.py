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

    @micropython.native
    def write_ready(self):
        """Whether a packet can be written now without waiting."""
        for _ in self._can_write(0):
            return True
        return False

    @micropython.native
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
        if n == 64:
            return self._write(piece)
        packet = self._packet
        for i in range(n):
            packet[i] = piece[i]
        for i in range(n, PACKET_BYTES):
            packet[i] = 0
        n_written = self._write(packet)
        return n if n_written > n else n_written

    @micropython.native
    def write_packets(self, packets, first, n):
        """Write packets[first], the next one and so on, from the end on from the beginning, while there is room.

        Parameters
        ----------
        packets : tuple of memoryviews of 64 bytes, its length a power of two
        first : where to begin
        n : how many at most

        Returns
        -------
        int : how many were written
        """
        can_write = self._can_write
        write = self._write
        mask = len(packets) - 1
        n_written = 0
        while n_written < n:
            for _ in can_write(0):
                break
            else:
                break
            write(packets[first & mask])
            first += 1
            n_written += 1
        return n_written

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
