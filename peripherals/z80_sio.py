"""Z80 SIO: two serial channels with vectored interrupts.

The asynchronous side is complete; the synchronous modes are not modelled.  The pins W/RDY, lines
ready-a and ready-b, have both functions: READY for a DMA's RDY, WAIT for the CPU card's input
wait.  Modem inputs go where a wire, or else a jumper, leads
them.  Requests stand in m.ip in the chip's order of
priority (UM0081 p.248): bits 0-2 channel A receive, transmit, external/status, 3-5 B.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR
from emu.bus.wires import drive_level, source_of
from emu.native.jit import compiled, inlined
from peripherals.card import (
    BAUD,
    Ask,
    Card,
    Jumper,
    Margin,
    Setup,
    Way,
    Write,
    divided,
    entry,
    roles,
)
from peripherals.serial_line import (
    LINE,
    clock_from_wire,
    notice_typing,
)
from peripherals.serial_pins import (
    CTS_PIN,
    LIVE_PINS,
    find_wires,
    pin_jumpers,
    take_wires,
    tie,
)
from peripherals.serial_setup import (
    character_time,
    clock_at_power_on,
    connect,
)
from peripherals.z80_sio_channel import (
    AFFECTS_VECTOR,
    ANY_PENDING,
    CHANNEL,
    READY,
    RX_AVAILABLE,
    RX_MODE,
    TX_EMPTY,
    command,
    events_in,
    events_out,
    look_at_pins,
    read_data,
    read_status,
    ready_pin,
    requests,
    reset_channel,
    rr1,
    special,
    write_data,
    write_register,
)
from peripherals.z80_sio_report import complaints, describe, interrupts, risks

# Vector bits 3-1 when status affects it (UM0081 p.248)
TX_CODE, EXT_CODE, RX_CODE, SPECIAL_CODE, OF_A = 0, 1, 2, 3, 4

STATE = np.dtype([
    ("slot", np.int64),
    ("channel", CHANNEL, (2,)),
    ("line_a", LINE), ("line_b", LINE),
    ("source", np.int64, (2,)),  # what is wired to a clock input (emu.bus.wires.source_of)
    ("clock_t", np.int64, (2,)),  # when that clock has changed, FAR: seen to
    ("pins", np.int64),  # 1: a modem input comes from a terminal, or moves
    ("wired", np.int64),  # 1: an output is wired
    ("holds", np.int64),  # 1: a reset of channel A leaves what is under service
    ("freed", np.int64),  # such resets while something was
], align=True)


# --- interrupts -------------------------------------------------------------------------
@inlined
def settle(m, s):
    """Put the channels' requests into the chain."""
    pending = requests(s.channel[0]) | requests(s.channel[1]) << 3
    if m.ip[s.slot] != pending:
        m.ip[s.slot] = pending
        m.irq_dirty = 1


@compiled
def vector(s, source):
    """Give the vector for one request, a bit of m.ip; for none when ``source`` is 0."""
    b = s.channel[1]
    if (b.wr[1] & AFFECTS_VECTOR) == 0:
        return b.wr[2]
    code = np.int64(SPECIAL_CODE)
    if source != 0:
        c = s.channel[0] if source < 8 else b
        kind = source if source < 8 else source >> 3
        if kind == 2:
            code = np.int64(TX_CODE)
        elif kind == 4:
            code = np.int64(EXT_CODE)
        elif not special(c):
            code = np.int64(RX_CODE)
        if source < 8:
            code |= OF_A
    return (b.wr[2] & 0xF1) | code << 1


@entry(STATE)
def acknowledge(m, s, source, t):
    """Give the vector; the request stays until its cause is seen to."""
    return vector(s, source)


# --- events -----------------------------------------------------------------------------
@inlined
def set_event(m, s):
    """Work out the card's next event."""
    a = s.line_a
    b = s.line_b
    first = min(min(a.in_t, a.out_t), min(b.in_t, b.out_t))
    m.event_t[s.slot] = min(first, min(s.clock_t[0], s.clock_t[1]))


@compiled
def channel_event(m, s, k, line, t):
    """Do what one channel has due at T-state t."""
    c = s.channel[k]
    if line.in_t <= t:
        events_in(c, line, t)
    if line.out_t <= t:
        events_out(m, c, line, t)
    if s.clock_t[k] <= t:
        s.clock_t[k] = FAR
        clock_from_wire(m, line, s.source[k], t)


