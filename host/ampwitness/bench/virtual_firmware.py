"""The inside of the virtual board: runs the board's own program with a converter and pins that read from a stream.

Started by virtual_interpreter.py, under MicroPython or CPython, as a plain file: `INTERPRETER virtual_firmware.py WAY`.
WAY says how to reach the other side: `fd NUMBER` or `tcp PORT TOKEN`. The first line of the feed holds the settings as
JSON (MicroPython takes no argument of more than 255 bytes). It imports nothing of ampwitness. Everything between
conversions and the port is the firmware.

Stream to here (`feed`): records of 8 bytes [kind, generation, a: uint16, n: uint32, little endian] and, for kind C,
n bytes of raw conversions. A record takes effect after all conversions before it and before all behind it.
    C conversions; L digital line on pin a has level n; B button pressed (n 1) or released (n 0); E stimulus has ended
A generation begins with each start of the converter; records of another are passed over.
Stream from here: lines of text: `start GENERATION MODE`, `test GENERATION MODE`, `stop GENERATION POSITION`, `leave`.
"""

import json
import sys
import time

_IS_MICROPYTHON = sys.implementation.name == "micropython"
RECORD_BYTES = 8
_RING_BYTES = 32768  # as on the board
_MOST_BACKLOG = 8192  # the computer's own hold-ups must not look like overruns of the board: never fill the ring
_MASK = 0x3FFFFFFF
_RELEASE_S = 0.06  # longer than the program takes to believe that a button was released


class Feed:
    """The stream of records: bytes that can be waited for, read whole, and answered with lines."""

    def __init__(self, way: list) -> None:  # type: ignore[type-arg]
        import select

        self._poll = None
        if way[0] == "fd":
            self._reader = open(int(way[1]), "rb")  # noqa: SIM115 (for as long as the board lives)
            self._writer = open(int(way[1]), "wb")  # noqa: SIM115
            self._poll = select.poll()
            self._poll.register(self._reader, select.POLLIN)
        else:
            import socket

            self._socket = _connect(socket, way, b"F")
            self._reader = self._socket.makefile("rb", buffering=0)
            self._writer = self._socket.makefile("wb", buffering=0)

    def is_ready(self, wait_ms: int) -> bool:
        """Whether there is something to read, after waiting for it up to wait_ms."""
        if self._poll is None:
            import select

            return bool(select.select([self._socket], [], [], wait_ms / 1000)[0])
        for _ in self._poll.poll(wait_ms):
            return True
        return False

    def read_whole(self, view: memoryview) -> None:
        """Fill `view`; ends the program when the other side is gone."""
        n_read = 0
        while n_read < len(view):
            n = self._reader.readinto(view[n_read:])
            if not n:
                sys.exit(0)
            n_read += n

    def read_line(self) -> str:
        """One line of text."""
        one = bytearray(1)
        line = bytearray()
        while one[0] != 0x0A:
            self.read_whole(memoryview(one))
            line.append(one[0])
        return line.decode()

    def write_line(self, text: str) -> None:
        """Say a line to the other side."""
        self._writer.write((text + "\n").encode())


def _connect(socket, way: list, channel: bytes):  # type: ignore[no-untyped-def,type-arg]
    one = socket.create_connection(("127.0.0.1", int(way[1])))
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    one.sendall(channel + way[2].encode())
    return one


class SocketPort:
    """The port where the firmware runs under CPython: a socket instead of standard input and output."""

    def __init__(self, way: list) -> None:  # type: ignore[type-arg]
        import select
        import socket

        self._socket = _connect(socket, way, b"S")
        # Small, as what a real board can put into its port before the host reads is small too.
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 65536)
        self._socket.setblocking(False)
        self._select = select.select

    def write_ready(self) -> bool:
        """Whether a byte can be written without waiting."""
        return bool(self._select([], [self._socket], [], 0)[1])

    def write(self, piece: memoryview) -> int:
        """Write what fits; returns how many bytes that was."""
        try:
            return int(self._socket.send(piece))
        except BlockingIOError:
            return 0

    def read_into(self, buf: bytearray) -> int:
        """Take what has arrived, without waiting; returns how many bytes."""
        try:
            n = int(self._socket.recv_into(buf))
        except BlockingIOError:
            return 0
        if n == 0:
            sys.exit(0)
        return n


