"""Lines of the text trace, compiled; what stands where is told in emu/logs/text.py.

A code has two texts: address, bytes, instruction; symbol and source line.
"""
from __future__ import annotations

import numpy as np

from emu.bus.rows import W_ALTERNATE, W_CONTROL, W_INDEX, W_LOG, W_MAIN, W_T
from emu.bus.state import BUS_BACK, BUS_GIVEN
from emu.logs.paper import (
    OUT,
    PAPER,
    POOL,
    TEXT,
    put,
    put_blanks,
    put_byte,
    put_char,
    put_decimal,
    put_seconds,
    put_short,
    put_time,
    put_word,
)
from emu.logs.seen import INDEX, ROW, WANTED, WORD
from emu.native.jit import INT, compiled, inlined, root

# Numbers of texts; those of the codes stand behind.
KIND, OWN_KIND, DRIVER, BEHIND, REGISTER, CONTROL, CODES = 0, 16, 32, 288, 544, 560, 576
CPU = 254  # a driver that is not named behind a cycle
A_LINE, A_CYCLE = 1024, 512  # characters, at most


@inlined
def room_for(p, cycles):
    """Tell whether a record of so many cycles finds room."""
    return p.used + A_LINE + cycles * A_CYCLE <= OUT


@compiled
def opening(p, t, length, waits):
    """Put the columns that every line begins with."""
    at = put_time(p, p.used, t, 12)
    at = put_seconds(p, put_char(p, at, 32), t, 4)
    at = put_decimal(p, put_char(p, at, 32), length, 4)
    at = put_char(p, at, 32)
    if waits > 0:
        at = put_char(p, put_decimal(p, at, waits, 2), 119)
    else:
        at = put_blanks(p, at, 3)
    return put_char(p, at, 32)


@compiled
def changes(p, q, x, r, k, at):
    """Put the registers that record ``k`` changed."""
    for word in range(W_MAIN, W_ALTERNATE + 1):
        after = r.row[k + 1, word]
        differs = after ^ r.row[k, word]
        if word == W_INDEX:
            differs &= ~np.int64(0xFFFF)  # PC
        if differs != 0:
            for part in range(4):
                shift = 48 - 16 * part
                if (differs >> shift) & 0xFFFF != 0:
                    at = put(p, q, x, at, REGISTER + 4 * (word - W_MAIN) + part)
                    at = put_word(p, at, after >> shift)
    after = r.row[k + 1, W_CONTROL]
    differs = (after ^ r.row[k, W_CONTROL]) & 0x33FF00
    if differs != 0:
        if differs & 0xFF00 != 0:
            at = put_byte(p, put(p, q, x, at, CONTROL), after >> 8)
        if differs & 0x30000 != 0:
            at = put_char(p, put(p, q, x, at, CONTROL + 1), 48 + ((after >> 16) & 3))
        if differs & 0x100000 != 0:
            at = put_char(p, put(p, q, x, at, CONTROL + 2), 48 + ((after >> 20) & 1))
        if differs & 0x200000 != 0:
            at = put_char(p, put(p, q, x, at, CONTROL + 3), 48 + ((after >> 21) & 1))
    return at


@compiled
def other_cycle(p, q, x, word, at):
    """Put a bus cycle behind an instruction."""
    kind = (word >> 24) & 15
    at = put(p, q, x, at, KIND + kind)
    if kind != BUS_GIVEN and kind != BUS_BACK:
        at = put_char(p, put_word(p, at, word), 61)
        at = put_byte(p, at, word >> 16)
    driver = (word >> 36) & 0xFF
    if driver != CPU:
        at = put(p, q, x, at, BEHIND + driver)
    return at


@inlined
def ended(p, at):
    """End the line."""
    p.used = put_char(p, at, 10)


