"""The board's look at itself: are the converter and the input networks alive, quiet and in their places.

First every channel at rest; then, where the board can, once for each pin with that pin's own pull resistor switched on,
which has to move that channel and no other. The resistor is some fifty kilohms, no input minds it.
"""

from logger import hello, kernels
from logger.clock import elapsed

SCANS = 1000  # raw conversions of each channel that are looked at
_SETTLE_SCANS = 300  # before them, 5 ms at the usual rate: input capacitors and pull resistors
LONGEST_MS = 1000  # of each part
# Our choice: 8.7 effective bits are 2.8 codes of noise and non-linearity; five times that on a channel at rest says
# that something comes in.
NOISY_CODES = 14
# Our choice. 50 to 80 kilohms on 3.1 kilohms move a pin that stands in the middle by 75 codes or more.
MOVED_CODES = 20
_REST = -1


class SelfTest:
    """Convert for some moments, then judge each channel. Not while streaming; it allocates."""

    def __init__(self, config, source):
        self._config = config
        self._source = source
        self._can_pull = hasattr(source, "pull")
        self._stream = None
        self._since_ms = 0
        self._pulled = _REST  # channel whose resistor is on
        self._rest = []  # (lowest, highest, mean, noise) of each channel
        self._shifts = []  # codes by which each channel moved, a list for each pulled one
        self._n_got = 0

    def begin(self, stream, now_ms):
        """Start converting. Raises ValueError as source.start() does."""
        self._stream = stream
        self._pulled = _REST
        self._rest = []
        self._shifts = []
        self._start(now_ms)

    def _start(self, now_ms):
        self._since_ms = now_ms
        self._source.start(self._stream.cycles, self._stream.n_channels, self._stream.pins)
        if self._pulled != _REST:
            # Towards the farther end: the resistor has more to pull there.
            self._source.pull(self._stream.pins[self._pulled], self._rest[self._pulled][2] < 2048)

    def is_done(self, now_ms):
        """True once there is enough to judge, or too much time has passed."""
        self._n_got = self._n_scans()
        is_late = elapsed(now_ms, self._since_ms) > LONGEST_MS
        if self._n_got < _SETTLE_SCANS + SCANS and not is_late:
            return False
        self._source.stop()
        if is_late and self._n_got < _SETTLE_SCANS + SCANS:
            return True
        if self._pulled == _REST:
            self._rest = [self._measure(k) for k in range(self._stream.n_channels)]
        else:
            self._shifts.append([self._measure(k)[2] - self._rest[k][2] for k in range(self._stream.n_channels)])
        self._pulled += 1
        if not self._can_pull or self._pulled == self._stream.n_channels or not self._is_quiet():
            return True
        self._start(now_ms)
        return False

    def _is_quiet(self):
        return all([figures[3] <= NOISY_CODES for figures in self._rest])

    def _n_scans(self):
        first_position = getattr(self._source, "first_position", 0)
        n = (self._source.position() - first_position) & 0x3FFFFFFF
        return n // self._stream.n_channels

    def judge(self):
        """(whether all is well, one sentence, more JSON members with the figures of each channel)."""
        if not self._rest or (self._shifts and len(self._shifts) < self._stream.n_channels):
            most = _SETTLE_SCANS + SCANS
            return False, "The converter gave %d of %d conversions a channel." % (min(self._n_got, most), most), ""
        complaints = []
        described = []
        for k in range(self._stream.n_channels):
            role = self._config.CHANNELS[k][0]
            lowest, highest, mean, noise = self._rest[k]
            gain_v_per_code, offset_v = hello.volts_of_code(self._config, role)
            complaint = _find_complaint(lowest, highest, noise) or self._find_wrong_place(k)
            if complaint:
                complaints.append(role + " " + complaint)
            zero_code, open_code = rest_codes(self._config, role)
            described.append(
                '{"role":"%s","lowest_code":%d,"highest_code":%d,"mean_code":%.2f,"noise_codes":%.2f,"mean_v":%.3f,'
                '"zero_code":%d,"open_code":%d,"shifts_codes":%s}'
                % (
                    role,
                    lowest,
                    highest,
                    mean,
                    noise,
                    gain_v_per_code * mean + offset_v,
                    zero_code,
                    open_code,
                    "[%s]" % ",".join(["%.1f" % shift for shift in self._shifts[k]]) if self._shifts else "null",
                )
            )
        text = "; ".join(complaints) + "." if complaints else "All channels convert and are quiet."
        return not complaints, text, ',"channels":[' + ",".join(described) + "]"

    def _find_wrong_place(self, k):
        """What a pin's own resistor tells about channel k."""
        if not self._shifts:
            return ""
        shifts = [abs(shift) for shift in self._shifts[k]]
        others = [i for i in range(len(shifts)) if i != k and shifts[i] > MOVED_CODES]
        names = " and ".join([self._config.CHANNELS[i][0] for i in others])
        if shifts[k] <= MOVED_CODES:
            if others:
                return "is swapped: its pin moves " + names
            return "is stuck: the resistor on its pin does not move it"
        if [i for i in others if shifts[i] > shifts[k] / 2]:
            return "moves together with %s: their pins are connected" % names
        return ""

    def _measure(self, channel):
        ring = self._source.ring
        n_ring = kernels.n_uint16(ring)
        is_bytes = n_ring != len(ring)
        n_channels = self._stream.n_channels
        at = getattr(self._source, "first_position", 0) + channel + _SETTLE_SCANS * n_channels
        # No list of the codes: a board that has run for long may not have 4 KiB in one piece.
        first = lowest = highest = None
        total = squares = 0
        for _ in range(SCANS):
            place = at & (n_ring - 1)
            code = ring[2 * place] | ring[2 * place + 1] << 8 if is_bytes else ring[place]
            at += n_channels
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


def rest_codes(config, role):
    """Codes at which a role's nominal network rests: (with 0 V at its terminal, with nothing at its terminal)."""
    gain_v_per_code, offset_v = hello.volts_of_code(config, role)
    network = config.INPUT_OF_ROLE[role]
    up = 1 / network["up_ohm"] if network["up_ohm"] else 0
    down = 1 / network["down_ohm"] if network["down_ohm"] else 0
    open_share = up / (up + down) if up + down else 0
    most = config.ADC_CODES - 1
    return min(most, int(0.5 - offset_v / gain_v_per_code)), min(most, int(0.5 + open_share * config.ADC_CODES))


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
