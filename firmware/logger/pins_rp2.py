"""Buttons, lamp and digital lines of the board."""

import time

import rp2
from machine import Pin

BOOTSEL_PERIOD_MS = 20  # reading BOOTSEL shuts the flash out for some microseconds: not in every turn of the loop


class BoardPins:
    """The pins that are not analog.

    Parameters
    ----------
    button_pin : GPIO of a button to ground, pulled up inside; None: not fitted
    led_pin : GPIO of the lamp, lit by a 1; None: not fitted
    line_pins : GPIOs of digital lines, each behind its divider
    has_bootsel : whether the board's BOOTSEL button counts as a button too
    """

    def __init__(self, button_pin, led_pin, line_pins=(), has_bootsel=True):
        self._button = None if button_pin is None else Pin(button_pin, Pin.IN, Pin.PULL_UP)
        self._led = None if led_pin is None else Pin(led_pin, Pin.OUT, value=0)
        self._lines = {}
        for pin in line_pins:
            self._lines[pin] = Pin(pin, Pin.IN)
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
