"""Frames on their way to the port: a ring that takes whole frames or none, and gives pieces of at most 64 bytes."""

from array import array

from logger import kernels

PIECE_BYTES = 64  # a USB packet; writes of this size, made only when the port takes them, never blocked
# Kept free for everything that is not samples, so that a full queue still tells the host that it is full.
RESERVE_BYTES = 4096


class TransmitQueue:
    """Ring of `n_bytes` (a power of two, at least 16 KiB)."""

    def __init__(self, n_bytes=32768):
        if n_bytes < 16384 or n_bytes & (n_bytes - 1):
            raise ValueError("the transmit queue must be a power of two of at least 16384 bytes")
        self.n_bytes = n_bytes
        self._ring = bytearray(n_bytes)
        self._head = array("i", (0, n_bytes - 1))  # where the kernel writes, mask
        self._tail = array("i", (0, n_bytes - 1))
        piece = bytearray(PIECE_BYTES)
        self._piece = piece
        # one view a length, made once: slicing a memoryview allocates
        self._pieces = tuple(memoryview(piece)[:n] for n in range(PIECE_BYTES + 1))
        self.most_bytes = 0  # highest fill since clear()

    def n_queued(self):
        """Bytes waiting."""
        return (self._head[0] - self._tail[0]) & self._head[1]

    def n_free(self):
        """Bytes that can still be put; one stays empty, to tell a full ring from an empty one."""
        return self.n_bytes - 1 - self.n_queued()

    def clear(self):
        """Forget what is waiting."""
        self._tail[0] = self._head[0]
        self.most_bytes = 0

    def put_frame(self, frame, n, is_samples):
        """Encode frame[:n] (header, payload, CRC) with its delimiter. False, and nothing put, when it does not fit."""
        need = n + n // 254 + 2
        if is_samples:
            need += RESERVE_BYTES
        if self.n_free() < need:
            return False
        kernels.cobs_into_ring(frame, n, self._ring, self._head)
        queued = self.n_queued()
        if queued > self.most_bytes:
            self.most_bytes = queued
        return True

    def put_delimiter(self):
        """Put a lone delimiter, which ends whatever a host may have seen the beginning of."""
        if self.n_free() < 1:
            return False
        at = self._head[0]
        self._ring[at] = 0
        self._head[0] = (at + 1) & self._head[1]
        return True

    def next_piece(self):
        """View of the next 1 to 64 bytes; take() says how many of them went out. Call only when something waits."""
        n = self.n_queued()
        if n > PIECE_BYTES:
            n = PIECE_BYTES
        kernels.copy_from_ring(self._ring, self._piece, n, self._tail)
        return self._pieces[n]

    def pump(self, port, most_pieces, with_short):
        """Hand pieces to the port while it takes them. Allocates nothing.

        most_pieces: stop after so many. with_short: also hand over the last piece, of fewer than 64 bytes.
        Returns the number of pieces handed over.
        """
        tail = self._tail
        mask = tail[1]
        n_queued = (self._head[0] - tail[0]) & mask
        n_pieces = 0
        while n_pieces < most_pieces:
            n = PIECE_BYTES
            if n_queued < PIECE_BYTES:
                if n_queued == 0 or not with_short:
                    break
                n = n_queued
            if not port.write_ready():
                break
            kernels.copy_from_ring(self._ring, self._piece, n, tail)
            n_taken = port.write(self._pieces[n])
            tail[0] = (tail[0] + n_taken) & mask
            n_queued -= n_taken
            n_pieces += 1
            if n_taken < n:
                break
        return n_pieces

    def take(self, n):
        """Remove n bytes that the port has taken."""
        self._tail[0] = (self._tail[0] + n) & self._tail[1]
