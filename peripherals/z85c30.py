"""Z85C30-type serial communications controller: two channels, their asynchronous side.

From memory of the SCC user's manual and the Z85C30 data sheet, no copy at hand: sixteen write
registers a channel behind one port (WR0 points), baud rate generators of PCLK or RTxC divided by
2 (TC + 2), master interrupt enable, a vector that status changes in bits 3-1 or 6-4, RR3 with the
requests, a service that only "reset highest IUS" (38h) ends, as the chip knows no RETI; some PCLK
cycles between two accesses.
The lines wreq-a and wreq-b, pins W/REQ, have both functions: REQUEST for a DMA's RDY, WAIT for the
CPU card's input wait; dtr-a and dtr-b are DTR/REQ.

Sender and receiver of a channel take one clock,
the sender's.  Where a board has no INTACK (jumper intack), a read of RR2 begins a service
if WR9 bit 5 says so.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR, PERIODIC
from emu.bus.wires import drive_level, source_of
from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, entry, roles
from peripherals.serial_line import LINE, notice_typing
from peripherals.serial_pins import CTS_PIN, LIVE_PINS, find_wires, take_wires
from peripherals.z80_sio_channel import (
    ASKS_EXT,
    ASKS_TX,
    READY,
    RX_AVAILABLE,
    TX_EMPTY,
    events_out,
)
from peripherals.z85c30_causes import CAUSES
from peripherals.z85c30_channel import (
    CHANNEL,
    choose_clock,
    command,
    dtr_pin,
    events_in,
    look_at_pins,
    read_data,
    requests,
    reset_channel,
    rr1,
    special,
    status_seen,
    wreq_pin,
    write_data,
    write_register,
)
from peripherals.z85c30_report import complaints, describe, interrupts, risks, troubles
from peripherals.z85c30_setup import jumpers, margins, power_on, rates

# WR9
RESET, SOFT_ACK, STATUS_HIGH, MASTER, NO_VECTOR, WITH_STATUS = 0xC0, 0x20, 0x10, 0x08, 0x02, 0x01
TX_CODE, EXT_CODE, RX_CODE, SPECIAL_CODE, OF_A = 0, 1, 2, 3, 4

STATE = np.dtype([
    ("slot", np.int64),
    ("channel", CHANNEL, (2,)),
    ("line_a", LINE), ("line_b", LINE),
    ("wr2", np.int64), ("wr9", np.int64),
    ("ip", np.int64),  # requests, whether or not the master enable lets them out
    ("acks", np.int64),  # 1: INTACK reaches the chip
    ("clock_t", np.int64, (2,)),  # when a wired RTxC has changed, FAR: seen to
    ("pins", np.int64),  # 1: a modem input comes from a terminal, or moves
    ("wired", np.int64),  # 1: an output is wired
    ("recovery", np.int64), ("access_t", np.int64),  # T-states between accesses; the last one
    ("hasty", np.int64), ("hasty_t", np.int64),
    ("master_t", np.int64),  # when WR9 was last written, or reset
    ("served", np.int64), ("unended", np.int64),  # services begun; RETIs while one went on
    ("reti_t", np.int64), ("ended", np.int64),
    ("knows_reti", np.int64),  # 1: in a copy of the machine
], align=True)


# --- interrupts -------------------------------------------------------------------------
@inlined
def settle(m, s):
    """Put the channels' requests into the chain, if the master enable lets them out."""
    s.ip = requests(s.channel[0]) | requests(s.channel[1]) << 3
    pending = s.ip if (s.wr9 & MASTER) != 0 else np.int64(0)
    if m.ip[s.slot] != pending:
        m.ip[s.slot] = pending
        m.irq_dirty = 1