@compiled
def show(m, s, t):
    """Put RTS, DTR and W/RDY on the lines that are wired."""
    if s.wired == 0:
        return
    for k in range(2):
        c = s.channel[k]
        if k == 0:
            rts = s.line_a.rts
            dtr = s.line_a.dtr
        else:
            rts = s.line_b.rts
            dtr = s.line_b.dtr
        drive_level(m, s.slot, 3 * k, 1 - rts, t)
        drive_level(m, s.slot, 3 * k + 1, 1 - dtr, t)
        drive_level(m, s.slot, 3 * k + 2, ready_pin(c), t)


@compiled
def run(m, s, t):
    """Let everything up to T-state t happen, in order."""
    notice_typing(s.line_a)
    notice_typing(s.line_b)
    set_event(m, s)
    while m.event_t[s.slot] <= t:
        when = m.event_t[s.slot]
        channel_event(m, s, 0, s.line_a, when)
        channel_event(m, s, 1, s.line_b, when)
        set_event(m, s)
    if s.pins == 1:
        look_at_pins(m, s.channel[0], s.line_a, t)
        look_at_pins(m, s.channel[1], s.line_b, t)
        set_event(m, s)


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen."""
    run(m, s, t)
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
@entry(STATE)
def reset(m, s, a, t):
    """Turn both channels off: TxD, RTS and DTR high, every write register 0."""
    find_wires(m, s)
    reset_channel(m, s.channel[0], s.line_a, t)
    reset_channel(m, s.channel[1], s.line_b, t)
    settle(m, s)
    set_event(m, s)
    show(m, s, t)
    return np.int64(0)


@compiled
def read_register(m, s, k, line):
    """Read the register that the pointer chooses; those that the channel lacks give 0."""
    c = s.channel[k]
    number = c.pointer
    c.pointer = 0
    if number == 1:
        return rr1(c, line)
    if number == 2 and k == 1:
        return vector(s, m.ip[s.slot] & -m.ip[s.slot])
    return np.int64(0)


@entry(STATE)
def select(m, s, a, t):
    """See a data port being chosen: in the WAIT function W/RDY holds it until it is ready."""
    register = a & 3
    if (register & 1) == 0:
        c = s.channel[register >> 1]
        c.selected = 1
        if ready_pin(c) == 0 and (c.wr[1] & READY) == 0:
            c.held += 1
        show(m, s, t)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read data, or the status register that the pointer chooses."""
    register = a & 3
    k = register >> 1
    c = s.channel[k]
    if (register & 1) == 0:
        c.selected = 0
        value = read_data(c)
        settle(m, s)
        show(m, s, t)
        return value
    if c.pointer != 0:
        return read_register(m, s, k, s.line_a if k == 0 else s.line_b)
    value = read_status(c) | (RX_AVAILABLE if c.rx_count > 0 else 0)
    value |= TX_EMPTY if c.tx_full == 0 else 0
    if k == 0 and m.ip[s.slot] != 0:
        value |= ANY_PENDING
    return value


@compiled
def end_service(m, s, code):
    """End the highest service by command 7; every one by a reset of channel A, command 3."""
    if code == 3 and m.ius[s.slot] != 0:
        s.freed += 1
    if code == 7:
        m.ius[s.slot] &= m.ius[s.slot] - 1
    elif s.holds == 0:
        m.ius[s.slot] = 0
    m.irq_dirty = 1


@compiled
def write_channel(m, s, k, line, register, byte, t):
    """Write data or control of one channel."""
    c = s.channel[k]
    if (register & 1) == 0:
        c.selected = 0
        write_data(c, line, byte, t)
    elif c.pointer != 0:
        number = c.pointer
        c.pointer = 0
        write_register(m, c, line, number, byte, t)
    else:
        command(m, c, line, byte, t)
        code = (byte >> 3) & 7
        if k == 0 and (code == 7 or code == 3):
            end_service(m, s, code)


@entry(STATE)
def write(m, s, a, t):
    """Write data, WR0 or the register that WR0 pointed to."""
    register = a & 3
    byte = (a >> 8) & 0xFF
    if register < 2:
        write_channel(m, s, 0, s.line_a, register, byte, t)
    else:
        write_channel(m, s, 1, s.line_b, register, byte, t)
    settle(m, s)
    set_event(m, s)
    show(m, s, t)
    return np.int64(0)


