"""The inner loops in the RP2040's own instructions, for the board; kernels_plain.py holds the same in plain Python.

Why not viper alone: `wide` leaves 1.5 ms for a frame, of which viper's loops would take nearly half. Measured on the
emulated RP2040 for one frame, calls included: averages of `wide` 294 us in viper and 50 us here, CRC 159 and 46, COBS
196 and 51.
The functions take what those of kernels_viper.py take. High registers are reached by instruction words, since the
assembler knows add and cmp for r0 to r7 only.
"""

import micropython

from logger import kernels_viper


@micropython.native
def average_scans(ring, out, rails, p):
    """See kernels_viper.average_scans."""
    average = _average_three if p[2] == 3 else _average_few
    if not average(ring, out, rails, p):
        kernels_viper.average_scans(ring, out, rails, p)


@micropython.asm_thumb
def _average_three(r0, r1, r2, r3):
    # Three channels, an even number of at most 32 conversions a count, no end of the ring inside the frame, first
    # conversion at an even place: otherwise returns 0 with nothing done.
    #
    # Two conversions are loaded at once. Of six conversions, three words: (ch1 ch0) (ch0 ch2) (ch2 ch1), upper half
    # first. Each is added into a sum of its own whose halves cannot overflow: 16 * 4095 < 2**16.
    # Rails: a half + 1 has bit 12 set only where it was 4095, a half + 4095 lacks bit 12 only where it was 0. Both are
    # gathered over a scan; only a scan that holds a rail is gone through again, conversion by conversion.
    #
    # r0 source, r1 gathered +1, r2 gathered +4095, r3 r4 r5 the three sums, r6 r7 scratch
    # r8 0x00010001, r9 0x0FFE0FFE, r10 out, r11 p, r12 end of scan
    # stack: 0 rails, 4 bytes a scan, 8 end of frame, 12 shift, 16 mask 0x10001000
    mov(r4, r8)
    mov(r5, r9)
    mov(r6, r10)
    mov(r7, r11)
    push({r4, r5, r6, r7})
    mov(r10, r1)
    mov(r11, r3)
    ldr(r4, [r3, 8])  # channels
    cmp(r4, 3)
    bne(REFUSE)
    ldr(r4, [r3, 12])  # conversions a count
    cmp(r4, 32)
    bgt(REFUSE)
    cmp(r4, 2)
    blt(REFUSE)
    lsl(r5, r4, 31)
    bne(REFUSE)  # odd
    ldr(r6, [r3, 0])  # place
    lsl(r5, r6, 31)
    bne(REFUSE)
    mov(r5, 6)
    mul(r4, r5)  # bytes a scan
    ldr(r5, [r3, 20])  # scans
    mul(r5, r4)  # bytes a frame
    lsl(r6, r6, 1)
    add(r0, r0, r6)  # first conversion
    add(r6, r6, r5)  # end of the frame in the ring
    ldr(r7, [r3, 4])
    lsl(r7, r7, 1)  # bytes in the ring
    cmp(r6, r7)
    bgt(REFUSE)
    bne(INSIDE)
    mov(r6, 0)
    b(INSIDE)
    label(REFUSE)  # here, because conditional branches reach no further
    mov(r0, 0)
    b(LEAVE)
    label(INSIDE)
    lsr(r6, r6, 1)
    str(r6, [r3, 0])  # where the next frame begins
    mov(r6, 1)
    lsl(r6, r6, 12)
    lsl(r7, r6, 16)
    orr(r7, r6)
    push({r7})  # mask
    ldr(r6, [r3, 16])
    push({r6})  # shift
    add(r5, r5, r0)
    push({r5})  # end of frame
    push({r4})  # bytes a scan
    push({r2})  # rails
    mov(r6, 1)
    lsl(r5, r6, 16)
    orr(r6, r5)
    mov(r8, r6)
    sub(r7, r7, r6)
    sub(r7, r7, r6)
    mov(r9, r7)
    label(SCAN)
    mov(r7, sp)
    ldr(r6, [r7, 4])
    add(r6, r6, r0)
    mov(r12, r6)
    mov(r3, 0)
    mov(r4, 0)
    mov(r5, 0)
    mov(r1, 0)
    mvn(r2, r1)
    label(SIX)
    ldr(r6, [r0, 0])
    add(r3, r3, r6)
    data(2, 0x4446)  # add r6, r8
    orr(r1, r6)
    data(2, 0x444E)  # add r6, r9
    and_(r2, r6)
    ldr(r6, [r0, 4])
    add(r4, r4, r6)
    data(2, 0x4446)
    orr(r1, r6)
    data(2, 0x444E)
    and_(r2, r6)
    ldr(r6, [r0, 8])
    add(r5, r5, r6)
    data(2, 0x4446)
    orr(r1, r6)
    data(2, 0x444E)
    and_(r2, r6)
    add(r0, 12)
    data(2, 0x4560)  # cmp r0, r12
    bne(SIX)
    ldr(r7, [r7, 16])
    mvn(r2, r2)
    orr(r1, r2)
    tst(r1, r7)
    bne(RAILS)
    label(STORE)
    lsl(r6, r3, 16)
    lsr(r6, r6, 16)
    lsr(r7, r4, 16)
    add(r6, r6, r7)  # first channel
    lsr(r7, r3, 16)
    lsl(r2, r5, 16)
    lsr(r2, r2, 16)
    add(r7, r7, r2)  # second
    lsl(r4, r4, 16)
    lsr(r4, r4, 16)
    lsr(r5, r5, 16)
    add(r4, r4, r5)  # third
    mov(r2, sp)
    ldr(r3, [r2, 12])
    lsr(r6, r3)
    lsr(r7, r3)
    lsr(r4, r3)
    mov(r1, r10)
    strh(r6, [r1, 0])
    strh(r7, [r1, 2])
    strh(r4, [r1, 4])
    add(r1, 6)
    mov(r10, r1)
    ldr(r2, [r2, 8])
    cmp(r0, r2)
    bne(SCAN)
    b(DONE)

    label(RAILS)
    mov(r7, sp)
    ldr(r6, [r7, 4])
    sub(r0, r0, r6)
    ldr(r7, [r7, 0])
    mov(r2, 255)
    lsl(r2, r2, 4)
    add(r2, 15)
    label(THREE)
    ldrh(r6, [r0, 0])
    cmp(r6, 0)
    bne(TOP0)
    ldrb(r6, [r7, 0])
    cmp(r6, 255)
    beq(NEXT0)
    add(r6, 1)
    strb(r6, [r7, 0])
    b(NEXT0)
    label(TOP0)
    cmp(r6, r2)
    bne(NEXT0)
    ldrb(r6, [r7, 1])
    cmp(r6, 255)
    beq(NEXT0)
    add(r6, 1)
    strb(r6, [r7, 1])
    label(NEXT0)
    ldrh(r6, [r0, 2])
    cmp(r6, 0)
    bne(TOP1)
    ldrb(r6, [r7, 2])
    cmp(r6, 255)
    beq(NEXT1)
    add(r6, 1)
    strb(r6, [r7, 2])
    b(NEXT1)
    label(TOP1)
    cmp(r6, r2)
    bne(NEXT1)
    ldrb(r6, [r7, 3])
    cmp(r6, 255)
    beq(NEXT1)
    add(r6, 1)
    strb(r6, [r7, 3])
    label(NEXT1)
    ldrh(r6, [r0, 4])
    cmp(r6, 0)
    bne(TOP2)
    ldrb(r6, [r7, 4])
    cmp(r6, 255)
    beq(NEXT2)
    add(r6, 1)
    strb(r6, [r7, 4])
    b(NEXT2)
    label(TOP2)
    cmp(r6, r2)
    bne(NEXT2)
    ldrb(r6, [r7, 5])
    cmp(r6, 255)
    beq(NEXT2)
    add(r6, 1)
    strb(r6, [r7, 5])
    label(NEXT2)
    add(r0, 6)
    data(2, 0x4560)  # cmp r0, r12
    bne(THREE)
    b(STORE)

    label(DONE)
    pop({r1, r2, r3, r4, r5})
    mov(r0, 1)
    label(LEAVE)
    pop({r4, r5, r6, r7})
    mov(r8, r4)
    mov(r9, r5)
    mov(r10, r6)
    mov(r11, r7)


