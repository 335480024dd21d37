"""What the board and the host agree on: framing, checks and message layouts. Imported by CPython and MicroPython alike."""