@compiled
def code_of(s, source):
    """Give the status code of a request, a bit of ``ip``; 3 for none."""
    code = np.int64(SPECIAL_CODE)
    if source != 0:
        c = s.channel[0] if source < 8 else s.channel[1]
        kind = source if source < 8 else source >> 3
        if kind == ASKS_TX:
            code = np.int64(TX_CODE)
        elif kind == ASKS_EXT:
            code = np.int64(EXT_CODE)
        elif not special(c):
            code = np.int64(RX_CODE)
        if source < 8:
            code |= OF_A
    return code


@compiled
def modified(s, source):
    """Give the vector with a request's status in its bits 3-1, or 6-4 the other way round."""
    code = code_of(s, source)
    if (s.wr9 & STATUS_HIGH) == 0:
        return (s.wr2 & 0xF1) | code << 1
    turned = (code & 1) << 2 | (code & 2) | code >> 2
    return (s.wr2 & 0x8F) | turned << 4


@entry(STATE)
def acknowledge(m, s, source, t):
    """Give the vector; without INTACK the chip sees nothing of it."""
    if s.acks == 0:
        m.ius[s.slot] &= ~source
        m.irq_dirty = 1
        return np.int64(-1)
    s.served += 1
    if (s.wr9 & NO_VECTOR) != 0:
        return np.int64(-1)
    return modified(s, source) if (s.wr9 & WITH_STATUS) != 0 else s.wr2


@entry(STATE)
def reti(m, s, source, t):
    """Know nothing of RETI: the service goes on."""
    if s.knows_reti == 1:
        return np.int64(0)
    m.ius[s.slot] |= source
    m.irq_dirty = 1
    s.unended += 1
    s.reti_t = t
    return np.int64(0)


# --- events -----------------------------------------------------------------------------
@inlined
def set_event(m, s):
    """Work out the card's next event."""
    a = s.line_a
    b = s.line_b
    first = min(min(a.in_t, a.out_t), min(b.in_t, b.out_t))
    m.event_t[s.slot] = min(first, min(s.clock_t[0], s.clock_t[1]))


@compiled
def clock_from_wire(m, s, k, line, t):
    """Take the clock that is wired to RTxC now."""
    s.clock_t[k] = FAR
    source = source_of(m, s.slot, k)
    c = s.channel[k]
    c.rtxc_num = 0
    if source >= 0 and m.line_kind[source >> 8, source & 0xFF] == PERIODIC:
        c.rtxc_num = m.line_num[source >> 8, source & 0xFF]
        c.rtxc_den = m.line_den[source >> 8, source & 0xFF]
    choose_clock(m, c, line, t)


@compiled
def channel_event(m, s, k, line, t):
    """Do what one channel has due at T-state t."""
    c = s.channel[k]
    if s.clock_t[k] <= t:
        clock_from_wire(m, s, k, line, t)
    if line.in_t <= t:
        events_in(c, line, t)
    if line.out_t <= t:
        events_out(m, c, line, t)


@compiled
def show(m, s, t):
    """Put RTS, DTR/REQ and W/REQ on the lines that are wired."""
    if s.wired == 0:
        return
    a = s.channel[0]
    b = s.channel[1]
    drive_level(m, s.slot, 0, 1 - s.line_a.rts, t)
    drive_level(m, s.slot, 1, dtr_pin(a, s.line_a), t)
    drive_level(m, s.slot, 2, wreq_pin(a), t)
    drive_level(m, s.slot, 3, 1 - s.line_b.rts, t)
    drive_level(m, s.slot, 4, dtr_pin(b, s.line_b), t)
    drive_level(m, s.slot, 5, wreq_pin(b), t)


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen, in order."""
    notice_typing(s.line_a)
    notice_typing(s.line_b)
    set_event(m, s)
    while m.event_t[s.slot] <= t:
        when = m.event_t[s.slot]
        channel_event(m, s, np.int64(0), s.line_a, when)
        channel_event(m, s, np.int64(1), s.line_b, when)
        set_event(m, s)
    if s.pins == 1:
        look_at_pins(m, s.channel[0], s.line_a, t)
        look_at_pins(m, s.channel[1], s.line_b, t)
        set_event(m, s)
    settle(m, s)
    show(m, s, t)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """Notice that a wired clock or pin has changed; it takes effect as the card's next event."""
    if number < CTS_PIN:
        s.clock_t[number] = min(s.clock_t[number], t)
    else:
        take_wires(m, s)
    m.event_t[s.slot] = min(m.event_t[s.slot], t)
    m.next_event = 0
    return np.int64(0)


