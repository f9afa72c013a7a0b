"""A 16550-type UART: two FIFOs of sixteen, divisor, line and modem registers.

From memory of the PC16550D data sheet, no page at hand: register bits, priorities of the
interrupt register, the FIFOs' trigger levels and the time-out of four characters.  Also from
memory: a divisor of 0 stops the line; in the local loop a byte comes back after its own time;
the transmitter's request comes when the FIFO has run empty (the chip holds the first one back
for a character when only one byte was in the FIFO: not modelled, nor is a break in the loop).
The chip's crystal gives the rate; its interrupt pin pulls /INT without a vector.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.bus.wires import source_of
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
    Trouble,
    Way,
    Write,
    entry,
    near,
    roles,
)
from peripherals.serial_line import abort, set_receiver
from peripherals.serial_pins import PIN_WIRES, set_pin
from peripherals.serial_setup import (
    character_time,
    clock_at_power_on,
    connect,
    rate_words,
    terminal_words,
)
from peripherals.uart_16550_causes import CAUSES
from peripherals.uart_16550_core import (
    DATA,
    DLAB,
    EMPTY,
    GOT,
    IER,
    IIR,
    LCR,
    LOOP,
    LSR,
    MCR,
    MSR,
    NO_REQUEST,
    OUT2,
    R_EMPTY,
    R_GOT,
    R_LINE,
    R_MODEM,
    R_TIMEOUT,
    SCRATCH,
    STATE,
    X16,
    arrive,
    begin,
    configure,
    depth,
    fifo_control,
    line_status,
    look_at_modem,
    read_data,
    request,
    run,
    settle,
    show_modem,
    take_wires,
    trigger,
)

MODEM_PINS = ("cts", "dsr", "dcd", "ri")  # inputs 1 to 4


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen."""
    run(m, s, t)
    settle(m, s)
    return np.int64(0)


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
    """Take RESET: registers cleared but for the divisor, the scratch byte and the data."""
    s.ier = s.fcr = s.lcr = s.mcr = 0
    s.rx_count = s.tx_count = s.overrun = s.empty_asks = s.timed_out = 0
    s.silent_t = FAR
    s.loop_t = FAR
    take_wires(m, s)
    abort(m, s.line, t)
    configure(m, s, t)
    show_modem(m, s, t)
    s.deltas = 0
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read a register."""
    register = a & 7
    value = np.int64(0)
    if register <= IER and (s.lcr & DLAB) != 0:
        value = s.divisor >> 8 * register & 0xFF
    elif register == DATA:
        value = read_data(s, t)
    elif register == IER:
        value = s.ier
    elif register == IIR:
        value = request(s)
        if value == R_EMPTY:
            s.empty_asks = 0
        value |= 0xC0 if (s.fcr & 1) != 0 else 0
    elif register == LCR:
        value = s.lcr
    elif register == MCR:
        value = s.mcr
    elif register == LSR:
        value = line_status(s)
        s.overrun = 0
        if s.rx_count > 0:
            s.rx_error[s.rx_at & 15] = 0
    elif register == MSR:
        look_at_modem(s)
        value = s.modem | s.deltas
        s.deltas = 0
    else:
        value = s.scratch
    settle(m, s)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write a register; LSR and MSR take nothing."""
    register = a & 7
    byte = (a >> 8) & 0xFF
    if register <= IER and (s.lcr & DLAB) != 0:
        shift = 8 * register
        s.divisor = (s.divisor & ~(np.int64(0xFF) << shift)) | byte << shift
        set_receiver(m, s.line, t, 0)  # the divider begins anew, so does a character
        s.line.ear.t = t
        s.line.ear.rem = 0
        configure(m, s, t)
    elif register == DATA:
        s.empty_asks = 0
        if s.tx_count < depth(s):
            s.tx[(s.tx_at + s.tx_count) & 15] = byte
            s.tx_count += 1
        else:
            s.tx[(s.tx_at + s.tx_count - 1) & 15] = byte
            s.spilled += 1
        begin(s, t)
    elif register == IER:
        if (byte & EMPTY) != 0 and (s.ier & EMPTY) == 0 and s.tx_count == 0:
            s.empty_asks = 1
        s.ier = byte & 15
    elif register == IIR:
        fifo_control(s, byte)
    elif register == LCR:
        s.lcr = byte
        s.lcr_t = t
        configure(m, s, t)
    elif register == MCR:
        s.mcr = byte & 0x1F
        configure(m, s, t)
        show_modem(m, s, t)
    elif register == SCRATCH:
        s.scratch = byte
    settle(m, s)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Connect crystal and terminal; noise in divisor and scratch byte."""
    s, settings = setup.state, setup.settings
    connect(setup, s.line, settings["terminal"])
    s.clock_t = s.silent_t = s.loop_t = FAR
    s.source = source_of(setup.machine, setup.slot, 0)
    if s.source < 0:
        clock_at_power_on(setup, s.line, settings["clock"])
    s.most = max((1 << 52) // (int(s.line.clock.num) * int(s.line.term_den)), 1)
    s.gated = int(settings["gate"] == "out2")
    for pin in MODEM_PINS:
        s[f"{pin}_from"] = PIN_WIRES.index(settings[pin])
    s.divisor = int(setup.random.integers(0, 65536))
    s.scratch = int(setup.random.integers(0, 256))


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip's state in words."""
    fifo = f"FIFOs on, trigger {int(trigger(s))}" if s.fcr & 1 else "FIFOs off"
    rate = rate_words(s.line) if s.divisor else "divisor 0: nothing is sent or received"
    out = [f"divisor {int(s.divisor)}: {rate}",
           f"{fifo}; {int(s.received)} characters came, {int(s.rx_count)} wait, {int(s.lost)} "
           f"lost by overrun, {int(s.bad)} with errors; {int(s.sent)} begun, {int(s.tx_count)} "
           f"wait",
           f"IER {int(s.ier):02X}h, LCR {int(s.lcr):02X}h, MCR {int(s.mcr):02X}h, LSR "
           f"{int(line_status(s)):02X}h, IIR {int(request(s)):02X}h"]
    if s.lcr & DLAB:
        out.append("DLAB is set: the data and interrupt registers are the divisor's")
    if s.gated and not s.mcr & OUT2:
        out.append("OUT2 is 0: the interrupt pin is cut off")
    return out + risks(m, s) + terminal_words(s.line)


