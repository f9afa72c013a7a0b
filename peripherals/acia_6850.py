"""A 6850-type asynchronous serial chip: no vector, no place in the chain.

After the maker's data sheet as quoted in 1982 (control register table) and common notes on
the chip; points from memory: the latch of DCD, TDRE held at 0 while CTS is high, overrun
shown once the last good byte has been read.  It pulls /INT while its cause lasts.
"""
from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from emu.jit import compiled, inlined
from emu.state import FAR, PLAIN_INTERRUPT
from peripherals import serial_line as wire
from peripherals.card import Card, Jumper, Setup, entry
from peripherals.serial_line import BREAK, FINE, FRAMING_ERROR, LINE, PARITY_ERROR

RDRF, TDRE, DCD, CTS, FE, OVRN, PE, IRQ = 1, 2, 4, 8, 0x10, 0x20, 0x40, 0x80
# bits, parity (serial_line's numbers), stop bits by word select 0 to 7
FORMATS = np.array([[7, 2, 2], [7, 1, 2], [7, 2, 1], [7, 1, 1], [8, 0, 2], [8, 0, 1], [8, 2, 1],
                    [8, 1, 1]], np.int64)

STATE = np.dtype([
    ("slot", np.int64),
    ("line", LINE),
    ("clock_num", np.int64), ("clock_den", np.int64),  # clock period in T-states
    ("held", np.int64),  # 1: master reset, also at power-on
    ("control", np.int64), ("bit", np.int64),  # fine length of a bit
    ("bits", np.int64), ("parity", np.int64), ("stop2", np.int64),
    ("tx_full", np.int64), ("tx_byte", np.int64),  # the holding register
    ("tx_end", np.int64),  # T-state at which the shift register is free, FAR: it is
    ("rx_full", np.int64), ("rx_byte", np.int64), ("rx_errors", np.int64),
    ("lost", np.int64),  # overrun happened, not shown yet
    ("overrun", np.int64),
    ("cts", np.int64), ("dcd", np.int64),  # pins: 1 = high = inactive
    ("dcd_latch", np.int64), ("dcd_read", np.int64),
], align=True)


@inlined
def divisor(control):
    """Give the clock divide ratio of a control byte."""
    k = control & 3
    if k == 0:
        return np.int64(1)
    return np.int64(16) if k == 1 else np.int64(64)


@compiled
def status(s):
    """Work the status byte out."""
    value = np.int64(0)
    if s.rx_full == 1:
        value |= RDRF | s.rx_errors
    if s.tx_full == 0 and s.cts == 0 and s.held == 0:
        value |= TDRE
    if s.dcd_latch == 1 or s.dcd == 1:
        value |= DCD
    if s.cts == 1:
        value |= CTS
    if s.overrun == 1:
        value |= OVRN
    if s.held == 0:
        receive = (value & (RDRF | OVRN)) != 0 or s.dcd_latch == 1
        if (s.control & 0x80) != 0 and receive:
            value |= IRQ
        if (s.control & 0x60) == 0x20 and (value & TDRE) != 0:
            value |= IRQ
    return value


@compiled
def settle(m, s):
    """Set /INT and the next event after any change."""
    slot = s.slot
    pending = 1 if (status(s) & IRQ) != 0 else 0
    if m.ip[slot] != pending:
        m.ip[slot] = pending
        m.irq_dirty = 1
    m.ev[slot] = min(wire.next_due(s.line), s.tx_end)


@compiled
def load_shifter(m, s, t):
    """Move the holding register to the shift register and start its frame, when both can."""
    if s.tx_full == 0 or s.tx_end != FAR or s.cts == 1 or s.held == 1:
        return
    s.tx_full = 0
    start_frame(s, t, wire.frame_word(s.tx_byte, s.bits, s.parity))


@compiled
def start_frame(s, t, word):
    """Put a frame on the line, behind the one before."""
    start = max(t << FINE, s.line.out.until)
    wire.send(s.line.out, start, s.bit, word,
              wire.frame_half_bits(s.bits, s.parity, s.stop2))
    s.tx_end = (s.line.out.until >> FINE) + 1


@compiled
def frame_ended(m, s, t):
    """Go on with the next character, or with the break that is being sent."""
    s.tx_end = FAR
    if (s.control & 0x60) == 0x60 and s.held == 0:
        start_frame(s, t, np.int64(0))
    load_shifter(m, s, t)


