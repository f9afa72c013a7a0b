"""How one counter of an 82C54 counts, mode by mode; all of it from memory of the data sheet.

A counter goes by CLK pulses, taken at their falling edges.  A count that is written waits for
the next pulse, which loads it and counts nothing.  Modes 0 and 4 count from there, modes 1 and 5
load at the pulse behind a rising GATE, modes 2 and 3 load again and again.  `pulse` is one pulse by
the book, `quiet` says how many of those to come change nothing but the count, and `skip` does
them at once; so a counter costs its OUT's edges, not its clock's.

First to be doubted: GATE is looked at with the falling edge, half a clock later than the chip
does; a pulse whose rising edge came before the write counts as the next one; a count of 1 in
modes 2 and 3, which the sheet forbids, leaves OUT high.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR, PERIODIC
from emu.bus.wires import drive_clock, drive_edge, drive_level, source_of
from emu.native.jit import compiled, inlined
from peripherals.z80_ctc_channel import PULSE, divisor

NO_INPUT, LEVEL_INPUT, CLOCK_INPUT = range(3)
LSB, MSB, BOTH = 1, 2, 3  # how a counter is read and written
FOREVER = 1 << 60  # pulses

COUNTER = np.dtype([
    ("word", np.int64),  # the last control word: RW in bits 5-4, mode in 3-1, BCD in 0
    ("mode", np.int64),  # 0 to 5
    ("modulus", np.int64),  # 65536, or 10000 in BCD
    ("written", np.int64),  # what the count register holds, as a number; 0 stands for the modulus
    ("low", np.int64),  # the LSB of a count whose MSB is to come, -1: none
    ("known", np.int64),  # 1: a count has been written since the control word
    ("waits", np.int64),  # 1: it has not been loaded yet (null count)
    ("length", np.int64),  # the count that runs, 1 to modulus
    ("count", np.int64),  # counting element; mode 3: pulses to the end of the half
    ("runs", np.int64),  # 1: something has been loaded
    ("fired", np.int64),  # 1: the terminal count has passed
    ("trigger", np.int64),  # 1: GATE has risen, and no pulse has come since
    ("gate", np.int64), ("out", np.int64),  # levels
    ("held", np.int64), ("held_left", np.int64),  # a latched count, and bytes of it to read
    ("status", np.int64),  # a latched status, -1: none
    ("second", np.int64),  # 1: the MSB is read next
    ("in_kind", np.int64), ("in_level", np.int64),
    ("num", np.int64), ("den", np.int64),  # a clock at CLK: its period in T-states ...
    ("edge_t", np.int64), ("edge_rem", np.int64),  # ... and its next falling edge
    ("wired", np.int64),  # 1: something is wired to OUT
    ("edged", np.int64),  # 1: among it is an input that is no clock
    ("steady", np.int64),  # 1: OUT has been told as a clock
    ("rises", np.int64), ("out_t", np.int64),  # rising edges of OUT, and when it changed last
    ("torn", np.int64), ("read_t", np.int64),  # pairs of bytes read unlatched while it counted
], align=True)


# --- pulses by the book ----------------------------------------------------------------------
@inlined
def high_half(c):
    """Give the pulses of mode 3's high half: the longer one of an odd count."""
    return (c.length + 1) >> 1


@inlined
def load(c):
    """Take the count register into the counting element."""
    c.length = c.written if c.written != 0 else c.modulus
    c.waits = 0
    c.runs = 1
    c.fired = 0
    c.trigger = 0
    c.count = high_half(c) if c.mode == 3 else c.length % c.modulus


@inlined
def loads(c):
    """Tell whether the next pulse loads."""
    if c.known == 0 or c.low >= 0:
        return False
    if c.mode == 0 or c.mode == 4:
        return c.waits == 1
    if c.mode == 1 or c.mode == 5:
        return c.trigger == 1
    return c.trigger == 1 or c.runs == 0


@inlined
def stands(c):
    """Tell whether pulses do nothing now."""
    if c.runs == 0:
        return True
    if c.mode == 0 and c.low >= 0:
        return True
    return c.gate == 0 and c.mode != 1 and c.mode != 5


@compiled
def pulse(c):
    """Take one CLK pulse: OUT's level after it."""
    if loads(c):
        load(c)
        if c.mode == 1:
            return np.int64(0)
        return c.out if c.mode == 0 else np.int64(1)
    if stands(c):
        return np.int64(1) if (c.mode >= 4 and c.out == 0) else c.out
    if c.mode == 3:
        return half_pulse(c)
    c.count = (c.count - 1) % c.modulus
    if c.mode == 2:
        if c.count == 0:
            load(c)
            return np.int64(1)
        return np.int64(0) if c.count == 1 else np.int64(1)
    if c.count == 0 and c.fired == 0:
        c.fired = 1
        return np.int64(1) if c.mode < 2 else np.int64(0)
    return np.int64(1) if c.mode >= 4 else c.out


