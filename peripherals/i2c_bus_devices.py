"""The devices on an I2C bus: a clock of class DS1307, a 24Cxx memory, a sensor that stretches.

DS1307 after its data sheet (p.8): registers 00h-07h, RAM 08h-3Fh, the time copied at each START,
the divider cleared by writing the seconds.  24Cxx after Microchip DS20001203 and DS21709: pages
that roll over in themselves, a write cycle from the STOP on in which no address is acknowledged,
reads that count through the whole array.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.bus.state import FAR
from emu.bus.wires import drive_clock, drive_level
from emu.native.jit import compiled, inlined
from peripherals.calendar import HOUR, SECOND, start_second
from peripherals.i2c_bus_state import (
    BLOCK,
    CLOCK,
    LEAST,
    MEMORY,
    NOBODY,
    SENSOR,
    SQW,
    settle,
)

CLOCK_ADDRESS = 0x68
CONTROL, RAM = 7, 8  # registers of the clock behind the calendar's
MASKS = (0x7F, 0x7F, 0x3F, 0x07, 0x3F, 0x1F, 0xFF)  # bits of its first seven registers
STOPPED, TWELVE = 0x80, 0x40  # bits of the seconds and hours
OUT, SQWE = 0x80, 0x10  # bits of its control register
SQUARES = (1, 4096, 8192, 32768)  # hertz, by RS1 and RS0


# --- the clock ------------------------------------------------------------------------------
@inlined
def field_of(number):
    """Give the calendar's field of a clock register: day and date are the other way round."""
    return np.int64(5) if number == 3 else number - 1 if number == 4 or number == 5 else number


@compiled
def clock_register(s, number):
    """Give one of the first seven registers as it stands."""
    value = s.calendar.field[field_of(number)]
    if number == SECOND:
        return value | STOPPED if s.calendar.running == 0 else value
    if number == HOUR and (value & 0x80) != 0:
        return (value & 0x3F) | TWELVE
    return value


@compiled
def square(m, s, t):
    """Drive SQW/OUT as the control register says."""
    if (s.control & SQWE) == 0:
        drive_level(m, s.slot, np.int64(SQW), (s.control >> 7) & 1, t)
        return
    hertz = np.int64(SQUARES[s.control & 3])
    drive_clock(m, s.slot, np.int64(SQW), s.calendar.num, s.calendar.den * hertz, t, np.int64(0), t)


@compiled
def clock_put(m, s, byte, t):
    """Write the clock's next register."""
    number = s.clock_at
    s.clock_at = (number + 1) & 0x3F
    if number >= RAM:
        s.ram[number - RAM] = byte
    elif number == CONTROL:
        s.control = byte & 0x93
        square(m, s, t)
    elif number == HOUR:
        value = byte & 0x3F
        s.calendar.field[HOUR] = value | 0x80 if (byte & TWELVE) != 0 else value
    else:
        s.calendar.field[field_of(number)] = byte & MASKS[number]
        if number == SECOND:
            s.calendar.running = 1 if (byte & STOPPED) == 0 else 0
            start_second(s.calendar, t)
    settle(m, s)


@compiled
def clock_get(s):
    """Read the clock's next register."""
    number = s.clock_at
    s.clock_at = (number + 1) & 0x3F
    if number >= RAM:
        return np.int64(s.ram[number - RAM])
    return s.control if number == CONTROL else np.int64(s.moment[number])


# --- the memory -----------------------------------------------------------------------------
@inlined
def is_memory(s, address):
    """Tell whether a seven-bit address is the memory's."""
    return s.span > 0 and address >> 3 == 0x0A and (
        (address & 7) >> s.block_bits == (s.pins & 7) >> s.block_bits)


@compiled
def memory_put(s, byte):
    """Take an address byte, or a byte for the page."""
    if s.place <= s.address_bytes:
        if s.address_bytes == 1:
            s.at = (s.at & ~np.int64(0xFF)) | byte
        elif s.place == 1:
            s.at = byte << 8
        else:
            s.at |= byte
        s.at &= s.span - 1
        s.page_at = s.at & ~(s.page - 1)
        s.pending = 0
        return
    at = s.at & (s.page - 1)
    if s.pending == 0:
        for k in range(s.page):
            s.touched[k] = 0
    if s.pending > 0 and at == 0:
        s.wrapped += 1
    s.buffer[at] = byte
    s.touched[at] = 1
    s.pending += 1
    s.at = s.page_at | ((at + 1) & (s.page - 1))


@compiled
def memory_stop(m, s, t):
    """Begin the write cycle of what has been sent."""
    if s.pending == 0:
        return
    s.pending = 0
    if s.protected == 1:
        return
    for k in range(s.page):
        if s.touched[k] == 1:
            s.memory[s.page_at + k] = s.buffer[k]
    s.writes += 1
    first = s.page_at // BLOCK
    if s.dirty == 0:
        s.dirty_from = first
        s.dirty_to = first
    s.dirty = 1
    s.dirty_from = min(s.dirty_from, first)
    s.dirty_to = max(s.dirty_to, first)
    ask_host(m, s.slot)
    m.medium_t = t
    s.write_t = t + max(s.write_time, LEAST)
    settle(m, s)


@compiled
def memory_get(s):
    """Read the memory's next byte."""
    byte = np.int64(s.memory[s.at])
    s.at = (s.at + 1) & (s.span - 1)
    s.reads += 1
    return byte


# --- all of them ----------------------------------------------------------------------------
@compiled
def called(s, byte, t):
    """Give who answers an address byte."""
    address = byte >> 1
    s.addressed = byte
    s.addressed_t = t
    s.refused = 0
    if s.asking == 1 and not is_memory(s, address):
        s.given_up += 1
    s.asking = 0
    if s.clock_fitted == 1 and (address == CLOCK_ADDRESS or s.any_address == CLOCK):
        return np.int64(CLOCK)
    if is_memory(s, address) or s.any_address == MEMORY:
        if s.write_t != FAR:
            s.busy_refusals += 1
            s.busy_t = t
            s.asking = 1
            return np.int64(NOBODY)
        if s.block_bits > 0:
            high = (address & ((1 << s.block_bits) - 1)) << 8
            s.at = ((s.at & 0xFF) | high) & (s.span - 1)
        return np.int64(MEMORY)
    if s.sensor >= 0 and (address == s.sensor or s.any_address == SENSOR):
        return np.int64(SENSOR)
    s.refused = 1
    s.refused_t = t
    s.refusals += 1
    return np.int64(NOBODY)


@compiled
def put(m, s, byte, t):
    """Let the device that is spoken to take a byte."""
    s.place += 1
    if s.who == CLOCK:
        if s.place == 1:
            s.clock_at = byte & 0x3F
        else:
            clock_put(m, s, byte, t)
    elif s.who == MEMORY:
        memory_put(s, byte)
    else:
        s.took = byte


@compiled
def get(s):
    """Let the device that is spoken to give a byte."""
    if s.who == CLOCK:
        return clock_get(s)
    if s.who == MEMORY:
        return memory_get(s)
    if s.gives_count == 0:
        return np.int64(0xFF)
    s.sensor_at = (s.sensor_at + 1) % s.gives_count
    return np.int64(s.gives[s.sensor_at])
