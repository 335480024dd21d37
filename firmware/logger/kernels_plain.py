"""The inner loops in plain Python, the twins of kernels_viper.py. Used where there is no MicroPython compiler."""

from array import array

from ampwire.cobs import encode_into
from ampwire.groups import add_groups


def _uint16(buf):
    view = memoryview(buf)
    if getattr(view, "itemsize", 0) == 2:  # some MicroPython builds leave it out
        return view
    if hasattr(view, "cast"):
        return view.cast("H")
    return array("H", buf)  # MicroPython's memoryview cannot cast; it takes these bytes as they lie in memory


def average_scans(ring, out, rails, p):
    """See kernels_viper.average_scans."""
    codes = _uint16(ring)
    n_ring, n_channels, n_sum, shift, n_scans, n_slots = p[1], p[2], p[3], p[4], p[5], p[6]
    first = p[0]
    at = 0
    for _ in range(n_scans):
        for channel in range(n_channels):
            total = 0
            q = (first + channel) % n_ring
            for _ in range(n_sum):
                code = codes[q]
                total += code
                if code == 0 or code == 4095:
                    r = 2 * channel + (code & 1)
                    if rails[r] < 255:
                        rails[r] += 1
                q += n_slots
                if q >= n_ring:
                    q -= n_ring
            count = total >> shift
            out[at] = count & 0xFF
            out[at + 1] = (count >> 8) & 0xFF
            at += 2
        first = (first + n_slots * n_sum) % n_ring
    p[0] = first


def crc_into(src, n, table, dst):
    """See kernels_viper.crc_into."""
    crc = 0xFFFFFFFF
    for i in range(n):
        k = ((crc ^ src[i]) & 255) * 4
        crc = (table[k] | table[k + 1] << 8 | table[k + 2] << 16 | table[k + 3] << 24) ^ (crc >> 8)
    crc ^= 0xFFFFFFFF
    for i in range(4):
        dst[i] = (crc >> (8 * i)) & 0xFF


def cobs_into_ring(src, n, ring, p):
    """See kernels_viper.cobs_into_ring."""
    encoded = bytearray(n + n // 254 + 2)
    n_encoded = encode_into(src, n, encoded, 0) + 1  # the delimiter is there already
    head, mask = p[0], p[1]
    for i in range(n_encoded):
        ring[(head + i) & mask] = encoded[i]
    p[0] = (head + n_encoded) & mask


def copy_from_ring(ring, dst, n, p):
    """See kernels_viper.copy_from_ring."""
    at, mask = p[0], p[1]
    for i in range(n):
        dst[i] = ring[(at + i) & mask]


def step_groups(buf, at, n, step):
    """See kernels_viper.step_groups."""
    add_groups(buf, at, n, step)
