"""The board's program, in hardware-free modules that run under MicroPython and CPython alike. See firmware/README.md.

Three objects stand between it and the world; only they differ between a real board, the virtual board and the tests.

source  the ADC writing raw conversions into a ring
    .ring             bytearray or array of uint16, interleaved in scan order; its length in conversions is a power of
                      two, and the first conversion after start() goes to place 0
    .start(cycles, n_channels, pins)   begin converting: 48 MHz / cycles conversions a second, pins in scan order
                      with a fourth argument True: one conversion more in every scan, of the chip's own temperature;
                      asked for only where .has_thermometer is there and true
    .stop()           stop converting; harmless when stopped
    .pull(pin, up)    may be missing: switch on a pin's own pull resistor until stop(), for the self test
    .position()       conversions written since start(), modulo 2**30
    .overflowed()     True when the ADC lost conversions, so that channels may have changed places; asks for a restart
port    the serial line to the host
    .write_ready()    True when write() will take at least one byte without waiting
    .write(piece)     take a memoryview of at most 64 bytes; returns how many bytes were taken
    .read_into(buf)   put what has arrived into buf without waiting; returns the number of bytes
pins    .button() -> True while pressed; .level(pin) -> 0 or 1; .led(on)
        They are read right after source.position(), once a step.
clock   .ticks_ms(), .ticks_us(): anything that counts up and wraps at a multiple of 2**30
"""