@micropython.asm_thumb
def _average_few(r0, r1, r2, r3):
    # One or two channels, an even number of at most 32 conversions a scan; else as _average_three, whose comments hold
    # here too. One sum, r3: its halves are the two channels, or every other conversion of the one.
    mov(r4, r8)
    mov(r5, r9)
    mov(r6, r10)
    mov(r7, r11)
    push({r4, r5, r6, r7})
    mov(r10, r1)
    mov(r11, r3)
    ldr(r4, [r3, 8])  # channels
    cmp(r4, 2)
    bgt(REFUSE)
    ldr(r6, [r3, 12])
    mul(r6, r4)  # conversions a scan
    cmp(r6, 32)
    bgt(REFUSE)
    lsl(r7, r6, 31)
    bne(REFUSE)  # odd
    lsl(r4, r6, 1)  # bytes a scan
    ldr(r6, [r3, 0])  # place
    lsl(r5, r6, 31)
    bne(REFUSE)
    ldr(r5, [r3, 20])  # scans
    mul(r5, r4)  # bytes a frame
    lsl(r6, r6, 1)
    add(r0, r0, r6)
    add(r6, r6, r5)
    ldr(r7, [r3, 4])
    lsl(r7, r7, 1)
    cmp(r6, r7)
    bgt(REFUSE)
    bne(INSIDE)
    mov(r6, 0)
    b(INSIDE)
    label(REFUSE)
    mov(r0, 0)
    b(LEAVE)
    label(INSIDE)
    lsr(r6, r6, 1)
    str(r6, [r3, 0])
    mov(r6, 1)
    lsl(r6, r6, 12)
    lsl(r7, r6, 16)
    orr(r7, r6)
    push({r7})  # mask
    ldr(r6, [r3, 16])
    push({r6})  # shift
    add(r5, r5, r0)
    push({r5})  # end of frame
    push({r4})  # bytes a scan
    push({r2})  # rails
    mov(r6, 1)
    lsl(r5, r6, 16)
    orr(r6, r5)
    mov(r8, r6)
    sub(r7, r7, r6)
    sub(r7, r7, r6)
    mov(r9, r7)
    label(SCAN)
    mov(r7, sp)
    ldr(r6, [r7, 4])
    add(r6, r6, r0)
    mov(r12, r6)
    mov(r3, 0)
    mov(r1, 0)
    mvn(r2, r1)
    label(TWO)
    ldr(r6, [r0, 0])
    add(r3, r3, r6)
    data(2, 0x4446)  # add r6, r8
    orr(r1, r6)
    data(2, 0x444E)  # add r6, r9
    and_(r2, r6)
    add(r0, 4)
    data(2, 0x4560)  # cmp r0, r12
    bne(TWO)
    ldr(r7, [r7, 16])
    mvn(r2, r2)
    orr(r1, r2)
    tst(r1, r7)
    bne(RAILS)
    label(STORE)
    lsl(r6, r3, 16)
    lsr(r6, r6, 16)
    lsr(r7, r3, 16)
    mov(r2, sp)
    ldr(r4, [r2, 12])
    mov(r5, r11)
    ldr(r5, [r5, 8])
    mov(r1, r10)
    cmp(r5, 1)
    bne(BOTH)
    add(r6, r6, r7)
    lsr(r6, r4)
    strh(r6, [r1, 0])
    add(r1, 2)
    b(STORED)
    label(BOTH)
    lsr(r6, r4)
    lsr(r7, r4)
    strh(r6, [r1, 0])
    strh(r7, [r1, 2])
    add(r1, 4)
    label(STORED)
    mov(r10, r1)
    ldr(r2, [r2, 8])
    cmp(r0, r2)
    bne(SCAN)
    b(DONE)

    label(RAILS)
    mov(r7, sp)
    ldr(r6, [r7, 4])
    sub(r0, r0, r6)
    ldr(r7, [r7, 0])
    mov(r4, r11)
    ldr(r4, [r4, 8])
    sub(r4, 1)
    lsl(r4, r4, 1)  # from one channel's counts to the other's; 0 with one channel
    mov(r5, 0)
    mov(r2, 255)
    lsl(r2, r2, 4)
    add(r2, 15)
    label(ONE)
    ldrh(r6, [r0, 0])
    add(r1, r7, r5)
    cmp(r6, 0)
    beq(COUNT)
    cmp(r6, r2)
    bne(NEXT)
    add(r1, 1)
    label(COUNT)
    ldrb(r6, [r1, 0])
    cmp(r6, 255)
    beq(NEXT)
    add(r6, 1)
    strb(r6, [r1, 0])
    label(NEXT)
    eor(r5, r4)
    add(r0, 2)
    data(2, 0x4560)  # cmp r0, r12
    bne(ONE)
    b(STORE)

    label(DONE)
    pop({r1, r2, r3, r4, r5})
    mov(r0, 1)
    label(LEAVE)
    pop({r4, r5, r6, r7})
    mov(r8, r4)
    mov(r9, r5)
    mov(r10, r6)
    mov(r11, r7)