class VirtualSource:
    """A converter whose conversions come from the feed. See logger/__init__.py for what it has to do."""

    def __init__(self, feed: Feed, is_patient: bool) -> None:
        self.ring = bytearray(_RING_BYTES)
        self._view = memoryview(self.ring)
        self._feed = feed
        self._is_patient = is_patient
        self._record = bytearray(RECORD_BYTES)
        self._skipped = bytearray(4096)
        self._generation = 0
        self._position = 0
        self._left = 0  # bytes of the present C record not yet read
        self._is_running = False
        self.logger = None  # set once it exists
        self.pins = VirtualPins()
        self.has_ended = False

    def start(self, cycles: int, n_channels: int, pins: tuple) -> None:  # type: ignore[type-arg]
        """Begin a generation, and say so to the other side."""
        self._generation = (self._generation + 1) & 0xFF
        self._skip(self._left)
        self._left = 0
        self._position = 0
        self._is_running = True
        self.has_ended = False
        self.pins.forget_news()
        word = "test" if self.logger.is_testing else "start"  # type: ignore[attr-defined]
        self._feed.write_line(f"{word} {self._generation} {self.logger.mode}")  # type: ignore[attr-defined]

    def stop(self) -> None:
        """End the generation, and say how many conversions were taken."""
        if self._is_running:
            self._is_running = False
            self._feed.write_line(f"stop {self._generation} {self._position}")

    def overflowed(self) -> bool:
        """Never: this converter waits."""
        return False

    def position(self) -> int:
        """Conversions so far; takes in what the feed has and the ring may hold."""
        # A change of a pin holds the converter until the program has looked at its pins: at this very conversion.
        if self._is_running and not self.pins.holds_converter():
            room = self._room()
            while room > 0 and not self.pins.has_news:
                if self._left == 0:
                    if not self._feed.is_ready(0):
                        break
                    self._next_record()
                else:
                    room -= self._take_conversions(room)
        return self._position & _MASK

    def _room(self) -> int:
        if self.logger.is_testing:  # type: ignore[attr-defined]
            return _MOST_BACKLOG - self._position
        averager = self.logger.averager  # type: ignore[attr-defined]
        waiting = (self._position - averager.read) & _MASK
        room = _MOST_BACKLOG - waiting
        if self._is_patient:
            # Only as much as the transmit queue will take: this converter waits instead of losing frames.
            n_frames = max(0, self.logger.queue.n_free() - 8192) // 256  # type: ignore[attr-defined]
            room = min(room, n_frames * averager.frame_conversions - waiting)
        return int(room)

    def _next_record(self) -> None:
        self._feed.read_whole(memoryview(self._record))
        kind, generation = chr(self._record[0]), self._record[1]
        a = self._record[2] | self._record[3] << 8
        n = self._record[4] | self._record[5] << 8 | self._record[6] << 16 | self._record[7] << 24
        if generation != self._generation:
            self._skip(n if kind == "C" else 0)
        elif kind == "C":
            self._left = n
        elif kind == "L":
            self.pins.set_level(a, n)
        elif kind == "B":
            self.pins.set_button(n)
        elif kind == "E":
            self.has_ended = True

    def _skip(self, n_bytes: int) -> None:
        while n_bytes > 0:
            part = min(n_bytes, len(self._skipped))
            self._feed.read_whole(memoryview(self._skipped)[:part])
            n_bytes -= part

    def skip_record(self) -> None:
        """Take in what was meant for a session that is over; ends the program when the other side is gone."""
        if self._left:
            self._skip(self._left)
            self._left = 0
        else:
            self._next_record()

    def _take_conversions(self, n_most: int) -> int:
        at = 2 * self._position & (_RING_BYTES - 1)
        n_bytes = min(2 * n_most, self._left, _RING_BYTES - at)
        self._feed.read_whole(self._view[at : at + n_bytes])
        self._left -= n_bytes
        self._position += n_bytes // 2
        return n_bytes // 2