@compiled
def half_pulse(c):
    """Take a pulse in mode 3: at the end of a half OUT turns over, and the count begins anew."""
    c.count -= 1
    if c.count > 0:
        return c.out
    level = 1 - c.out
    if c.waits == 1 or level == 1:
        load(c)
    if level == 0:
        c.count = c.length >> 1
        if c.count == 0:  # a count of 1
            c.count = 1
            level = np.int64(1)
    return level


@compiled
def quiet(c):
    """Count the pulses to come that change nothing but the count."""
    if loads(c):
        return np.int64(0)
    if c.mode >= 4 and c.out == 0:
        return np.int64(0)
    if stands(c):
        return np.int64(FOREVER)
    if c.mode == 3:
        return c.count - 1
    left = c.count if c.count > 0 else c.modulus
    if c.mode == 2:
        return max(left - 2, 0)
    return left - 1 if c.fired == 0 else np.int64(FOREVER)


@inlined
def skip(c, pulses):
    """Take so many quiet pulses at once."""
    if stands(c):
        return
    if c.mode == 3:
        c.count -= pulses
    else:
        c.count = (c.count - pulses) % c.modulus


@inlined
def repeats(c):
    """Tell whether a counter goes round in one period for ever, as it stands."""
    return ((c.mode == 2 or c.mode == 3) and c.runs == 1 and c.gate == 1 and c.trigger == 0
            and c.waits == 0 and c.length > 1)


# --- the clock -------------------------------------------------------------------------------
@inlined
def edge_place(c, pulses):
    """Give the place of the pulse behind so many others, in 1/den T-states behind edge_t."""
    return c.edge_rem + pulses * c.num


@inlined
def go_on(c, pulses):
    """Let so many pulses of the clock pass."""
    place = edge_place(c, pulses)
    c.edge_t += place // c.den
    c.edge_rem = place % c.den


