"""Bus cycles of a card that has the bus: memory and ports, of two to four T-states.

    master_read, master_write      called in ``master``; ``m.t`` stands behind the cycle then

A cycle is told by four numbers: ``port`` (1: I/O, 0: memory), the address, its T-states, and
``ends``, bits of the signals that end half a T-state early (EARLY_IORQ ... EARLY_WR), which
only a trace shows.  ``waited`` is 1 when the card looks at /WAIT, so that the wait states of
memory and ports lengthen the cycle; a card that does not takes the byte that stands there.
"""
from __future__ import annotations

from emu.bus.cycles import memory_on_bus, memory_takes, stops_on_read
from emu.bus.log import log_word
from emu.bus.port_cycles import port_on_bus, port_takes, port_waits, stops_on_port
from emu.bus.state import (
    DMA_IN,
    DMA_OUT,
    DMA_READ,
    DMA_WRITE,
    LOG_FULL,
    READ,
    STOP_CHANGE,
    STOP_IN,
    STOP_OUT,
    STOP_READ,
    STOP_WRITE,
)
from emu.bus.stops import check_stops, leave, stop_on
from emu.native.jit import compiled, inlined

EARLY_IORQ, EARLY_MREQ, EARLY_RD, EARLY_WR = 1, 2, 4, 8


@inlined
def waits_of(m, port, address, waited):
    """Give the wait states that a cycle gets."""
    if waited == 0:
        return 0 * address
    return port_waits(m, address) if port == 1 else m.wait_mem[address >> 12]


@inlined
def log_master(m, kind, address, value, waits, driver, length, ends):
    """Write a card's bus cycle to the ring; R's place holds its length and early ends."""
    if m.logging == 1:
        log_word(m, m.t, address | value << 16 | kind << 24 | waits << 28 | driver << 36
                 | (length | ends << 4) << 44)
        if m.log_pos >= m.log_limit:
            leave(m, LOG_FULL)


@compiled
def master_read(m, port, address, length, ends, waited):
    """Run a read cycle; the byte."""
    waits = waits_of(m, port, address, waited)
    when = m.t + length - 1 + waits
    if port == 1:
        value = port_on_bus(m, address, waits + length - 4, when)
        log_master(m, DMA_IN, address, value, waits, m.bus_driver, length, ends)
        stops_on_port(m, STOP_IN, address, value)
    else:
        value = memory_on_bus(m, address, READ, waits + length - 3, when)
        m.bus_byte = value
        log_master(m, DMA_READ, address, value, waits, m.bus_driver, length, ends)
        if m.stop_kinds != 0:
            stops_on_read(m, 1 << STOP_READ, address, value)
    m.t += length + waits
    return value


@compiled
def master_write(m, slot, port, address, value, length, ends, waited):
    """Run a write cycle of the card in a slot."""
    waits = waits_of(m, port, address, waited)
    when = m.t + length - 1 + waits
    if port == 1:
        log_master(m, DMA_OUT, address, value, waits, slot + 1, length, ends)
        port_takes(m, address, value, when)
        stop_on(m, STOP_OUT, address & 0xFF, value)
    else:
        memory_takes(m, address, value, when)
        log_master(m, DMA_WRITE, address, value, waits, slot + 1, length, ends)
        wanted = m.stop_map[address] & (1 << STOP_WRITE | 1 << STOP_CHANGE)
        if wanted != 0:
            check_stops(m, wanted, address, value)
    m.t += length + waits
    return 0
