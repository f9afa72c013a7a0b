"""Z80 DMA (Z8410): moves and searches blocks of memory and ports without the CPU.

Registers, commands, modes and status follow the Z80 peripherals manual (UM0081, DMA chapter) and
the Z8410 data sheet, all from memory; no copy was at hand.  The first to be doubted: the T-states
around a request (z80_dma_engine.py); a block length of 0 moves 65537 bytes; a read behind the
last of a sequence gives the first again.

The chip takes wait states only if WR5 says that CE/WAIT is one pin for both and the jumper
``wait`` brings /WAIT there.  Its INT pin's other use, a pulse each 256 bytes, is the line
``pulse``.  BAI and BAO: the order of the slots.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR
from emu.native.jit import compiled
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.z80_dma_causes import CAUSES
from peripherals.z80_dma_engine import load, look, ready, set_enabled, work
from peripherals.z80_dma_report import complaints, describe, requests, troubles
from peripherals.z80_dma_state import (
    A_HIGH,
    A_LOW,
    A_TIMING,
    AFFECTS,
    B_HIGH,
    B_LOW,
    B_TIMING,
    CONTROL,
    ENABLE,
    FOLLOW,
    FROM_A,
    INTERRUPTS,
    LENGTH_HIGH,
    LENGTH_LOW,
    MASK,
    MATCH,
    PULSE,
    READ_MASK,
    RESTART,
    STATE,
    VECTOR,
    WAITS,
    A,
    B,
)

REGISTERS_READ = 7


@entry(STATE)
def advance(m, s, t, _):
    """Look at RDY when the CPU has the bus back."""
    if s.look_t <= t:
        when = s.look_t
        s.look_t = FAR
        m.event_t[s.slot] = FAR
        look(m, s, when)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """See RDY change."""
    look(m, s, t)
    return np.int64(0)


@entry(STATE)
def master(m, s, t, _):
    """Work while it has the bus."""
    work(m, s, t)
    return np.int64(0)


@compiled
def disarm(m, s):
    """Bring the chip to rest: no request, no interrupt, ready not forced, no restart."""
    s.interrupts = 0
    s.forced = 0
    s.told = 0
    s.after_reti = 0
    s.holding = 0
    m.ip[s.slot] = 0
    m.ius[s.slot] = 0
    m.irq_dirty = 1
    s.wr5 &= ~np.int64(RESTART | WAITS)


@entry(STATE)
def reset(m, s, a, t):
    """Power-on; the chip has no RESET pin, a gate to M1 does it as with the others."""
    if a != 0 and s.gated == 0:
        set_enabled(m, s, np.int64(0), t)
        s.holding = 0
        return np.int64(0)
    s.follows = 0
    s.timing[A] = -1
    s.timing[B] = -1
    s.wr4 = 0x01
    s.wr3 = 0
    s.wr5 = 0
    s.control = 0
    s.done = 0
    s.found = 0
    s.ended = 0
    s.read_mask = 0x7F
    s.reading = 0
    s.status_asked = 0
    disarm(m, s)
    set_enabled(m, s, np.int64(0), t)
    return np.int64(0)


# --- writing ------------------------------------------------------------------------------
@compiled
def expect(s, wanted, what):
    """Say that a byte follows, if its bit is set."""
    if wanted != 0:
        s.follow[s.follows] = what
        s.follows += 1


@compiled
def port_byte(s, k, byte, timing):
    """Take WR1 or WR2: memory or I/O, which way the address counts."""
    s.io[k] = (byte >> 3) & 1
    way = (byte >> 4) & 3
    s.step[k] = np.int64(-1) if way == 0 else np.int64(1) if way == 1 else np.int64(0)
    expect(s, byte & 0x40, timing)


@compiled
def base_byte(m, s, byte, t):
    """Take a base register byte: WR0 to WR6 by its bits."""
    if (byte & 0x80) == 0:
        if (byte & 3) != 0:
            s.wr0 = byte
            expect(s, byte & 0x08, A_LOW)
            expect(s, byte & 0x10, A_HIGH)
            expect(s, byte & 0x20, LENGTH_LOW)
            expect(s, byte & 0x40, LENGTH_HIGH)
        elif (byte & 4) != 0:
            port_byte(s, A, byte, A_TIMING)
        else:
            port_byte(s, B, byte, B_TIMING)
    elif (byte & 3) == 0:
        s.wr3 = byte
        expect(s, byte & 0x08, MASK)
        expect(s, byte & 0x10, MATCH)
        s.interrupts = 1 if (byte & INTERRUPTS) != 0 else 0
        if (byte & ENABLE) != 0:
            set_enabled(m, s, np.int64(1), t)
    elif (byte & 3) == 1:
        s.wr4 = byte
        expect(s, byte & 0x04, B_LOW)
        expect(s, byte & 0x08, B_HIGH)
        expect(s, byte & 0x10, CONTROL)
    elif (byte & 3) == 2:
        s.wr5 = byte
    else:
        command(m, s, byte, t)


@compiled
def following_byte(m, s, byte):
    """Take a byte that a base register byte has announced."""
    what = s.follow[0]
    for k in range(FOLLOW - 1):
        s.follow[k] = s.follow[k + 1]
    s.follows -= 1
    if what == A_LOW:
        set_start(s, A, (s.start[A] & 0xFF00) | byte)
    elif what == A_HIGH:
        set_start(s, A, (s.start[A] & 0xFF) | byte << 8)
    elif what == B_LOW:
        set_start(s, B, (s.start[B] & 0xFF00) | byte)
    elif what == B_HIGH:
        set_start(s, B, (s.start[B] & 0xFF) | byte << 8)
    elif what == LENGTH_LOW:
        s.length = (s.length & 0xFF00) | byte
    elif what == LENGTH_HIGH:
        s.length = (s.length & 0xFF) | byte << 8
    elif what == A_TIMING:
        s.timing[A] = byte
    elif what == B_TIMING:
        s.timing[B] = byte
    elif what == MASK:
        s.mask = byte
    elif what == MATCH:
        s.match = byte
    elif what == PULSE:
        s.pulse = byte
    elif what == VECTOR:
        s.vector = byte
        s.vectors += 1
    elif what == READ_MASK:
        s.read_mask = byte & 0x7F
        s.reading = 0
    elif what == CONTROL:
        s.control = byte
        expect(s, byte & 0x08, PULSE)
        expect(s, byte & 0x10, VECTOR)


@compiled
def set_start(s, k, address):
    """Note a start address: LOAD has to follow."""
    s.start[k] = address
    s.loads = 0


@compiled
def command(m, s, byte, t):
    """Run a command of WR6."""
    if byte == 0xC3:
        disarm(m, s)
        s.timing[A] = -1
        s.timing[B] = -1
    elif byte == 0xC7:
        s.timing[A] = -1
    elif byte == 0xCB:
        s.timing[B] = -1
    elif byte == 0xCF:
        load(s)
        s.loads |= 1 << ((s.wr0 & FROM_A) >> 2)
        s.done = 0
        s.found = 0
        s.ended = 0
    elif byte == 0xD3:
        s.moved = 0
        s.ended = 0
    elif byte == 0xAF:
        s.interrupts = 0
    elif byte == 0xAB:
        s.interrupts = 1
    elif byte == 0xA3:
        s.interrupts = 0
        s.forced = 0
        m.ip[s.slot] = 0
        m.ius[s.slot] = 0
        m.irq_dirty = 1
    elif byte == 0xB7:
        s.after_reti = 1
    elif byte == 0xBF:
        s.status_asked = 1
    elif byte == 0x8B:
        s.found = 0
        s.ended = 0
    elif byte == 0xA7:
        s.reading = 0
        s.status_asked = 0
    elif byte == 0xB3:
        s.forced = 1
    elif byte == 0x87:
        set_enabled(m, s, np.int64(1), t)
    elif byte == 0xBB:
        expect(s, 1, READ_MASK)


@entry(STATE)
def write(m, s, a, t):
    """Take a control byte; whatever it is, it disables the chip, unless it enables it."""
    set_enabled(m, s, np.int64(0), t)
    byte = (a >> 8) & 0xFF
    if s.follows > 0:
        following_byte(m, s, byte)
    else:
        base_byte(m, s, byte, t)
    return np.int64(0)


# --- reading ------------------------------------------------------------------------------
@compiled
def status(m, s):
    """Give RR0."""
    return (0xC4 | (s.done & 1) | (0 if ready(m, s) else 2) | (0 if m.ip[s.slot] != 0 else 8)
            | (0 if s.found == 1 else 0x10) | (0 if s.ended == 1 else 0x20))


@compiled
def register(m, s, number):
    """Give RR0 to RR6."""
    if number == 0:
        return status(m, s)
    if number < 3:
        counter = max(s.moved - 1, np.int64(0))
        return (counter >> ((number - 1) * 8)) & 0xFF
    k = (number - 3) >> 1
    return (s.address[k] >> (((number - 3) & 1) * 8)) & 0xFF


@entry(STATE)
def read(m, s, a, t):
    """Give the next register that the read mask lets through."""
    if s.status_asked == 1 or s.read_mask == 0:
        s.status_asked = 0
        return status(m, s)
    while (s.read_mask >> s.reading) & 1 == 0:
        s.reading = (s.reading + 1) % REGISTERS_READ
    value = register(m, s, s.reading)
    s.reading = (s.reading + 1) % REGISTERS_READ
    return np.int64(value)


# --- interrupts ---------------------------------------------------------------------------
@entry(STATE)
def acknowledge(m, s, source, t):
    """Give the vector, with what the interrupt was for in bits 2 and 1 if so programmed."""
    m.ip[s.slot] &= ~source
    s.answers += 1
    if (s.control & AFFECTS) != 0:
        return (s.vector & 0xF9) | s.cause << 1
    return s.vector


@entry(STATE)
def reti(m, s, source, t):
    """Go on after the service, if a command has said so."""
    if s.after_reti == 1:
        s.after_reti = 0
        set_enabled(m, s, np.int64(1), t)
    else:
        look(m, s, t)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Leave noise in the registers; note what the jumpers say."""
    s, settings = setup.state, setup.settings
    s.gated = int(settings["reset-gate"])
    s.idle_level = int(settings["ready-level"] == "high")
    s.waitable = int(settings["wait"])
    s.wr0 = 1
    s.start[:] = setup.random.integers(0, 0x10000, 2)
    s.address[:] = setup.random.integers(0, 0x10000, 2)
    s.length = int(setup.random.integers(1, 0x10000))
    s.vector = int(setup.random.integers(0, 0x100))
    s.step[:] = 1
    s.ready_t = -1
    s.look_t = FAR
    setup.machine.event_t[setup.slot] = FAR


CARD = Card(
    name="z80-dma",
    summary="Z80 DMA: moves and searches blocks of memory and ports",
    source="UM0081 (Zilog peripherals manual), DMA chapter; Z8410 data sheet; both from memory",
    unmodelled=(
        "delays inside a T-state",
        "a wire at WAIT that goes low in one of its own cycles",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "reti": reti, "line": line, "master": master},
    jumpers=(
        Jumper("ready-level", "choice", "high", "level of RDY while no wire reaches it",
               choices=("high", "low")),
        Jumper("wait", "flag", True, "/WAIT reaches CE/WAIT while the chip has the bus"),
        Jumper("reset-gate", "flag", True, "a gate brings RESET to the chip's M1"),
        Jumper("interrupt", "flag", True, "the chip's INT pin reaches /INT"),
    ),
    registers=("control",),
    kinds={"control": (roles.CONTROL, roles.STATUS, roles.VECTOR)},
    interrupt=CHAINED_INTERRUPT,
    sources=1,
    outputs=("pulse",),
    inputs=("rdy",),
    power_on=power_on,
    describe=describe,
    requests=requests,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
)
