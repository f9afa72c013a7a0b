"""Run until a stop is met whose condition holds, without going back to plain Python.

An expression is a small program of (operation, argument) pairs for a stack of int64, see
emu/stepper/program.py.  The programs of the bus's rows (emu/bus/stops.py) are worked out when a
row was met, at the boundary where the run was left; when none holds it goes on at once.
The others are worked out at every instruction boundary: the run loop asks `boundary` before
each step (emu/bus/rows.py).
"""
from __future__ import annotations

import numpy as np

from emu.bus.memory import refresh_map
from emu.bus.rows import ASKED, leave_sampled
from emu.bus.state import MACHINE, STOP_HIT, STOPS
from emu.bus.stops import EXECUTED, KIND
from emu.cpu.run_by_address import run_at
from emu.native.jit import INT, compiled, inlined, root

EVERY = 8  # programs for every instruction; those of rows stand behind them
PROGRAMS, LENGTH, DEPTH = EVERY + STOPS, 512, 80

# Operations that push a value.
(END, CONSTANT, HALF, ALTERNATE, PAIR, ALTERNATE_PAIR, FIELD, FLAG, FACT, PLACE,
 PENDING) = range(11)
# Operations on the top of the stack.
(BYTE, WORD, NOT, NEGATIVE, COMPLEMENT) = range(11, 16)
# Operations on the two at the top, in the order of `BINARY`.
BINARY = ("or", "and", "=", "!=", "<", "<=", ">", ">=", "|", "^", "&", "<<", ">>", "+", "-", "*",
          "/", "%")
FIRST_BINARY = 16
FIRST_WITH = FIRST_BINARY + len(BINARY)  # the same on the top and the argument
EQUALS = FIRST_WITH + BINARY.index("=")
UNLESS = FIRST_WITH + len(BINARY)  # go on at the argument when the top is 0: it stays
FIELDS = ("pc", "sp", "i", "refresh", "im", "iff1", "iff2", "wz", "t")

WALK = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("count", np.int64),  # programs for every instruction
    ("fired", np.int64),  # bits: those that have come true
    ("was", np.int64, (EVERY,)),  # 1: true at the last boundary; only a change counts
    ("row", np.int64, (STOPS,)),  # 1: the row has a program, number EVERY + row
    ("fact", np.int64, (3,)),  # of a hit: data, what it overwrote, address
    ("program", np.int64, (PROGRAMS, LENGTH)),
    ("stack", np.int64, (DEPTH,)),
], align=True)


@inlined
def byte_at(m, address):
    """Read memory through the page map, without a bus cycle; FFh where it is not plain."""
    base = m.read_base_true[(address >> 12) & 15]
    if base < 0:
        return np.int64(0xFF)
    return np.int64(m.phys[np.uint64(base + (address & 0xFFF))])


@compiled
def field(m, number):
    """Give a field of the machine by its place in FIELDS."""
    value = m.t
    if number == 0:
        value = m.pc
    elif number == 1:
        value = m.sp
    elif number == 2:
        value = m.i
    elif number == 3:
        value = (m.refresh_high & 0x80) | (m.refresh & 0x7F)  # also inside the run
    elif number == 4:
        value = m.im
    elif number == 5:
        value = m.iff1
    elif number == 6:
        value = m.iff2
    elif number == 7:
        value = m.wz
    return value


@compiled
def pushed(m, op, a):
    """Give the value that an operation pushes; HALF, PAIR and FACT: see `truth`."""
    value = a
    if op == ALTERNATE:
        value = m.alt[a]
    elif op == ALTERNATE_PAIR:
        value = m.alt[a >> 8] << 8 | m.alt[a & 0xFF]
    elif op == FIELD:
        value = field(m, a)
    elif op == FLAG:
        value = m.r[6] >> a & 1
    elif op == PLACE:  # in physical memory, negative when it is not plain
        value = m.read_base_true[(a >> 12) & 15]
        if value >= 0:
            value += a & 0xFFF
    elif op == PENDING:
        value = m.ip[a]
    return value


@compiled
def changed(m, op, a):
    """Give what an operation on one value makes of it."""
    value = ~a
    if op == BYTE:
        value = byte_at(m, a)
    elif op == WORD:
        value = byte_at(m, a) | byte_at(m, a + 1) << 8
    elif op == NOT:
        value = np.int64(a == 0)
    elif op == NEGATIVE:
        value = -a
    return value


