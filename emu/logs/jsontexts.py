"""Lines of JSON, compiled; the keys are told in emu/logs/jsonlines.py.

A code has two texts: all from its address to the driver; what its first bus cycle tells of it.
"""
from __future__ import annotations

import numpy as np

from emu.bus.rows import W_ALTERNATE, W_CONTROL, W_INDEX, W_LOG, W_MAIN, W_T
from emu.logs.codekeys import record_kind
from emu.logs.paper import (
    OUT,
    PAPER,
    POOL,
    TEXT,
    put,
    put_byte,
    put_char,
    put_decimal,
    put_seconds,
    put_time,
    put_word,
)
from emu.logs.seen import INDEX, ROW, WANTED, WORD
from emu.native.jit import INT, compiled, inlined, root

# Numbers of texts; those of the codes stand behind.
(KIND, RECORD, DRIVER, REGISTER, CONTROL, PIECE, CODES) = 0, 16, 32, 288, 304, 320, 352
PIECES = ('{"t":', ',"seconds":', ',"length":', ',"waits":', ',"kind":"', ',"driver":',
          ',"cycles":[', '{"kind":"', '","address":"', '","data":"', '","driver":',
          ',"changed":{', "}\n")
(TIME, SECONDS, LENGTH, WAITS, OWN_KIND, DRIVEN, CYCLES, OTHER, ADDRESS, DATA, DRIVEN_TOO,
 CHANGED, END) = range(PIECE, PIECE + len(PIECES))
COMMA, QUOTE, SHUT, BRACKET = 44, 34, 125, 93
A_LINE, A_CYCLE = 2048, 1024  # characters, at most


@inlined
def room_for(p, cycles):
    """Tell whether a record of so many cycles finds room."""
    return p.used + A_LINE + cycles * A_CYCLE <= OUT


@compiled
def opening(p, q, x, t, length, waits):
    """Put the keys that every line begins with."""
    at = put_time(p, put(p, q, x, p.used, TIME), t, 0)
    at = put_seconds(p, put(p, q, x, at, SECONDS), t, 0)
    at = put_decimal(p, put(p, q, x, at, LENGTH), length, 0)
    at = put_decimal(p, put(p, q, x, at, WAITS), waits, 0)
    return put(p, q, x, at, OWN_KIND)


@inlined
def label(p, q, x, at, start, number):
    """Put a register's name, with a comma unless it is the first."""
    if at != start:
        at = put_char(p, at, COMMA)
    return put(p, q, x, at, number)


@compiled
def changes(p, q, x, r, k, at):
    """Put the registers that record ``k`` changed, as an object."""
    at = put(p, q, x, at, CHANGED)
    start = at
    for word in range(W_MAIN, W_ALTERNATE + 1):
        after = r.row[k + 1, word]
        differs = after ^ r.row[k, word]
        if word == W_INDEX:
            differs &= ~np.int64(0xFFFF)  # PC
        if differs != 0:
            for part in range(4):
                shift = 48 - 16 * part
                if (differs >> shift) & 0xFFFF != 0:
                    at = label(p, q, x, at, start, REGISTER + 4 * (word - W_MAIN) + part)
                    at = put_char(p, put_word(p, at, after >> shift), QUOTE)
    after = r.row[k + 1, W_CONTROL]
    differs = (after ^ r.row[k, W_CONTROL]) & 0x33FF00
    if differs != 0:
        if differs & 0xFF00 != 0:
            at = put_byte(p, label(p, q, x, at, start, CONTROL), after >> 8)
            at = put_char(p, at, QUOTE)
        if differs & 0x30000 != 0:
            at = label(p, q, x, at, start, CONTROL + 1)
            at = put_char(p, put_char(p, at, 48 + ((after >> 16) & 3)), QUOTE)
        if differs & 0x100000 != 0:
            at = label(p, q, x, at, start, CONTROL + 2)
            at = put_char(p, put_char(p, at, 48 + ((after >> 20) & 1)), QUOTE)
        if differs & 0x200000 != 0:
            at = label(p, q, x, at, start, CONTROL + 3)
            at = put_char(p, put_char(p, at, 48 + ((after >> 21) & 1)), QUOTE)
    return put_char(p, at, SHUT)


@compiled
def carried(p, q, x, word, at):
    """Put what a bus cycle carried, and who drove it."""
    at = put_word(p, put(p, q, x, at, ADDRESS), word)
    at = put_byte(p, put(p, q, x, at, DATA), word >> 16)
    return put(p, q, x, put(p, q, x, at, DRIVEN_TOO), DRIVER + ((word >> 36) & 0xFF))


@compiled
def record_line(p, q, x, r, w, c, k):
    """Put record ``k``; ``c`` has each record's code."""
    first = r.row[k, W_LOG] - r.row[0, W_LOG]
    end = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
    waits = np.int64(0)
    for cycle in range(first, end):
        waits += (w.word[cycle, 1] >> 28) & 0xFF
    at = opening(p, q, x, r.row[k, W_T], r.row[k + 1, W_T] - r.row[k, W_T], waits)
    at = put(p, q, x, at, RECORD + record_kind(r, w, k))
    code = CODES + 2 * c.index[k]
    at = put(p, q, x, put(p, q, x, at, code), DRIVEN)
    at = put(p, q, x, at, DRIVER + ((w.word[first, 1] >> 36) & 0xFF))
    at = put(p, q, x, at, CYCLES)
    begin = first + x.text[code, 2]
    for cycle in range(begin, end):
        word = w.word[cycle, 1]
        if cycle > begin:
            at = put_char(p, at, COMMA)
        at = put(p, q, x, put(p, q, x, at, OTHER), KIND + ((word >> 24) & 15))
        at = put_char(p, carried(p, q, x, word, at), SHUT)
    at = changes(p, q, x, r, k, put_char(p, at, BRACKET))
    p.used = put(p, q, x, at, END)


@compiled
def cycle_line(p, q, x, r, w, c, k, cycle, total):
    """Put a bus cycle of record ``k``; there are ``total`` in all."""
    end = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
    word = w.word[cycle, 1]
    t = w.word[cycle, 0]
    after = w.word[cycle + 1, 0] if cycle + 1 < total else r.row[k + 1, W_T]
    at = opening(p, q, x, t, after - t, (word >> 28) & 0xFF)
    at = carried(p, q, x, word, put(p, q, x, at, KIND + ((word >> 24) & 15)))
    if cycle == r.row[k, W_LOG] - r.row[0, W_LOG]:
        at = put(p, q, x, at, CODES + 2 * c.index[k] + 1)
    if cycle + 1 == end:
        at = changes(p, q, x, r, k, at)
    p.used = put(p, q, x, at, END)


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
