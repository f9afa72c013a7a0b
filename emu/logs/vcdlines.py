"""The body of a value change dump, compiled: bus cycles in, changes of pins out.

Everything that happens has its half T-state.  At the same one the clock comes first, then
the bus cycles, each in the order of its template (emu/logs/waveforms.py), then ``code``, then
the lines.
"""
from __future__ import annotations

import numpy as np

from emu.bus.rows import W_CONTROL, W_LOG, W_T
from emu.bus.state import OUTPUTS, SLOTS
from emu.logs.lines import LINES, WAVES
from emu.logs.paper import OUT, PAPER, POOL, TEXT, put, put_bits, put_char, put_stamp
from emu.logs.seen import EDGE, INDEX, ROW, WORD
from emu.logs.waveforms import (
    ADDR,
    ADDRESS,
    BYTE,
    CODE,
    DATA,
    FREE,
    HALT,
    OPEN,
    REFR,
    SHAPES,
    WAIT,
    shape_of,
)
from emu.native.jit import INT, compiled, inlined, root

ROWS = 16  # of a template, at most
EVENTS = 32  # of a bus cycle, at most
MARGIN = 1 << 16  # characters that a bus cycle may need
Z, HASH, NEWLINE, ZERO, LETTER_B, BLANK = 122, 35, 10, 48, 98, 32

# Variables: the clock, the strobes in the order of waveforms.STROBES, then these.
CLOCK, STROBE, INT_PIN, NMI_PIN, RESET_PIN, A0 = 0, 1, 11, 12, 13, 14
D0, VECTOR_A, VECTOR_D, DRIVER, CODE_TEXT, CHAIN = A0 + 16, A0 + 24, A0 + 25, 40, 41, 42
PROBE = CHAIN + 2 * SLOTS
VARIABLES = PROBE + SLOTS * OUTPUTS + WAVES
LINE_BUSREQ = LINES  # behind those of emu/logs/lines.py
DRIVERS = 0  # the texts: drivers by their number, "-", then those of the codes
NO_DRIVER, CODES = 256, 257

DUMP = np.dtype([
    ("num", np.int64), ("den", np.int64),  # half a T-state is num / den units
    ("plain", np.int64),  # 1: no vectors and texts
    ("clock", np.int64),  # half T-state of the next clock edge
    ("start", np.int64),  # time at which the dump begins
    ("stamp", np.int64),  # the time that was written last
    ("half", np.int64),  # its half T-state
    ("begun", np.int64),  # 0: all that came so far belongs to the start
    ("record", np.int64), ("cycle", np.int64), ("line", np.int64),  # where to go on
    ("address", np.int64), ("data_bus", np.int64),
    ("driver", np.int64), ("code", np.int64),  # numbers of texts, the same for the same text
    ("level", np.uint8, (VARIABLES,)),  # as it is written
    ("first", np.uint8, (VARIABLES,)),  # levels at the start,
    ("first_number", np.int64, (4,)),  # and address, data, driver, code
    ("ident", np.uint8, (VARIABLES, 2)),  # the second 0: there is none
    ("line_variable", np.int64, (LINES + 1,)),  # -1: not drawn
    ("rows", np.int64, (SHAPES,)),  # of the templates
    ("template", np.int64, (SHAPES, ROWS, 4)),
    ("wait_falls", np.int64, (16,)), ("own_waits", np.int64, (16,)),
    # the events of a bus cycle: half T-state, signal, level
    ("events", np.int64), ("event", np.int64, (EVENTS, 3)),
], align=True)


@inlined
def unit_time(v, half):
    """Give a half T-state in the dump's units, the nearest one."""
    whole = half // v.den
    rest = half - whole * v.den
    return whole * v.num + (2 * rest * v.num + v.den) // (2 * v.den)


