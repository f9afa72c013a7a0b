"""Machine cycles: who drives the data bus, wait states, ports, and the bus log.

Each helper runs one machine cycle.  It is entered with ``m.t`` at the cycle's first
T-state and leaves it at the T-state after the cycle:

    opcode fetch  T1 T2 (Tw) T3 T4       byte taken at T3, refresh address I:R in T3-T4
    memory read   T1 T2 (Tw) T3          byte taken at T3
    memory write  T1 T2 (Tw) T3
    port in, out  T1 T2 Tw* (Tw) T3      Tw* always there; the card sees T3

Internal T-states are added by the instruction between cycles; the address of the last
cycle stays on the bus meanwhile, so the log needs no entry for them.

The fast path is a table look-up.  Everything else (empty pages, flash that is busy,
two cards on one page, the log, stops, a bus that keeps its last byte) takes the slow
path, so it costs nothing while it is not used.
"""
from __future__ import annotations

import numpy as np

from emu.calls import ADVANCE, MEMORY, call_card
from emu.calls import READ as CARD_READ
from emu.calls import WRITE as CARD_WRITE
from emu.chain import update_int
from emu.jit import compiled, inlined
from emu.state import (
    CALL,
    CONFLICT,
    CPU_DRIVES,
    EARLY_WRITES,
    FETCH,
    IN,
    LOG,
    LOG_FULL,
    NOBODY,
    NOT_MINE,
    OUT,
    READ,
    ROM,
    STOP_CONFLICT,
    STOP_FETCH,
    STOP_HIT,
    STOP_IN,
    STOP_OUT,
    STOP_READ,
    STOP_ROM_WRITE,
    STOP_WRITE,
    WRITE,
)

OPERAND = 15  # kind of read_slow for a byte at PC; a READ in the log
ASK_WRITE = 1 << 24  # flag in a MEMORY call: a write, the byte in bits 16-23


@inlined
def log_cycle(m, start, kind, address, data, waits, driver):
    """Write one bus cycle to the ring: two words, see emu/logs/cycles.py."""
    at = (m.log_pos & (LOG - 1)) * 2
    m.log[at] = start
    m.log[at + 1] = (address | data << 16 | kind << 24 | waits << 28 | driver << 36
                     | m.i << 52 | m.refresh << 44)
    m.log_pos += 1
    if m.log_pos >= m.log_limit:
        leave(m, LOG_FULL)


@inlined
def leave(m, reason):
    """Leave run() at the next instruction boundary."""
    if m.exit_reason == 0:
        m.exit_reason = reason
    m.next_event = 0


@compiled
def check_stops(m, kind, address, data):
    """Leave run() when a stop of this kind covers the access."""
    for row in range(m.stop_count):
        if (m.stops[row, 0] == kind and m.stops[row, 1] <= address <= m.stops[row, 2]
                and (data & m.stops[row, 3]) == m.stops[row, 4]):
            m.stops[row, 5] += 1
            m.stop_row = row
            m.stop_t = m.t
            leave(m, STOP_HIT)


@compiled
def floating(m):
    """Give what an undriven data bus reads as."""
    m.bus_driver = NOBODY
    return m.bus_byte if m.keeps_last == 1 else np.int64(0xFF)


@compiled
def catch_up(m, when):
    """Let all events up to ``when`` happen, before a card is accessed."""
    for slot in range(m.slots):
        if m.ev[slot] <= when:
            call_card(m, slot, ADVANCE, when, 0)
    if m.irq_dirty == 1:
        update_int(m)


@compiled
def access(m, slot, entry, a, when):
    """Access a card; the chip looked at /INT and /NMI before the strobe ended."""
    if m.next_event <= when + 1:
        catch_up(m, when)
    line = m.int_line
    latch = m.nmi_latch
    value = call_card(m, slot, entry, a, when)
    m.next_event = min(m.next_event, m.ev[slot] + 1)
    if m.irq_dirty == 1:
        update_int(m)
        if m.held_t != when:
            m.held_t = when
            m.held_int = line
        m.next_event = 0
    if m.nmi_latch != latch:
        m.nmi_t = when + 1
    return value


