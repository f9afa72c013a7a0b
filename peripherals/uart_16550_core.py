"""The inside of a 16550-type UART: state, FIFOs, requests, the line's events."""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals.serial_line import (
    FRAME_DUE,
    FRAME_ENDED,
    LINE,
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
from peripherals.serial_pins import pin, wired_pin
from peripherals.serial_wave import (
    ALWAYS_0,
    ALWAYS_1,
    BREAK,
    CHARACTER,
    EVEN,
    FRAMING_ERROR,
    NO_PARITY,
    NOTHING,
    ODD,
)
from peripherals.serial_wave import PARITY_ERROR as WAVE_PARITY_ERROR

DATA, IER, IIR, LCR, MCR, LSR, MSR, SCRATCH = range(8)
DR, OE, PE, FE, BI, THRE, TEMT, BAD = (1 << k for k in range(8))  # LSR
GOT, EMPTY, LINE_STATUS, MODEM = (1 << k for k in range(4))  # IER
NO_REQUEST, R_MODEM, R_EMPTY, R_GOT, R_LINE, R_TIMEOUT = 1, 0, 2, 4, 6, 12  # IIR
DLAB, SET_BREAK = 0x80, 0x40
DTR, RTS, OUT1, OUT2, LOOP = (1 << k for k in range(5))  # MCR
DEPTH = 16
X16 = 16

STATE = np.dtype([
    ("slot", np.int64),
    ("line", LINE),
    ("ier", np.int64), ("fcr", np.int64), ("lcr", np.int64), ("mcr", np.int64),
    ("scratch", np.int64), ("divisor", np.int64),
    ("lcr_t", np.int64),  # when LCR was written last
    ("most", np.int64),  # the longest divisor that is followed exactly
    ("rx", np.uint8, (DEPTH,)), ("rx_error", np.uint8, (DEPTH,)),
    ("rx_at", np.int64), ("rx_count", np.int64),
    ("tx", np.uint8, (DEPTH,)), ("tx_at", np.int64), ("tx_count", np.int64),
    ("overrun", np.int64),  # OE
    ("empty_asks", np.int64),  # 1: the transmitter's request stands
    ("silent_t", np.int64),  # when the FIFO has been left alone for four characters
    ("timed_out", np.int64),
    ("modem", np.int64), ("deltas", np.int64),  # MSR
    ("loop_t", np.int64), ("loop_byte", np.int64),  # in the local loop
    ("cts_from", np.int64), ("dsr_from", np.int64),  # where the modem inputs go
    ("dcd_from", np.int64), ("ri_from", np.int64),
    ("gated", np.int64),  # 1: OUT2 lets the interrupt pin through
    ("source", np.int64), ("clock_t", np.int64),  # wired clock, as in acia_6850.py
    ("spilled", np.int64),  # characters written while there was no room for them
    ("received", np.int64), ("sent", np.int64), ("lost", np.int64), ("bad", np.int64),
], align=True)


@inlined
def depth(s):
    """Give how many characters the receiver holds."""
    return np.int64(DEPTH) if (s.fcr & 1) != 0 else np.int64(1)


@compiled
def trigger(s):
    """Give the receiver FIFO's trigger level."""
    if (s.fcr & 1) == 0:
        return np.int64(1)
    code = s.fcr >> 6
    if code == 3:
        return np.int64(14)
    return np.int64(8) if code == 2 else 1 + 3 * code


@compiled
def line_status(s):
    """Give LSR; its error bits are those of the character that is next."""
    value = np.int64(0)
    if s.rx_count > 0:
        value = DR | np.int64(s.rx_error[s.rx_at & 15])
    if s.overrun == 1:
        value |= OE
    if s.tx_count == 0:
        value |= THRE
        if not sending(s.line) and s.line.armed == 0 and s.loop_t == FAR:
            value |= TEMT
    if (s.fcr & 1) != 0:
        for k in range(s.rx_count):
            if s.rx_error[(s.rx_at + k) & 15] != 0:
                value |= BAD
    return value


@compiled
def request(s):
    """Give IIR without the FIFO bits: the highest request, or NO_REQUEST."""
    if (s.ier & LINE_STATUS) != 0 and (line_status(s) & (OE | PE | FE | BI)) != 0:
        return np.int64(R_LINE)
    if (s.ier & GOT) != 0:
        if s.rx_count >= trigger(s):
            return np.int64(R_GOT)
        if s.timed_out == 1:
            return np.int64(R_TIMEOUT)
    if (s.ier & EMPTY) != 0 and s.empty_asks == 1:
        return np.int64(R_EMPTY)
    if (s.ier & MODEM) != 0 and s.deltas != 0:
        return np.int64(R_MODEM)
    return np.int64(NO_REQUEST)


@compiled
def settle(m, s):
    """Pull /INT or let it go; say when the next event comes."""
    open_gate = s.gated == 0 or ((s.mcr & OUT2) != 0 and (s.mcr & LOOP) == 0)
    pending = np.int64(1) if open_gate and request(s) != NO_REQUEST else np.int64(0)
    if m.ip[s.slot] != pending:
        m.ip[s.slot] = pending
        m.irq_dirty = 1
    soonest = min(min(s.line.in_t, s.line.out_t), min(s.clock_t, s.silent_t))
    m.event_t[s.slot] = min(soonest, s.loop_t)


# --- receiving and sending ----------------------------------------------------------------
@compiled
def character_length(s):
    """Give the T-states of a character at the rate that is set."""
    half_bits = 2 + 2 * s.line.tx_bits + s.line.stop2
    if s.line.parity != NO_PARITY:
        half_bits += 2
    return half_bits * s.line.ratio * s.line.clock.num // (2 * s.line.clock.den) + 1


@inlined
def attend(s, t):
    """Begin the receiver's time-out anew."""
    s.timed_out = 0
    s.silent_t = FAR
    if (s.fcr & 1) != 0 and s.rx_count > 0:
        s.silent_t = t + 4 * character_length(s)


@compiled
def arrive(s, byte, error, t):
    """Take a character, or lose one: in the FIFO the new one, without it the old one."""
    s.received += 1
    if error != 0:
        s.bad += 1
    if s.rx_count >= depth(s):
        s.overrun = 1
        s.lost += 1
        if (s.fcr & 1) != 0:
            return
        s.rx_count = 0
    at = (s.rx_at + s.rx_count) & 15
    s.rx[at] = byte
    s.rx_error[at] = error
    s.rx_count += 1
    attend(s, t)


@compiled
def events_in(s, t):
    """Do what the terminal's line brings at T-state t."""
    got = in_step(s.line, t)
    while got != NOTHING:
        if got == CHARACTER:
            ear = s.line.ear
            error = np.int64(0)
            if (ear.error & WAVE_PARITY_ERROR) != 0:
                error |= PE
            if (ear.error & FRAMING_ERROR) != 0:
                error |= FE
            if (ear.error & BREAK) != 0:
                error |= BI
            arrive(s, ear.byte, error, t)
        got = in_step(s.line, t)
    schedule_in(s.line)


@compiled
def next_byte(s):
    """Take a byte out of the transmitter's FIFO; its request when that is empty."""
    byte = np.int64(s.tx[s.tx_at & 15])
    s.tx_at = (s.tx_at + 1) & 15
    s.tx_count -= 1
    s.sent += 1
    if s.tx_count == 0:
        s.empty_asks = 1
    return byte


@compiled
def events_out(m, s, t):
    """Do what the transmitter has due at T-state t."""
    what = out_step(m, s.line, t)
    if (what == FRAME_DUE or what == FRAME_ENDED) and s.tx_count > 0:
        start_frame(s.line, next_byte(s), s.line.tx_bits)
    elif what == FRAME_ENDED or what == FRAME_DUE:
        schedule_out(s.line)


@compiled
def begin(s, t):
    """Let a byte that waits begin."""
    if s.tx_count == 0 or s.divisor == 0:
        return
    if (s.mcr & LOOP) != 0:
        if s.loop_t == FAR:
            s.loop_byte = next_byte(s) & ((1 << s.line.tx_bits) - 1)
            s.loop_t = t + character_length(s)
    elif not sending(s.line):
        arm(s.line, t)


@compiled
def end_loop(s, t):
    """Let a byte come back in the local loop."""
    s.loop_t = FAR
    arrive(s, s.loop_byte, np.int64(0), t)
    begin(s, t)


# --- registers ----------------------------------------------------------------------------
@compiled
def modem_lines(s):
    """Give the upper half of MSR: 1 = the pin is low, active; or the loop's."""
    if (s.mcr & LOOP) != 0:
        return ((s.mcr & RTS) << 3 | (s.mcr & DTR) << 5 | (s.mcr & OUT1) << 4
                | (s.mcr & OUT2) << 4)
    cts = pin(s.cts_from, s.line.cts)
    dsr = pin(s.dsr_from, s.line.cts)
    dcd = pin(s.dcd_from, s.line.dcd)
    return cts << 4 | dsr << 5 | pin(s.ri_from, np.int64(0)) << 6 | dcd << 7


@compiled
def take_wires(m, s):
    """Take the modem inputs that are wired as their wires are."""
    s.cts_from = wired_pin(m, s.slot, np.int64(1), s.cts_from)
    s.dsr_from = wired_pin(m, s.slot, np.int64(2), s.dsr_from)
    s.dcd_from = wired_pin(m, s.slot, np.int64(3), s.dcd_from)
    s.ri_from = wired_pin(m, s.slot, np.int64(4), s.ri_from)


@compiled
def show_modem(m, s, t):
    """Put RTS, DTR, OUT1 and OUT2 on their lines: low for 1, all high in the loop."""
    mcr = s.mcr if (s.mcr & LOOP) == 0 else np.int64(0)
    drive_level(m, s.slot, 0, 1 - (mcr & RTS) // RTS, t)
    drive_level(m, s.slot, 1, 1 - (mcr & DTR) // DTR, t)
    drive_level(m, s.slot, 2, 1 - (mcr & OUT1) // OUT1, t)
    drive_level(m, s.slot, 3, 1 - (mcr & OUT2) // OUT2, t)


@compiled
def look_at_modem(s):
    """Note what has changed at the modem inputs; RI counts only when it falls."""
    now = modem_lines(s)
    changed = (now ^ s.modem) >> 4
    if (now & 0x40) != 0:
        changed &= ~np.int64(4)
    s.deltas |= changed
    s.modem = now


@compiled
def configure(m, s, t):
    """Carry divisor, line and modem control over to the line."""
    bits = 5 + (s.lcr & 3)
    stop2 = np.int64(2)
    if (s.lcr & 4) != 0:
        stop2 = np.int64(3) if bits == 5 else np.int64(4)
    parity = np.int64(NO_PARITY)
    if (s.lcr & 8) != 0:
        even = (s.lcr & 16) != 0
        parity = np.int64(EVEN) if even else np.int64(ODD)
        if (s.lcr & 32) != 0:  # stick parity
            parity = np.int64(ALWAYS_0) if even else np.int64(ALWAYS_1)
    if s.divisor != 0:
        set_format(m, s.line, t, X16 * min(s.divisor, s.most), parity, stop2, bits, bits)
    looped = (s.mcr & LOOP) != 0
    set_receiver(m, s.line, t, 0 if looped or s.divisor == 0 else 1)
    set_break(m, s.line, t, 1 if (s.lcr & SET_BREAK) != 0 and not looped else 0)
    rts = np.int64(0) if looped else (s.mcr & RTS) >> 1
    if rts != s.line.rts:
        set_rts(s.line, t, rts)
    s.line.dtr = 0 if looped else s.mcr & DTR
    look_at_modem(s)
    begin(s, t)


@compiled
def fifo_control(s, byte):
    """Write FCR: turning the FIFOs on or off empties them."""
    if ((byte ^ s.fcr) & 1) != 0:
        byte |= 6
    if (byte & 1) == 0 and (s.fcr & 1) == 0:
        return
    if (byte & 2) != 0:
        s.rx_count = 0
        s.timed_out = 0
        s.silent_t = FAR
    if (byte & 4) != 0:
        s.tx_count = 0
        s.empty_asks = 1
    s.fcr = byte & 0xC9 if (byte & 1) != 0 else 0


@compiled
def read_data(s, t):
    """Read a character; an empty receiver gives the last one again."""
    byte = np.int64(s.rx[s.rx_at & 15])
    if s.rx_count > 0:
        if s.rx_count > 1 or (s.fcr & 1) != 0:
            s.rx_at = (s.rx_at + 1) & 15
        s.rx_count -= 1
        attend(s, t)
    return byte


@compiled
def run(m, s, t):
    """Let everything up to T-state t happen, in order."""
    notice_typing(s.line)
    settle(m, s)
    while m.event_t[s.slot] <= t:
        when = m.event_t[s.slot]
        if s.line.in_t <= when:
            events_in(s, when)
        if s.line.out_t <= when:
            events_out(m, s, when)
        if s.loop_t <= when:
            end_loop(s, when)
        if s.silent_t <= when:
            s.silent_t = FAR
            s.timed_out = 1
        if s.clock_t <= when:
            s.clock_t = FAR
            clock_from_wire(m, s.line, s.source, when)
        settle(m, s)
    look_at_modem(s)
