"""What the board says about itself: the JSON of the hello, made from board_config, and what is refused at start."""

from ampwire import layout

from logger import average

FIRMWARE = "ampwitness 0.2.0"
REAL_CHANNELS_MOST = 4  # analog pins of the chip, GPIO26 to GPIO29
_MIN_CYCLES = 96  # the converter's fastest


class Stream:
    """What follows from the configuration and the mode: channels, averaging, rates.

    has_thermometer: whether the converter can put its own temperature behind the channels of each scan. Where the mode
    wants that, each scan has a slot more and so many conversions fewer that its rate stays about the same.
    """

    def __init__(self, config, mode, has_thermometer=False):
        settings = config.MODES[mode]
        self.mode = mode
        self.cycles = settings["cycles"]
        self.averaging = settings["averaging"]
        self.pins = tuple(channel[1] for channel in config.CHANNELS)
        self.n_channels = self.n_slots = len(self.pins)
        # In another order than upwards the converter would come to its thermometer in the middle of a scan.
        self.has_temperature = bool(
            has_thermometer
            and settings.get("temperature")
            and self.averaging >= 4
            and self.n_channels
            and list(self.pins) == sorted(self.pins)
        )
        if self.has_temperature:
            self.n_slots += 1
            self.averaging = self.averaging * self.n_channels // self.n_slots & ~1  # even: the fast sums take no other
        self.scans_per_frame = layout.scans_per_frame(self.n_channels) if self.n_channels else 0

    def rate(self, clock_hz):
        """Scans a second, exactly: (numerator, denominator) in lowest terms."""
        numerator, denominator = clock_hz, self.cycles * (self.n_slots or 1) * self.averaging
        a, b = numerator, denominator
        while b:
            a, b = b, a % b
        return numerator // a, denominator // a


def find_refusal(config, mode, n_ring, channels_most=REAL_CHANNELS_MOST):
    """Say why this configuration cannot be run: one sentence, empty where it can.

    n_ring: conversions in the source's ring. channels_most: analog pins that there are.
    """
    roles = [channel[0] for channel in config.CHANNELS]
    pins = [channel[1] for channel in config.CHANNELS] + [line[1] for line in config.DIGITAL]
    if not 1 <= len(roles) <= channels_most:
        return "board_config names %d analog channels; this board has 1 to %d." % (len(roles), channels_most)
    for role in roles:
        if role not in config.INPUT_OF_ROLE:
            return "board_config has no input network for the role '%s'." % role
        if roles.count(role) > 1:
            return "board_config gives the role '%s' to two channels." % role
    for role, _, _ in config.DIGITAL:
        if role in roles:
            return "board_config has '%s' as an analog channel and as a digital line; keep one." % role
    if "out_n" in roles and "out_p" not in roles:
        return "board_config has out_n without out_p; a single-ended output is out_p."
    pins += [pin for pin in (config.BUTTON_PIN, config.LED_PIN) if pin is not None]
    for pin in pins:
        if pins.count(pin) > 1:
            return "board_config uses GPIO%d twice." % pin
    if mode not in config.MODES:
        return "board_config has no mode '%s'." % mode
    return _find_rate_refusal(Stream(config, mode), n_ring)


def _find_rate_refusal(stream, n_ring):
    if stream.cycles < _MIN_CYCLES:
        return "Mode '%s' asks for %d cycles a conversion; %d are the least." % (
            stream.mode,
            stream.cycles,
            _MIN_CYCLES,
        )
    if not 1 <= stream.averaging <= 4096:
        return "Mode '%s' averages %d conversions; 1 to 4096 can be." % (stream.mode, stream.averaging)
    n_frame = stream.n_channels * stream.averaging * stream.scans_per_frame
    if n_frame > n_ring // 2:
        return "Mode '%s' needs %d conversions a frame; the ring holds %d." % (stream.mode, n_frame, n_ring)
    return ""


def volts_of_code(config, role):
    """(gain in V per ADC code, offset in V) at the terminal of a role's nominal input network."""
    if role not in config.INPUT_OF_ROLE:  # will be refused at start, but has to be described
        return 1.0, 0.0
    network = config.INPUT_OF_ROLE[role]
    top_ohm = network["top_ohm"]
    siemens = 1 / top_ohm
    up_siemens = 1 / network["up_ohm"] if network["up_ohm"] else 0
    down_siemens = 1 / network["down_ohm"] if network["down_ohm"] else 0
    siemens += up_siemens + down_siemens
    gain_v_per_code = config.REFERENCE_V / config.ADC_CODES * top_ohm * siemens
    offset_v = -config.REFERENCE_V * top_ohm * up_siemens
    return gain_v_per_code, offset_v + 0.0