@compiled
def due(c, now):
    """Count the pulses of the clock up to T-state ``now``; at most what stays exact."""
    if c.in_kind != CLOCK_INPUT or c.edge_t > now:
        return np.int64(0)
    span = (min(now - c.edge_t, (1 << 60) // c.den) * c.den) - c.edge_rem
    return span // c.num + 1 if span >= 0 else np.int64(0)


@compiled
def next_change(c):
    """Give the T-state of the next pulse that changes more than the count, FAR for none."""
    if c.in_kind != CLOCK_INPUT:
        return np.int64(FAR)
    pulses = quiet(c)
    if pulses >= (1 << 44):
        return np.int64(FAR)
    return c.edge_t + (edge_place(c, pulses) + c.den - 1) // c.den


@compiled
def take_clock(m, s, k, t):
    """See what stands at CLK, where a wire ends there: its pulses behind T-state t."""
    c = s.counter[k]
    source = source_of(m, s.slot, np.int64(k))
    if source >= 0:
        slot = source >> 8
        output = source & 255
        if m.line_kind[slot, output] == PERIODIC:
            c.in_kind = CLOCK_INPUT
            c.num = m.line_num[slot, output]
            c.den = m.line_den[slot, output]
            c.edge_t = m.line_t[slot, output] + PULSE
            c.edge_rem = m.line_rem[slot, output]
        else:
            c.in_kind = LEVEL_INPUT
            c.in_level = m.line_level[slot, output]
    while c.in_kind == CLOCK_INPUT:
        passed = due(c, t)
        if passed == 0:
            break
        go_on(c, passed)


# --- OUT -------------------------------------------------------------------------------------
@compiled
def set_out(m, s, k, level, t):
    """Change OUT, tell the wires, and set the flip-flop of the interrupt at a rising edge."""
    c = s.counter[k]
    if level == c.out:
        return
    c.out = level
    c.out_t = t
    if level == 1:
        c.rises += 1
    if s.asks_from == k:
        asking = np.int64(level)
        if s.latched == 1:
            if level == 1 and m.ip[s.slot] != 0:
                s.lost += 1
            asking = np.int64(1) if level == 1 else m.ip[s.slot]
        if m.ip[s.slot] != asking:
            m.ip[s.slot] = asking
            m.irq_dirty = 1
    if c.wired == 1 and (c.steady == 0 or c.edged == 1):
        drive_edge(m, s.slot, np.int64(k), level, t)


@compiled
def publish(m, s, k, t):
    """Tell what is wired to OUT how it goes on: as a clock while it repeats, else as a level.

    A clock is told by one edge, behind which receivers that look for falling edges, as this chip
    does, count one T-state later (z80_ctc_channel.py): so OUT's falling edge is told that much
    earlier.  Who looks for the rising edge sees it there, too.
    """
    c = s.counter[k]
    if c.wired == 0:
        return
    if repeats(c) and c.in_kind == CLOCK_INPUT:
        pulses = c.count - 1  # mode 3: to the end of this half
        if c.mode == 2:
            pulses = c.count - 2 if c.count >= 2 else c.count - 2 + c.length
        elif c.out == 0:
            pulses += high_half(c)
        c.steady = 1
        place = edge_place(c, pulses)
        num = c.num * c.length
        rem = place % c.den
        common = divisor(divisor(num, c.den), rem)
        drive_clock(m, s.slot, np.int64(k), num // common, c.den // common,
                    c.edge_t + place // c.den - PULSE, rem // common, t)
    else:
        c.steady = 0
        drive_level(m, s.slot, np.int64(k), c.out, t)


@compiled
def settle(m, s, k, now):
    """Let a counter's clock pulses up to ``now`` happen."""
    c = s.counter[k]
    while True:
        pulses = due(c, now)
        if pulses == 0:
            return
        calm = quiet(c)
        if pulses <= calm:
            skip(c, pulses)
            go_on(c, pulses)
            continue
        told = s.asks_from == k or (c.wired == 1 and c.edged == 1)
        if repeats(c) and not told and pulses > 2 * c.length:
            rounds = pulses // c.length - 1
            c.rises += rounds
            go_on(c, rounds * c.length)
            continue
        skip(c, calm)
        go_on(c, calm)
        when = c.edge_t + (c.edge_rem + c.den - 1) // c.den
        was = repeats(c)
        level = pulse(c)
        go_on(c, np.int64(1))
        set_out(m, s, k, level, when)
        if repeats(c) != was:
            publish(m, s, k, when)


@compiled
def strike(m, s, k, t):
    """Take one falling edge of a CLK line that is no steady clock."""
    set_out(m, s, k, pulse(s.counter[k]), t)


@compiled
def set_gate(m, s, k, level, t):
    """See GATE change: a rising edge triggers, a low level stops modes 2 and 3 with OUT high."""
    c = s.counter[k]
    if level == c.gate:
        return
    c.gate = level
    if level == 1 and c.mode != 0 and c.mode != 4:
        c.trigger = 1
    if level == 0 and (c.mode == 2 or c.mode == 3):
        set_out(m, s, k, np.int64(1), t)
    publish(m, s, k, t)


# --- the registers ---------------------------------------------------------------------------
@compiled
def set_mode(m, s, k, word, t):
    """Take a control word: the counter stands until a count comes."""
    c = s.counter[k]
    c.word = word & 0x3F
    mode = (word >> 1) & 7
    c.mode = mode - 4 if mode > 5 else mode
    c.modulus = 10000 if (word & 1) != 0 else 65536
    c.low = -1
    c.known = 0
    c.waits = 1
    c.runs = 0
    c.fired = 0
    c.trigger = 0
    c.held_left = 0
    c.status = -1
    c.second = 0
    set_out(m, s, k, np.int64(0) if c.mode == 0 else np.int64(1), t)
    publish(m, s, k, t)


@inlined
def number(c, value):
    """Give sixteen bits as the number that they stand for."""
    if c.modulus == 65536:
        return value
    return ((value >> 12) * 1000 + ((value >> 8) & 15) * 100 + ((value >> 4) & 15) * 10
            + (value & 15)) % 10000


@inlined
def shown(c):
    """Give the counting element as it is read."""
    value = c.count
    if c.mode == 3:  # it counts by two, from an even number
        value = 2 * c.count
        if c.out == 1 and (c.length & 1) == 1:
            value -= 2
    if c.modulus == 65536:
        return value & 0xFFFF
    return (value // 1000 % 10) << 12 | (value // 100 % 10) << 8 | (value // 10 % 10) << 4 | (
        value % 10)


@compiled
def put(m, s, k, byte, t):
    """Write a byte of a count."""
    c = s.counter[k]
    way = c.word >> 4
    if way == BOTH and c.low < 0:
        c.low = byte
        if c.mode == 0:  # it stops counting at once
            set_out(m, s, k, np.int64(0), t)
        return
    value = byte << 8 if way == MSB else byte
    if way == BOTH:
        value = c.low | byte << 8
    elif c.mode == 0:
        set_out(m, s, k, np.int64(0), t)
    c.low = -1
    c.written = number(c, value)
    c.known = 1
    c.waits = 1
    publish(m, s, k, t)


@compiled
def hold(c):
    """Latch the count, unless one stands latched."""
    if c.held_left == 0:
        c.held = shown(c)
        c.held_left = 2 if (c.word >> 4) == BOTH else 1


@inlined
def status_of(c):
    """Give the status byte."""
    return c.out << 7 | c.waits << 6 | c.word


@compiled
def get(c, t):
    """Read a byte: a latched status first, then a latched count, else the count as it runs."""
    way = c.word >> 4
    if c.status >= 0:
        value = c.status
        c.status = -1
        return value
    value = shown(c)
    if c.held_left > 0:
        c.held_left -= 1
        value = c.held
    elif way == BOTH and c.second == 1 and not stands(c):
        c.torn += 1
        c.read_t = t
    high = way == MSB or (way == BOTH and c.second == 1)
    if way == BOTH:
        c.second = 1 - c.second
    return (value >> 8) & 0xFF if high else value & 0xFF
