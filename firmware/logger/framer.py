"""Holds the frame of samples that is being made, and puts messages into frames. Allocates nothing after begin().

One header is kept for all frames. Its sequence number and its sample index are groups of 7 bits that are stepped in
place, so that neither ever becomes a big integer.
"""

from array import array

from ampwire import framing, groups, layout

from logger import kernels, status


class Framer:
    """Frames of one session after another. `counts` and `rails` are where the averager writes the next frame."""

    def __init__(self, queue, counters, crc_table):
        self._queue = queue
        self._counters = counters
        self.crc_table = crc_table
        self.samples = bytearray(layout.MAX_SHORT_BYTES)
        self._message = bytearray(layout.MAX_FRAME_BYTES)
        self._message_payload = memoryview(self._message)[layout.HEADER_BYTES :]
        self.plain = array("i", (0, 0x3FFFFFFF))  # a "ring" that never wraps
        self._crc = bytearray(layout.CRC_BYTES)
        self.fresh_rails = bytes([0x80] * 32)
        self.pending_flags = bytearray(1)  # of the next SAMPLES frame
        self.payload_most = layout.MAX_FRAME_BYTES - layout.HEADER_BYTES - layout.CRC_BYTES
        self.begin(0, 1, 1)

    def begin(self, tag, n_channels, scans_per_frame):
        """Start the frames of a session: sequence number and sample index 0. Allocates."""
        framing.put_header(self.samples, layout.KIND_SAMPLES, tag, 0, 0, 0)
        n_rails = 2 * n_channels
        rails_at = layout.HEADER_BYTES
        counts_at = rails_at + n_rails
        n_body = counts_at + 2 * n_channels * scans_per_frame
        view = memoryview(self.samples)
        self.rails = view[rails_at:counts_at]
        self.counts = view[counts_at:n_body]
        self.crc_place = view[n_body : n_body + layout.CRC_BYTES]
        self.n_body = n_body
        self.n_rails = n_rails
        self.n_scans = scans_per_frame
        self.pending_flags[0] = 0
        self.clear_rails()

    def set_counters(self, seq, index):
        """Set sequence number and sample index, to test what happens near the end of the small integers."""
        groups.put_groups(self.samples, layout.SEQ_AT, layout.SEQ_BYTES, seq)
        groups.put_groups(self.samples, layout.INDEX_AT, layout.INDEX_BYTES, index)

    def clear_rails(self):
        """Make `rails` ready for the next frame."""
        kernels.copy_from_ring(self.fresh_rails, self.rails, self.n_rails, self.plain)

    def lose_scans(self, n_scans):
        """n_scans were lost before they could be framed: the index moves on, the next frame says so."""
        kernels.step_groups(self.samples, layout.INDEX_AT, layout.INDEX_BYTES, n_scans)
        self.pending_flags[0] |= layout.FLAG_BOARD_LOSS

    def _step_seq(self):
        kernels.step_groups(self.samples, layout.SEQ_AT, layout.SEQ_BYTES, 1)

    def send_message(self, kind, payload, n_payload, index_offset):
        """Frame payload[:n_payload] as a message and queue it; False when it was dropped, which is counted.

        Its sample index is that of the next SAMPLES frame plus index_offset.
        """
        message = self._message
        samples = self.samples
        kernels.copy_from_ring(samples, message, layout.HEADER_BYTES, self.plain)
        message[layout.KIND_AT] = kind
        message[layout.FLAGS_AT] = layout.FLAG_ALWAYS
        kernels.step_groups(message, layout.INDEX_AT, layout.INDEX_BYTES, index_offset)
        kernels.copy_from_ring(payload, self._message_payload, n_payload, self.plain)
        n = layout.HEADER_BYTES + n_payload
        kernels.crc_into(message, n, self.crc_table, self._crc)
        for i in range(layout.CRC_BYTES):
            message[n] = self._crc[i]
            n += 1
        is_queued = self._queue.put_frame(message, n, False)
        if not is_queued:
            self._counters.add(status.QUEUE_DROPPED_FRAMES, 1)
        self._step_seq()
        return is_queued