def plain(text):
    """The text with a question mark for whatever is not printable ASCII."""
    return "".join([letter if 32 <= ord(letter) < 127 else "?" for letter in text])


def quote(text):
    """JSON text of a string; what is not printable ASCII becomes a question mark."""
    return '"' + plain(text).replace("\\", "\\\\").replace('"', '\\"') + '"'


def number(value):
    """JSON text of a finite number."""
    # MicroPython writes an infinite or undefined number as inf or nan, which JSON does not know; neither may occur.
    return "%.9g" % value


class Hello:
    """The text of a hello in memory that is given, so that no start has to find two kilobytes in one piece.

    memory: bytearray; text longer than it is not kept, but counted in n_bytes. calibration: JSON objects that the board
    keeps, empty where it keeps none. remark: one more, or none. The levels of the lines are written in place.
    """

    def __init__(self, memory, config, stream, facts, session, is_streaming, levels, calibration=(), remark=""):
        self.text = memory
        self.n_bytes = 0
        numerator, denominator = stream.rate(config.ADC_CLOCK_HZ)
        shift = average.shift_for(stream.averaging)
        self._put('{"protocol":%d' % layout.PROTOCOL_VERSION)
        self._put(',"firmware":' + quote(FIRMWARE + facts.firmware_suffix))
        self._put(',"board_id":' + quote(facts.board_id))
        self._put(',"session_id":' + quote(session.name))
        self._put(',"session_tag":%d' % session.tag)
        self._put(',"reset_cause":' + quote(facts.reset_cause))
        self._put(',"mode":' + quote(stream.mode))
        self._put(',"rate_hz":[%d,%d]' % (numerator, denominator))
        self._put(',"averaging":%d' % stream.averaging)
        self._put(',"counts_per_code":' + number(stream.averaging / (1 << shift)))
        self._put(',"scans_per_frame":%d' % stream.scans_per_frame)
        self._put(',"input_corner_hz":' + number(config.INPUT_CORNER_HZ))
        self._put(',"time_scale":' + number(facts.time_scale))
        self._put(',"streaming":' + ("true" if is_streaming else "false"))
        self._put_list("remarks", [quote(one) for one in tuple(facts.remarks) + ((remark,) if remark else ())])
        self._put_list("channels", _describe_channels(config, stream))
        if calibration:
            self._put_list("calibration", calibration)
        self._level_at = []
        self._put(',"digital":[')
        for k in range(len(config.DIGITAL)):
            role, pin, threshold_v = config.DIGITAL[k]
            self._put(',{"role":' if k else '{"role":')
            self._put('%s,"pin":%d,' % (quote(role), pin))
            self._put('"threshold_v":%s,"level":' % ("null" if threshold_v is None else number(threshold_v)))
            self._level_at.append(self.n_bytes)
            self._put("0}")
        self._put("]}")
        if self.n_bytes <= len(memory):
            self.set_levels(levels)

    def _put(self, text):
        stop = self.n_bytes + len(text)
        if stop <= len(self.text):
            self.text[self.n_bytes : stop] = text.encode()
        self.n_bytes = stop

    def _put_list(self, name, items):
        self._put(',"%s":[' % name)
        for i in range(len(items)):
            if i:
                self._put(",")
            self._put(items[i])
        self._put("]")

    def set_levels(self, levels):
        """Write the levels of the digital lines, 0 or 1 each. Allocates nothing."""
        for k in range(len(self._level_at)):
            self.text[self._level_at[k]] = 0x31 if levels[k] else 0x30


def _describe_channels(config, stream):
    described = []
    for k in range(stream.n_channels):
        role, pin = config.CHANNELS[k]
        gain_v_per_code, offset_v = volts_of_code(config, role)
        # Conversions of one scan follow one another, so every channel's middle lies a conversion behind the last's.
        offset_ns = (k * stream.cycles * 1000 * 2 * 1000000 // config.ADC_CLOCK_HZ + 1) // 2
        described.append(
            '{"role":%s,"pin":%d,"gain_v_per_code":%s,"offset_v":%s,"in_scan_offset_ns":%d}'
            % (quote(role), pin, number(gain_v_per_code), number(offset_v), offset_ns)
        )
    return described
