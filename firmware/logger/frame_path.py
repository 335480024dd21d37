"""The way of a SAMPLES frame from the ring to the transmit queue, as one function made anew for each session.

Everything that it needs stands in its local names. Measured on the emulated board: looking up attributes took more
than half of the time when the same work was spread over methods, which `wide` has not got.
"""

from array import array

from logger import kernels
from logger.transmit_queue import RESERVE_BYTES

try:
    import micropython
except ImportError:  # CPython
    from logger import plain_micropython as micropython

SPOILT = 0  # places in the events: frames over which the converter wrote while they were averaged
DROPPED = 1  # frames that found the queue full


def make_frame_path(position_now, averager, framer, queue):
    """Make the function of a session.

    position_now: function -> the converter's position. averager, framer, queue: those of the logger, begun.
    Returns (run, events): run(n_frames) makes that many frames from averager.read on, allocating nothing; events counts
    up what went wrong on the way, to be set back to 0 by who reads it. Sequence number and sample index step on
    whatever happens to a frame.
    """
    events = array("i", (0, 0))
    path = _frame_path(position_now, averager, framer, queue, events)
    next(path)
    return path.send, events


# A generator, because its local names stay from call to call. A closure would do the same, but calling one with so many
# names takes memory each time.
@micropython.native
def _frame_path(position_now, averager, framer, queue, events):
    ring, p, n_ring, frame_conversions = averager.ring, averager.p, averager.n_ring, averager.frame_conversions
    frame, counts, rails, crc_place = framer.samples, framer.counts, framer.rails, framer.crc_place
    pending, table, fresh_rails, plain = framer.pending_flags, framer.crc_table, framer.fresh_rails, framer.plain
    n_body, n_scans, n_rails = framer.n_body, framer.n_scans, framer.n_rails
    queue_ring, head, tail, mask = queue.ring, queue.head, queue.tail, queue.head[1]
    n_frame = n_body + 4
    room_wanted = n_frame + n_frame // 254 + 2 + 64 + RESERVE_BYTES
    average_scans, crc_into, cobs_into_ring = kernels.average_scans, kernels.crc_into, kernels.cobs_into_ring
    step_groups, copy = kernels.step_groups, kernels.copy_from_ring
    while True:
        n_frames = yield
        read = averager.read
        p[0] = read & (n_ring - 1)  # average_scans moves it on
        while n_frames > 0:
            n_frames -= 1
            average_scans(ring, counts, rails, p)
            if (position_now() - read) & 0x3FFFFFFF >= n_ring:
                events[0] += 1
                pending[0] |= 1
            else:
                frame[15] = 0x80 | pending[0]
                crc_into(frame, n_body, table, crc_place)
                if mask - ((head[0] - tail[0]) & mask) < room_wanted:
                    events[1] += 1
                    # A loss on the board stays pending too: it still lies before the next frame that is sent.
                    pending[0] |= 2
                else:
                    cobs_into_ring(frame, n_frame, queue_ring, head)
                    if head[0] & 63:
                        queue.fill_packet()
                    pending[0] = 0
                step_groups(frame, 4, 4, 1)
            step_groups(frame, 8, 7, n_scans)
            copy(fresh_rails, rails, n_rails, plain)
            read = (read + frame_conversions) & 0x3FFFFFFF
        averager.read = read
        queued = (head[0] - tail[0]) & mask
        if queued > queue.most_bytes:
            queue.most_bytes = queued
