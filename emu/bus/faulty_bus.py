"""Electrical faults between the CPU and the cards: hot code, asked only off the fast path.

The bus log holds what stands at the CPU's own pins: the address it gives and the byte it
takes.  A fault changes what the cards see of it, and the other way round.  A row of
``m.faults`` acts at one hook; emu/backplane/fault_kinds.py enters the rows and documents the
kinds for builders.
"""
from __future__ import annotations

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.state import FETCH, HALTED, NMI_FETCH, NOBODY, ROM
from emu.native.jit import compiled, inlined

# Hooks: where a row acts, with its parameters.
ADDRESS_LINES, DATA_LINES = 1, 2  # bits kept, bits set, then two lines exchanged (0, 0: none)
ABSENT = 3  # memory takes no part; 0: all that can be written, 1: the whole range
LATE_MEMORY, LATE_PORT = 4, 5  # picoseconds from address to sample, spread
VECTOR = 6  # the acknowledge's byte does not reach the CPU
ON_MEMORY = (ADDRESS_LINES, DATA_LINES, ABSENT, LATE_MEMORY)

# What holds the CPU still, in ``m.held``.
HELD_RESET, HELD_WAIT, HELD_BUSREQ = 1, 2, 3

HOOK, LOW, HIGH, SLOT, FIRST, SECOND, THIRD, FOURTH = range(8)  # columns of a row


@compiled
def undriven(m):
    """Give what a data bus reads as while nothing drives it."""
    return np.int64(m.bus_byte) if m.keeps_last == 1 else np.int64(0xFF)


@inlined
def draw(m):
    """Draw 23 random bits from the machine's seeded stream."""
    m.noise = (m.noise * 1103515245 + 12345) & 0x7FFFFFFF
    return m.noise >> 8


@inlined
def exchange(value, one, other):
    """Exchange two bits."""
    differ = (value >> one ^ value >> other) & 1
    return value ^ (differ << one | differ << other)


@inlined
def covers(m, row, address, slot):
    """Tell whether a row is about this address and slot."""
    wanted = m.faults[row, SLOT]
    return (m.faults[row, LOW] <= address <= m.faults[row, HIGH]
            and (wanted < 0 or wanted == slot))


@inlined
def bend(m, row, value):
    """Put a value over lines of which some are stuck or exchanged."""
    value = value & m.faults[row, FIRST] | m.faults[row, SECOND]
    return exchange(value, m.faults[row, THIRD], m.faults[row, FOURTH])


@compiled
def address_seen(m, address):
    """Give the memory address that arrives at the cards."""
    seen = np.int64(address)
    for row in range(m.fault_count):
        if (m.faults[row, HOOK] == ADDRESS_LINES
                and m.faults[row, LOW] <= address <= m.faults[row, HIGH]):
            seen = bend(m, row, seen)
    return seen


@inlined
def everywhere(m, row):
    """Tell whether a row holds for the whole bus, ports too."""
    return m.faults[row, LOW] == 0 and m.faults[row, HIGH] == 0xFFFF


@compiled
def port_seen(m, port):
    """Give the port address that arrives at the cards."""
    seen = np.int64(port)
    for row in range(m.fault_count):
        if m.faults[row, HOOK] == ADDRESS_LINES and everywhere(m, row):
            seen = bend(m, row, seen)
    return seen


@compiled
def byte_seen(m, address, slot, value):
    """Give a memory byte as it arrives at the other end of the data lines."""
    value = np.int64(value)
    for row in range(m.fault_count):
        if m.faults[row, HOOK] == DATA_LINES and covers(m, row, address, slot):
            value = bend(m, row, value)
    return value


@compiled
def io_byte_seen(m, slot, value):
    """Give a port's byte, or a vector, as it arrives at the other end of the data lines."""
    value = np.int64(value)
    for row in range(m.fault_count):
        if m.faults[row, HOOK] == DATA_LINES and everywhere(m, row) and covers(m, row, 0, slot):
            value = bend(m, row, value)
    return value


@compiled
def late(m, row, half_states):
    """Tell whether data come after the CPU has looked, so many half T-states into the cycle."""
    need = m.faults[row, FIRST]
    spread = m.faults[row, SECOND]
    if spread > 0:
        need += (draw(m) * (2 * spread) >> 23) - spread
    return 2 * need > half_states * m.clock_ps


@compiled
def note_late(m, address, port):
    """Count a read that was sampled too early; remember the first."""
    if m.late_reads == 0:
        m.late_first_t = m.t
        m.late_first_at = address
        m.late_first_kind = port
    m.late_reads += 1


@compiled
def memory_absent(m, address, page, slot):
    """Tell whether a fault keeps the memory at an address from taking part."""
    for row in range(m.fault_count):
        if (m.faults[row, HOOK] == ABSENT and covers(m, row, address, slot)
                and (m.faults[row, FIRST] == 1 or m.write_base_true[page] >= 0)):
            return 1
    return 0


@compiled
def memory_byte(m, address, page, kind, waits, value):
    """Give what the CPU reads of the byte that memory has put out; -1 when nobody drives.

    The CPU samples a fetch with the rising edge of T3 and a read with the falling one
    (UM0080 p.8-9).
    """
    slot = m.owner[page] - 1
    if memory_absent(m, address, page, slot) == 1:
        m.bus_driver = NOBODY
        return np.int64(-1)
    fetching = kind == FETCH or kind == NMI_FETCH or kind == HALTED
    half_states = (4 if fetching else 5) + 2 * waits
    for row in range(m.fault_count):
        if (m.faults[row, HOOK] == LATE_MEMORY and covers(m, row, address, slot)
                and late(m, row, half_states)):
            note_late(m, address, np.int64(0))
            value = undriven(m)
    return byte_seen(m, address, slot, value)


@compiled
def port_byte(m, slot, port, waits, value):
    """Give what the CPU reads of the byte that a card has put out at a port.

    From IORQ to the sample run T2, the automatic wait, further waits and half of T3
    (UM0080 p.10).
    """
    for row in range(m.fault_count):
        if (m.faults[row, HOOK] == LATE_PORT and m.faults[row, SLOT] == slot
                and late(m, row, 5 + 2 * waits)):
            note_late(m, port, np.int64(1))
            value = undriven(m)
    return io_byte_seen(m, slot, value)


@compiled
def vector_byte(m, slot, value):
    """Give what the CPU reads of the byte that a card has put out in an acknowledge."""
    for row in range(m.fault_count):
        if m.faults[row, HOOK] == VECTOR and covers(m, row, 0, slot):
            m.ack_driven = value
            if m.ack_blocked == 0:
                m.ack_blocked_t = m.t
            m.ack_blocked += 1
            return undriven(m)
    return io_byte_seen(m, slot, value)


@compiled
def store_seen(m, address, page, value):
    """Give the byte that arrives at the memory in a write, or -1 when nothing takes it."""
    slot = m.owner[page] - 1
    if memory_absent(m, address, page, slot) == 1 and m.write_base_true[page] != ROM:
        return np.int64(-1)
    return byte_seen(m, address, slot, value)


@compiled
def noisy_nmi(m):
    """Let /NMI fall where noise makes it, up to now; work out when it falls next."""
    while m.noise_t < m.t:
        fall_nmi(m, m.noise_t)
        m.noise_t += 1 + (draw(m) * (2 * m.noise_every) >> 23)


@inlined
def is_held(m):
    """Tell whether RESET, WAIT or BUSREQ keeps the CPU from running now."""
    return m.held != 0 and m.t >= m.held_from
