"""The wire between a card's serial channel and the terminal at its other end.

Each direction is a waveform and a receiver with a clock of its own (serial_wave.py), so a
wrong divisor or format gives the garbage that it gives on the bench.  The terminal is a
receiver with a x16 clock.  It shows what it took: a byte with a wrong parity or stop bit as
it was read, a break as one NUL; it counts these.  It sends typed bytes back to back, none
before its ``typed_t``, and with flow control "rts-cts" starts none while the card's RTS is
inactive.  ``shown_t`` of a byte is the T-state of the middle of its stop bit.

A channel works by two events, ``out_t`` and ``in_t``: the T-states by which the card must
call `out_step` and `in_step`.  It sets ``tx_bits`` and the like only through `set_format`,
and calls `touch` before anything else that changes the wire in the middle of a frame.

The host may type (fill ``typed``, then ``typed_in``; set the card's m.event_t to the first
``typed_t``) and may change ``cts`` and ``dcd`` (with m.event_t set to now) between runs.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import BREAKS, CONSOLE_FULL, NO_STOP, PERIODIC, RIGHTLY, WRONG_PARITY
from emu.bus.stops import leave
from emu.native.jit import compiled, inlined
from peripherals.serial_wave import (
    BREAK,
    CLOCK,
    EAR,
    FRAMING_ERROR,
    HUNTING,
    INSTANT,
    MARK,
    NO_PARITY,
    NOTHING,
    PARITY_ERROR,
    WAVE,
    agrees,
    align,
    before,
    bit_by_bit,
    end_rem,
    end_t,
    half_at,
    level_of,
    listen,
    next_look,
    put,
    step,
    whole_t,
)

TYPED = 2048
SHOWN = 4096
LISTENED, FRAME_DUE, FRAME_ENDED = range(3)  # what out_step did

LINE = np.dtype([
    ("typed", np.uint8, (TYPED,)), ("typed_t", np.int64, (TYPED,)),
    ("typed_how", np.uint8, (TYPED,)),  # RIGHTLY, WRONG_PARITY, NO_STOP, BREAKS
    ("typed_in", np.int64), ("typed_out", np.int64),  # counters: put in, begun to be sent
    ("typed_known", np.int64),  # typed_in when in_t was last worked out
    ("shown", np.uint8, (SHOWN,)), ("shown_t", np.int64, (SHOWN,)),
    ("shown_in", np.int64), ("shown_limit", np.int64),
    ("term_num", np.int64), ("term_den", np.int64),  # the terminal's bit in T-states
    ("term_baud", np.int64), ("term_bits", np.int64), ("term_parity", np.int64),
    ("term_stop2", np.int64),  # stop length in half bits
    ("term_flow", np.int64),  # 1: honours the card's RTS
    ("term_parity_errors", np.int64), ("term_framing_errors", np.int64),
    ("term_breaks", np.int64),
    ("rts", np.int64), ("dtr", np.int64),  # 1 = active, driven by the card
    ("cts", np.int64), ("dcd", np.int64),  # 1 = active, driven by the terminal
    ("clock", CLOCK),  # the card's; its point is where the next frame may start
    ("running", np.int64),  # 1: that clock runs
    ("ratio", np.int64), ("parity", np.int64),  # the card's format
    ("tx_bits", np.int64), ("stop2", np.int64),
    ("hears", np.int64),  # 1: the card has its receiver on
    ("out", WAVE), ("term_ear", EAR),  # card to terminal
    ("term_out", WAVE), ("ear", EAR),  # terminal to card
    ("match_out", np.int64), ("match_in", np.int64),  # serial_wave.agrees
    ("armed", np.int64),  # 1: a frame is to start at the clock's point
    ("out_t", np.int64), ("in_t", np.int64),
    ("ready_t", np.int64), ("ready_rem", np.int64),  # the terminal may send from here on
    ("held", np.int64),  # 1: the clock stopped inside a frame,
    ("spent", np.int64),  # so many periods after its start,
    ("ear_wait", np.int64),  # and so many before the receiver's next look
], align=True)


# --- what the card changes --------------------------------------------------------------
@compiled
def rematch(line):
    """Work out in which directions frames can be taken whole."""
    line.match_out = 0
    line.match_in = 0
    if line.running == 1 and line.ratio > 0:
        line.match_out = agrees(line.term_ear, line.ratio * line.clock.num,
                                2 * line.clock.den, line.tx_bits, line.parity)
        line.match_in = agrees(line.ear, line.term_num, 2 * line.term_den, line.term_bits,
                               line.term_parity)


@compiled
def settle(r, t):
    """Let a hunting receiver look on from T-state t only."""
    if r.on == 1 and r.busy == HUNTING:
        align(r, t, np.int64(0), np.int64(1))


@compiled
def touch(m, line, t):
    """Bring both directions to T-state t exactly, before something changes mid-frame."""
    bit_by_bit(line.ear)
    bit_by_bit(line.term_ear)
    line.term_out.agree = 0
    listen(line.ear, line.term_out, t, np.int64(1), np.int64(INSTANT))
    settle(line.ear, t)
    line.out.agree = 0
    hear(m, line, t, np.int64(1), np.int64(INSTANT))
    settle(line.term_ear, t)


@compiled
def set_format(m, line, t, ratio, parity, stop2, tx_bits, rx_bits):
    """Set the channel's clock ratio, parity (serial_wave's numbers), stop length in half
    bits, and data bits of sender and receiver."""
    ear = line.ear
    if (line.ratio == ratio and line.parity == parity and line.stop2 == stop2
            and line.tx_bits == tx_bits and ear.bits == rx_bits):
        return
    touch(m, line, t)
    line.ratio = ratio
    line.parity = parity
    line.stop2 = stop2
    line.tx_bits = tx_bits
    ear.ratio = ratio
    ear.parity = parity
    ear.bits = rx_bits
    rematch(line)
    schedule(line)


@compiled
def set_receiver(m, line, t, on):
    """Turn the card's receiver on or off; on, it needs a fall of the line to begin."""
    if line.hears == on:
        return
    touch(m, line, t)
    line.hears = on
    ear = line.ear
    ear.on = on if line.running == 1 else 0
    ear.busy = HUNTING
    ear.broke = 0
    if ear.on == 1:
        align(ear, t, np.int64(0), np.int64(1))
        ear.seen = level_of(line.term_out, half_at(line.term_out, t, np.int64(0), np.int64(1)))
    schedule(line)


