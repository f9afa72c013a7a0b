"""Keep anomalies, and read the ring and the page map for those who look at a run."""
from __future__ import annotations

import numpy as np

from emu.bus.state import CALL, LOG, PAGES
from emu.chronicle.shadow import ANOMALIES, PAGE_LOST, REGISTER_LOST
from emu.native.jit import compiled, inlined

SCANS = 100_000  # anomalies of a kind after which they are only counted
EACH = 40  # rows of a kind


@compiled
def note(m, s, kind, t, pc, a, b, key):
    """Keep an anomaly: the first of its kind and key gets a row, the others are counted."""
    s.total[kind] += 1
    if s.total[kind] > SCANS:
        return np.int64(0)
    at = np.int64(-1)
    last = s.last_row[kind]
    if last < s.count and s.row[last, 0] == kind and s.row[last, 7] == key:
        at = last
    mine = np.int64(0)
    if at < 0:
        for k in range(s.count):
            if s.row[k, 0] == kind:
                mine += 1
                if s.row[k, 7] == key:
                    at = np.int64(k)
                    break
    if at < 0 and s.count < ANOMALIES and mine < EACH:
        at = s.count
        s.count += 1
        s.row[at, 0] = kind
        s.row[at, 1] = t
        s.row[at, 2] = pc
        s.row[at, 3] = a
        s.row[at, 4] = b
        s.row[at, 7] = key
    if at >= 0:
        if kind == REGISTER_LOST or kind == PAGE_LOST:
            s.row[at, 3] |= a
        s.row[at, 5] += 1
        s.row[at, 6] = t
        s.last_row[kind] = at
    return np.int64(0)


@inlined
def word_at(m, k):
    """Give the second word of an entry of the ring: address, data, kind, driver."""
    return m.log[(k & (LOG - 1)) * 2 + 1]


@inlined
def kind_of(word):
    return (word >> 24) & 15


@inlined
def address_of(word):
    return word & 0xFFFF


@inlined
def data_of(word):
    return (word >> 16) & 0xFF


@inlined
def read_place(s, address):
    """Give where in phys a byte was read, or a negative claim."""
    base = s.map[(address >> 12) & 15]
    if base == CALL:
        block = s.block[(address >> 8) & 255]
        return block if block < 0 else block + (address & 0xFF)
    return base if base < 0 else base + (address & 0xFFF)


@inlined
def write_place(s, address):
    """Give where in phys a byte was written, or a negative claim."""
    base = s.write_map[(address >> 12) & 15]
    if base == CALL:
        block = s.write_block[(address >> 8) & 255]
        return block if block < 0 else block + (address & 0xFF)
    return base if base < 0 else base + (address & 0xFFF)


@compiled
def take_map(m, s):
    """Take the page map as it is now."""
    for page in range(PAGES):
        s.map[page] = m.read_base_true[page]
        s.write_map[page] = m.write_base_true[page]
    return np.int64(0)
