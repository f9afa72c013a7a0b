"""Digest the bus log while a machine runs (hot).

Every logged cycle goes into two rolling hashes: T-state, address, data, kind, wait states
and refresh address, all that a logic analyser sees, but not which card drove the bus.
They are polynomials modulo the prime 2**31 - 1, one a lane, each with a base of its own:

    h = (h * BASE + x) mod P,  x = sum of the cycle's parts times the lane's factors

so that no product leaves 63 bits, and two different runs share both with a chance of
about 2**-62.  Every ``interval`` cycles the hashes are noted; when the rows are full,
every second one is dropped and the interval doubles, so a run of any length leaves
between ROWS / 2 and ROWS checkpoints at the same cycles, however the log is drained.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FETCH, IN, LOG, MACHINE, OUT
from emu.native.jit import INT, compiled, inlined, root

P = (1 << 31) - 1
BASES = (1_292_913_986, 1_583_458_089)
FACTORS = ((362_436_069, 521_288_629, 88_675_123, 273_326_509),
           (123_456_789 + (1 << 28), 217_645_177, 480_849_973, 299_792_458))
ROWS = 128
INTERVAL = 4096  # bus cycles between the first checkpoints
MARKS = 32
FIRST_SEEN = 16  # kinds of cycle

DIGEST = np.dtype([
    ("position", np.int64),  # bus cycles digested
    ("a", np.int64), ("b", np.int64),  # the hashes, below 2**31 + 2
    ("interval", np.int64), ("rows", np.int64),
    ("fixed", np.int64),  # 1: the interval stays, and what comes behind ROWS is not noted
    ("row", np.int64, (ROWS, 4)),  # cycles so far, T-state of the last, hashes
    ("port", np.int64, (256,)),  # hash of the data read and written there, without times
    ("count", np.int64, (FIRST_SEEN,)), ("first", np.int64, (FIRST_SEEN,)),  # T, by kind
    ("marks", np.int64),
    ("mark", np.int64, (MARKS, 4)),  # address, driver (-1: any), opcode (-1: any), first T
    ("marked", np.uint8, (65536,)),  # 1: a mark stands at this address
], align=True)


@inlined
def fold(x):
    """Shorten a number, modulo P."""
    return (x & P) + (x >> 31)


@inlined
def mixed(h, base, x):
    """Put a number below 2**62 into a hash."""
    return fold(fold(h * base + fold(x)))


@compiled
def thin(d):
    """Drop every second checkpoint."""
    for k in range(ROWS // 2):
        for field in range(4):
            d.row[k, field] = d.row[2 * k + 1, field]
    d.rows = ROWS // 2
    d.interval *= 2


@compiled
def note(d, t):
    """Note a checkpoint."""
    if d.rows == ROWS and d.fixed == 1:
        return
    if d.rows == ROWS:
        thin(d)
        if d.position % d.interval != 0:
            return
    d.row[d.rows, 0] = d.position
    d.row[d.rows, 1] = t
    d.row[d.rows, 2] = d.a % P
    d.row[d.rows, 3] = d.b % P
    d.rows += 1


@compiled
def see_mark(d, t, word):
    """Note the first time that a marked address is fetched."""
    for k in range(d.marks):
        driver = d.mark[k, 1]
        opcode = d.mark[k, 2]
        if (d.mark[k, 0] == (word & 0xFFFF) and d.mark[k, 3] < 0
                and (driver < 0 or driver == (word >> 36) & 0xFF)
                and (opcode < 0 or opcode == (word >> 16) & 0xFF)):
            d.mark[k, 3] = t


@root(MACHINE, DIGEST, INT)
def take(m, d, end):
    """Digest the ring's entries up to ``end``; the number taken."""
    begun = d.position
    a = d.a
    b = d.b
    for n in range(begun, end):
        at = (n & (LOG - 1)) * 2
        t = m.log[at]
        word = m.log[at + 1]
        kind = (word >> 24) & 15
        low = t & P
        high = t >> 31
        shown = word & 0xFFFFFFF  # address, data, kind
        rest = ((word >> 28) & 0xFF) << 16 | (word >> 44) & 0xFFFF
        a = mixed(a, BASES[0], low * FACTORS[0][0] + high * FACTORS[0][1]
                  + shown * FACTORS[0][2] + rest * FACTORS[0][3])
        b = mixed(b, BASES[1], low * FACTORS[1][0] + high * FACTORS[1][1]
                  + shown * FACTORS[1][2] + rest * FACTORS[1][3])
        if d.count[kind] == 0:
            d.first[kind] = t
        d.count[kind] += 1
        if kind == IN or kind == OUT:
            port = word & 0xFF
            d.port[port] = mixed(d.port[port], BASES[0], (word >> 16) & 0xFFF)
        elif kind == FETCH and d.marked[word & 0xFFFF] == 1:
            see_mark(d, t, word)
        d.position = n + 1
        if d.position % d.interval == 0:
            d.a = a
            d.b = b
            note(d, t)
    d.a = a
    d.b = b
    return end - begun
