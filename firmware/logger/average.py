"""From raw conversions in the ring to counts: sums of `averaging` conversions of each channel, scan after scan.

Keeps the place from which to read on, and finds out when the converter has overtaken it.
"""

from array import array

from logger import kernels
from logger.clock import TICKS_MASK as _MASK  # positions count modulo 2**30 as ticks do

_PLACE = 0
_SCANS = 5
_SLOTS = 6


def shift_for(averaging):
    """Bits by which a sum of `averaging` 12-bit conversions is shifted right to fit 16 bits."""
    shift = 0
    while (4095 * averaging) >> shift > 0xFFFF:
        shift += 1
    return shift


class Averager:
    """Reads `source.ring`. Call begin() before anything else; positions are those of source.position()."""

    def __init__(self, ring):
        self.ring = ring
        n_ring = kernels.n_uint16(ring)
        if n_ring & (n_ring - 1):
            raise ValueError("the ring must hold a power of two of conversions")
        self.n_ring = n_ring
        # The converter writes on while a frame is being averaged: stay this far from being overtaken.
        self.most_backlog = n_ring - n_ring // 8
        self.p = array("i", (0, n_ring, 1, 1, 0, 1, 1))
        self.read = 0  # position of the next conversion to be read
        self.scan_conversions = 1
        self.frame_conversions = 1

    def begin(self, position, n_channels, averaging, scans_per_frame, n_slots=0):
        """Read from `position` on, where the first channel's conversion stands.

        n_slots: conversions from one to the next of the same channel; 0: n_channels.
        """
        n_slots = n_slots or n_channels
        self.read = position & _MASK
        self.scan_conversions = n_slots * averaging
        self.frame_conversions = self.scan_conversions * scans_per_frame
        p = self.p
        p[2] = n_channels
        p[3] = averaging
        p[4] = shift_for(averaging)
        p[_SCANS] = scans_per_frame
        p[_SLOTS] = n_slots

    def sum_before(self, n):
        """Sum of the newest n conversions that were averaged over, of those in the last slot. Allocates nothing."""
        ring, n_ring, n_slots = self.ring, self.n_ring, self.p[_SLOTS]
        is_bytes = n_ring != len(ring)
        at = self.read - 1
        total = 0
        while n > 0:
            place = at & (n_ring - 1)
            total += ring[2 * place] | ring[2 * place + 1] << 8 if is_bytes else ring[place]
            at -= n_slots
            n -= 1
        return total

    def backlog(self, position):
        """Conversions that wait to be read."""
        return (position - self.read) & _MASK

    def skip_overrun(self, position):
        """Scans given up because the converter is about to overtake, 0 if it is not; reading goes on behind them.

        Three quarters of the ring are given up at once: giving up as little as possible would leave the loop on the
        edge of the next overrun.
        """
        waiting = self.backlog(position)
        if waiting <= self.most_backlog:
            return 0
        n_scans = (waiting - self.n_ring // 4) // self.scan_conversions
        self.skip(n_scans)
        return n_scans

    def skip(self, n_scans):
        """Give up n_scans. Their conversions may number up to 2**29."""
        self.read = (self.read + n_scans * self.scan_conversions) & _MASK
