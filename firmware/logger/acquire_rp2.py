"""The RP2040's converter, filling a ring by itself: the only file that knows how this chip samples.

The ADC runs freely through its channels at a fixed number of clock cycles a conversion and puts the results into its
FIFO. One DMA channel, paced by the ADC's request, moves them into a ring of 32 KiB; it is told to make 2**30
transfers. A second DMA channel is chained behind it and starts it again for another 2**30, so that nothing in Python
has to happen in time. How far the ring is written follows from the transfer count alone, without an interrupt.

Why not re-arm from an interrupt: a Python handler comes too late for the four places of the FIFO, and every late call
loses conversions without a trace.
"""

import gc
from array import array

import machine
import micropython
import rp2
import uctypes
from machine import mem32
from micropython import const

from logger import thermometer

RING_CONVERSIONS = const(16384)  # 85 ms at 192 k conversions a second
_RING_BYTES = const(32768)
_RING_SIZE_BITS = const(15)  # the DMA wraps its write address at 2**15 bytes
_POSITION_MASK = const(0x3FFFFFFF)

MIN_CYCLES = const(96)  # 48 MHz / 96 = 500 k conversions a second, the chip's limit
MAX_CYCLES = const(65536)
FIRST_ADC_PIN = const(26)  # GPIO26 to GPIO29 are ADC inputs 0 to 3
LAST_ADC_PIN = const(29)
_TEMPERATURE_INPUT = const(4)
OLDEST_MICROPYTHON = (1, 26)

# RP2040 datasheet, section 2.19.6.3: the pad register of GPIO0, then 4 bytes a pin.
_PADS = 0x4001C004
_PULL_UP = const(1 << 3)
_PULL_DOWN = const(1 << 2)

# RP2040 datasheet, section 4.9 (ADC) and 2.5 (DMA). Not const(): these addresses lie above the small integers, and a
# module-level name costs nothing that matters outside the steady state.
_ADC_CS = 0x4004C000
_ADC_FCS = 0x4004C008
_ADC_FIFO = 0x4004C00C
_ADC_DIV = 0x4004C010
_CLEAR_BITS = 0x3000  # writing to an address + this clears the given bits
_CS_EN = const(1 << 0)
_CS_TS_EN = const(1 << 1)
_CS_START_MANY = const(1 << 3)
_CS_READY = const(1 << 8)
_CS_ERR_STICKY = const(1 << 10)
_CS_AINSEL_AT = const(12)
_CS_RROBIN_AT = const(16)
_FCS_EN = const(1 << 0)
_FCS_DREQ_EN = const(1 << 3)
_FCS_EMPTY = const(1 << 8)
_FCS_UNDER = const(1 << 10)
_FCS_OVER = const(1 << 11)
_FCS_THRESH_AT = const(24)
_DMA = 0x50000000
_DMA_CHANNEL_BYTES = const(0x40)
_DMA_COUNT = const(0x08)
_DMA_AL1_CTRL = const(0x10)  # does not trigger
_DMA_AL1_COUNT_TRIG = const(0x1C)
_DMA_ABORT = 0x50000444
_DMA_CHANNELS = const(12)
_DREQ_ADC = const(36)
_CTRL_TREQ_AT = const(15)
_CTRL_CHAIN_AT = const(11)
_CTRL_BUSY = const(1 << 24)


def stop_hardware():
    """Stop the converter and every DMA channel that it paces, whoever started them.

    Also right after a soft reset, when the objects that started them are gone while the hardware still writes into
    memory that now belongs to something else.
    """
    mem32[_ADC_CS + _CLEAR_BITS] = _CS_START_MANY
    for n in range(_DMA_CHANNELS):
        control = _DMA + _DMA_CHANNEL_BYTES * n + _DMA_AL1_CTRL
        if mem32[control] >> _CTRL_TREQ_AT & 0x3F == _DREQ_ADC:
            # Unchain before the abort, so that the end of this channel starts no other.
            mem32[control] = (n << _CTRL_CHAIN_AT) | (0x3F << _CTRL_TREQ_AT)
            mem32[_DMA_ABORT] = 1 << n
            while mem32[control] & _CTRL_BUSY:  # until transfers under way have come to their end
                pass
    if mem32[_ADC_CS] & _CS_EN:
        while not mem32[_ADC_CS] & _CS_READY:  # at most one conversion, 2 us
            pass
        # Bits 10 and 11 are cleared by writing ones; the FIFO is emptied while no request goes out.
        mem32[_ADC_FCS] = _FCS_EN | _FCS_OVER | _FCS_UNDER
        while not mem32[_ADC_FCS] & _FCS_EMPTY:
            mem32[_ADC_FIFO]
    mem32[_ADC_FCS] = _FCS_OVER | _FCS_UNDER


