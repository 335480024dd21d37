"""The board's look at itself: are the converter and the input networks alive and quiet."""

from logger import hello, kernels
from logger.clock import elapsed

SCANS = 1000  # raw conversions of each channel that are looked at
LONGEST_MS = 1000
# Our choice: 8.7 effective bits are 2.8 codes of noise and non-linearity; five times that on a channel at rest says
# that something comes in.
NOISY_CODES = 14


class SelfTest:
    """Convert for a moment, then judge each channel. Not while streaming; it allocates."""

    def __init__(self, config, source):
        self._config = config
        self._source = source
        self._stream = None
        self._since_ms = 0

    def begin(self, stream, now_ms):
        """Start converting. Raises ValueError as source.start() does."""
        self._stream = stream
        self._since_ms = now_ms
        self._source.start(stream.cycles, stream.n_channels, stream.pins)

    def is_done(self, now_ms):
        """True once there is enough to judge, or too much time has passed."""
        if self._n_scans() >= SCANS or elapsed(now_ms, self._since_ms) > LONGEST_MS:
            self._source.stop()
            return True
        return False

    def _n_scans(self):
        first_position = getattr(self._source, "first_position", 0)
        n = (self._source.position() - first_position) & 0x3FFFFFFF
        return n // self._stream.n_channels

    def judge(self):
        """(whether all is well, one sentence, more JSON members with the figures of each channel)."""
        n_scans = min(SCANS, self._n_scans())
        if n_scans < SCANS:
            return False, "The converter gave %d of %d conversions a channel." % (n_scans, SCANS), ""
        complaints = []
        described = []
        for k in range(self._stream.n_channels):
            role = self._config.CHANNELS[k][0]
            lowest, highest, mean, noise = self._measure(k)
            gain_v_per_code, offset_v = hello.volts_of_code(self._config, role)
            complaint = _find_complaint(lowest, highest, noise)
            if complaint:
                complaints.append(role + " " + complaint)
            described.append(
                '{"role":"%s","lowest_code":%d,"highest_code":%d,"mean_code":%.2f,"noise_codes":%.2f,"mean_v":%.3f}'
                % (role, lowest, highest, mean, noise, gain_v_per_code * mean + offset_v)
            )
        text = "; ".join(complaints) + "." if complaints else "All channels convert and are quiet."
        return not complaints, text, ',"channels":[' + ",".join(described) + "]"

    def _measure(self, channel):
        ring = self._source.ring
        n_ring = kernels.n_uint16(ring)
        is_bytes = n_ring != len(ring)
        at = getattr(self._source, "first_position", 0) + channel
        # No list of the codes: a board that has run for long may not have 4 KiB in one piece.
        first = lowest = highest = None
        total = squares = 0
        for _ in range(SCANS):
            place = at & (n_ring - 1)
            code = ring[2 * place] | ring[2 * place + 1] << 8 if is_bytes else ring[place]
            at += self._stream.n_channels
            if first is None:
                first = lowest = highest = code
            if code < lowest:
                lowest = code
            if code > highest:
                highest = code
            total += code - first
            squares += (code - first) ** 2
        mean = total / SCANS
        noise = max(0.0, squares / SCANS - mean * mean) ** 0.5
        return lowest, highest, first + mean, noise


def _find_complaint(lowest, highest, noise):
    if highest == 0:
        return "is stuck at the bottom: no voltage reaches the pin"
    if lowest == 4095:
        return "is stuck at the top"
    if lowest == 0 or highest == 4095:
        return "touches an end of the converter's range"
    if lowest == highest:
        return "does not move at all, not even by its noise"
    if noise > NOISY_CODES:
        return "is not at rest (%d codes of noise)" % int(noise + 0.5)
    return ""