@compiled
def read_claimed(m, address, when):
    """Read where plain memory cannot answer: ask the claiming cards, join their bytes."""
    page = address >> 12
    value = np.int64(-1)
    for k in range(m.mem_count):
        slot = m.mem_slots[k]
        base = m.rclaim[slot, page]
        if base == NOT_MINE:
            continue
        if base >= 0:
            byte = np.int64(m.phys[base + (address & 0xFFF)])
        else:
            byte = access(m, slot, MEMORY, address, when)
        if byte < 0:
            continue
        if value < 0:
            value = byte
            m.bus_driver = slot + 1
        else:
            value &= byte
            m.bus_driver = CONFLICT
            m.conflicts += 1
            m.conflict_t = m.t
    return value


@compiled
def read_slow(m, address, kind):
    """Read memory with everything that the fast path leaves out."""
    page = address >> 12
    base = m.rb_true[page]
    supplied = m.ack_bytes > 0 and kind != READ
    if kind == OPERAND:
        kind = READ
    waits = m.wait_mem[page] if kind == READ else m.wait_m1[page]
    m.bus_driver = m.owner[page]
    if supplied:
        value = acknowledge_byte(m, m.t + 2 + waits)
    elif base >= 0:
        value = np.int64(m.phys[base + (address & 0xFFF)])
    else:
        value = np.int64(-1)
        if base != NOT_MINE:
            value = read_claimed(m, address, m.t + 2 + waits)
        if value < 0:
            value = floating(m)
            m.empty_reads += 1
            m.empty_read_at = address
            m.empty_read_t = m.t
    m.bus_byte = value
    if m.logging == 1:
        log_cycle(m, m.t, kind, address, value, waits, m.bus_driver)
    if m.watching == 1:
        check_stops(m, STOP_READ if kind == READ else STOP_FETCH, address, value)
        if m.bus_driver == CONFLICT:
            check_stops(m, STOP_CONFLICT, address, value)
    return value


@compiled
def acknowledge_byte(m, when):
    """Read a further byte of an instruction that a card supplies in mode 0."""
    slot = m.ack_bytes >> 8
    count = m.ack_bytes & 0xFF
    byte = call_card(m, slot, MEMORY, -count, when)
    m.bus_driver = slot + 1
    m.ack_bytes += 1
    m.pc = (m.pc - 1) & 0xFFFF  # the CPU does not count it
    return byte & 0xFF


@compiled
def write_slow(m, address, value):
    """Write memory with everything that the fast path leaves out."""
    page = address >> 12
    base = m.wb_true[page]
    if base >= 0:
        m.phys[base + (address & 0xFFF)] = value
    elif base == ROM:
        m.rom_writes += 1
        m.rom_write_t = m.t
        m.rom_write_at = address
        m.rom_write_pc = m.pc
        if m.watching == 1:
            check_stops(m, STOP_ROM_WRITE, address, value)
    elif base == NOT_MINE:
        m.empty_writes += 1
        m.empty_write_at = address
    else:
        for k in range(m.mem_count):
            slot = m.mem_slots[k]
            claim = m.wclaim[slot, page]
            if claim >= 0:
                m.phys[claim + (address & 0xFFF)] = value
            elif claim == CALL:
                access(m, slot, MEMORY, address | value << 16 | ASK_WRITE,
                       m.t + 2 + m.wait_mem[page])
    m.bus_byte = value
    if m.logging == 1:
        log_cycle(m, m.t, WRITE, address, value, m.wait_mem[page], CPU_DRIVES)
    if m.watching == 1:
        check_stops(m, STOP_WRITE, address, value)


@inlined
def rd(m, address):
    """Run a memory read cycle."""
    page = address >> 12
    base = m.rb[page]
    if base >= 0:
        value = np.int64(m.phys[base + (address & 0xFFF)])
    else:
        value = read_slow(m, address, READ)
    m.t += 3 + m.wait_mem[page]
    return value


@inlined
def wr(m, address, value):
    """Run a memory write cycle."""
    page = address >> 12
    base = m.wb[page]
    if base >= 0:
        m.phys[base + (address & 0xFFF)] = value
    else:
        write_slow(m, address, value)
    m.t += 3 + m.wait_mem[page]


@inlined
def m1(m):
    """Run an opcode fetch at PC and step PC and R."""
    address = m.pc
    page = address >> 12
    base = m.rb[page]
    if base >= 0:
        value = np.int64(m.phys[base + (address & 0xFFF)])
    else:
        value = read_slow(m, address, FETCH)
    m.t += 4 + m.wait_m1[page]
    m.pc = (m.pc + 1) & 0xFFFF
    m.refresh = (m.refresh & 0x80) | ((m.refresh + 1) & 0x7F)
    return value