def risks(m: Any, s: Any) -> list[str]:
    """Characters that were lost on the way out or in."""
    out = []
    if s.spilled:
        out.append(f"{int(s.spilled)} characters written with no room for them and lost: "
                   f"{'more than the FIFO takes' if s.fcr & 1 else 'the FIFOs are off, one fits'}")
    if s.lost:
        out.append(f"{int(s.lost)} characters were lost by overrun, with room for {int(depth(s))}")
    return out


def _gets_a_character(m: Any, s: Any) -> None:
    arrive(s, np.int64(ord("x")), np.int64(0), np.int64(m.t))
    settle(m, s)


def latch_open(s: Any) -> Trouble | None:
    """The divisor latch, still selected."""
    if not s.lcr & DLAB:
        return None

    def mend(m: Any, s: Any) -> None:
        s.lcr = int(s.lcr) & ~DLAB
        s.ier = int(s.ier) or int(s.divisor) >> 8 & 15  # what was meant for it
        _gets_a_character(m, s)

    return Trouble(
        "latch-open", "{card} has its divisor latch selected while the program waits.",
        [f"LCR is {int(s.lcr):02X}h: DLAB, bit 7, is 1, so {{data}} and {{interrupt-enable}} are "
         f"the divisor, now {int(s.divisor)}; {{pc}} left it so.", f"IER is {int(s.ier):02X}h."],
        [f"Write {int(s.lcr) & 0x7F | 3:02X}h to {{line-control}} after the divisor, before the "
         f"first access to {{data}} or {{interrupt-enable}}."], int(s.lcr_t), mend)


def gate_closed(s: Any) -> Trouble | None:
    """Interrupts that OUT2 keeps from the bus."""
    if not s.gated or s.mcr & OUT2 or not s.ier or s.lcr & DLAB:
        return None

    def mend(m: Any, s: Any) -> None:
        s.mcr = int(s.mcr) | OUT2
        _gets_a_character(m, s)

    return Trouble(
        "gate-closed", "{card} asks for interrupts, and OUT2 keeps its pin from /INT.",
        [f"IER is {int(s.ier):02X}h; MCR is {int(s.mcr):02X}h: OUT2, bit 3, is 0.",
         "Jumper gate of slot {slot} is \"out2\": the pin passes only while OUT2 is set."],
        [f"Write {int(s.mcr) | OUT2:02X}h to {{modem-control}}."], int(s.lcr_t), mend)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    return [trouble for trouble in (latch_open(s), gate_closed(s)) if trouble is not None]


