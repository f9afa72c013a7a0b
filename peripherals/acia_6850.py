"""A 6850-type asynchronous serial chip: no vector, no place in the chain, no reset pin.

The control register is as the maker's guide of 1982 has it; the rest follows the data
sheet (MC6850).  From memory, and so the first to be doubted: the latch of DCD, TDRE held
at 0 while CTS is high, overrun shown once the last good byte has been read, RTS and IRQ held
high through the first master reset, until another divide code is written.  IRQ is open drain
and pulls /INT while its cause lasts.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.bus.wires import drive_level, source_of
from emu.native.jit import compiled, inlined
from peripherals import serial_report
from peripherals.card import (
    BAUD,
    Ask,
    Card,
    Complaint,
    Jumper,
    Margin,
    Request,
    Setup,
    Way,
    Write,
    divided,
    entry,
    roles,
)
from peripherals.serial_line import (
    FRAME_DUE,
    LINE,
    LISTENED,
    abort,
    arm,
    clock_from_wire,
    in_step,
    notice_typing,
    out_step,
    schedule_in,
    schedule_out,
    sending,
    set_break,
    set_format,
    set_receiver,
    set_rts,
    start_frame,
)
from peripherals.serial_pins import PIN_WIRES, TIED_HIGH, pin, set_pin, wired_pin
from peripherals.serial_setup import (
    character_time,
    clock_at_power_on,
    connect,
    rate_words,
    terminal_words,
)
from peripherals.serial_wave import CHARACTER, EVEN, FRAMING_ERROR, NO_PARITY, NOTHING, ODD
from peripherals.serial_wave import PARITY_ERROR as WAVE_PARITY_ERROR

CONTROL, DATA = range(2)
RDRF, TDRE, DCD, CTS, FE, OVRN, PE, IRQ = (1 << k for k in range(8))
# Control register
DIVIDE, WORD, SENDER, RX_INTERRUPT = 0x03, 0x1C, 0x60, 0x80
MASTER_RESET = 0x03
TX_INTERRUPT, RTS_HIGH, BREAK = 0x20, 0x40, 0x60  # values of SENDER
ASLEEP, FIRST_RESET = 1, 2  # power-on reset; the first master reset, which no other code has ended

STATE = np.dtype([
    ("slot", np.int64),
    ("line", LINE),
    ("control", np.int64),
    ("asleep", np.int64),  # since power-on: ASLEEP, then FIRST_RESET, then 0 for ever
    ("tx_byte", np.int64), ("tx_full", np.int64),  # the transmit data register
    ("rx_byte", np.int64), ("rx_full", np.int64),  # the receive data register
    ("rx_error", np.int64),  # FE, PE of that byte
    ("lost", np.int64),  # 1: an overrun, shown once that byte has been read
    ("overrun", np.int64),  # 1: OVRN
    ("dcd_latch", np.int64),  # 1: carrier was lost
    ("dcd_read", np.int64),  # 1: and status has been read since
    ("cts_from", np.int64), ("dcd_from", np.int64),
    ("cts", np.int64), ("dcd", np.int64),  # 1: pin low, active
    ("source", np.int64),  # what is wired to the clock (emu.bus.wires.source_of)
    ("clock_t", np.int64),  # when that clock has changed, FAR: seen to
    ("received", np.int64), ("sent", np.int64),  # counters for the words
    ("overruns", np.int64), ("framing_errors", np.int64), ("parity_errors", np.int64),
], align=True)


@inlined
def in_reset(s):
    """Tell whether the chip holds still: before or in a master reset."""
    return s.asleep == ASLEEP or (s.control & DIVIDE) == MASTER_RESET


@compiled
def status(s):
    """Give the status register."""
    value = s.rx_error
    if s.rx_full == 1 and s.dcd == 1:
        value |= RDRF
    if s.tx_full == 0 and s.cts == 1 and not in_reset(s):
        value |= TDRE
    if s.dcd_latch == 1 or s.dcd == 0:
        value |= DCD
    if s.cts == 0:
        value |= CTS
    if s.overrun == 1:
        value |= OVRN
    if not in_reset(s):
        if (s.control & RX_INTERRUPT) != 0:
            if (value & (RDRF | OVRN)) != 0 or s.dcd_latch == 1:
                value |= IRQ
        if (s.control & SENDER) == TX_INTERRUPT and (value & TDRE) != 0:
            value |= IRQ
    return value


@inlined
def settle(m, s):
    """Pull /INT or let it go."""
    pending = (status(s) & IRQ) >> 7
    if m.ip[s.slot] != pending:
        m.ip[s.slot] = pending
        m.irq_dirty = 1


@inlined
def set_event(m, s):
    """Work out the card's next event."""
    m.event_t[s.slot] = min(min(s.line.in_t, s.line.out_t), s.clock_t)


