"""Frames from the host, taken apart byte by byte in a buffer of fixed size."""

from ampwire import layout

from logger import kernels
from logger.kept_calibration import PAYLOAD_BYTES_MOST

_LONGEST = layout.HEADER_BYTES + PAYLOAD_BYTES_MOST + layout.CRC_BYTES
_FULL = 255


class CommandReader:
    """Feed it bytes; after each, `is_ready` says whether a whole valid frame stands in `frame`.

    kind, n_payload and payload (bytes after the header in `frame`) describe it until the next byte is fed.
    n_bad counts what was no valid frame, modulo 2**30.
    """

    def __init__(self, crc_table):
        self._table = crc_table
        self.frame = bytearray(_LONGEST)
        self._crc = bytearray(layout.CRC_BYTES)
        self._n = 0  # bytes decoded; one more than fits: too long
        self._left = 0  # bytes until the next code byte
        self._code = 0  # of the run before it; 0: at the beginning of a frame
        self.is_ready = False
        self.other_version = 0  # version of the last intact frame of another protocol; 0: none seen
        self.n_bad = 0
        self.kind = 0
        self.n_payload = 0

    def push(self, byte):
        """Take one byte; True when it ended a valid frame. Allocates nothing."""
        self.is_ready = False
        if byte == 0:
            self._end()
            return self.is_ready
        if self._left == 0:
            if self._code != 0 and self._code != _FULL:
                self._store(0)
            self._code = byte
            self._left = byte - 1
        else:
            self._left -= 1
            self._store(byte)
        return False

    def _store(self, byte):
        n = self._n
        if n < _LONGEST:
            self.frame[n] = byte
            self._n = n + 1
        else:
            self._n = _LONGEST + 1

    def _end(self):
        n = self._n
        is_whole = self._left == 0
        is_empty = self._code == 0
        self._n = 0
        self._left = 0
        self._code = 0
        if is_empty:  # a lone delimiter
            return
        if is_whole and layout.HEADER_BYTES + layout.CRC_BYTES <= n <= _LONGEST and self._is_intact(n):
            if self.frame[layout.VERSION_AT] == layout.PROTOCOL_VERSION | 0x80:
                self.kind = self.frame[layout.KIND_AT]
                self.n_payload = n - layout.HEADER_BYTES - layout.CRC_BYTES
                self.is_ready = True
                return
            self.other_version = self.frame[layout.VERSION_AT] & 0x7F
        self.n_bad = (self.n_bad + 1) & 0x3FFFFFFF

    def _is_intact(self, n):
        frame = self.frame
        crc = self._crc
        kernels.crc_into(frame, n - layout.CRC_BYTES, self._table, crc)
        n -= layout.CRC_BYTES
        return crc[0] == frame[n] and crc[1] == frame[n + 1] and crc[2] == frame[n + 2] and crc[3] == frame[n + 3]

    def payload_text(self):
        """The payload as text, for the few commands that have one. Allocates."""
        raw = bytes(self.frame[layout.HEADER_BYTES : layout.HEADER_BYTES + self.n_payload])
        return "".join(chr(byte) if 32 <= byte < 127 else "?" for byte in raw)
