"""The inside of an 8255 parallel interface: modes, latches, handshakes, pins.

After the 82C55A data sheets (Intel 231256-004, Harris FN2969) and a board manual's table of
control words; the chip knows no lines between cards: who owns it shows what `drive` works out.

From memory, and so the first to be doubted: writing the same mode word again clears the latches,
too; INTE changes by bit set/reset alone; a strobe is a level (with STB low the input latch
follows the pins and IBF stays 1, with ACK low OBF stays high); the bits of port C that have a
handshake's function take no bit set/reset but for INTE; a reset chip's control register reads 9Bh.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined

A, B, C, CONTROL = range(4)  # registers, and ports
MODE_SET = 0x80
AFTER_RESET = 0x9B  # mode 0, all inputs
A_IN, C_HIGH_IN, B_MODE_1, B_IN, C_LOW_IN = 0x10, 0x08, 0x04, 0x02, 0x01  # of a control word
STROBE, ACKNOWLEDGE = (0x10, 0x04), (0x40, 0x04)  # STB and ACK on port C, by port
FULL, EMPTY = (0x20, 0x02), (0x80, 0x02)  # IBF and OBF
INTR = (0x08, 0x01)

PPI = np.dtype([
    ("control", np.int64),  # the last control word
    ("latch", np.int64, (3,)),  # what was written to A, B, C
    ("taken", np.int64, (2,)),  # input latches of A and B
    ("pins", np.int64, (3,)),  # levels from outside
    ("shown", np.int64, (3,)),  # levels at the chip's pins; what it does not drive is high
    ("full", np.int64, (2,)),  # IBF
    ("empty", np.int64, (2,)),  # OBF as the pin shows it: 1, the byte has been taken
    ("inte4", np.int64), ("inte6", np.int64), ("inte2", np.int64),  # by the bit that sets them
    ("held", np.int64),  # 1: RESET stands at the chip for ever
    ("cmos", np.int64),
    ("mode_words", np.int64), ("mode_t", np.int64),  # control words with bit 7, the last
    ("wiped", np.int64, (3,)),  # what the last mode word took from the latches ...
    ("before", np.int64),  # ... and the control word that it replaced; held: what was written
    ("blind_reads", np.int64),  # of the control register of a part that cannot give it
    ("strobes", np.int64, (2,)),  # of a handshake, by port, since the mode was set
    ("moved_t", np.int64, (3,)),  # when a program wrote a port last, or read A or B
], align=True)


@inlined
def mode_of(p, port):
    """Give a port's mode, 0 to 2."""
    if port == B:
        return (p.control >> 2) & 1
    return min((p.control >> 5) & 3, 2)


@inlined
def takes(p, port):
    """Tell whether a port of a strobed mode takes bytes in."""
    mode = mode_of(p, port)
    return mode == 2 or (mode == 1 and (p.control & (A_IN if port == A else B_IN)) != 0)


@inlined
def gives(p, port):
    """Tell whether a port of a strobed mode gives bytes out."""
    mode = mode_of(p, port)
    return mode == 2 or (mode == 1 and (p.control & (A_IN if port == A else B_IN)) == 0)


@compiled
def functions(p):
    """Give the bits of port C that a handshake has taken."""
    bits = np.int64(0)
    if takes(p, A):
        bits |= 0x38
    if gives(p, A):
        bits |= 0xC8
    if mode_of(p, B) == 1:
        bits |= 0x07
    return bits


@inlined
def inputs_of_c(p):
    """Give the bits of port C that its direction bits make inputs."""
    high = np.int64(0xF0) if (p.control & C_HIGH_IN) != 0 else np.int64(0)
    return high | (np.int64(0x0F) if (p.control & C_LOW_IN) != 0 else np.int64(0))


@inlined
def high(p, bit):
    """Tell whether a pin of port C is high from outside."""
    return (p.pins[C] & bit) != 0


@compiled
def asks(p, port):
    """Give INTR of a port, 1 or 0: a function of strobe, flag and INTE."""
    asked = np.int64(0)
    into = p.inte4 if port == A else p.inte2
    out = p.inte6 if port == A else p.inte2
    if takes(p, port) and into == 1 and p.full[port] == 1:
        if high(p, STROBE[A] if port == A else STROBE[B]):
            asked = np.int64(1)
    if gives(p, port) and out == 1 and p.empty[port] == 1:
        if high(p, ACKNOWLEDGE[A] if port == A else ACKNOWLEDGE[B]):
            asked = np.int64(1)
    return asked


@inlined
def flag(bit, on):
    """Give a bit where something is 1."""
    return np.int64(bit) if on == 1 else np.int64(0)


@compiled
def handshake(p):
    """Give the levels of the bits of C that the chip drives for a handshake."""
    level = np.int64(0)
    if mode_of(p, A) != 0:
        level |= flag(INTR[A], asks(p, np.int64(A)))
    if takes(p, A):
        level |= flag(FULL[A], p.full[A])
    if gives(p, A):
        level |= flag(EMPTY[A], p.empty[A])
    if mode_of(p, B) == 1:
        level |= flag(INTR[B], asks(p, np.int64(B)))
        level |= flag(FULL[B], p.full[B] if takes(p, B) else p.empty[B])
    return level


