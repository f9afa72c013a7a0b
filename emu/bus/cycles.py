"""Machine cycles: who drives the data bus, wait states, and the bus log (ports: port_cycles.py).

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

from emu.bus.events import access
from emu.bus.faulty_bus import (
    address_seen,
    memory_byte,
    store_seen,
    undriven,
)
from emu.bus.log import log_cycle, log_entry
from emu.bus.requests import ran, skipped
from emu.bus.rows import SAMPLED, before_step
from emu.bus.state import (
    CALL,
    CONFLICT,
    CPU_DRIVES,
    FETCH,
    MEDIUM_WANTED,
    NOBODY,
    NOT_MINE,
    READ,
    ROM,
    STOP_CONFLICT,
    STOP_ROM_WRITE,
    WRITE,
)
from emu.bus.stops import (
    EXECUTED,
    FETCHED,
    READING,
    WRITING,
    check_stops,
    leave,
    stands_at,
    stop_on,
)
from emu.bus.waiting import OVER, cycle_done, logged_waits, wait_found
from emu.native.calls import MEMORY, call_card
from emu.native.jit import compiled, inlined

OPERAND = 8 | READ  # kind of read_fully for a byte at PC; a READ in the log
ASK_WRITE = 1 << 24  # flag in a MEMORY call: a write, the byte in bits 16-23


@compiled
def ask_host(m, slot):
    """Ask the host for a piece of a medium: run() is left at the next instruction boundary,
    the card's ``serve`` is called, and the run goes on at the same T-state.

    Whatever depends on the piece must lie further off than one instruction.
    """
    m.medium_wanted |= np.int64(1) << slot
    leave(m, MEDIUM_WANTED)


@compiled
def ask_reset(m):
    """Pull RESET: run() is left at the next instruction boundary, the machine is reset, and
    the run goes on."""
    m.reset_wanted = 1
    leave(m, MEDIUM_WANTED)


@compiled
def floating(m):
    """Give what an undriven data bus reads as."""
    m.bus_driver = NOBODY
    return undriven(m)


@inlined
def joined(m, value, byte, slot):
    """Join a card's byte with what others drive, -1 for nobody so far: a low line wins."""
    if value < 0:
        m.bus_driver = slot + 1
        return byte
    m.bus_driver = CONFLICT
    m.conflicts += 1
    return value & byte


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
        value = joined(m, value, byte, slot)
    return value


@compiled
def memory_on_bus(m, address, kind, waits, when):
    """Give the byte that stands on the data bus in a memory read, seen in T-state ``when``."""
    seen = np.int64(address) if m.faulty == 0 else address_seen(m, address)
    page = seen >> 12
    base = m.read_base_true[page]
    m.bus_driver = m.owner[page]
    value = np.int64(-1)
    if base >= 0:
        value = np.int64(m.phys[base + (seen & 0xFFF)])
    elif base != NOT_MINE:
        value = read_claimed(m, seen, when)
    if m.faulty == 1 and value >= 0:
        value = memory_byte(m, address, page, kind, waits, value)
    if value < 0:
        value = floating(m)
        m.empty_reads += 1
        m.empty_read_at = address
    return value


@compiled
def read_fully(m, address, kind):
    """Read memory with everything that the fast path leaves out."""
    supplied = m.ack_bytes > 0 and kind != READ
    kind = READ if kind == OPERAND else kind
    page = address >> 12
    waits = m.wait_mem[page] if kind == READ else m.wait_m1[page]
    if supplied and m.ack_bytes > 0xFF:
        value = acknowledge_byte(m, m.t + 2 + waits)
    else:
        value = memory_on_bus(m, address, kind, waits + m.stretch, m.t + 2 + waits)
    m.bus_byte = value
    if m.logging == 1:
        log_cycle(m, m.t - m.stretch, kind, address, value, logged_waits(m, waits), m.bus_driver)
    if m.stop_kinds != 0:
        stops_on_read(m, READING if kind == READ else FETCHED, address, value)
    if supplied:
        m.ack_bytes += 1
        value |= 0x100  # told to `m1` and `fetch`
    return value


@compiled
def stops_on_read(m, kinds, address, value):
    """Look for stops of some kinds on a memory read, and on two cards that drive in it."""
    wanted = m.stop_map[address] & kinds
    if wanted != 0:
        check_stops(m, wanted, address, value)
    if m.bus_driver == CONFLICT:
        stop_on(m, STOP_CONFLICT, address, value)


@compiled
def acknowledge_byte(m, when):
    """Read a further byte of an instruction that a card puts on the bus whole in mode 0."""
    slot = (m.ack_bytes >> 8) - 1
    count = m.ack_bytes & 0xFF
    byte = call_card(m, slot, MEMORY, -count, when)
    m.bus_driver = slot + 1
    return byte & 0xFF