@compiled
def record_line(p, q, x, r, w, c, k):
    """Put record ``k``; ``c`` has each record's code."""
    first = r.row[k, W_LOG] - r.row[0, W_LOG]
    end = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
    waits = np.int64(0)
    for cycle in range(first, end):
        waits += (w.word[cycle, 1] >> 28) & 0xFF
    at = opening(p, r.row[k, W_T], r.row[k + 1, W_T] - r.row[k, W_T], waits)
    code = CODES + 2 * c.index[k]
    at = put(p, q, x, at, code)
    driver = DRIVER + ((w.word[first, 1] >> 36) & 0xFF)
    # what stands behind decides how far the columns before are filled up
    wide = at + x.text[driver, 1] + x.text[code + 1, 1]
    behind = wide
    for cycle in range(first + x.text[code, 2], end):
        behind = other_cycle(p, q, x, w.word[cycle, 1], behind)
    behind = changes(p, q, x, r, k, behind)
    if behind != wide:
        put(p, q, x, put(p, q, x, at, driver), code + 1)
        at = behind
    elif x.text[code + 1, 2] > 0:
        at = put_short(p, q, x, put(p, q, x, at, driver), code + 1)
    else:
        at = put_short(p, q, x, at, driver)
    ended(p, at)


@compiled
def cycle_line(p, q, x, r, w, c, k, cycle, total):
    """Put a bus cycle of record ``k``; there are ``total`` in all."""
    first = r.row[k, W_LOG] - r.row[0, W_LOG]
    end = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
    word = w.word[cycle, 1]
    t = w.word[cycle, 0]
    after = w.word[cycle + 1, 0] if cycle + 1 < total else r.row[k + 1, W_T]
    at = opening(p, t, after - t, (word >> 28) & 0xFF)
    kind = (word >> 24) & 15
    at = put_char(p, put(p, q, x, at, OWN_KIND + kind), 32)
    if kind != BUS_GIVEN and kind != BUS_BACK:
        at = put_blanks(p, put_word(p, at, word), 2)
        at = put_blanks(p, put_byte(p, at, word >> 16), 2)
    else:
        at = put_blanks(p, at, 10)
    driver = DRIVER + ((word >> 36) & 0xFF)
    code = CODES + 2 * c.index[k]
    opens = cycle == first
    wide = at + x.text[driver, 1] + (x.text[code, 1] if opens else 0)
    behind = wide
    if cycle + 1 == end:
        behind = changes(p, q, x, r, k, wide)
    if behind != wide:
        at = put(p, q, x, at, driver)
        if opens:
            put(p, q, x, at, code)
        at = behind
    elif opens:
        at = put_short(p, q, x, put(p, q, x, at, driver), code)
    else:
        at = put_short(p, q, x, at, driver)
    ended(p, at)


@root(PAPER, POOL, TEXT, ROW, WORD, INDEX, WANTED, INT, INT)
def records(p, q, x, r, w, c, f, start, end):
    """Put the wanted of the records ``start`` to ``end`` - 1; the first without room, or
    ``end``."""
    p.used = 0
    for k in range(start, end):
        if f.wanted[k] == 1:
            if not room_for(p, r.row[k + 1, W_LOG] - r.row[k, W_LOG]):
                return k
            record_line(p, q, x, r, w, c, k)
    return end


@root(PAPER, POOL, TEXT, ROW, WORD, INDEX, WANTED, INT, INT)
def cycles(p, q, x, r, w, c, f, start, end):
    """Put the wanted bus cycles of the records ``start`` to ``end`` - 1; as `records`."""
    p.used = 0
    total = r.row[end, W_LOG] - r.row[0, W_LOG]
    for k in range(start, end):
        first = r.row[k, W_LOG] - r.row[0, W_LOG]
        behind = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
        if not room_for(p, behind - first):
            return k
        for cycle in range(first, behind):
            if f.wanted[cycle] == 1:
                cycle_line(p, q, x, r, w, c, k, cycle, total)
    return end