def requests(m: Any, s: Any) -> list[Request]:
    """Give receiver, transmitter and the rest, which share the pin."""
    asks = int(request(s)) if m.ip[s.slot] else NO_REQUEST
    words = "; ".join(describe(m, s))
    return [Request(0, part, reports, bool(s.ier & mask), asks in codes, words)
            for part, reports, mask, codes in (
                ("receiver", roles.RECEIVES, GOT, (R_GOT, R_TIMEOUT)),
                ("transmitter", roles.SENDS, EMPTY, (R_EMPTY,)),
                ("line and modem", roles.OTHER, ~(GOT | EMPTY), (R_LINE, R_MODEM)))]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give the latch left selected, the gate, no clock, a divisor of 0, bytes lost."""
    out = []
    if s.lcr & DLAB:
        out.append(Complaint(roles.LATCH_SELECTED, register="line-control",
                             mend=int(s.lcr) & ~DLAB))
    if s.gated and not s.mcr & OUT2:
        out.append(Complaint(roles.INTERRUPT_GATED, register="modem-control",
                             mend=int(s.mcr) | OUT2))
    if not s.divisor:
        out.append(Complaint(roles.NOT_SET_UP, register="data"))
    if s.mcr & LOOP:
        out.append(Complaint(roles.LOOPED_BACK, register="modem-control",
                             mend=int(s.mcr) & ~LOOP))
    return [*out, *serial_report.clock(s.line, ""),
            *serial_report.lost(s.lost, "receiver", "data"),
            *serial_report.lost(s.spilled, "transmitter", "data")]


def margins(_: Any, s: Any) -> list[Margin]:
    """A FIFO must be read before the room above its trigger is full."""
    if not s.ier & GOT or not s.line.typed_out:
        return []
    room = int(depth(s)) - int(trigger(s)) + 1
    return [Margin("receive", character_time(s.line) * room)]


def rates(ask: Ask) -> list[Way]:
    """Give the divisor nearest to a baud rate, at 8N1."""
    if ask.purpose != BAUD:
        return []
    found = []
    for clock in ask.source("clock", ask.want * X16):
        divisor = near(ask.want * X16, clock.rate, 65535)
        found.append(Way(clock.rate / (X16 * divisor), "", f"{clock.words} / 16 / {divisor}", (
            *clock.writes, Write("line-control", DLAB | 3), Write("data", divisor & 0xFF),
            Write("interrupt-enable", divisor >> 8), Write("line-control", 3))))
    return found


CARD = Card(
    name="uart-16550",
    summary="16550-type UART with FIFOs, without a vector",
    source="PC16550D data sheet, from memory",
    unmodelled=(
        "a timeout restarted by reading the only byte in the FIFO",
        "a break inside the loop",
        "the scratch of parts older than the 16550",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("clock", "clock", "1.8432 MHz", "crystal, unless a wire ends at the input"),
        Jumper("terminal", "terminal", {}, "what stands at the other end"),
        Jumper("cts", "choice", "terminal", "where CTS goes; low is active", choices=PIN_WIRES),
        Jumper("dsr", "choice", "low", "where DSR goes", choices=PIN_WIRES),
        Jumper("dcd", "choice", "terminal", "where DCD goes", choices=PIN_WIRES),
        Jumper("ri", "choice", "high", "where RI goes; its rise back to high asks",
               choices=PIN_WIRES[:2]),
        Jumper("gate", "choice", "none", "out2: the interrupt pin passes only while OUT2 is set",
               choices=("none", "out2")),
        Jumper("interrupt", "flag", True, "the chip's interrupt pin reaches /INT"),
    ),
    registers=("data", "interrupt-enable", "interrupt-identify", "line-control", "modem-control",
               "line-status", "modem-status", "scratch"),
    kinds={"data": (roles.DATA, roles.CONTROL), "interrupt-enable": (roles.CONTROL,),
           "interrupt-identify": (roles.STATUS, roles.CONTROL), "line-control": (roles.CONTROL,),
           "modem-control": (roles.CONTROL,), "line-status": (roles.STATUS,),
           "modem-status": (roles.STATUS,), "scratch": (roles.DATA,)},
    interrupt=PLAIN_INTERRUPT,
    outputs=("rts", "dtr", "out1", "out2"),
    inputs=("clock", *MODEM_PINS),
    live={pin: set_pin(lambda s: s, pin) for pin in MODEM_PINS},
    channels=("",),
    power_on=power_on,
    describe=describe,
    risks=risks,
    margins=margins,
    requests=requests,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    rates=rates,
)
