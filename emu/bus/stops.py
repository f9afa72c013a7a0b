"""Stops: what the bus looks for while it runs, and how a run leaves.

A stop is a row of numbers.  Rows on memory also set bits in ``m.stop_map``, one byte for
each of the 64 Ki addresses, so that a page with a stop in it costs one look an access and
a page without costs nothing.  A row leaves run() at the end of the instruction that met
it; STOP_EXECUTE and STOP_VIRGIN leave it before the instruction.  A quiet row only notes
when it was met last.  Every hit of a row that is not quiet is listed in ``m.hits``.

`arm` puts rows in, `disarm` takes all of them out.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.bus.memory import refresh_map
from emu.bus.state import (
    HITS,
    STOP_CHANGE,
    STOP_EXECUTE,
    STOP_FETCH,
    STOP_HIT,
    STOP_POP,
    STOP_PUSH,
    STOP_READ,
    STOP_VIRGIN,
    STOP_WRITE,
    STOPS,
)
from emu.errors import InputError
from emu.native.jit import compiled, inlined

# Words of a row.
(KIND, LOW, HIGH, MASK, VALUE, PHYS_LOW, PHYS_HIGH, QUIET, COUNT, LAST_T, LAST_ADDRESS,
 LAST_DATA) = range(12)

FETCHED = 1 << STOP_FETCH
EXECUTED = 1 << STOP_EXECUTE | 1 << STOP_VIRGIN
READING = 1 << STOP_READ | 1 << STOP_POP
WRITING = 1 << STOP_WRITE | 1 << STOP_CHANGE | 1 << STOP_PUSH
MAPPED = FETCHED | EXECUTED | READING | WRITING  # kinds that stop_map knows


@inlined
def leave(m, reason):
    """Leave run() at the next instruction boundary."""
    if m.exit_reason == 0:
        m.exit_reason = reason
    m.next_event = 0


@inlined
def covers(m, row, address, data):
    """Tell whether a row covers an access: address, place in phys, data."""
    if address < m.stops[row, LOW] or address > m.stops[row, HIGH]:
        return False
    if (data & m.stops[row, MASK]) != m.stops[row, VALUE]:
        return False
    if m.stops[row, PHYS_LOW] < 0:
        return True
    base = m.read_base_true[(address >> 12) & 15]
    place = base + (address & 0xFFF)
    return base >= 0 and m.stops[row, PHYS_LOW] <= place <= m.stops[row, PHYS_HIGH]


@inlined
def fits(m, kind, address, data):
    """Tell whether an access is what a kind of row means beyond reading or writing."""
    if kind == STOP_CHANGE:
        return data != m.old_byte
    if kind == STOP_PUSH:
        return -1 <= address - m.sp <= 0
    if kind == STOP_POP:
        return 0 <= address - m.sp <= 1
    if kind == STOP_VIRGIN:
        base = m.write_base_true[(address >> 12) & 15]
        return base >= 0 and m.untouched[base + (address & 0xFFF)] == 1
    return True


@compiled
def check_stops(m, kinds, address, data):
    """Hold an access against the rows of some kinds (bits); the number of hits that leave."""
    found = 0
    for row in range(m.stop_count):
        kind = m.stops[row, KIND]
        if (kinds >> kind) & 1 == 0 or not covers(m, row, address, data):
            continue
        if not fits(m, kind, address, data):
            continue
        m.stops[row, COUNT] += 1
        m.stops[row, LAST_T] = m.t
        m.stops[row, LAST_ADDRESS] = address
        m.stops[row, LAST_DATA] = data
        if m.stops[row, QUIET] == 1:
            continue
        if m.hit_count < HITS:
            m.hits[m.hit_count, 0] = row
            m.hits[m.hit_count, 1] = m.t
            m.hits[m.hit_count, 2] = address
            m.hits[m.hit_count, 3] = data
            m.hits[m.hit_count, 4] = m.old_byte
            m.hit_count += 1
        found += 1
        leave(m, STOP_HIT)
    return found


@inlined
def stop_on(m, kind, address, data):
    """Look for stops of one kind beside memory cycles."""
    if (m.stop_kinds >> kind) & 1 == 1:
        check_stops(m, 1 << kind, address, data)


@compiled
def stands_at(m, pc):
    """Tell whether a stop stands before the instruction at PC, its bit found in the map."""
    base = m.read_base_true[(pc >> 12) & 15]
    data = np.int64(0)
    if base >= 0:
        data = np.int64(m.phys[base + (pc & 0xFFF)])
    return check_stops(m, EXECUTED, pc, data) > 0


@dataclass(frozen=True)
class Row:
    """A stop: its kind, the addresses (ports, vectors) it covers, and which data.

    ``data & mask == value`` has to hold; ``place``, when given, is the first and last
    address in physical memory.  A ``quiet`` row does not leave the run.
    """

    kind: int
    low: int = 0
    high: int = 0xFFFF
    mask: int = 0
    value: int = 0
    place: tuple[int, int] | None = None
    quiet: bool = False


def _mark(stop_map: np.ndarray, row: Row) -> None:
    """Set a row's bit at all addresses where it may be met."""
    if row.place is None or row.place[1] - row.place[0] >= 0xFFF:
        stop_map[row.low:row.high + 1] |= 1 << row.kind
        return
    offsets = np.arange(row.place[0], row.place[1] + 1) & 0xFFF
    view = stop_map.reshape(16, 4096)
    pages = slice(row.low >> 12, (row.high >> 12) + 1)
    view[pages, offsets] |= 1 << row.kind


def arm(m: Any, rows: Sequence[Row]) -> None:
    """Put these rows in, in place of those there were; InputError when they are too many."""
    if len(rows) > STOPS:
        raise InputError(f"more than {STOPS} stops at a time; take some out first.")
    m.stop_map[:] = 0
    m.stop_kinds = 0
    m.hit_count = 0
    m.stop_count = len(rows)
    for number, row in enumerate(rows):
        first, last = row.place or (-1, -1)
        m.stops[number] = (row.kind, row.low, row.high, row.mask, row.value, first, last,
                           int(row.quiet), 0, -1, 0, 0)
        m.stop_kinds |= 1 << row.kind
        if MAPPED >> row.kind & 1:
            _mark(m.stop_map, row)
    pages = np.bitwise_or.reduce(np.asarray(m.stop_map).reshape(16, 4096), axis=1)
    m.stop_reads[:] = (pages & (FETCHED | EXECUTED | READING)) != 0
    m.stop_writes[:] = (pages & WRITING) != 0
    refresh_map(m)


def disarm(m: Any) -> None:
    """Take all stops out."""
    arm(m, ())
