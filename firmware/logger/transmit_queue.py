"""Frames on their way to the port: a ring that takes whole frames or none, and gives USB packets of 64 bytes."""

from array import array

from logger import kernels

try:
    import micropython
except ImportError:  # CPython
    from logger import plain_micropython as micropython

PIECE_BYTES = 64  # a USB packet; writes of this size, made only when the port takes them, never blocked
# Kept free for everything that is not samples, so that a full queue still tells the host that it is full.
RESERVE_BYTES = 4096

_cobs_into_ring = kernels.cobs_into_ring
_copy_from_ring = kernels.copy_from_ring


class TransmitQueue:
    """Ring in `memory`, a bytearray of a power of two, at least 16 KiB. is_fast: the port has write_packets()."""

    def __init__(self, memory, is_fast=False):
        n_bytes = len(memory)
        if n_bytes < 16384 or n_bytes & (n_bytes - 1):
            raise ValueError("the transmit queue must be a power of two of at least 16384 bytes")
        self.n_bytes = n_bytes
        self._is_fast = is_fast
        self.ring = memory
        self.head = array("i", (0, n_bytes - 1))  # where the kernel writes, mask
        self.tail = array("i", (0, n_bytes - 1))
        # One view a length and one a packet in the ring, made once: slicing a memoryview allocates.
        piece = bytearray(PIECE_BYTES)
        self._piece = piece
        self._pieces = tuple(memoryview(piece)[:n] for n in range(PIECE_BYTES + 1))
        ring = memoryview(self.ring)
        self._packets = tuple(ring[at : at + PIECE_BYTES] for at in range(0, n_bytes, PIECE_BYTES))
        self.most_bytes = 0  # highest fill since clear()

    def n_queued(self):
        """Bytes waiting."""
        return (self.head[0] - self.tail[0]) & self.head[1]

    def n_free(self):
        """Bytes that can still be put; one stays empty, to tell a full ring from an empty one."""
        return self.n_bytes - 1 - self.n_queued()

    def clear(self):
        """Forget what is waiting."""
        self.tail[0] = self.head[0]
        self.most_bytes = 0

    @micropython.native
    def put_frame(self, frame, n, is_samples):
        """Encode frame[:n] (header, payload, CRC) with its delimiter. False, and nothing put, when it does not fit.

        Filled up with delimiters to a whole packet, so that packets need no copying on their way to the port. A
        SAMPLES frame of one or three channels is four packets anyway.
        """
        need = n + n // 254 + 2 + PIECE_BYTES
        if is_samples:
            need += RESERVE_BYTES
        head = self.head
        mask = head[1]
        tail_at = self.tail[0]
        if mask - ((head[0] - tail_at) & mask) < need:
            return False
        _cobs_into_ring(frame, n, self.ring, head)
        if head[0] & 63:
            self.fill_packet()
        queued = (head[0] - tail_at) & mask
        if queued > self.most_bytes:
            self.most_bytes = queued
        return True

    def put_delimiter(self):
        """Put a packet of delimiters, which ends whatever a host may have seen the beginning of."""
        if self.n_free() < PIECE_BYTES:
            return False
        head = self.head
        self.ring[head[0]] = 0
        head[0] = (head[0] + 1) & head[1]
        self.fill_packet()
        return True

    @micropython.native
    def fill_packet(self):
        """Put delimiters up to the beginning of the next packet."""
        head = self.head
        at = head[0]
        ring = self.ring
        while at & 63:
            ring[at] = 0
            at += 1
        head[0] = at & head[1]

    @micropython.native
    def pump(self, port, most_pieces):
        """Hand packets to the port while it takes them. Allocates nothing.

        A port that has `write_packets(packets, first, n)` is given them where they lie; any other gets one piece after
        the other. Returns how many were handed over.
        """
        tail = self.tail
        mask = tail[1]
        n_queued = (self.head[0] - tail[0]) & mask
        if n_queued == 0:
            return 0
        if self._is_fast and n_queued >= 64 and not tail[0] & 63:
            n = n_queued >> 6
            n = port.write_packets(self._packets, tail[0] >> 6, n if n < most_pieces else most_pieces)
            tail[0] = (tail[0] + (n << 6)) & mask
            return n
        n_pieces = 0
        while n_pieces < most_pieces and n_queued and port.write_ready():
            n = n_queued if n_queued < 64 else 64
            _copy_from_ring(self.ring, self._piece, n, tail)
            n_taken = port.write(self._pieces[n])
            tail[0] = (tail[0] + n_taken) & mask
            n_queued -= n_taken
            n_pieces += 1
            if n_taken < n:
                break
        return n_pieces
