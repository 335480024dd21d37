"""The inner loops, as machine code. kernels_plain.py holds the same functions in plain Python: one set of tests, both.

Rules for this file, each from a defect or a limit of the compiler on the board:
- MicroPython 1.26.1 on Thumb destroys a local variable used as the index of a ptr16 or ptr32. Only constant indices
  into pointers that move, and ptr8 with any index.
- At most four arguments; more parameters go through an array of int32.
- No constant above 2**30; integers are 32 bits on the board and 64 bits on a PC, so every shift right of a number that
  may be negative is masked.
"""

import micropython


@micropython.viper
def average_scans(ring: ptr8, out: ptr8, rails: ptr8, p: ptr32):
    """Sum conversions into counts, scan after scan.

    ring: uint16 conversions. out: uint16 counts, written. rails: two bytes a channel, counted up: conversions at code
    0 and at code 4095, top bit set beforehand, stopping at 255.
    p: [0] place of the first conversion (updated), [1] conversions in the ring, [2] channels, [3] conversions a count,
    [4] shift right of each sum, [5] scans, [6] conversions from one to the next of the same channel: as many as there
    are channels, or more where some are none of them.
    """
    base = int(ring)
    end = base + 2 * p[1]
    size = 2 * p[1]
    n_channels = p[2]
    n_sum = p[3]
    shift = p[4]
    step = 2 * p[6]
    first = base + 2 * p[0]
    to = int(out)
    scans = p[5]
    while scans > 0:
        at = first
        channel = 0
        while channel < n_channels:
            q = at
            total = 0
            left = n_sum
            while left > 0:
                code = ptr16(q)[0]
                total += code
                if (code + 1) & 0xFFE == 0:  # 0 or 4095, nothing else
                    r = ptr8(int(rails) + 2 * channel + (code & 1))
                    if r[0] < 255:
                        r[0] = r[0] + 1
                q += step
                if q >= end:
                    q -= size
                left -= 1
            ptr16(to)[0] = total >> shift
            to += 2
            at += 2
            if at >= end:
                at -= size
            channel += 1
        first += step * n_sum
        while first >= end:
            first -= size
        scans -= 1
    p[0] = (first - base) >> 1


@micropython.viper
def crc_into(src: ptr8, n: int, table: ptr8, dst: ptr8):
    """CRC-32/ISO-HDLC of src[:n] into dst[0:4], least significant byte first. table: make_crc_table()."""
    crc = -1
    at = int(src)
    stop = at + n
    words = int(table)
    while at < stop:
        crc = ptr32(words + ((crc ^ ptr8(at)[0]) & 255) * 4)[0] ^ ((crc >> 8) & 0xFFFFFF)
        at += 1
    crc = crc ^ -1
    dst[0] = crc
    dst[1] = crc >> 8
    dst[2] = crc >> 16
    dst[3] = crc >> 24


@micropython.viper
def cobs_into_ring(src: ptr8, n: int, ring: ptr8, p: ptr32):
    """Encode src[:n] with its delimiter into a ring. p: [0] where to write (updated), [1] ring length - 1."""
    head = p[0]
    mask = p[1]
    code_at = head
    head = (head + 1) & mask
    code = 1
    at = int(src)
    stop = at + n
    while at < stop:
        byte = ptr8(at)[0]
        if code == 255:  # a full run stands for no zero, whatever comes next needs a run of its own
            ring[code_at] = 255
            code_at = head
            head = (head + 1) & mask
            code = 1
        if byte == 0:
            ring[code_at] = code
            code_at = head
            code = 1
        else:
            ring[head] = byte
            code += 1
        head = (head + 1) & mask
        at += 1
    ring[code_at] = code
    ring[head] = 0
    p[0] = (head + 1) & mask


@micropython.viper
def copy_from_ring(ring: ptr8, dst: ptr8, n: int, p: ptr32):
    """Copy n bytes from a ring into dst[:n]. p: [0] where to read (not updated), [1] ring length - 1."""
    at = p[0]
    mask = p[1]
    to = int(dst)
    stop = to + n
    while to < stop:
        ptr8(to)[0] = ring[at]
        at = (at + 1) & mask
        to += 1


@micropython.viper
def step_groups(buf: ptr8, at: int, n: int, step: int):
    """Add step (0 to 2**29) to a number kept in n groups of 7 bits from buf[at] on, each with its top bit set."""
    while n > 0 and step > 0:
        step += buf[at] & 0x7F
        buf[at] = 0x80 | (step & 0x7F)
        step >>= 7
        at += 1
        n -= 1