@compiled
def received(s, code):
    """Take a character from the line."""
    if s.held == 1:
        return
    if s.rx_full == 1:
        s.lost = 1
        return
    s.rx_full = 1
    s.rx_byte = code & 0xFF
    s.rx_errors = (PE if (code & PARITY_ERROR) != 0 else 0) | (
        FE if (code & (FRAMING_ERROR | BREAK)) != 0 else 0)


@entry(STATE)
def advance(m, s, t, b):
    """Do what falls up to T-state t, in order."""
    while True:
        line = wire.next_due(s.line)
        if min(line, s.tx_end) > t:
            break
        if s.tx_end <= line:
            frame_ended(m, s, s.tx_end)
        else:
            code = wire.step(m, s.line, line)
            if code >= 0:
                received(s, code)
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Power-on holds the chip in master reset; the RESET line is not wired to it."""
    if a == 0:
        s.held = 1
        s.tx_end = FAR
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read status or data."""
    if (a & 0xFF) == 0:
        value = status(s)
        s.dcd_read = s.dcd_latch
        return value
    value = s.rx_byte
    s.rx_full = 0
    s.overrun = s.lost
    s.lost = 0
    if s.dcd_read == 1 and s.dcd == 0:
        s.dcd_latch = 0
    settle(m, s)
    return value


@compiled
def master_reset(s):
    """Forget everything but CTS and DCD."""
    s.held = 1
    s.tx_full = s.rx_full = s.rx_errors = s.lost = s.overrun = 0
    s.dcd_latch = s.dcd
    s.line.card.bit = 0


@compiled
def set_control(m, s, byte, t):
    """Take a control byte."""
    s.control = byte
    if (byte & 3) == 3:
        master_reset(s)
    else:
        k = (byte >> 2) & 7
        if s.held == 1:  # it has not listened to what began before
            s.line.card.ready = max(s.line.card.ready, t << FINE)
        s.held = 0
        s.bits = FORMATS[k, 0]
        s.parity = FORMATS[k, 1]
        s.stop2 = FORMATS[k, 2] * 2
        s.bit = (divisor(byte) * s.clock_num << FINE) // s.clock_den
        s.line.card.bit = s.bit
        s.line.card.bits = s.bits
        s.line.card.parity = s.parity
        if (byte & 0x60) == 0x60 and s.tx_end == FAR:
            start_frame(s, t, np.int64(0))
        load_shifter(m, s, t)
    wire.set_rts(s.line, np.int64(0) if (byte & 0x60) == 0x40 else np.int64(1), t)


@entry(STATE)
def write(m, s, a, t):
    """Write control or data."""
    byte = (a >> 8) & 0xFF
    if (a & 0xFF) == 0:
        set_control(m, s, byte, t)
    elif s.held == 0:
        s.tx_byte = byte
        s.tx_full = 1
        load_shifter(m, s, t)
    settle(m, s)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Set the clock, the terminal and the modem pins."""
    s, settings = setup.state, setup.settings
    hertz = setup.cpu_hz if settings["clock"] == "cpu" else settings["clock"]
    s.clock_num, s.clock_den = setup.period(Fraction(hertz))
    wire.connect(s.line, settings["terminal"], setup.cpu_hz)
    s.cts = int(settings["cts"] == "high")
    s.dcd = s.dcd_latch = int(settings["dcd"] == "high")


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip's state in words."""
    if s.held:
        return ["held in master reset: nothing has set it up"]
    rate = float(Fraction(int(s.bit), 1 << FINE))
    out = [f"a bit lasts {rate:.2f} T-states, {int(s.bits)} data bits",
           f"status {int(status(s)):02X}h, control {int(s.control):02X}h"]
    if s.cts:
        out.append("CTS is high: the transmitter shows itself full for ever")
    if m.ip[s.slot]:
        out.append("pulls /INT")
    return out


CARD = Card(
    name="acia-6850",
    summary="6850-type serial chip: interrupts without a vector",
    source="maker's data sheet (control table as quoted in 1982); rest from memory",
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        Jumper("clock", "clock", "1.8432 MHz", "clock of receiver and transmitter"),
        Jumper("terminal", "terminal", {}, "what stands at the other end: baud, format, flow"),
        Jumper("cts", "choice", "low", "where CTS is tied: low lets it send",
               choices=("low", "high")),
        Jumper("dcd", "choice", "low", "where DCD is tied: low = carrier",
               choices=("low", "high")),
        Jumper("interrupt", "flag", True, "whether its IRQ is wired to /INT"),
    ),
    registers=("control", "data"),
    interrupt=PLAIN_INTERRUPT,
    channels=("",),
    power_on=power_on,
    describe=describe,
)