@compiled
def store(m, address, value, when):
    """Write to whatever memory answers an address; a card is told T-state ``when``."""
    page = address >> 12
    base = m.write_base_true[page]
    m.old_byte = value  # elsewhere a change cannot be told
    if base >= 0:
        m.old_byte = np.int64(m.phys[base + (address & 0xFFF)])
        m.phys[base + (address & 0xFFF)] = value
    elif base == ROM:
        m.rom_writes += 1
        m.rom_write_at = address
        m.rom_write_pc = m.pc
        stop_on(m, STOP_ROM_WRITE, address, value)
    elif base == NOT_MINE:
        m.empty_writes += 1
    else:
        for k in range(m.mem_count):
            slot = m.mem_slots[k]
            claim = m.wclaim[slot, page]
            if claim >= 0:
                m.phys[claim + (address & 0xFFF)] = value
            elif claim == CALL:
                access(m, slot, MEMORY, address | value << 16 | ASK_WRITE, when)


@compiled
def memory_takes(m, address, value, when):
    """Let memory take the byte that stands on the data bus in a write."""
    if m.faulty == 0:
        store(m, address, value, when)
    else:
        seen = address_seen(m, address)
        byte = store_seen(m, address, seen >> 12, value)
        if byte >= 0:
            store(m, seen, byte, when)
    m.bus_byte = value


@compiled
def write_fully(m, address, value):
    """Write memory with everything that the fast path leaves out."""
    waits = m.wait_mem[address >> 12]
    memory_takes(m, address, value, m.t + 2 + waits)
    if m.logging == 1:
        log_cycle(m, m.t - m.stretch, WRITE, address, value, logged_waits(m, waits), CPU_DRIVES)
    wanted = m.stop_map[address] & WRITING
    if wanted != 0:
        check_stops(m, wanted, address, value)


@inlined
def plain_read(m, t, address, kind, waits, stops):
    """Read plain memory off the fast path, where the log and stops alone send the access.

    -1 when that is not all.
    """
    # No call in here: so the functions below save no registers, a tenth of a trace's time.
    page = (address >> 12) & 15
    base = m.read_base_true[page]
    if base < 0 or (m.log_only == 0 and (
            m.plain_aside == 0 or (m.stop_map[np.uint64(address)] & stops) != 0)):
        return np.int64(-1)
    value = np.int64(m.phys[np.uint64(base + (address & 0xFFF))])
    if m.logging == 1:
        if kind == FETCH:
            log_cycle(m, t, FETCH, address, value, waits, m.owner[page])
        else:  # the next fetch looks whether the ring is full
            log_entry(m, t, READ, address, value, waits, m.owner[page])
    return value


@compiled
def read_aside(m, t, pc, address, kind):
    """Read memory with time and PC where all can see them."""
    m.t = t
    m.pc = pc
    if m.bus_watch == 1:
        return read_watched(m, address, kind)
    return read_fully(m, address, kind)


@compiled
def read_watched(m, address, kind):
    """Read memory while a card may take the bus before it."""
    value = skipped(m, m.t)
    if value < 0:
        page = address >> 12
        waits = m.wait_m1[page] if kind == FETCH else m.wait_mem[page]
        if wait_found(m, m.t + 1 + waits, np.int64(kind), address) == 1:
            return np.int64(0)
        value = read_fully(m, address, kind)
        ran(m, m.t + (4 if kind == FETCH else 3) + waits, FETCH if kind == FETCH else READ, value)
        cycle_done(m)
    elif value > 0xFF:
        m.ack_bytes += 1
    return value


@compiled
def read_slow(m, t, pc, address):
    """Read data off the fast path."""
    value = plain_read(m, t, address, READ, m.wait_mem[(address >> 12) & 15], READING)
    if value < 0:
        value = read_aside(m, t, pc, address, READ)
    return value


@compiled
def opcode_slow(m, t, pc):
    """Fetch an opcode off the fast path."""
    value = plain_read(m, t, pc, FETCH, m.wait_m1[(pc >> 12) & 15], FETCHED)
    if value < 0:
        value = read_aside(m, t, pc, pc, FETCH)
    return value


@compiled
def first_aside(m, t, pc):
    """Look whether a stop stands before an instruction, then fetch its first byte."""
    if ((m.stop_map[pc] & EXECUTED) != 0 and t != m.pass_t and m.ack_bytes == 0
            and m.cycles_kept == 0 and m.wait_state != OVER):
        m.t = t
        m.pc = pc
        if stands_at(m, pc):
            return np.int64(-1)
    return read_aside(m, t, pc, pc, FETCH)


@compiled
def operand_slow(m, t, pc):
    """Read an operand byte off the fast path."""
    value = plain_read(m, t, pc, OPERAND, m.wait_mem[(pc >> 12) & 15], FETCHED)
    if value < 0:
        value = read_aside(m, t, pc, pc, OPERAND)
    return value