def why_unfit(implementation):
    """Say why this board or this MicroPython cannot do the job.

    Parameters
    ----------
    implementation : `sys.implementation` of the running MicroPython

    Returns
    -------
    str : one sentence, empty where all is well
    """
    if "RP2040" not in getattr(implementation, "_machine", ""):
        return "This firmware needs an RP2040; this board says " + getattr(implementation, "_machine", "nothing") + "."
    if tuple(implementation.version[:2]) < OLDEST_MICROPYTHON:
        return "This firmware needs MicroPython 1.26 or later; this board runs %d.%d." % implementation.version[:2]
    return ""


def inputs_of_pins(pins):
    """ADC inputs of pins, in an order that the converter's round robin can keep.

    Parameters
    ----------
    pins : sequence of 1 to 4 GPIO numbers, 26 to 29, no two alike

    Returns
    -------
    list of int, 0 to 3

    Raises
    ------
    ValueError : a pin is no analog input, or the order is none that the round robin runs through (26, 27, 28 and
        27, 28, 26 are; 27, 26, 28 is not)
    """
    inputs = []
    for pin in pins:
        if not FIRST_ADC_PIN <= pin <= LAST_ADC_PIN:
            raise ValueError("GPIO%d is no analog input; use GPIO26, GPIO27 or GPIO28" % pin)
        inputs.append(pin - FIRST_ADC_PIN)
    n_falls = 0
    for i in range(len(inputs)):
        if inputs[i] <= inputs[i - 1]:
            n_falls += 1
    if len(set(inputs)) != len(inputs) or n_falls != 1:
        raise ValueError("the converter scans its pins upwards: list the channels in the order of their GPIO numbers")
    return inputs


def _make_ring():
    # The DMA wraps addresses only at a multiple of the ring's size, and MicroPython cannot be asked for an aligned
    # block: take twice the size and use the aligned half. Returns (ring, the block that has to be kept alive).
    gc.collect()
    block = bytearray(2 * _RING_BYTES)
    address = uctypes.addressof(block)
    return uctypes.bytearray_at(address + -address % _RING_BYTES, _RING_BYTES), block


# The two functions below run in every turn of the loop. They take the register's address from a table, because an
# address above 2**30 would be a heap object in ordinary code; indices into pointers are constants only.
@micropython.viper
def _position(table: ptr32) -> int:
    count = ptr32(table[0])
    return (0 - count[0]) & 0x3FFFFFFF


@micropython.viper
def _over(table: ptr32) -> int:
    fcs = ptr32(table[1])
    return fcs[0] & 0x800