class VirtualPins:
    """Pins whose changes come with the conversions."""

    def __init__(self) -> None:
        self._levels = {}  # type: ignore[var-annotated]
        self._pressed = 0
        self._released_s = 0.0
        self._unseen_lines = False
        self._unseen_button = False
        self.has_news = False

    def set_level(self, pin: int, level: int) -> None:
        """A digital line has changed at the present conversion."""
        if self._levels.get(pin, 0) != level:
            self._levels[pin] = level
            self._unseen_lines = self.has_news = True

    def set_button(self, pressed: int) -> None:
        """The button was pressed (1) or released (0) at the present conversion."""
        self._pressed = pressed
        self._released_s = time.time()
        self._unseen_button = self.has_news = True

    def forget_news(self) -> None:
        """A new session reads the pins itself."""
        self._unseen_lines = self._unseen_button = self.has_news = False

    def holds_converter(self) -> bool:
        """Whether the converter stands still at this call; it does once more after the pins were looked at, since the
        program may ask for the position after it has seen a change."""
        was_held = self.has_news
        self.has_news = self._unseen_lines or self._unseen_button
        return was_held

    def level(self, pin: int) -> int:
        """Level of a digital line."""
        self._unseen_lines = False
        return int(self._levels.get(pin, 0))

    def button(self) -> int:
        """1 while the button is held down."""
        # Bounces are told by the clock on the wall, which the stimulus may outrun: hold it until a release counts.
        if self._pressed or time.time() - self._released_s > _RELEASE_S:
            self._unseen_button = False
        return self._pressed

    def led(self, on: bool) -> None:
        """There is no lamp to light."""


class Clock:
    """Ticks for CPython, which has none."""

    def ticks_ms(self) -> int:
        """Milliseconds, wrapping."""
        return int(time.monotonic() * 1000) & _MASK

    def ticks_us(self) -> int:
        """Microseconds, wrapping."""
        return int(time.monotonic() * 1000000) & _MASK


def build(way: list):  # type: ignore[no-untyped-def,type-arg]
    """(logger, source, feed) as main.py of a real board builds its logger."""
    feed = Feed(way)
    port = None if _IS_MICROPYTHON else SocketPort(way)
    settings = json.loads(feed.read_line())
    sys.path[:0] = settings["path"]
    import board_config  # type: ignore[import-not-found]
    from logger.facts import Facts  # type: ignore[import-not-found]
    from logger.logger import Logger  # type: ignore[import-not-found]

    board_config.CHANNELS = tuple((role, pin) for role, pin in settings["channels"])
    board_config.DIGITAL = tuple((role, pin, threshold_v) for role, pin, threshold_v in settings["digital"])
    if "input_of_role" in settings:
        board_config.INPUT_OF_ROLE = settings["input_of_role"]
        board_config.INPUT_CORNER_HZ = settings["input_corner_hz"]
    source = VirtualSource(feed, settings["is_patient"])
    for pin, level in settings["levels"]:
        source.pins.set_level(pin, level)
    facts = Facts()
    facts.board_id = settings["board_id"]
    facts.reset_cause = settings["reset_cause"]
    version = ".".join([str(part) for part in sys.implementation.version[:3]])
    facts.firmware_suffix = f" on {sys.implementation.name} {version}"
    facts.time_scale = settings["time_scale"]
    facts.remarks = settings["remarks"]
    facts.channels_most = 16
    facts.extra_status = (("stimulus_ended", lambda: source.has_ended),)
    clock = Clock()
    if _IS_MICROPYTHON:
        from logger.usb_link import UsbPort  # type: ignore[import-not-found]

        port = UsbPort()
        clock = time  # type: ignore[assignment]
    logger = Logger(board_config, source, port, source.pins, clock, facts, mode=settings["mode"])

    def leave() -> None:
        feed.write_line("leave")
        sys.exit(0)

    facts.leave = leave
    source.logger = logger
    return logger, source, feed


def run(way: list) -> None:  # type: ignore[type-arg]
    """Be the board until the other side goes away."""
    logger, source, feed = build(way)
    clock = time if _IS_MICROPYTHON else Clock()
    has_told = False
    while True:
        if logger.step():
            continue
        if source.has_ended != has_told:
            has_told = source.has_ended
            logger._every_second.make_due(clock.ticks_ms())  # whoever waits for the end need not wait a second more
        # Nothing to do: wait for conversions, or a millisecond where the port or the queue is what holds things up.
        if logger.is_testing:
            feed.is_ready(1)
        elif not logger.is_streaming and feed.is_ready(0):
            source.skip_record()
        elif logger.is_streaming and logger.queue.n_queued() == 0:
            feed.is_ready(1)
        else:
            time.sleep(0.001)


if __name__ == "__main__":
    try:
        run(sys.argv[1:])
    except Exception as _error:
        if not _IS_MICROPYTHON:
            raise
        sys.print_exception(_error, sys.stderr)  # type: ignore[attr-defined]  # standard output is the port
        sys.exit(1)
