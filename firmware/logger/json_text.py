"""JSON that is built once and then has its numbers written in place, since making text allocates.

A number stands in a field of fixed width, filled with spaces on its left, which JSON allows before any value.
"""

WIDTH = 12  # -1073741823, or with a dot in it
_SPACE = 0x20
_ZERO = 0x30
_MINUS = 0x2D
_DOT = 0x2E


def field(name):
    """Text of one member `"name":` with room for its value, 0 so far."""
    return '"' + name + '":' + " " * (WIDTH - 1) + "0"


def place(text, name):
    """Where the value of `name` begins in text that holds its field(). Raises ValueError when it is not there."""
    key = '"' + name + '":'
    at = text.find(key)
    if at < 0:
        raise ValueError("no field " + name)
    return at + len(key)


def put_number(buf, at, value):
    """Write a whole number of absolute value below 2**30 into the field at `at`. Allocates nothing."""
    put_decimal(buf, at, value, 0)


def put_decimal(buf, at, value, n_decimals):
    """Write value / 10**n_decimals (|value| below 2**30) into the field at `at`. Allocates nothing."""
    is_negative = value < 0
    if is_negative:
        value = -value
    i = at + WIDTH - 1
    n_written = 0
    while value > 0 or n_written <= n_decimals:
        if n_written == n_decimals and n_decimals > 0:
            buf[i] = _DOT
            i -= 1
        buf[i] = _ZERO + value % 10
        value //= 10
        i -= 1
        n_written += 1
    if is_negative:
        buf[i] = _MINUS
        i -= 1
    while i >= at:
        buf[i] = _SPACE
        i -= 1


def put_word(buf, at, word):
    """Write a bytes word such as b"null" or b"true" into the field at `at`. Allocates nothing."""
    n = len(word)
    for i in range(WIDTH - n):
        buf[at + i] = _SPACE
    for i in range(n):
        buf[at + WIDTH - n + i] = word[i]
