"""Buttons, lamp and digital lines of the board."""

import time
from array import array

import micropython
import rp2
from machine import Pin
from micropython import const

BOOTSEL_PERIOD_MS = 20  # reading BOOTSEL shuts the flash out for some microseconds: not in every turn of the loop
MOST_CAUGHT = const(8)  # edges of a line between two looks; a line that chatters faster is deaf until the next look

# RP2040 datasheet, section 2.19.6 (IO_BANK0) and 2.3.1 (SIO)
_GPIO_IN = 0xD0000004
_INTR = 0x400140F0
_PROC0_INTE = 0x40014100
_SET_BITS = 0x2000
_CLEAR_BITS = 0x3000
_N_CAUGHT = const(7)
_FIRST_SLOT = const(8)


class EdgeCatcher:
    """Notes the converter's position at every edge of a line, from an interrupt that allocates nothing.

    Polling would miss the instant by as long as the loop's longest turn. A chattering line cannot flood the board:
    after MOST_CAUGHT edges the interrupt is off until the loop has looked.
    """

    def __init__(self, pin_number, count_address):
        bank = 4 * (pin_number // 8)
        bits = 0xC << 4 * (pin_number % 8)  # both edges of this pin
        self._table = array(
            "I",
            (
                count_address,
                _GPIO_IN,
                pin_number,
                _PROC0_INTE + bank + _CLEAR_BITS,
                bits,
                _PROC0_INTE + bank + _SET_BITS,
                _INTR + bank,
                0,
            )
            + (0, 0) * MOST_CAUGHT,
        )
        pin = Pin(pin_number, Pin.IN)
        pin.irq(handler=self._catch, trigger=Pin.IRQ_FALLING | Pin.IRQ_RISING, hard=True)
        self.stop()

    @micropython.viper
    def _catch(self, pin):
        table = ptr32(self._table)
        count = ptr32(table[0])
        levels = ptr32(table[1])
        n = table[7]
        if n < 8:
            slot = ptr32(int(table) + 32 + 8 * n)
            slot[0] = (0 - count[0]) & 0x3FFFFFFF
            slot[1] = (levels[0] >> table[2]) & 1
            n += 1
            table[7] = n
        if n >= 8:
            off = ptr32(table[3])
            off[0] = table[4]

    @micropython.viper
    def start(self):
        """Forget what was caught, and catch from now on."""
        table = ptr32(self._table)
        latched = ptr32(table[6])
        latched[0] = table[4]
        table[7] = 0
        on = ptr32(table[5])
        on[0] = table[4]

    @micropython.viper
    def stop(self):
        """Catch no more."""
        table = ptr32(self._table)
        off = ptr32(table[3])
        off[0] = table[4]
        table[7] = 0

    @micropython.viper
    def hold(self):
        """Let the caught edges stand still while they are read; an edge that comes now is caught after release()."""
        table = ptr32(self._table)
        off = ptr32(table[3])
        off[0] = table[4]

    @micropython.viper
    def release(self):
        """Go on after hold(), with nothing caught yet."""
        table = ptr32(self._table)
        table[7] = 0
        on = ptr32(table[5])
        on[0] = table[4]

    def n_caught(self):
        """Edges noted since the last release()."""
        return self._table[_N_CAUGHT]

    def position(self, i):
        """Position of the converter at edge i, mod 2**30."""
        return self._table[_FIRST_SLOT + 2 * i]

    def level(self, i):
        """Level just after edge i, 0 or 1."""
        return self._table[_FIRST_SLOT + 2 * i + 1]


class BoardPins:
    """The pins that are not analog.

    Parameters
    ----------
    button_pin : GPIO of a button to ground, pulled up inside; None: not fitted
    led_pin : GPIO of the lamp, lit by a 1; None: not fitted
    line_pins : GPIOs of digital lines, each behind its divider
    count_address : register whose value is minus the converter's position
    has_bootsel : whether the board's BOOTSEL button counts as a button too

    Attributes
    ----------
    catchers : an EdgeCatcher for each of `line_pins`
    """

    def __init__(self, button_pin, led_pin, line_pins, count_address, has_bootsel=True):
        self._button = None if button_pin is None else Pin(button_pin, Pin.IN, Pin.PULL_UP)
        self._led = None if led_pin is None else Pin(led_pin, Pin.OUT, value=0)
        self._lines = {}
        for pin in line_pins:
            self._lines[pin] = Pin(pin, Pin.IN)
        self.catchers = tuple(EdgeCatcher(pin, count_address) for pin in line_pins)
        self._has_bootsel = has_bootsel
        self._bootsel = 0
        self._bootsel_ms = time.ticks_ms()

    def button(self):
        """1 while the button or BOOTSEL is held down, not debounced."""
        if self._button is not None and not self._button.value():
            return 1
        if self._has_bootsel:
            now_ms = time.ticks_ms()
            if time.ticks_diff(now_ms, self._bootsel_ms) >= BOOTSEL_PERIOD_MS:
                self._bootsel_ms = now_ms
                self._bootsel = rp2.bootsel_button()
            return self._bootsel
        return 0

    def level(self, pin):
        """Level of a digital line, 0 or 1."""
        return self._lines[pin].value()

    def led(self, on):
        """Light the lamp or put it out."""
        if self._led is not None:
            self._led.value(on)
