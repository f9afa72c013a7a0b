"""Run instruction by instruction until an expression comes true.

An expression over registers and memory is a small program of (operation, argument) pairs
for a stack of int64, see emu/stepper/program.py.  It is worked out at every instruction
boundary, so such a stop costs about ten times a free run; all other stops are rows of the
bus (emu/stops.py) and go on working here.
"""
from __future__ import annotations

import numpy as np

from emu.jit import INT, compiled, inlined, root
from emu.state import MACHINE
from emu.stretch import run_at

PROGRAMS, LENGTH, DEPTH = 8, 512, 80

# Operations that push a value.
(END, CONSTANT, HALF, ALTERNATE, PAIR, ALTERNATE_PAIR, FIELD, FLAG) = range(8)
# Operations on the top of the stack.
(BYTE, WORD, NOT, NEGATIVE, COMPLEMENT) = range(8, 13)
# Operations on the two at the top, in the order of `BINARY`.
BINARY = ("or", "and", "=", "!=", "<", "<=", ">", ">=", "|", "^", "&", "<<", ">>", "+", "-", "*",
          "/", "%")
FIRST_BINARY = 13
FIELDS = ("pc", "sp", "i", "refresh", "im", "iff1", "iff2", "wz", "t")

WALK = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("count", np.int64),  # programs
    ("was", np.int64, (PROGRAMS,)),  # 1: true at the last boundary; only a change counts
    ("program", np.int64, (PROGRAMS, LENGTH)),
    ("stack", np.int64, (DEPTH,)),
], align=True)


@inlined
def byte_at(m, address):
    """Read memory through the page map, without a bus cycle; FFh where it is not plain."""
    base = m.rb_true[(address >> 12) & 15]
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
        value = m.refresh
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
    """Give the value that an operation pushes."""
    value = a
    if op == HALF:
        value = m.r[a]
    elif op == ALTERNATE:
        value = m.alt[a]
    elif op == PAIR:
        value = m.r[a >> 8] << 8 | m.r[a & 0xFF]
    elif op == ALTERNATE_PAIR:
        value = m.alt[a >> 8] << 8 | m.alt[a & 0xFF]
    elif op == FIELD:
        value = field(m, a)
    elif op == FLAG:
        value = m.r[6] >> a & 1
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


@compiled
def truth(m, s, k):
    """Work program ``k`` out: 1 when it gives anything but 0."""
    top = np.int64(0)
    at = np.int64(0)
    while s.program[k, at] != END:
        op = s.program[k, at]
        a = s.program[k, at + 1]
        at += 2
        if op < BYTE:
            s.stack[top] = pushed(m, op, a)
            top += 1
        elif op < FIRST_BINARY:
            s.stack[top - 1] = changed(m, op, s.stack[top - 1])
        else:
            top -= 1
            s.stack[top - 1] = joined(op - FIRST_BINARY, s.stack[top - 1], s.stack[top])
    return np.int64(s.stack[0] != 0)


@compiled
def look(m, s):
    """Work all programs out; bits: those that have come true since the last time."""
    fired = np.int64(0)
    for k in range(s.count):
        now = truth(m, s, k)
        if now == 1 and s.was[k] == 0:
            fired |= np.int64(1) << k
        s.was[k] = now
    return fired


@root(MACHINE, WALK, INT)
def walk(m, s, t_stop):
    """Run until ``t_stop``, a reason to leave, or a program that comes true (bits)."""
    fired = np.int64(0)
    while m.t < t_stop:
        run_at(m, s.run, m.t + 1)
        if m.prefix == 0:
            fired = look(m, s)
        if fired != 0 or m.exit_reason != 0:
            break
    return fired


@root(MACHINE, WALK, INT)
def begin(m, s, _):
    """Note what is true now, so that only what comes true later counts."""
    return look(m, s)