# --- receiving and sending --------------------------------------------------------------
@compiled
def arrive(s):
    """Take the character that the line has brought, or lose it."""
    ear = s.line.ear
    s.received += 1
    if s.rx_full == 1:
        s.lost = 1
        s.overruns += 1
        return
    s.rx_full = 1
    s.rx_byte = ear.byte
    s.rx_error = 0
    if (ear.error & WAVE_PARITY_ERROR) != 0:
        s.rx_error |= PE
        s.parity_errors += 1
    if (ear.error & FRAMING_ERROR) != 0:
        s.rx_error |= FE
        s.framing_errors += 1


@compiled
def read_data(s):
    """Read the received byte; the byte before a lost one leaves OVRN, and RDRF until the
    next read."""
    s.overrun = s.lost
    s.rx_full = s.lost
    s.lost = 0
    if s.dcd_read == 1:
        s.dcd_latch = 0
        s.dcd_read = 0
    return s.rx_byte


@compiled
def events_in(s, t):
    """Do what the terminal's line brings at T-state t."""
    got = in_step(s.line, t)
    while got != NOTHING:
        if got == CHARACTER:
            arrive(s)
        got = in_step(s.line, t)
    schedule_in(s.line)


@compiled
def events_out(m, s, t):
    """Do what the transmitter has due at T-state t."""
    what = out_step(m, s.line, t)
    if what == LISTENED:
        return
    if what == FRAME_DUE or s.tx_full == 1:
        start_frame(s.line, s.tx_byte, s.line.tx_bits)
        s.tx_full = 0
        s.sent += 1
        return
    schedule_out(s.line)


# --- control ----------------------------------------------------------------------------
@compiled
def master_reset(m, s, t):
    """Clear all but what the pins CTS and DCD show."""
    abort(m, s.line, t)
    set_receiver(m, s.line, t, 0)
    s.tx_full = s.rx_full = s.rx_error = s.lost = s.overrun = 0
    s.dcd_latch = s.dcd_read = 0
    if s.asleep == ASLEEP:
        s.asleep = FIRST_RESET


@compiled
def configure(m, s, t):
    """Carry the control register and the pins over to the line."""
    line = s.line
    running = not in_reset(s)
    word = (s.control & WORD) >> 2
    bits = 8 if word >= 4 else 7
    parity = np.int64(NO_PARITY)
    if word < 4 or word >= 6:
        parity = np.int64(ODD) if (word & 1) != 0 else np.int64(EVEN)
    two = word < 2 or word == 4
    if running:
        code = s.control & DIVIDE
        ratio = np.int64(1)
        if code != 0:
            ratio = np.int64(4) << 2 * code
        set_format(m, line, t, ratio, parity, 4 if two else 2, bits, bits)
    set_receiver(m, line, t, 1 if running and s.dcd == 1 else 0)
    sender = s.control & SENDER
    set_break(m, line, t, 1 if running and sender == BREAK else 0)
    rts = 0 if sender == RTS_HIGH or s.asleep != 0 else 1
    if rts != line.rts:
        set_rts(line, t, rts)
    drive_level(m, s.slot, 0, 1 - rts, t)


@compiled
def write_control(m, s, byte, t):
    """Write the control register; before the first master reset nothing else counts."""
    if (byte & DIVIDE) == MASTER_RESET:
        master_reset(m, s, t)
    elif s.asleep == FIRST_RESET:
        s.asleep = 0
    s.control = byte
    configure(m, s, t)


