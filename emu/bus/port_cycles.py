"""Port cycles: input and output, the cards that decode a port, and their wait states.

    T1  T2  Tw* (Tw) T3      Tw* is always there; the card sees the access at T3

Memory cycles and the data bus are in emu/bus/cycles.py.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import (
    floating,
    joined,
)
from emu.bus.events import access
from emu.bus.faulty_bus import (
    io_byte_seen,
    port_byte,
    port_seen,
)
from emu.bus.log import log_cycle
from emu.bus.requests import ran, skipped
from emu.bus.state import (
    CONFLICT,
    CPU_DRIVES,
    EARLY_EACH,
    EARLY_WRITES,
    IN,
    NOBODY,
    OUT,
    STOP_CONFLICT,
    STOP_IN,
    STOP_OUT,
)
from emu.bus.stops import (
    stop_on,
)
from emu.bus.waiting import SELECT_WRITE, cycle_done, logged_waits, select, wait_found
from emu.native.calls import READ as CARD_READ
from emu.native.calls import WRITE as CARD_WRITE
from emu.native.jit import compiled, inlined


@inlined
def in_one(m, slot, register, port, when):
    """Read one card's register."""
    m.slot_reads[slot] += 1
    return access(m, slot, CARD_READ, register | port << 16, when)


@inlined
def out_one(m, slot, register, port, value, when):
    """Write one card's register."""
    if m.fault_count > 0:
        value = io_byte_seen(m, slot, value)
    m.slot_writes[slot] += 1
    access(m, slot, CARD_WRITE, register | value << 8 | port << 16, when)


@compiled
def several_waits(m, port):
    """Give the most wait states that cards add at a port that is decoded by rows."""
    waits = np.int64(0)
    for row in range(m.decode_count):
        if (port & m.decodes[row, 0]) == m.decodes[row, 1]:
            waits = max(waits, m.slot_wait_io[m.decodes[row, 2]])
    return waits


@inlined
def port_waits(m, port):
    """Give the wait states of an I/O cycle beyond the automatic one."""
    slot = m.port_slot[port & 0xFF]
    if slot >= 0:
        return m.cpu_wait_io + m.slot_wait_io[slot]
    if slot == -2:
        return m.cpu_wait_io + several_waits(m, port)
    return m.cpu_wait_io


@inlined
def port_on_bus(m, port, waits, when):
    """Give the byte that stands on the data bus in an I/O read, seen in T-state ``when``."""
    seen = np.int64(port) if m.fault_count == 0 else port_seen(m, port)
    low = seen & 0xFF
    slot = m.port_slot[low]
    value = np.int64(-1)
    m.bus_driver = NOBODY
    if slot >= 0:
        value = in_one(m, slot, m.port_reg[low], seen, when)
        if value >= 0:
            m.bus_driver = slot + 1
    elif slot == -2:
        value = in_several(m, seen, when)
    low = port & 0xFF
    m.port_reads[low] += 1
    if value < 0:
        value = floating(m)
    elif m.fault_count > 0:
        value = port_byte(m, m.bus_driver - 1, port, waits, value)
    m.port_in_last[low] = value
    m.bus_byte = value
    return value


@inlined
def stops_on_port(m, kind, port, value):
    """Look for stops on an I/O cycle, and on two cards that drive in it."""
    stop_on(m, kind, port & 0xFF, value)
    if m.bus_driver == CONFLICT:
        stop_on(m, STOP_CONFLICT, port, value)


@inlined
def in_cycle(m, port):
    """Run an I/O read cycle that nothing stands in the way of."""
    waits = port_waits(m, port)
    value = port_on_bus(m, port, waits + m.stretch, m.t + 3 + waits)
    if m.logging == 1:
        log_cycle(m, m.t - m.stretch, IN, port, value, logged_waits(m, waits), m.bus_driver)
    stops_on_port(m, STOP_IN, port, value)
    m.t += 4 + waits
    return value