@inlined
def fetch(m):
    """Read the byte at PC and step PC."""
    page = m.pc >> 12
    base = m.rb[page]
    if base >= 0:
        value = np.int64(m.phys[base + (m.pc & 0xFFF)])
    else:
        value = read_slow(m, m.pc, OPERAND)
    m.t += 3 + m.wait_mem[page]
    m.pc = (m.pc + 1) & 0xFFFF
    return value


@inlined
def fetch16(m):
    """Read a word at PC, low byte first, and step PC."""
    low = fetch(m)
    return low | fetch(m) << 8


@inlined
def push(m, value):
    """Write a word below SP, high byte first."""
    m.sp = (m.sp - 1) & 0xFFFF
    wr(m, m.sp, value >> 8)
    m.sp = (m.sp - 1) & 0xFFFF
    wr(m, m.sp, value & 0xFF)


@inlined
def pop(m):
    """Read a word at SP, low byte first."""
    low = rd(m, m.sp)
    m.sp = (m.sp + 1) & 0xFFFF
    high = rd(m, m.sp)
    m.sp = (m.sp + 1) & 0xFFFF
    return low | high << 8


@compiled
def in_one(m, slot, register, port, when):
    """Read one card's register."""
    m.slot_reads[slot] += 1
    return access(m, slot, CARD_READ, register | port << 16, when)


@compiled
def out_one(m, slot, register, port, value, when):
    """Write one card's register."""
    m.slot_writes[slot] += 1
    access(m, slot, CARD_WRITE, register | value << 8 | port << 16, when)


@compiled
def port_waits(m, port):
    """Give the wait states that cards add to an I/O cycle."""
    waits = m.cpu_wait_io
    slot = m.port_slot[port & 0xFF]
    if slot >= 0:
        waits += m.slot_wait_io[slot]
    elif slot == -2:
        for row in range(m.decode_count):
            if (port & m.decodes[row, 0]) == m.decodes[row, 1]:
                waits = max(waits, m.cpu_wait_io + m.slot_wait_io[m.decodes[row, 2]])
    return waits


@compiled
def inp(m, port):
    """Run an I/O read cycle."""
    waits = port_waits(m, port)
    when = m.t + 3 + waits
    low = port & 0xFF
    slot = m.port_slot[low]
    value = np.int64(-1)
    m.bus_driver = NOBODY
    if slot >= 0:
        value = in_one(m, slot, m.port_reg[low], port, when)
        if value >= 0:
            m.bus_driver = slot + 1
    elif slot == -2:
        value = in_several(m, port, when)
    m.port_reads[low] += 1
    if value < 0:
        value = floating(m)
    m.port_in_last[low] = value
    m.bus_byte = value
    if m.logging == 1:
        log_cycle(m, m.t, IN, port, value, waits, m.bus_driver)
    if m.watching == 1:
        check_stops(m, STOP_IN, low, value)
        if m.bus_driver == CONFLICT:
            check_stops(m, STOP_CONFLICT, port, value)
    m.t += 4 + waits
    return value


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
        if value < 0:
            value = byte
            m.bus_driver = slot + 1
        else:
            value &= byte
            m.bus_driver = CONFLICT
            m.conflicts += 1
            m.conflict_t = m.t
            m.conflict_port = port
    return value


@compiled
def outp(m, port, value):
    """Run an I/O write cycle."""
    waits = port_waits(m, port)
    when = m.t + 3 + waits
    low = port & 0xFF
    slot = m.port_slot[low]
    m.bus_byte = value
    if m.logging == 1:
        log_cycle(m, m.t, OUT, port, value, waits, CPU_DRIVES)
    m.port_writes[low] += 1
    m.port_out_last[low] = value
    taken = 0
    if slot >= 0:
        out_one(m, slot, m.port_reg[low], port, value, when)
        taken = 1
    elif slot == -2:
        for row in range(m.decode_count):
            if (port & m.decodes[row, 0]) == m.decodes[row, 1]:
                out_one(m, m.decodes[row, 2], m.decodes[row, 3], port, value, when)
                taken = 1
    if taken == 0:
        row = m.empty_port_write_count
        if row < EARLY_WRITES:
            m.empty_port_writes[row, 0] = m.t
            m.empty_port_writes[row, 1] = m.pc
            m.empty_port_writes[row, 2] = port
            m.empty_port_writes[row, 3] = value
        m.empty_port_write_count += 1
    if m.watching == 1:
        check_stops(m, STOP_OUT, low, value)
    m.t += 4 + waits