@compiled
def begin(v):
    """Keep what stands at the start: the first time behind it comes now."""
    v.begun = 1
    for k in range(VARIABLES):
        v.first[k] = v.level[k]
    v.first_number[0] = v.address
    v.first_number[1] = v.data_bus
    v.first_number[2] = v.driver
    v.first_number[3] = v.code


@inlined
def stamp(p, v, half):
    """Write the time, unless it is written; tell whether changes are written at all."""
    if half == v.half:
        return v.begun == 1
    v.half = half
    now = unit_time(v, half)
    if now != v.stamp:
        if v.begun == 0:
            begin(v)
        v.stamp = now
        p.used = put_char(p, put_stamp(p, put_char(p, p.used, HASH), now), NEWLINE)
    return v.begun == 1


@inlined
def named(p, v, at, variable):
    """End a change with how its variable is called."""
    at = put_char(p, at, v.ident[variable, 0])
    if v.ident[variable, 1] != 0:
        at = put_char(p, at, v.ident[variable, 1])
    p.used = put_char(p, at, NEWLINE)


@inlined
def scalar(p, v, half, variable, level):
    """Change a scalar to a level as it is written, if it has another."""
    if v.level[variable] != level:
        if stamp(p, v, half):
            named(p, v, put_char(p, p.used, level), variable)
        v.level[variable] = level


@compiled
def vector(p, v, half, variable, value):
    """Change a vector."""
    if stamp(p, v, half):
        at = put_char(p, p.used, LETTER_B)
        if value == FREE:
            at = put_char(p, at, Z)
        else:
            at = put_bits(p, at, value)
        named(p, v, put_char(p, at, BLANK), variable)


@inlined
def text(p, v, q, x, half, number):
    """Change a text; its line is ready-made."""
    if stamp(p, v, half):
        p.used = put(p, q, x, p.used, number)


@compiled
def set_bus(p, v, half, number, bits, old, new):
    """Change a bus: its vector, and those of its lines that differ."""
    if v.plain == 0:
        vector(p, v, half, number, new)
    start = A0 if bits == 16 else D0
    differs = old ^ new if old != FREE and new != FREE else np.int64(-1)
    for bit in range(bits):
        if (differs >> bit) & 1 == 1:
            level = ZERO + ((new >> bit) & 1) if new != FREE else np.int64(Z)
            scalar(p, v, half, start + bit, level)


@compiled
def clock_until(p, v, until):
    """Write the clock's edges up to a half T-state; it rises at each T-state's start."""
    while v.clock <= until and p.used < OUT - MARGIN // 2:
        scalar(p, v, v.clock, CLOCK, ZERO + 1 - (v.clock & 1))
        v.clock += 1


@compiled
def lines_until(p, v, e, until, count):
    """Write the edges of lines before a half T-state; 1 when all of them are."""
    while v.line < count and e.edge[v.line, 0] < until:
        half = e.edge[v.line, 0]
        clock_until(p, v, half)
        if v.clock <= half or p.used >= OUT - MARGIN // 2:
            return 0
        variable = v.line_variable[e.edge[v.line, 1]]
        if variable >= 0:
            scalar(p, v, half, variable, ZERO + e.edge[v.line, 2])
        v.line += 1
    return 1


@compiled
def add(v, half, signal, level):
    """Add an event of a bus cycle, behind those of the same half T-state."""
    k = v.events
    while k > 0 and v.event[k - 1, 0] > half:
        v.event[k, 0] = v.event[k - 1, 0]
        v.event[k, 1] = v.event[k - 1, 1]
        v.event[k, 2] = v.event[k - 1, 2]
        k -= 1
    v.event[k, 0] = half
    v.event[k, 1] = signal
    v.event[k, 2] = level
    v.events += 1