# --- power-on, words --------------------------------------------------------------------
def power_on(setup: Setup) -> None:
    """Connect clocks, terminals and modem inputs."""
    s, settings = setup.state, setup.settings
    s.clock_t[:] = FAR
    tie(s, settings)
    s.holds = settings["channel-reset"] == "keeps-service"
    for k, (name, channel_line) in enumerate((("a", s.line_a), ("b", s.line_b))):
        connect(setup, channel_line, settings[f"terminal-{name}"])
        s.source[k] = source_of(setup.machine, setup.slot, k)
        if s.source[k] < 0:
            clock_at_power_on(setup, channel_line, settings[f"clock-{name}"])
        s.channel[k].always = settings["status-latch"] == "always"
        s.channel[k].at_once = settings["next-character"] == "waiting"


def _jumpers(name: str) -> tuple[Jumper, ...]:
    """Give one channel's jumpers."""
    upper = name.upper()
    return (
        Jumper(f"clock-{name}", "clock", "1.8432 MHz",
               f"clock of channel {upper}, unless a wire ends at its input"),
        Jumper(f"terminal-{name}", "terminal", {}, f"what stands at channel {upper}"),
        *pin_jumpers(name),
    )


def margins(_: Any, s: Any) -> list[Margin]:
    """A channel that interrupts for each character holds three (UM0081, SIO chapter)."""
    return [Margin(f"receive {name}", 3 * character_time(channel_line))
            for k, (name, channel_line) in enumerate((("a", s.line_a), ("b", s.line_b)))
            if s.channel[k].wr[1] & RX_MODE > 8 and channel_line.typed_out]


def rates(ask: Ask) -> list[Way]:
    """Give the clock modes of WR4 nearest to a baud rate, at 8 bits, no parity, 1 stop bit,
    with receiver, transmitter, DTR and RTS on."""
    if ask.purpose != BAUD:
        return []
    modes = ((1, 0x04), (16, 0x44), (32, 0x84), (64, 0xC4))
    return [way for name in ("a", "b") for way in divided(
        ask, f"clock-{name}", name,
        [(ratio, tuple(Write(f"{name}-control", byte) for byte in (4, wr4, 3, 0xC1, 5, 0xEA)))
         for ratio, wr4 in modes])]


CARD = Card(
    name="z80-sio",
    summary="Z80 SIO: two serial channels, asynchronous modes",
    source="UM0081 (Zilog Z80 CPU peripherals user manual), SIO chapter; PS0118 (Z84C90)",
    unmodelled=(
        "the synchronous modes: WR6, WR7, CRC, hunt",
        "SYNC as anything but an input, and the bonding of SIO/0 to SIO/2",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "line": line, "select": select},
    jumpers=(*_jumpers("a"), *_jumpers("b"),
             Jumper("interrupt", "flag", True, "the chip's INT pin reaches the bus"),
             Jumper("status-latch", "reading", "always", "CTS and DCD in RR0 stand still until "
                    "command 2 after each change, or only while WR1 bit 0 is set (unsettled)",
                    choices=("always", "enabled")),
             Jumper("next-character", "reading", "waiting", "what command 4 makes ask: a character "
                    "that waits already, or only a new one (unsettled)",
                    choices=("waiting", "new")),
             Jumper("channel-reset", "reading", "ends-service", "what a reset of channel A does "
                    "to what the chip has under service (unsettled)",
                    choices=("ends-service", "keeps-service"))),
    registers=("a-data", "a-control", "b-data", "b-control"),
    kinds={"a-data": (roles.DATA,), "a-control": (roles.STATUS, roles.CONTROL),
           "b-data": (roles.DATA,), "b-control": (roles.STATUS, roles.CONTROL, roles.VECTOR)},
    interrupt=CHAINED_INTERRUPT,
    sources=6,
    outputs=("rts-a", "dtr-a", "ready-a", "rts-b", "dtr-b", "ready-b"),
    inputs=("clock-a", "clock-b", "cts-a", "dcd-a", "cts-b", "dcd-b", "ri-a", "ri-b"),
    channels=("a", "b"),
    power_on=power_on,
    describe=describe,
    requests=interrupts,
    complaints=complaints,
    risks=risks,
    margins=margins,
    rates=rates,
    live=LIVE_PINS,
)