# --- the bus ----------------------------------------------------------------------------
@compiled
def hardware_reset(m, s, t):
    """Reset the whole chip."""
    s.wr9 = (s.wr9 & 0x03) | RESET
    for k in range(2):
        s.channel[k].wr[11] = 0x08
        s.channel[k].wr[14] &= ~np.int64(0x03)
    reset_channel(m, s.channel[0], s.line_a, t)
    reset_channel(m, s.channel[1], s.line_b, t)
    choose_clock(m, s.channel[0], s.line_a, t)
    choose_clock(m, s.channel[1], s.line_b, t)
    s.wr9 = 0
    s.master_t = t
    m.ius[s.slot] = 0
    m.irq_dirty = 1


@entry(STATE)
def reset(m, s, a, t):
    """Take RESET: RD and WR low at once."""
    find_wires(m, s)
    hardware_reset(m, s, t)
    s.access_t = t - s.recovery
    settle(m, s)
    set_event(m, s)
    show(m, s, t)
    return np.int64(0)


@inlined
def touched(s, t):
    """Count an access that came before the chip had recovered from the last one."""
    if t - s.access_t < s.recovery:
        if s.hasty == 0:
            s.hasty_t = t
        s.hasty += 1
    s.access_t = t


@compiled
def read_vector(m, s, k):
    """Read RR2: as it was written in channel A, with the status in channel B."""
    highest = s.ip & -s.ip
    value = s.wr2 if k == 0 else modified(s, highest)
    if (s.wr9 & SOFT_ACK) != 0 and s.acks == 0:
        m.ius[s.slot] |= highest
        m.irq_dirty = 1
    return value


@compiled
def read_register(m, s, k, line, number):
    """Read a register; those that the pointer reaches twice give the same."""
    c = s.channel[k]
    if number == 8:
        return read_data(c)
    if number == 1 or number == 5:
        return rr1(c, line)
    if number == 2 or number == 6:
        return read_vector(m, s, k)
    if number == 3 or number == 7:
        if k == 1:
            return np.int64(0)
        a = (s.ip & 1) << 5 | (s.ip & 2) << 3 | (s.ip & 4) << 1
        b = s.ip >> 3
        return a | (b & 1) << 2 | (b & 2) | (b & 4) >> 2
    if number == 10 or number == 14:
        return np.int64(0)
    if number == 12 or number == 13:
        return c.wr[number]
    if number == 9:
        return c.wr[13]
    if number == 11 or number == 15:
        return c.wr[15]
    value = status_seen(c) | (RX_AVAILABLE if c.rx_count > 0 else 0)
    return value | (TX_EMPTY if c.tx_full == 0 else 0)


@compiled
def read_channel(m, s, k, line, register):
    """Read data, or the register that the pointer chooses."""
    c = s.channel[k]
    if (register & 1) == 0:
        return read_data(c)
    number = c.pointer
    c.pointer = 0
    return read_register(m, s, k, line, number)