@compiled
def write_aside(m, t, pc, address, value):
    """Write memory with time and PC where all can see them."""
    m.t = t
    m.pc = pc
    if m.bus_watch == 0:
        write_fully(m, address, value)
    elif skipped(m, t) < 0:
        waits = m.wait_mem[address >> 12]
        if wait_found(m, t + 1 + waits, np.int64(WRITE), address) == 0:
            write_fully(m, address, value)
            ran(m, t + 3 + waits, WRITE, 0)
            cycle_done(m)


@compiled
def write_slow(m, t, pc, address, value):
    """Write memory off the fast path."""
    page = (address >> 12) & 15
    base = m.write_base_true[page]
    if base < 0 or (m.log_only == 0 and (
            m.plain_aside == 0 or (m.stop_map[np.uint64(address)] & WRITING) != 0)):
        write_aside(m, t, pc, address, value)
    else:
        m.phys[np.uint64(base + (address & 0xFFF))] = value
        if m.logging == 1:
            log_entry(m, t, WRITE, address, value, m.wait_mem[page], CPU_DRIVES)


@inlined
def rd(m, t, pc, address):
    """Run a memory read cycle; the byte, and the time after it."""
    page = (address >> 12) & 15
    base = m.read_base[page]
    if base >= 0:
        value = np.int64(m.phys[np.uint64(base + (address & 0xFFF))])
    else:
        value = read_slow(m, t, pc, address)
    return value, t + 3 + m.wait_mem[page]


@inlined
def wr(m, t, pc, address, value):
    """Run a memory write cycle; the time after it."""
    page = (address >> 12) & 15
    base = m.write_base[page]
    if base >= 0:
        m.phys[np.uint64(base + (address & 0xFFF))] = value
    else:
        write_slow(m, t, pc, address, value)
    return t + 3 + m.wait_mem[page]


@inlined
def m1(m, t, pc):
    """Run an opcode fetch and step R; the byte, the time after it, and the next PC."""
    page = (pc >> 12) & 15
    base = m.read_base[page]
    if base >= 0:
        value = np.int64(m.phys[np.uint64(base + (pc & 0xFFF))])
    else:
        value = opcode_slow(m, t, pc)
        pc -= value >> 8  # PC stands while an instruction of mode 0 is read
        value &= 0xFF
    m.refresh += 1
    return value, t + 4 + m.wait_m1[page], (pc + 1) & 0xFFFF


@inlined
def m1_first(m, t, pc):
    """Run the first opcode fetch of an instruction as `m1` does; byte -1, and time and PC as
    they were, when a stop stands before it."""
    page = (pc >> 12) & 15
    base = m.read_base[page]
    if base >= 0:
        value = np.int64(m.phys[np.uint64(base + (pc & 0xFFF))])
    else:
        if m.sampling != 0 and before_step(m, t, pc) == 0:
            return np.int64(-1), t, pc
        # merged into the run loop, where it stands once: half of a trace's cycles save the call
        value = plain_read(m, t, pc, FETCH, m.wait_m1[page], FETCHED | EXECUTED)
        if value < 0:
            value = first_aside(m, t, pc)
            if value < 0:
                if m.sampling == SAMPLED:
                    m.row_count -= 1
                return value, t, pc
        pc -= value >> 8
        value &= 0xFF
    m.refresh += 1
    return value, t + 4 + m.wait_m1[page], (pc + 1) & 0xFFFF


@inlined
def fetch(m, t, pc):
    """Read an operand byte at PC; the byte, the time after it, and the next PC."""
    page = (pc >> 12) & 15
    base = m.read_base[page]
    if base >= 0:
        value = np.int64(m.phys[np.uint64(base + (pc & 0xFFF))])
    else:
        value = operand_slow(m, t, pc)
        pc -= value >> 8
        value &= 0xFF
    return value, t + 3 + m.wait_mem[page], (pc + 1) & 0xFFFF


@inlined
def fetch16(m, t, pc):
    """Read an operand word at PC, low byte first."""
    low, t, pc = fetch(m, t, pc)
    high, t, pc = fetch(m, t, pc)
    return low | high << 8, t, pc


@inlined
def push(m, t, pc, value):
    """Write a word below SP, high byte first; the time after it."""
    sp = (m.sp - 1) & 0xFFFF
    t = wr(m, t, pc, sp, value >> 8)
    sp = (sp - 1) & 0xFFFF
    m.sp = sp
    return wr(m, t, pc, sp, value & 0xFF)


@inlined
def pop(m, t, pc):
    """Read a word at SP, low byte first; the word, and the time after it."""
    sp = m.sp
    low, t = rd(m, t, pc, sp)
    sp = (sp + 1) & 0xFFFF
    high, t = rd(m, t, pc, sp)
    m.sp = (sp + 1) & 0xFFFF
    return low | high << 8, t