@compiled
def held_at(m, port, flag):
    """Tell whether a watched access to a port is held by /WAIT; ``flag``: SELECT_WRITE or 0.

    /IORQ falls with T2; /WAIT is sampled in the automatic wait state, or the last before T3.
    """
    if m.wait_wires == 0:
        return False
    select(m, port if m.fault_count == 0 else port_seen(m, port), flag, m.t + 1)
    return wait_found(m, m.t + 2 + port_waits(m, port), np.int64(OUT if flag != 0 else IN),
                      port) == 1


@compiled
def in_watched(m, port):
    """Run an I/O read cycle while a card may take the bus before it."""
    value = skipped(m, m.t)
    if value < 0 and held_at(m, port, np.int64(0)):
        value = np.int64(0)
    if value >= 0:
        m.t += 4 + port_waits(m, port)
        return value
    value = in_cycle(m, port)
    ran(m, m.t, IN, value)
    cycle_done(m)
    return value


@compiled
def inp(m, port):
    """Run an I/O read cycle."""
    if m.bus_watch == 1:
        return in_watched(m, port)
    return in_cycle(m, port)


@compiled
def in_several(m, port, when):
    """Read a port that is decoded by rows: none, one or several cards may answer."""
    value = np.int64(-1)
    for row in range(m.decode_count):
        if (port & m.decodes[row, 0]) != m.decodes[row, 1]:
            continue
        slot = m.decodes[row, 2]
        byte = in_one(m, slot, m.decodes[row, 3], port, when)
        if byte < 0:
            continue
        value = joined(m, value, byte, slot)
        if m.bus_driver == CONFLICT:
            m.conflict_port = port
            if m.conflict_first_t == 0:
                m.conflict_first_t = m.t
    return value


@inlined
def port_takes(m, port, value, when):
    """Let the cards at a port take the byte that stands on the data bus in an I/O write."""
    low = port & 0xFF
    m.bus_byte = value
    m.port_writes[low] += 1
    m.port_out_last[low] = value
    seen = np.int64(port) if m.fault_count == 0 else port_seen(m, port)
    taken = 0
    slot = m.port_slot[seen & 0xFF]
    if slot >= 0:
        out_one(m, slot, m.port_reg[seen & 0xFF], seen, value, when)
        taken = 1
    elif slot == -2:
        for row in range(m.decode_count):
            if (seen & m.decodes[row, 0]) == m.decodes[row, 1]:
                out_one(m, m.decodes[row, 2], m.decodes[row, 3], seen, value, when)
                taken = 1
    if taken == 0:
        row = m.empty_port_write_count
        if row < EARLY_WRITES and m.port_writes[low] <= EARLY_EACH:
            m.empty_port_writes[row, 0] = m.t
            m.empty_port_writes[row, 1] = m.pc
            m.empty_port_writes[row, 2] = port
            m.empty_port_writes[row, 3] = value
            m.empty_port_write_count += 1


@inlined
def out_cycle(m, port, value):
    """Run an I/O write cycle that nothing stands in the way of."""
    waits = port_waits(m, port)
    if m.logging == 1:
        log_cycle(m, m.t - m.stretch, OUT, port, value, logged_waits(m, waits), CPU_DRIVES)
    port_takes(m, port, value, m.t + 3 + waits)
    stop_on(m, STOP_OUT, port & 0xFF, value)
    m.t += 4 + waits


@compiled
def out_watched(m, port, value):
    """Run an I/O write cycle while a card may take the bus before it."""
    if skipped(m, m.t) >= 0 or held_at(m, port, np.int64(SELECT_WRITE)):
        m.t += 4 + port_waits(m, port)
        return
    out_cycle(m, port, value)
    ran(m, m.t, OUT, 0)
    cycle_done(m)


@compiled
def outp(m, port, value):
    """Run an I/O write cycle."""
    if m.bus_watch == 1:
        out_watched(m, port, value)
    else:
        out_cycle(m, port, value)