@compiled
def settle(p):
    """Let strobes that stand low do what they do."""
    for port in range(2):
        if takes(p, port) and not high(p, STROBE[A] if port == A else STROBE[B]):
            p.taken[port] = p.pins[port]
            p.full[port] = 1
        if gives(p, port) and not high(p, ACKNOWLEDGE[A] if port == A else ACKNOWLEDGE[B]):
            p.empty[port] = 1


@compiled
def driven(p, port):
    """Give the bits of a port that the chip drives."""
    none = np.int64(0)
    if p.held == 1:
        return none
    if port == C:
        inward = np.int64(0)
        if mode_of(p, A) != 0:
            inward |= flag(STROBE[A], takes(p, A)) | flag(ACKNOWLEDGE[A], gives(p, A))
        if mode_of(p, B) == 1:
            inward |= STROBE[B]
        taken = functions(p)
        return (taken & ~inward) | (~taken & ~inputs_of_c(p) & 0xFF)
    mode = mode_of(p, port)
    if mode == 2:  # the drivers of port A are open while ACK is low
        return none if high(p, ACKNOWLEDGE[A]) else np.int64(0xFF)
    return none if (p.control & (A_IN if port == A else B_IN)) != 0 else np.int64(0xFF)


@compiled
def level_of(p, port):
    """Give what a port's pins show."""
    out = driven(p, port)
    level = p.latch[port]
    if port == C:
        taken = functions(p)
        level = (level & ~taken) | (handshake(p) & taken)
    return (level & out) | (~out & 0xFF)


@compiled
def set_pins(p, port, level):
    """Take the levels from outside at a port; strobes that fall are counted."""
    if port == C:
        fell = p.pins[C] & ~level
        p.pins[C] = level
        for k in range(2):
            bits = np.int64(0)
            if takes(p, k):
                bits |= STROBE[A] if k == A else STROBE[B]
            if gives(p, k):
                bits |= ACKNOWLEDGE[A] if k == A else ACKNOWLEDGE[B]
            if (fell & bits) != 0:
                p.strobes[k] += 1
    else:
        p.pins[port] = level
    settle(p)


@compiled
def clear(p, word):
    """Take a control word: every latch and flip-flop is cleared."""
    for port in range(3):
        p.latch[port] = 0
    for port in range(2):
        p.full[port] = 0
        p.empty[port] = 1
        p.strobes[port] = 0
    p.inte4 = 0
    p.inte6 = 0
    p.inte2 = 0
    p.control = word
    settle(p)


@compiled
def set_bit(p, byte):
    """Set or clear one bit of port C, or an INTE where a handshake has that bit."""
    on = byte & 1
    bit = np.int64(1) << ((byte >> 1) & 7)
    if (functions(p) & bit) == 0:
        p.latch[C] = (p.latch[C] | bit) if on == 1 else (p.latch[C] & ~bit)
    elif bit == 0x10 and takes(p, A):
        p.inte4 = on
    elif bit == 0x40 and gives(p, A):
        p.inte6 = on
    elif bit == 0x04:
        p.inte2 = on


@compiled
def miss(p, register, byte):
    """Keep what is written to a chip that is held in reset, for the words about it."""
    if register < CONTROL:
        p.wiped[register] = byte
    elif (byte & MODE_SET) != 0:
        p.before = byte
        for port in range(3):
            p.wiped[port] = 0
    else:
        bit = np.int64(1) << ((byte >> 1) & 7)
        p.wiped[C] = (p.wiped[C] & ~bit) | flag(bit, byte & 1)


@compiled
def write(p, register, byte, t):
    """Write a port or the control register."""
    if p.held == 1:
        miss(p, register, byte)
        return
    if register == CONTROL:
        if (byte & MODE_SET) == 0:
            set_bit(p, byte)
            return
        for port in range(3):
            p.wiped[port] = p.latch[port]
        p.before = p.control
        p.mode_words += 1
        p.mode_t = t
        clear(p, byte)
        return
    if register == C:
        taken = functions(p)
        p.latch[C] = (byte & ~taken) | (p.latch[C] & taken)
        p.moved_t[C] = t
        return
    p.latch[register] = byte
    p.moved_t[register] = t
    if gives(p, register):
        p.empty[register] = 0
        settle(p)


@compiled
def read_c(p):
    """Read port C: pins, latches, and in the place of a strobe its INTE."""
    inward = inputs_of_c(p)
    taken = functions(p)
    value = handshake(p)
    if takes(p, A):
        value |= flag(STROBE[A], p.inte4)
    if gives(p, A):
        value |= flag(ACKNOWLEDGE[A], p.inte6)
    if mode_of(p, B) == 1:
        value |= flag(STROBE[B], p.inte2)
    free = (p.pins[C] & inward) | (p.latch[C] & ~inward)
    return (value & taken) | (free & ~taken & 0xFF)


@compiled
def read(p, register, t):
    """Read a port or the control register; -1: the part drives nothing."""
    if register == CONTROL:
        if p.cmos == 1:
            return p.control | MODE_SET
        p.blind_reads += 1
        return np.int64(-1)
    if register == C:
        return read_c(p)
    p.moved_t[register] = t
    if takes(p, register):
        value = p.taken[register]
        p.full[register] = 0
        settle(p)
        return value
    return p.pins[register] if driven(p, register) == 0 else p.latch[register]
