"""Pins, channel roles, input networks and rates of the board. The only file of the firmware that a builder edits.

Plain Python, read by MicroPython on the board and by CPython in the virtual board and the tests: one source of numbers.
"""

# ---- input networks -----------------------------------------------------------------------------------------------
# A terminal reaches its pin through top_ohm; up_ohm pulls the pin towards the 3.3 V reference (None: not fitted),
# down_ohm towards the logger's ground (None: not fitted); a capacitor from pin to ground makes the low-pass.
#   v_pin = r_parallel * (v_terminal / top_ohm + REFERENCE_V / up_ohm),   r_parallel = top || up || down
REFERENCE_V = 3.3  # nominal supply of the board's ADC
ADC_CODES = 4096  # 12 bits

# Values, budgets and what they survive: `ampwitness front-end --board`. With worst-case parts a range holds the volts
# named here; nominal parts reach 4 % further.
# Speaker terminals: around 0 V between two rails, or around half of a single one: +-61 V a terminal holds both.
SPEAKER = {"top_ohm": 120_000, "up_ohm": 6_200, "down_ohm": 6_490, "farad": 10e-9}
# 0 to 24.4 V holds a 24 V jump start; 6.2 mV a code before averaging.
SUPPLY = {"top_ohm": 24_000, "up_ohm": None, "down_ohm": 3_570, "farad": 10e-9}
# Line-level source: 3.8 V rms, +-5.37 V peak; behind a coupling capacitor 3.2 V peak, see the notes.
LINE = {"top_ohm": 10_500, "up_ohm": 6_190, "down_ohm": 15_400, "farad": 10e-9}
# Drops along the ground return: +-2 V is wanted; resistors alone cannot end the range below +3.3 V, and with the bias
# in the middle it reaches as far down.
SMALL = {"top_ohm": 6_190, "up_ohm": 6_190, "down_ohm": None, "farad": 10e-9}
# A generic Hall clamp's output, 0 to 5 V, just.
CLAMP = {"top_ohm": 4_870, "up_ohm": None, "down_ohm": 8_660, "farad": 10e-9}

INPUT_OF_ROLE = {
    "out_p": SPEAKER,
    "out_n": SPEAKER,
    "supply": SUPPLY,
    "battery": SUPPLY,
    "remote": SUPPLY,
    "ground": SMALL,
    "source": LINE,
    "current": CLAMP,
}

# One corner for all inputs and all modes: every network's r_parallel with 10 nF lies within 2 % of it, see the tests.
# High enough that its loss at the tenth harmonic of 1 kHz can be inverted, low enough to keep class-D residue out.
INPUT_CORNER_HZ = 5_100

# ---- channels: role of each analog pin, in scan order -------------------------------------------------------------
CHANNELS = (("out_p", 26), ("out_n", 27), ("supply", 28))

# ---- digital lines: role, pin, volts at the lead above which the pin reads 1 -------------------------------------
DIGITAL = (("remote", 15, 6.0),)

BUTTON_PIN = 14  # to ground, pulled up inside
LED_PIN = 25

# ---- modes: total conversions a second, conversions averaged into one sample of each channel ----------------------
# The ADC runs on 48 MHz and takes a whole number of cycles (>= 96) a conversion: 250 -> 192 k/s, 320 -> 150 k/s.
# "temperature": the chip's own is converted in every scan as well, at the cost of averaging (slow: 24 instead of 32).
ADC_CLOCK_HZ = 48_000_000
MODES = {
    "bass": {"cycles": 250, "averaging": 8},  # 3 channels: 8 kS/s each
    "wide": {"cycles": 320, "averaging": 2},  # 3 channels: 25 kS/s each
    "slow": {"cycles": 250, "averaging": 32, "temperature": True},  # 3 channels: 2 kS/s each
}
DEFAULT_MODE = "bass"
