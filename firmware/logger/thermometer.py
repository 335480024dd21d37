"""What the chip's own thermometer says. It is that of the logger board, of nothing else in the vehicle.

RP2040 datasheet, section 4.9.5: 0.706 V at 27 degrees Celsius, 1.721 mV less for each degree more. Typical figures, and
the reference is the board's supply: good for a few degrees.
"""

READINGS = 16


def tenths_of_sum(total):
    """Tenths of a degree Celsius from the sum of READINGS codes of 12 bits at 3.3 V. Small integers only."""
    tenth_millivolts = total * 4125 // 8192  # 33000 / 4096 / 16
    return 270 - (tenth_millivolts - 7060) * 1000 // 1721