@micropython.asm_thumb
def crc_into(r0, r1, r2, r3):
    """See kernels_viper.crc_into."""
    add(r1, r1, r0)
    mov(r5, 0)
    mvn(r5, r5)
    b(TEST)
    label(BYTE)
    ldrb(r4, [r0, 0])
    eor(r4, r5)
    lsl(r4, r4, 24)
    lsr(r4, r4, 22)
    add(r4, r4, r2)
    ldr(r4, [r4, 0])
    lsr(r5, r5, 8)
    eor(r5, r4)
    add(r0, 1)
    label(TEST)
    cmp(r0, r1)
    bne(BYTE)
    mvn(r5, r5)
    strb(r5, [r3, 0])
    lsr(r5, r5, 8)
    strb(r5, [r3, 1])
    lsr(r5, r5, 8)
    strb(r5, [r3, 2])
    lsr(r5, r5, 8)
    strb(r5, [r3, 3])


@micropython.asm_thumb
def cobs_into_ring(r0, r1, r2, r3):
    """See kernels_viper.cobs_into_ring."""
    # r4 head, r5 mask, r6 code of the run, r7 byte, r12 where the code goes
    push({r3})
    ldr(r4, [r3, 0])
    ldr(r5, [r3, 4])
    add(r1, r1, r0)
    mov(r12, r4)
    add(r4, 1)
    and_(r4, r5)
    mov(r6, 1)
    b(TEST)
    label(BYTE)
    ldrb(r7, [r0, 0])
    add(r0, 1)
    cmp(r6, 255)
    beq(FULL)
    label(GO)
    cmp(r7, 0)
    beq(ZERO)
    add(r3, r2, r4)
    strb(r7, [r3, 0])
    add(r6, 1)
    add(r4, 1)
    and_(r4, r5)
    label(TEST)
    cmp(r0, r1)
    bne(BYTE)
    mov(r3, r12)
    add(r3, r3, r2)
    strb(r6, [r3, 0])
    mov(r7, 0)
    add(r3, r2, r4)
    strb(r7, [r3, 0])
    add(r4, 1)
    and_(r4, r5)
    pop({r3})
    str(r4, [r3, 0])
    b(END)
    label(ZERO)
    mov(r3, r12)
    add(r3, r3, r2)
    strb(r6, [r3, 0])
    mov(r12, r4)
    mov(r6, 1)
    add(r4, 1)
    and_(r4, r5)
    b(TEST)
    label(FULL)  # a full run stands for no zero, whatever comes next needs a run of its own
    mov(r3, r12)
    add(r3, r3, r2)
    strb(r6, [r3, 0])
    mov(r12, r4)
    mov(r6, 1)
    add(r4, 1)
    and_(r4, r5)
    b(GO)
    label(END)


@micropython.asm_thumb
def copy_from_ring(r0, r1, r2, r3):
    """See kernels_viper.copy_from_ring."""
    ldr(r4, [r3, 0])
    ldr(r5, [r3, 4])
    add(r2, r2, r1)
    b(TEST)
    label(BYTE)
    add(r6, r0, r4)
    ldrb(r7, [r6, 0])
    strb(r7, [r1, 0])
    add(r1, 1)
    add(r4, 1)
    and_(r4, r5)
    label(TEST)
    cmp(r1, r2)
    bne(BYTE)


@micropython.asm_thumb
def step_groups(r0, r1, r2, r3):
    """See kernels_viper.step_groups."""
    add(r0, r0, r1)
    mov(r6, 127)
    mov(r7, 128)
    label(GROUP)
    cmp(r2, 0)
    beq(END)
    cmp(r3, 0)
    beq(END)
    ldrb(r4, [r0, 0])
    and_(r4, r6)
    add(r3, r3, r4)
    mov(r5, r3)
    and_(r5, r6)
    orr(r5, r7)
    strb(r5, [r0, 0])
    lsr(r3, r3, 7)
    add(r0, 1)
    sub(r2, 1)
    b(GROUP)
    label(END)