@compiled
def joined(op, a, b):
    """Give what an operation makes of two values; its number counts from the first."""
    value = np.int64(0)
    if op == 0:
        value = np.int64(a != 0 or b != 0)
    elif op == 1:
        value = np.int64(a != 0 and b != 0)
    elif op == 2:
        value = np.int64(a == b)
    elif op == 3:
        value = np.int64(a != b)
    elif op == 4:
        value = np.int64(a < b)
    elif op == 5:
        value = np.int64(a <= b)
    elif op == 6:
        value = np.int64(a > b)
    elif op == 7:
        value = np.int64(a >= b)
    elif op == 8:
        value = a | b
    elif op == 9:
        value = a ^ b
    elif op == 10:
        value = a & b
    elif op == 11:
        value = a << (b & 31)
    elif op == 12:
        value = a >> (b & 31)
    elif op == 13:
        value = a + b
    elif op == 14:
        value = a - b
    elif op == 15:
        value = a * b
    elif b != 0:
        value = a // b if op == 16 else a % b
    return value


@inlined
def truth(m, s, k):
    """Work program ``k`` out: 1 when it gives anything but 0."""
    top = np.int64(0)
    at = np.int64(0)
    value = np.int64(0)
    while True:
        op = s.program[k, at]
        a = s.program[k, at + 1]
        at += 2
        # what most conditions are made of comes first, and without a call
        if op == EQUALS:
            value = np.int64(value == a)
        elif op == UNLESS:
            if value == 0:
                at = np.int64(a)
        elif op == END:
            return np.int64(value != 0)
        elif op < BYTE:
            s.stack[top] = value
            top += 1
            if op == PAIR:
                value = m.r[a >> 8] << 8 | m.r[a & 0xFF]
            elif op == HALF:
                value = np.int64(m.r[a])
            elif op == FACT:
                value = np.int64(s.fact[a])
            else:
                value = pushed(m, op, a)
        elif op < FIRST_BINARY:
            value = changed(m, op, value)
        elif op < FIRST_WITH:
            top -= 1
            value = joined(op - FIRST_BINARY, s.stack[top], value)
        else:
            value = joined(op - FIRST_WITH, value, a)


@inlined
def look(m, s):
    """Work all programs out; bits: those that have come true since the last time."""
    fired = np.int64(0)
    for k in range(s.count):
        now = truth(m, s, k)
        if now == 1 and s.was[k] == 0:
            fired |= np.int64(1) << k
        s.was[k] = now
    return fired


@compiled
def keep_true(m, s):
    """Keep the listed hits whose program holds, or that have none; how many."""
    kept = 0
    for k in range(m.hit_count):
        row = m.hits[k, 0]
        s.fact[0] = m.hits[k, 3]
        s.fact[1] = m.hits[k, 4]
        s.fact[2] = m.hits[k, 2]
        if s.row[row] == 0 or truth(m, s, EVERY + row) == 1:
            for word in range(5):
                m.hits[kept, word] = m.hits[k, word]
            kept += 1
    m.hit_count = kept
    return kept


@compiled
def stands_before(m):
    """Tell whether one of the listed hits stands before the instruction at PC."""
    for k in range(m.hit_count):
        if EXECUTED >> m.stops[m.hits[k, 0], KIND] & 1:
            return True
    return False


@root(MACHINE, WALK, INT, INT)
def boundary(m, s, t, pc):
    """Work the programs out at a boundary inside the run; 0 when the run has to be left there.

    Also where a card may take the bus from now on: then `walk` goes by single steps.
    """
    m.t = t
    m.pc = pc
    if m.bus_watch + m.bus_armed == 0:
        s.fired |= look(m, s)
        if s.fired == 0:
            return np.int64(1)
    leave_sampled(m)
    return np.int64(0)


@compiled
def run_asking(m, s, t_stop):
    """Run, asking at every boundary."""
    m.sampling = ASKED
    refresh_map(m)
    run_at(m, s.run, t_stop)
    m.sampling = 0
    refresh_map(m)


@root(MACHINE, WALK, INT)
def walk(m, s, t_stop):
    """Run until ``t_stop`` or a reason to leave; bits: the expressions that have come true.

    Hits of rows whose program does not hold are no reason.
    """
    s.fired = 0
    while m.t < t_stop:
        if s.count == 0:
            run_at(m, s.run, t_stop)
        elif m.bus_watch + m.bus_armed != 0:
            run_at(m, s.run, m.t + 1)
        else:
            run_asking(m, s, t_stop)
        reason = m.exit_reason
        if m.prefix == 0 and s.count > 0:
            s.fired |= look(m, s)
        if reason == STOP_HIT:
            here = stands_before(m)
            if keep_true(m, s) == 0:
                reason = np.int64(0)
                m.exit_reason = 0
                if here:
                    m.pass_t = m.t
        if s.fired != 0 or reason != 0:
            break
    return s.fired


@root(MACHINE, WALK, INT)
def begin(m, s, _):
    """Note what is true now, so that only what comes true later counts."""
    m.refresh_high = m.i << 8 | (m.refresh & 0x80)
    return look(m, s)