@compiled
def look_at_pins(m, s, t):
    """See whether CTS or DCD has changed; a lost carrier is latched."""
    cts = pin(s.cts_from, s.line.cts)
    dcd = pin(s.dcd_from, s.line.dcd)
    if cts == s.cts and dcd == s.dcd:
        return
    if dcd == 0 and s.dcd == 1:
        s.dcd_latch = 1
        s.dcd_read = 0
    s.cts = cts
    s.dcd = dcd
    configure(m, s, t)


# --- entries ----------------------------------------------------------------------------
@compiled
def run(m, s, t):
    """Let everything up to T-state t happen, in order."""
    notice_typing(s.line)
    set_event(m, s)
    while m.event_t[s.slot] <= t:
        when = m.event_t[s.slot]
        if s.line.in_t <= when:
            events_in(s, when)
        if s.line.out_t <= when:
            events_out(m, s, when)
        if s.clock_t <= when:
            s.clock_t = FAR
            clock_from_wire(m, s.line, s.source, when)
        set_event(m, s)
    look_at_pins(m, s, t)
    set_event(m, s)


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen."""
    run(m, s, t)
    settle(m, s)
    return np.int64(0)


@compiled
def take_wires(m, s):
    """Take the modem inputs that are wired as their wires are."""
    s.cts_from = wired_pin(m, s.slot, np.int64(1), s.cts_from)
    s.dcd_from = wired_pin(m, s.slot, np.int64(2), s.dcd_from)


@entry(STATE)
def line(m, s, number, t):
    """Notice that the wired clock or a pin has changed; it takes effect as the next event."""
    if number == 0:
        s.clock_t = min(s.clock_t, t)
    else:
        take_wires(m, s)
    m.event_t[s.slot] = min(m.event_t[s.slot], t)
    m.next_event = 0
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Hold still from power-on; the backplane's RESET does not reach the chip."""
    take_wires(m, s)
    if a == 0:
        s.asleep = ASLEEP
        configure(m, s, t)
    settle(m, s)
    set_event(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read status or data."""
    if (a & 1) == CONTROL:
        s.dcd_read = s.dcd_latch
        return status(s)
    value = read_data(s)
    settle(m, s)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write control or data; held in reset the chip takes no data."""
    byte = (a >> 8) & 0xFF
    if (a & 1) == CONTROL:
        write_control(m, s, byte, t)
    elif not in_reset(s):
        s.tx_byte = byte
        s.tx_full = 1
        arm(s.line, t)
    settle(m, s)
    set_event(m, s)
    return np.int64(0)


# --- power-on, words --------------------------------------------------------------------
def power_on(setup: Setup) -> None:
    """Connect the clock, the terminal and the modem inputs."""
    s, settings = setup.state, setup.settings
    connect(setup, s.line, settings["terminal"])
    s.clock_t = FAR
    s.source = source_of(setup.machine, setup.slot, 0)
    if s.source < 0:
        clock_at_power_on(setup, s.line, settings["clock"])
    s.cts_from, s.dcd_from = (PIN_WIRES.index(settings[name]) for name in ("cts", "dcd"))
    s.cts = int(s.cts_from != TIED_HIGH)
    s.dcd = int(s.dcd_from != TIED_HIGH)


def _transmitter(s: Any) -> str:
    """Say what the transmitter does, and what it waits for."""
    words = f"{int(s.sent)} characters begun"
    if (s.control & SENDER) == BREAK:
        words += ", sends a break"
    if sending(s.line):
        words += ", one under way"
    if s.tx_full:
        words += f", {int(s.tx_byte):02X}h in the data register"
        if not s.line.running:
            words += " waits for a clock"
    if not s.cts:
        words += ", CTS is high: TDRE reads 0 whatever the register holds"
    return words


def _receiver(s: Any) -> str:
    """Say what the receiver has taken."""
    words = f"{int(s.received)} characters came"
    if not s.dcd:
        words += ", off because DCD is high"
    if s.rx_full:
        words += f", {int(s.rx_byte):02X}h unread"
    faults = [f"{int(n)} {what}" for n, what in (
        (s.overruns, "lost by overrun"), (s.framing_errors, "framing errors"),
        (s.parity_errors, "parity errors")) if n]
    return words + (f" ({', '.join(faults)})" if faults else "")


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip's state in words."""
    if s.asleep == ASLEEP:
        return ["held in reset since power-on: no master reset (03h) has been written"]
    if in_reset(s):
        return [f"held in master reset (control = {int(s.control):02X}h)",
                *terminal_words(s.line)]
    enabled = [name for name, on in (
        ("receive", s.control & RX_INTERRUPT),
        ("transmit", (s.control & SENDER) == TX_INTERRUPT)) if on]
    value = int(status(s))
    out = [rate_words(s.line), f"receiver: {_receiver(s)}", f"transmitter: {_transmitter(s)}",
           f"interrupts enabled: {', '.join(enabled) or 'none'}"
           + ("; pulls IRQ low" if value & IRQ else ""),
           f"status {value:02X}h, control {int(s.control):02X}h"]
    return out + terminal_words(s.line)


def requests(m: Any, s: Any) -> list[Request]:
    """Give receiver and transmitter, which share the pin."""
    off = bool(in_reset(s))
    value = 0 if off else int(status(s))
    receives, sends = bool(s.control & RX_INTERRUPT), (s.control & SENDER) == TX_INTERRUPT
    return [Request(0, "receiver", roles.RECEIVES, receives and not off,
                    bool(receives and value & RDRF), _receiver(s)),
            Request(0, "transmitter", roles.SENDS, sends and not off,
                    bool(sends and value & TDRE), _transmitter(s))]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give a reset that holds, pins that are not active, no clock, a byte held, bytes lost."""
    out = []
    if in_reset(s):
        out.append(Complaint(roles.HELD_IN_RESET, register="control"))
    out += [*serial_report.pins(s, "", "control"), *serial_report.clock(s.line, "")]
    if s.tx_full and not s.line.running:
        out.append(Complaint(roles.BYTE_HELD, "transmitter", "data"))
    return out + serial_report.lost(s.overruns, "receiver", "data")


def margins(_: Any, s: Any) -> list[Margin]:
    """A byte must be read before the next one is complete (MC6850 data sheet: overrun)."""
    if in_reset(s) or not s.control & RX_INTERRUPT or not s.line.typed_out:
        return []
    return [Margin("receive", character_time(s.line))]


def rates(ask: Ask) -> list[Way]:
    """Give the dividers of the control register nearest to a baud rate, at 8N1, no interrupts."""
    if ask.purpose != BAUD:
        return []
    return divided(ask, "clock", "", [
        (ratio, (Write("control", 0x03), Write("control", 0x14 | bits)))
        for bits, ratio in enumerate((1, 16, 64))])


CARD = Card(
    name="acia-6850",
    summary="6850-type ACIA: serial chip that interrupts without a vector",
    source="MC6850 data sheet, and the maker's component guide as quoted in 1982",
    unmodelled=(
        "how a clock divided by 1 has to be in step with the data",
        "the enable pin E",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("clock", "clock", "1.8432 MHz",
               "clock of receiver and transmitter, unless a wire ends at the input"),
        Jumper("terminal", "terminal", {}, "what stands at the other end"),
        Jumper("cts", "choice", "low", "where CTS goes; low is active, high holds TDRE at 0",
               choices=("low", "high", "terminal")),
        Jumper("dcd", "choice", "low", "where DCD goes; high turns the receiver off",
               choices=("low", "high", "terminal")),
        Jumper("interrupt", "flag", True, "the chip's IRQ pin reaches /INT"),
    ),
    registers=("control", "data"),
    kinds={"control": (roles.STATUS, roles.CONTROL), "data": (roles.DATA,)},
    interrupt=PLAIN_INTERRUPT,
    outputs=("rts",),
    inputs=("clock", "cts", "dcd"),
    live={pin: set_pin(lambda s: s, pin) for pin in ("cts", "dcd")},
    channels=("",),
    power_on=power_on,
    describe=describe,
    requests=requests,
    complaints=complaints,
    margins=margins,
    rates=rates,
)