@compiled
def set_break(m, line, t, on):
    """Hold the card's TxD low, or let it go."""
    if line.out.space != on:
        touch(m, line, t)
        line.out.space = on
        schedule(line)


@compiled
def set_rts(line, t, active):
    """Drive the card's RTS; a terminal that waited for it may start now."""
    if active == 1 and line.rts == 0 and line.term_flow == 1 and t > line.ready_t:
        line.ready_t = t
        line.ready_rem = 0
    line.rts = active
    schedule_in(line)


@compiled
def abort(m, line, t):
    """Drop the frame under way: TxD goes high at once."""
    touch(m, line, t)
    line.out.active = 0
    line.out.rest = 1
    line.out.space = 0
    line.armed = 0
    line.held = 0
    schedule_out(line)


# --- the card's clock -------------------------------------------------------------------
@compiled
def stop_clock(m, line, t):
    """Let the channel stand still where it is."""
    if line.running == 0:
        return
    touch(m, line, t)
    w = line.out
    ear = line.ear
    if w.active == 1:
        half = half_at(w, t, np.int64(0), np.int64(1))
        line.spent = ((t - w.t) * w.den - w.rem) // (2 * line.clock.num)
        w.rest = (w.levels >> (half >> 1)) & 1 if half >= 0 else np.int64(1)
        w.active = 0
        line.held = 1
    if ear.busy != HUNTING:
        line.ear_wait = -(-((ear.t - t) * ear.den + ear.rem) // ear.num)
    ear.on = 0
    line.running = 0
    rematch(line)
    schedule(line)


@compiled
def start_clock(m, line, t, num, den, edge_t, edge_rem):
    """Clock the channel with period num/den and an edge at edge_t + edge_rem/den."""
    stop_clock(m, line, t)
    c = line.clock
    c.num = num
    c.den = den
    c.t = edge_t
    c.rem = edge_rem
    if c.t > t:
        c.t -= (c.t - t + num) // num * num
    align(c, t, np.int64(1), np.int64(INSTANT))  # an edge at t still counts for the old clock
    line.running = 1
    w = line.out
    if line.held == 1:
        line.held = 0
        start_of_frame(line)
        total = w.rem - 2 * num * (line.spent + 1)
        w.t += total // w.den
        w.rem = total % w.den
        w.active = 1
        w.rest = 1
    ear = line.ear
    ear.num = num
    ear.den = den
    ear.t = c.t
    ear.rem = c.rem
    if ear.busy != HUNTING:
        step(ear, line.ear_wait - 1)
    ear.on = line.hears
    rematch(line)
    schedule(line)


@compiled
def clock_from_wire(m, line, source, t):
    """Take the clock that a wired output (slot * 256 + output) gives now."""
    slot = source >> 8
    output = source & 0xFF
    if m.line_kind[slot, output] == PERIODIC:
        start_clock(m, line, t, m.line_num[slot, output], m.line_den[slot, output],
                    m.line_t[slot, output], m.line_rem[slot, output])
    else:
        stop_clock(m, line, t)


# --- card to terminal -------------------------------------------------------------------
@inlined
def arm(line, t):
    """Let a frame start at the clock's first edge at or after T-state t."""
    if line.armed == 0 and line.out.active == 0 and line.held == 0:
        line.armed = 1
        if line.running == 1:
            align(line.clock, t, np.int64(0), np.int64(1))
        schedule_out(line)


@inlined
def disarm(line):
    """Take back `arm`."""
    line.armed = 0
    schedule_out(line)


@inlined
def start_of_frame(line):
    """Set a frame's start to the clock's point, and its speed."""
    w = line.out
    c = line.clock
    w.t = c.t
    w.rem = 2 * c.rem
    w.den = 2 * c.den
    w.num = max(line.ratio, 1) * c.num


@compiled
def start_frame(line, byte, bits):
    """Start a frame at the clock's point, after FRAME_DUE or FRAME_ENDED."""
    start_of_frame(line)
    w = line.out
    put(w, byte, bits, line.parity, line.stop2)
    w.agree = line.match_out if bits == line.tx_bits and w.space == 0 else 0
    line.armed = 0
    schedule_out(line)


@inlined
def sending(line):
    """Tell whether the shift register holds a frame."""
    return line.out.active == 1 or line.held == 1


@compiled
def show(m, line):
    """Let the terminal show the character it took."""
    r = line.term_ear
    k = line.shown_in & (SHOWN - 1)
    line.shown[k] = r.byte
    line.shown_t[k] = r.done_t
    line.shown_in += 1
    if (r.error & BREAK) != 0:
        line.term_breaks += 1
    elif (r.error & FRAMING_ERROR) != 0:
        line.term_framing_errors += 1
    elif (r.error & PARITY_ERROR) != 0:
        line.term_parity_errors += 1
    if line.shown_in >= line.shown_limit:
        leave(m, CONSOLE_FULL)


@compiled
def hear(m, line, t, rem, den):
    """Let the terminal listen up to a point and show what comes."""
    got = listen(line.term_ear, line.out, t, rem, den)
    while got != NOTHING:
        if got != MARK:
            show(m, line)
        got = listen(line.term_ear, line.out, t, rem, den)


@compiled
def out_step(m, line, t):
    """Do what falls at out_t: LISTENED, FRAME_DUE or FRAME_ENDED.

    After the last two `start_frame` may be called; else `schedule_out` must be.
    """
    w = line.out
    if w.active == 1:
        last_t = end_t(w)
        last_rem = end_rem(w)
        if before(last_t, last_rem, w.den, t, np.int64(1), np.int64(INSTANT)):
            hear(m, line, last_t, last_rem, w.den)
            w.active = 0
            align(line.clock, last_t, last_rem, w.den)
            return FRAME_ENDED
    hear(m, line, t, np.int64(1), np.int64(INSTANT))
    if line.armed == 1 and line.running == 1 and whole_t(line.clock.t, line.clock.rem) <= t:
        line.armed = 0
        return FRAME_DUE
    schedule_out(line)
    return LISTENED


@compiled
def schedule_out(line):
    """Work out_t out anew."""
    w = line.out
    if w.active == 1:
        line.out_t = whole_t(end_t(w), end_rem(w))
    else:
        line.out_t = next_look(line.term_ear, w)
        if line.armed == 1 and line.running == 1:
            line.out_t = min(line.out_t, whole_t(line.clock.t, line.clock.rem))


# --- terminal to card -------------------------------------------------------------------
@inlined
def has_typed(line):
    """Tell whether the terminal has something to send and may."""
    return line.typed_out != line.typed_in and (line.term_flow == 0 or line.rts == 1)


@inlined
def typed_wait(line):
    """Tell whether the next typed byte waits for its own time, not for the wire."""
    return line.typed_t[line.typed_out & (TYPED - 1)] > line.ready_t


@inlined
def typed_start(line):
    """Give the T-state by which the next typed byte has started."""
    if typed_wait(line):
        return line.typed_t[line.typed_out & (TYPED - 1)]
    return whole_t(line.ready_t, line.ready_rem)


@compiled
def spoil(w, how, count, bits, parity):
    """Make a frame a wrong one: its parity bit, its stop bit, or low for ``count`` frames."""
    w.agree = 0
    if how == WRONG_PARITY and parity != NO_PARITY:
        w.levels ^= np.int64(1) << (bits + 1)
    elif how == NO_STOP:
        stop = bits + 1 if parity == NO_PARITY else bits + 2
        w.levels &= ~(np.int64(1) << stop)
    elif how == BREAKS:
        w.levels = np.int64(0)
        w.halves *= count


@compiled
def type_one(line):
    """Let the terminal start the next typed byte."""
    w = line.term_out
    k = line.typed_out & (TYPED - 1)
    w.t = line.ready_t
    w.rem = line.ready_rem
    if typed_wait(line):
        w.t = line.typed_t[k]
        w.rem = 0
    put(w, np.int64(line.typed[k]), line.term_bits, line.term_parity, line.term_stop2)
    w.agree = line.match_in
    how = line.typed_how[k]
    if how != RIGHTLY:
        spoil(w, how, np.int64(line.typed[k]), line.term_bits, line.term_parity)
    line.typed_out += 1


@compiled
def in_step(line, t):
    """Go on to T-state t or the card's next CHARACTER or MARK (found in ``ear``), at most
    one; `schedule_in` must be called after NOTHING."""
    w = line.term_out
    ear = line.ear
    while True:
        if w.active == 1:
            last_t = end_t(w)
            last_rem = end_rem(w)
            if not before(last_t, last_rem, w.den, t, np.int64(1), np.int64(INSTANT)):
                break
            got = listen(ear, w, last_t, last_rem, w.den)
            if got != NOTHING:
                return got
            w.active = 0
            line.ready_t = last_t
            line.ready_rem = last_rem
        elif has_typed(line) and typed_start(line) <= t:
            got = listen(ear, w, line.ready_t if not typed_wait(line) else typed_start(line),
                         line.ready_rem if not typed_wait(line) else np.int64(0), w.den)
            if got != NOTHING:
                return got
            type_one(line)
        else:
            break
    return listen(ear, w, t, np.int64(1), np.int64(INSTANT))


@compiled
def schedule_in(line):
    """Work in_t out anew."""
    w = line.term_out
    line.typed_known = line.typed_in
    line.in_t = next_look(line.ear, w)
    if w.active == 1:
        line.in_t = min(line.in_t, whole_t(end_t(w), end_rem(w)))
    elif has_typed(line):
        line.in_t = min(line.in_t, typed_start(line))


@compiled
def schedule(line):
    """Work both events out anew."""
    schedule_out(line)
    schedule_in(line)


@inlined
def notice_typing(line):
    """See whether the host has typed since in_t was worked out."""
    if line.typed_in != line.typed_known:
        schedule_in(line)
