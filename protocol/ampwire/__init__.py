"""What the board and the host agree on: framing, checks and layouts. Imported by CPython and MicroPython alike."""
