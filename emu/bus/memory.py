"""The page map: 64 KiB of address space over physical ROM and RAM.

A memory card claims pages (`claim`): a base in ``phys`` for what plain memory can
answer, or CALL when the card must be asked (flash that is busy, a window smaller than
a page), or ROM for writes that go nowhere.  The bus reads only ``rb`` and ``wb``; a
negative entry means the slow path in emu/bus/cycles.py.
"""
from __future__ import annotations

from emu.bus.state import (
    CALL,
    NOT_MINE,
    PAGES,
    SEVERAL,
)
from emu.native.jit import compiled, inlined


@inlined
def claim(m, slot, page, read_base, write_base):
    """Say how a slot answers in a page: bases in phys, or NOT_MINE, CALL, ROM."""
    m.rclaim[slot, page] = read_base
    m.wclaim[slot, page] = write_base
    if m.mem_count == 1:
        m.read_base_true[page] = read_base
        m.write_base_true[page] = write_base
        owner = slot + 1 if read_base != NOT_MINE or write_base != NOT_MINE else 0
        if m.owner[page] != owner:
            here = 1 if owner > 0 else 0
            m.owner[page] = owner
            m.wait_m1[page] = m.cpu_wait_m1 + here * m.slot_wait_m1[slot]
            m.wait_mem[page] = m.cpu_wait_mem + here * m.slot_wait_mem[slot]
        m.read_base[page] = read_base if m.slow_read[page] == 0 else CALL
        m.write_base[page] = write_base if m.slow_write[page] == 0 else CALL
    else:
        remap(m, page)


@compiled
def remap(m, page):
    """Combine all cards' claims of one page."""
    readers = 0
    writers = 0
    owner = 0
    wait_m1 = 0
    wait_mem = 0
    read_base = NOT_MINE
    write_base = NOT_MINE
    for k in range(m.mem_count):
        slot = m.mem_slots[k]
        r = m.rclaim[slot, page]
        w = m.wclaim[slot, page]
        if r == NOT_MINE and w == NOT_MINE:
            continue
        owner = slot + 1
        wait_m1 = max(wait_m1, m.slot_wait_m1[slot])
        wait_mem = max(wait_mem, m.slot_wait_mem[slot])
        if r != NOT_MINE:
            readers += 1
            read_base = r
        if w != NOT_MINE:
            writers += 1
            write_base = w
    if readers > 1:
        read_base = SEVERAL
    if writers > 1:
        write_base = SEVERAL
    m.read_base_true[page] = read_base
    m.write_base_true[page] = write_base
    m.owner[page] = owner
    m.wait_m1[page] = m.cpu_wait_m1 + wait_m1
    m.wait_mem[page] = m.cpu_wait_mem + wait_mem
    m.read_base[page] = read_base if m.slow_read[page] == 0 else CALL
    m.write_base[page] = write_base if m.slow_write[page] == 0 else CALL


@compiled
def refresh_map(m):
    """Set the fast map anew after the log, the stops, or what the bus keeps has changed."""
    others = m.keeps_last + m.ack_bytes + m.faulty + m.bus_watch
    every = 1 if m.logging + m.sampling + others > 0 else 0
    m.plain_aside = 1 if others == 0 else 0
    m.log_only = 1 if m.logging == 1 and m.stop_kinds == 0 and others == 0 else 0
    for page in range(PAGES):
        m.slow_read[page] = every | m.stop_reads[page]
        m.slow_write[page] = every | m.stop_writes[page]
        m.read_base[page] = m.read_base_true[page] if m.slow_read[page] == 0 else CALL
        m.write_base[page] = m.write_base_true[page] if m.slow_write[page] == 0 else CALL
