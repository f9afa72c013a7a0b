"""A byte-program flash chip of the 39SF010/020/040 class, as part of a memory card.

Commands, codes and times after the data sheet (S71147, table 4 and timing tables): unlock
cycles look at A14-A0 only; programming only turns 1 into 0; while it is busy every read
gives status, DQ7 the inverse of the bit being programmed (0 while erasing) and DQ6 flips
at each read.  A wrong byte in a sequence drops back to reading (from memory).
"""
from __future__ import annotations

from fractions import Fraction
from math import ceil

import numpy as np

from emu.jit import compiled

# Busy with.
IDLE, PROGRAM, SECTOR_ERASE, CHIP_ERASE = range(4)

FLASH = np.dtype([
    ("origin", np.int64), ("length", np.int64),  # in phys (not base and size: records have those)
    ("device", np.int64),  # device code, read at A0 = 1 in ID mode
    ("step", np.int64),  # cycles of a sequence seen: 0-2, 3 = A0 seen, 10-12 = after 80h
    ("id_mode", np.int64),
    ("busy", np.int64), ("busy_until", np.int64),
    ("at", np.int64), ("byte", np.int64),
    ("toggle", np.int64),
    ("program_time", np.int64), ("sector_time", np.int64), ("chip_time", np.int64),  # T-states
    ("stray", np.int64),  # writes that belonged to no command
    ("commands", np.int64),  # programs and erases begun
], align=True)

MAKER = 0xBF
DEVICES = {128 << 10: 0xB5, 256 << 10: 0xB6, 512 << 10: 0xB7}
TIMES = {  # seconds: typical, maximum (erase maxima from memory)
    "typical": (Fraction(14, 10**6), Fraction(18, 1000), Fraction(70, 1000)),
    "maximum": (Fraction(20, 10**6), Fraction(25, 1000), Fraction(100, 1000)),
}
SECTOR = 4096


def fit(flash: np.record, base: int, size: int, grade: str, hz: Fraction) -> None:
    """Set a chip up at power-on: its place, its codes, its times in T-states."""
    flash.origin, flash.length = base, size
    flash.device = DEVICES.get(size, 0xB7)
    times = [ceil(t * hz) for t in TIMES[grade]]
    flash.program_time, flash.sector_time, flash.chip_time = times


@compiled
def settle(m, f, t):
    """Finish what is due by T-state t; 1 when the chip has become readable."""
    if f.busy == IDLE or t < f.busy_until:
        return np.int64(0)
    if f.busy == PROGRAM:
        at = f.origin + f.at
        m.phys[at] = np.int64(m.phys[at]) & f.byte
    elif f.busy == SECTOR_ERASE:
        start = f.origin + f.at // SECTOR * SECTOR
        for k in range(SECTOR):
            m.phys[start + k] = 0xFF
    else:
        for k in range(f.length):
            m.phys[f.origin + k] = 0xFF
    f.busy = IDLE
    return np.int64(1)


@compiled
def read(m, f, at):
    """Read the chip in ID mode or while busy, or plainly."""
    if f.busy != IDLE:
        f.toggle ^= 0x40
        seven = (f.byte & 0x80) ^ 0x80 if f.busy == PROGRAM else 0
        return seven | f.toggle
    if f.id_mode == 1:
        return f.device if (at & 1) != 0 else np.int64(MAKER)
    return np.int64(m.phys[f.origin + at])


@compiled
def begin(f, kind, at, byte, t, length):
    """Start programming or erasing."""
    f.busy = kind
    f.busy_until = t + length
    f.at = at
    f.byte = byte
    f.toggle = 0
    f.step = 0
    f.id_mode = 0
    f.commands += 1


@compiled
def write(f, at, byte, t):
    """Take one write cycle; 1 when the chip's answer to reads has changed."""
    if f.busy != IDLE:
        return np.int64(0)
    unlock = at & 0x7FFF
    if f.step == 3:
        begin(f, PROGRAM, at, byte, t, f.program_time)
        return np.int64(1)
    if (f.step == 0 or f.step == 10) and unlock == 0x5555 and byte == 0xAA:
        f.step += 1
    elif (f.step == 1 or f.step == 11) and unlock == 0x2AAA and byte == 0x55:
        f.step += 1
    elif f.step == 2 and unlock == 0x5555:
        return third(f, byte)
    elif f.step == 12 and byte == 0x30:
        begin(f, SECTOR_ERASE, at, np.int64(0), t, f.sector_time)
        return np.int64(1)
    elif f.step == 12 and byte == 0x10 and unlock == 0x5555:
        begin(f, CHIP_ERASE, at, np.int64(0), t, f.chip_time)
        return np.int64(1)
    else:
        changed = f.id_mode if byte == 0xF0 else np.int64(0)
        if byte != 0xF0:
            f.stray += 1
        else:
            f.id_mode = 0
        f.step = 1 if unlock == 0x5555 and byte == 0xAA else 0
        return changed
    return np.int64(0)


@compiled
def third(f, byte):
    """Take the command byte behind the two unlock cycles."""
    f.step = 0
    if byte == 0xA0:
        f.step = 3
    elif byte == 0x80:
        f.step = 10
    elif byte == 0x90:
        f.id_mode = 1
        return np.int64(1)
    elif byte == 0xF0:
        changed = f.id_mode
        f.id_mode = 0
        return changed
    else:
        f.stray += 1
    return np.int64(0)