@entry(STATE)
def select(m, s, a, t):
    """See a data register being chosen: in the WAIT function W/REQ holds it until it is ready."""
    register = a & 3
    c = s.channel[register >> 1]
    if (register & 1) == 0 or c.pointer == 8:
        c.selected = 1
        if wreq_pin(c) == 0 and (c.wr[1] & READY) == 0:
            c.held += 1
        show(m, s, t)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read a port."""
    register = a & 3
    s.channel[register >> 1].selected = 0
    touched(s, t)
    if register < 2:
        value = read_channel(m, s, np.int64(0), s.line_a, register)
    else:
        value = read_channel(m, s, np.int64(1), s.line_b, register)
    settle(m, s)
    show(m, s, t)
    return value


@compiled
def write_master(m, s, byte, t):
    """Write WR9: the master enable, and resets of a channel or of all."""
    code = byte >> 6
    s.master_t = t
    if code == 3:
        hardware_reset(m, s, t)
    elif code == 2:
        reset_channel(m, s.channel[0], s.line_a, t)
    elif code == 1:
        reset_channel(m, s.channel[1], s.line_b, t)
    if code != 3:
        s.wr9 = byte & 0x3F


@compiled
def write_channel(m, s, k, line, register, byte, t):
    """Write data or control of one channel."""
    c = s.channel[k]
    number = c.pointer
    if (register & 1) == 0 or number == 8:
        c.pointer = c.pointer if number != 8 else np.int64(0)
        write_data(c, line, byte, t)
    elif number == 0:
        command(c, byte)
        if (byte >> 3) & 7 == 7:
            m.ius[s.slot] &= m.ius[s.slot] - 1
            m.irq_dirty = 1
            s.ended += 1
    else:
        c.pointer = 0
        if number == 2:
            s.wr2 = byte
        elif number == 9:
            write_master(m, s, byte, t)
        else:
            write_register(m, c, line, number, byte, t)


@entry(STATE)
def write(m, s, a, t):
    """Write a port."""
    register = a & 3
    byte = (a >> 8) & 0xFF
    s.channel[register >> 1].selected = 0
    touched(s, t)
    if register < 2:
        write_channel(m, s, np.int64(0), s.line_a, register, byte, t)
    else:
        write_channel(m, s, np.int64(1), s.line_b, register, byte, t)
    settle(m, s)
    set_event(m, s)
    show(m, s, t)
    return np.int64(0)


CARD = Card(
    name="z85c30",
    summary="Z85C30-type SCC: two serial channels with baud rate generators, asynchronous modes",
    source="SCC user's manual and Z85C30 data sheet, from memory",
    unmodelled=(
        "the synchronous modes, SDLC and the DPLL",
        "TRxC as an output, and the time that DTR/REQ takes to go high behind a write",
        "local loopback, auto echo, the zero count interrupt",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "reti": reti, "line": line, "select": select},
    jumpers=(Jumper("clock", "clock", "cpu", "PCLK"), *jumpers("a"), *jumpers("b"),
             Jumper("intack", "choice", "wired", "none: the board makes no INTACK of M1 and IORQ, "
                    "and the chip gives no vector", choices=("wired", "none")),
             Jumper("recovery", "int", 4, "PCLK cycles that the chip needs between two accesses; "
                    "the older NMOS part 6", 0, 20),
             Jumper("interrupt", "flag", True, "the chip's INT pin reaches the bus")),
    registers=("a-data", "a-control", "b-data", "b-control"),
    kinds={"a-data": (roles.DATA,),
           "a-control": (roles.STATUS, roles.CONTROL, roles.VECTOR),
           "b-data": (roles.DATA,),
           "b-control": (roles.STATUS, roles.CONTROL, roles.VECTOR)},
    interrupt=CHAINED_INTERRUPT,
    sources=6,
    service_end="38h (reset highest IUS) written to WR0",
    outputs=("rts-a", "dtr-a", "wreq-a", "rts-b", "dtr-b", "wreq-b"),
    inputs=("rtxc-a", "rtxc-b", "cts-a", "dcd-a", "cts-b", "dcd-b", "ri-a", "ri-b"),
    channels=("a", "b"),
    power_on=power_on,
    describe=describe,
    risks=risks,
    margins=margins,
    requests=interrupts,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    rates=rates,
    live=LIVE_PINS,
)
