"""The compiled part of tools/conformance.py: set a case up, and read its result.

A case is one single-step test.  ``prepare`` puts its initial state into a machine with
64 KiB of RAM and one card that answers every port from the case's list; the run loop
runs one instruction; ``collect`` writes the final state, the ports and the bus, one row
a T-state, into the same record.
"""
from __future__ import annotations

import numpy as np

from emu.bus.memory import refresh_map
from emu.bus.state import FAR, FETCH, IN, LOG, MACHINE, OUT, READ, WRITE, A, B, C, D, E, F, H, L
from emu.native.jit import INT, compiled, root

REGISTERS = ("pc", "sp", "a", "b", "c", "d", "e", "f", "h", "l", "i", "r", "ei", "wz", "ix", "iy",
             "af_", "bc_", "de_", "hl_", "im", "p", "q", "iff1", "iff2")
RAM = 32
PORTS = 8
STATES = 48

CASE = np.dtype([
    ("before", np.int64, (len(REGISTERS),)),
    ("after", np.int64, (len(REGISTERS),)),
    ("ram_at", np.int64, (RAM,)), ("ram_before", np.int64, (RAM,)),
    ("ram_after", np.int64, (RAM,)), ("ram_count", np.int64),
    ("stray", np.int64),  # writes outside the list
    ("feed", np.int64, (PORTS,)), ("feed_count", np.int64),
    ("port_at", np.int64, (PORTS,)), ("port_byte", np.int64, (PORTS,)),
    ("port_out", np.int64, (PORTS,)), ("port_count", np.int64),
    ("states", np.int64),  # T-states of the instruction
    ("bus_address", np.int64, (STATES,)),
    ("bus_data", np.int64, (STATES,)),  # -1: nothing on the data bus
    ("bus_pins", np.int64, (STATES,)),  # 1 read, 2 write, 4 memory request, 8 I/O request
], align=True)

PORT_FEED = np.dtype([("slot", np.int64), ("at", np.int64), ("feed", np.int64, (PORTS,))],
                     align=True)


@root(MACHINE, PORT_FEED, INT, INT)
def feed_read(m, s, a, t):
    """Answer a port from the list; the last byte repeats."""
    value = s.feed[s.at & (PORTS - 1)]
    s.at += 1
    return value


@compiled
def set_word(m, high, low, value):
    m.r[high] = value >> 8
    m.r[low] = value & 0xFF


@compiled
def alternate(m, high, low, value):
    m.alt[high] = value >> 8
    m.alt[low] = value & 0xFF


@root(MACHINE, CASE)
def prepare(m, case):
    """Put a case's initial state into the machine."""
    v = case.before
    m.pc = v[0]
    m.sp = v[1]
    m.r[A] = v[2]
    m.r[B] = v[3]
    m.r[C] = v[4]
    m.r[D] = v[5]
    m.r[E] = v[6]
    m.r[F] = v[7]
    m.r[H] = v[8]
    m.r[L] = v[9]
    m.i = v[10]
    m.refresh = v[11]
    m.after_ei = v[12]
    m.wz = v[13]
    set_word(m, 8, 9, v[14])
    set_word(m, 10, 11, v[15])
    alternate(m, A, F, v[16])
    alternate(m, B, C, v[17])
    alternate(m, D, E, v[18])
    alternate(m, H, L, v[19])
    m.im = v[20]
    m.after_ld_air = v[21]
    m.q = v[22]
    m.iff1 = v[23]
    m.iff2 = v[24]
    m.halted = 0
    m.prefix = 0
    m.t = 0
    m.log_pos = 0
    m.log_limit = FAR
    m.logging = 1
    m.held_t = -1
    refresh_map(m)
    for k in range(case.ram_count):
        m.phys[case.ram_at[k]] = case.ram_before[k]
    return np.int64(0)


@compiled
def bus_row(case, at, address, data, pins):
    if at >= STATES:  # a run of prefixes of the machine's own making; the count still tells
        return
    case.bus_address[at] = address
    case.bus_data[at] = data
    case.bus_pins[at] = pins


@compiled
def expand(m, case, entry, end):
    """Write one logged cycle, with the internal T-states behind it, as rows."""
    at = (entry & (LOG - 1)) * 2
    start = m.log[at]
    word = m.log[at + 1]
    address = word & 0xFFFF
    data = (word >> 16) & 0xFF
    kind = (word >> 24) & 15
    tail = address
    bus_row(case, start, address, -1, 0)
    if kind == FETCH:
        tail = (word >> 44) & 0xFFFF
        bus_row(case, start + 1, address, -1, 1 | 4)
        bus_row(case, start + 2, tail, data, 0)
        bus_row(case, start + 3, tail, -1, 0)
        done = start + 4
    elif kind == READ:
        bus_row(case, start + 1, address, -1, 1 | 4)
        bus_row(case, start + 2, address, data, 0)
        done = start + 3
    elif kind == WRITE:
        bus_row(case, start + 1, address, data, 2 | 4)
        bus_row(case, start + 2, address, -1, 0)
        done = start + 3
    else:
        pins = 8 | (2 if kind == OUT else 1)
        bus_row(case, start + 1, address, -1, 0)
        bus_row(case, start + 2, address, data if kind == OUT else -1, pins)
        bus_row(case, start + 3, address, data if kind == IN else -1, 0)
        done = start + 4
        k = case.port_count
        case.port_at[k] = address
        case.port_byte[k] = data
        case.port_out[k] = 1 if kind == OUT else 0
        case.port_count = k + 1
    for t in range(done, min(end, STATES)):
        bus_row(case, t, tail, -1, 0)


@compiled
def clear_writes(m, case):
    """Count writes outside the list, and let none outlive the case."""
    case.stray = 0
    for k in range(m.log_pos):
        word = m.log[(k & (LOG - 1)) * 2 + 1]
        if (word >> 24) & 15 != WRITE:
            continue
        m.phys[word & 0xFFFF] = 0
        listed = 0
        for row in range(case.ram_count):
            if case.ram_at[row] == word & 0xFFFF:
                listed = 1
        case.stray += 1 - listed


@root(MACHINE, CASE)
def collect(m, case):
    """Write the final state and the bus of the instruction just run into the case."""
    v = case.after
    v[0] = m.pc
    v[1] = m.sp
    v[2] = m.r[A]
    v[3] = m.r[B]
    v[4] = m.r[C]
    v[5] = m.r[D]
    v[6] = m.r[E]
    v[7] = m.r[F]
    v[8] = m.r[H]
    v[9] = m.r[L]
    v[10] = m.i
    v[11] = m.refresh
    v[12] = m.after_ei
    v[13] = m.wz
    v[14] = m.r[8] << 8 | m.r[9]
    v[15] = m.r[10] << 8 | m.r[11]
    v[16] = m.alt[A] << 8 | m.alt[F]
    v[17] = m.alt[B] << 8 | m.alt[C]
    v[18] = m.alt[D] << 8 | m.alt[E]
    v[19] = m.alt[H] << 8 | m.alt[L]
    v[20] = m.im
    v[21] = m.after_ld_air
    v[22] = m.q
    v[23] = m.iff1
    v[24] = m.iff2
    case.states = m.t
    case.port_count = 0
    for k in range(m.log_pos):
        end = m.log[((k + 1) & (LOG - 1)) * 2] if k + 1 < m.log_pos else m.t
        expand(m, case, k, end)
    for k in range(case.ram_count):
        case.ram_after[k] = np.int64(m.phys[case.ram_at[k]])
        m.phys[case.ram_at[k]] = 0
    clear_writes(m, case)
    return np.int64(0)