class Rp2Source:
    """Conversions of the RP2040's ADC in a ring in memory.

    Make it before the other modules are loaded: it wants 64 KiB in one piece.

    Parameters
    ----------
    first_position : position at which every start begins, 0 to 2**30 - 1; other than 0 only to test the wrap

    Attributes
    ----------
    count_address : register that holds minus the position (mod 2**32), for those who need it in an interrupt
    has_thermometer : the chip's own temperature can be converted behind the channels of each scan
    ring : bytearray holding RING_CONVERSIONS uint16; conversion number p stands at place p % RING_CONVERSIONS
    """

    has_thermometer = True

    def __init__(self, first_position=0):
        stop_hardware()
        self.ring, self._block = _make_ring()
        self.first_position = first_position & _POSITION_MASK
        self._whole = array("I", [1 << 30])
        self._data = rp2.DMA()
        self._again = rp2.DMA()
        self.count_address = _DMA + _DMA_CHANNEL_BYTES * self._data.channel + _DMA_COUNT
        self._table = array("I", [self.count_address, _ADC_FCS])
        self._fillings = ()
        self._thermometer = None
        self._pulled_pad = 0
        self.is_running = False

    def start(self, cycles, n_channels, pins, with_temperature=False):
        """Begin to convert.

        Parameters
        ----------
        cycles : 48 MHz clock cycles a conversion, 96 to 65536
        n_channels : number of `pins`
        pins : GPIO numbers in scan order
        with_temperature : convert the chip's temperature after the last of them; they must go upwards then

        Raises
        ------
        ValueError : an impossible rate, a wrong pin, or an order that the converter cannot keep
        """
        inputs = inputs_of_pins(pins)
        if len(inputs) != n_channels:
            raise ValueError("%d channels but %d pins" % (n_channels, len(inputs)))
        if not MIN_CYCLES <= cycles <= MAX_CYCLES:
            raise ValueError("%d cycles a conversion; the converter takes 96 to 65536" % cycles)
        self.stop()
        robin = 0
        for one in inputs:
            machine.ADC(machine.Pin(FIRST_ADC_PIN + one))  # makes the pad analog
            robin |= 1 << one
        on = _CS_EN
        if with_temperature:
            if inputs != sorted(inputs):
                raise ValueError("with the chip's temperature the channels have to go upwards by their GPIO numbers")
            robin |= 1 << _TEMPERATURE_INPUT
            on |= _CS_TS_EN
        self._arm_dma()
        mem32[_ADC_DIV] = (cycles - 1) << 8
        mem32[_ADC_CS] = on | _CS_ERR_STICKY | inputs[0] << _CS_AINSEL_AT | robin << _CS_RROBIN_AT
        mem32[_ADC_FCS] = _FCS_EN | _FCS_DREQ_EN | _FCS_OVER | _FCS_UNDER | 1 << _FCS_THRESH_AT
        self.is_running = True
        mem32[_ADC_CS] = on | inputs[0] << _CS_AINSEL_AT | robin << _CS_RROBIN_AT | _CS_START_MANY

    def _arm_dma(self):
        ring_address = uctypes.addressof(self.ring)
        data, again = self._data, self._again
        again.config(
            read=self._whole,
            write=_DMA + _DMA_CHANNEL_BYTES * data.channel + _DMA_AL1_COUNT_TRIG,
            count=1,
            ctrl=again.pack_ctrl(size=2, inc_read=False, inc_write=False),
        )
        data.config(
            read=_ADC_FIFO,
            write=ring_address + 2 * (self.first_position % RING_CONVERSIONS),
            count=(1 << 30) - self.first_position,
            ctrl=data.pack_ctrl(
                size=1,
                inc_read=False,
                inc_write=True,
                ring_size=_RING_SIZE_BITS,
                ring_sel=True,
                treq_sel=_DREQ_ADC,
                chain_to=again.channel,
                high_pri=True,
            ),
            trigger=True,
        )

    def pull(self, pin, up):
        """Switch on the pull resistor of an analog pin, upwards or downwards, until stop()."""
        self._pulled_pad = _PADS + 4 * pin
        mem32[self._pulled_pad] = mem32[self._pulled_pad] & ~(_PULL_UP | _PULL_DOWN) | (_PULL_UP if up else _PULL_DOWN)

    def stop(self):
        """Stop converting; the ring keeps what it holds."""
        stop_hardware()
        if self._pulled_pad:
            mem32[self._pulled_pad] &= ~(_PULL_UP | _PULL_DOWN)
            self._pulled_pad = 0
        self.is_running = False

    @micropython.native
    def position(self):
        """Conversions written since the start (plus `first_position`), mod 2**30."""
        return _position(self._table)

    @micropython.native
    def overflowed(self):
        """Whether the FIFO overflowed since the start: conversions are missing and channels have changed places."""
        return _over(self._table) != 0

    def die_tenths(self):
        """Temperature of the board's chip in tenths of a degree Celsius; None while converting: see logger.thermometer.

        While converting, it is among the conversions if start() was told so.
        """
        if self.is_running:
            return None
        if self._thermometer is None:
            self._thermometer = machine.ADC(_TEMPERATURE_INPUT)
        total = 0
        for _ in range(thermometer.READINGS):
            total += self._thermometer.read_u16() >> 4
        return thermometer.tenths_of_sum(total)

    def fill_holes(self):
        """Collect, then fill what is free in front of the ring with the smallest objects there are, and keep those.

        The interpreter takes memory for every larger call, and looks for it from the first free place on. A hole in
        front of the ring makes it walk over all of the ring each time: a third of the time that `bass` takes.
        """
        gc.collect()
        self._fill_up_to(uctypes.addressof(self._block))

    def fill_all_holes(self):
        """The same up to the first 8 KiB in one piece. Once, when all is built: holes in between are lost for good."""
        gc.collect()
        self._fill_up_to(uctypes.addressof(bytearray(8192)))

    def _fill_up_to(self, stop):
        link = self._fillings
        while True:
            link = (link,)
            if id(link) > stop:
                return
            self._fillings = link

    def close(self):
        """Stop and give the DMA channels back."""
        self.stop()
        self._data.close()
        self._again.close()