@compiled
def gather(v, start, word):
    """Gather the events of a bus cycle."""
    kind = (word >> 24) & 15
    waits = (word >> 28) & 0xFF
    shape = shape_of(kind, (word >> 44) & 0xFFFF)
    for row in range(v.rows[shape]):
        level = v.template[shape, row, 3]
        if level == ADDR:
            level = word & 0xFFFF
        elif level == REFR:
            level = (word >> 44) & 0xFFFF
        elif level == BYTE:
            level = (word >> 16) & 0xFF
        elif level == OPEN:
            level = np.int64(FREE)
        half = start + v.template[shape, row, 1] + 2 * waits * v.template[shape, row, 2]
        add(v, half, v.template[shape, row, 0], level)
    asked = waits - v.own_waits[kind]
    if asked > 0:
        add(v, start + v.wait_falls[kind], WAIT, 0)
        add(v, start + v.wait_falls[kind] + 2 * asked, WAIT, 1)


@compiled
def write_event(p, v, q, x, k, driver):
    """Write an event of a bus cycle; ``driver`` is who drove it."""
    half = v.event[k, 0]
    signal = v.event[k, 1]
    level = v.event[k, 2]
    if signal < ADDRESS:
        scalar(p, v, half, STROBE + signal, ZERO + level)
    elif signal == ADDRESS:
        if level != v.address:
            set_bus(p, v, half, VECTOR_A, 16, v.address, level)
            v.address = level
    elif signal == DATA:
        if level != v.data_bus:
            set_bus(p, v, half, VECTOR_D, 8, v.data_bus, level)
            v.data_bus = level
        number = DRIVERS + driver
        if level == FREE:
            number = np.int64(NO_DRIVER)
        own = x.text[number, 2]
        if v.plain == 0 and own != v.driver:
            text(p, v, q, x, half, own)
            v.driver = own
    elif v.plain == 0:
        own = x.text[CODES + level, 2]
        if own != v.code:
            text(p, v, q, x, half, own)
            v.code = own


@root(PAPER, DUMP, POOL, TEXT, ROW, WORD, INDEX, EDGE, INT, INT)
def dump(p, v, q, x, r, w, c, e, records, lines):
    """Write ``records`` records and ``lines`` edges of lines on from where ``v`` stands; 1 when
    all are written, 0 when there is no more room."""
    p.used = 0
    while v.record < records:
        k = v.record
        first = r.row[k, W_LOG] - r.row[0, W_LOG]
        end = r.row[k + 1, W_LOG] - r.row[0, W_LOG]
        halted = (r.row[k, W_CONTROL] >> 22) & 1
        after = (r.row[k + 1, W_CONTROL] >> 22) & 1
        while first + v.cycle < end:
            cycle = first + v.cycle
            start = w.word[cycle, 0] * 2
            word = w.word[cycle, 1]
            soonest = start
            if v.cycle == 0:
                soonest = min(start, r.row[k, W_T] * 2)
            if lines_until(p, v, e, soonest, lines) == 0:
                return 0
            clock_until(p, v, soonest - 1)
            if v.clock < soonest or p.used >= OUT - MARGIN:
                return 0
            v.events = 0
            if v.cycle == 0 and halted == 1 and after == 0:
                add(v, r.row[k, W_T] * 2, HALT, 1)
            if cycle + 1 == end and halted == 0 and after == 1:
                add(v, start + 7 + 2 * ((word >> 28) & 0xFF), HALT, 0)
            gather(v, start, word)
            if v.cycle == 0:
                add(v, r.row[k, W_T] * 2, CODE, c.index[k])
            for event in range(v.events):
                half = v.event[event, 0]
                lines_until(p, v, e, half, lines)
                clock_until(p, v, half)
                write_event(p, v, q, x, event, (word >> 36) & 0xFF)
            v.cycle += 1
        v.record += 1
        v.cycle = 0
    return lines_until(p, v, e, np.int64(1) << 62, lines)


@root(PAPER, DUMP, INT)
def close(p, v, until):
    """Write the clock's edges up to a half T-state; 1 when all are written."""
    p.used = 0
    clock_until(p, v, until)
    return np.int64(v.clock > until)
