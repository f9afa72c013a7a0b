"""A byte-program NOR flash of the 39SF010A, 020A and 040 class, as a part of memory cards.

Commands, codes and times after the data sheet (S71147, table 4 and timing tables).  The
unlocking looks at A14-A0 only:

    program a byte   5555 AA, 2AAA 55, 5555 A0, address data
    erase 4 KiB      5555 AA, 2AAA 55, 5555 80, 5555 AA, 2AAA 55, address 30
    erase the chip   5555 AA, 2AAA 55, 5555 80, 5555 AA, 2AAA 55, 5555 10
    ID mode          5555 AA, 2AAA 55, 5555 90; left by F0 anywhere, or after the unlocking

While the chip is busy every read, an opcode fetch too, gives status: DQ7 the inverse of
the bit being programmed, 0 in an erase; DQ6 flips at each read, the first gives 1; the
other bits, which the sheet leaves open, read 0.  Programming only turns 1 into 0.  From
memory: a wrong byte drops back to reading; in ID mode only the way out is taken; a busy
chip takes no writes.  The chip has no reset pin, so all this outlives a RESET.

A card keeps a FLASH record in its state, lets plain memory answer reads while the chip is
not `awake`, and asks the chip while it is.
"""
from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np

from emu.native.jit import compiled, inlined

# What it is busy with.
IDLE, PROGRAM, SECTOR_ERASE, CHIP_ERASE = range(4)

# How far a command has come: what the next write must be.
FIRST, SECOND, COMMAND, DATA, ERASE_FIRST, ERASE_SECOND, ERASE_COMMAND = range(7)

FLASH = np.dtype([
    ("origin", np.int64), ("length", np.int64),  # in phys (not base, size, device:
    # a record has attributes of these names)
    ("code", np.int64),  # device code, read at A0 = 1 in ID mode
    ("step", np.int64), ("id_mode", np.int64),
    ("busy", np.int64), ("busy_until", np.int64),  # first T-state in which it reads plainly
    ("at", np.int64), ("byte", np.int64),
    ("toggle", np.int64),  # DQ6 as read last
    ("time", np.int64, (4,)),  # T-states by what it is busy with
    ("programs", np.int64), ("erases", np.int64),
    ("unerased", np.int64), ("unerased_at", np.int64),  # programmed a 1 over a 0
    ("stray", np.int64), ("stray_at", np.int64),  # writes that belonged to no command
], align=True)

MAKER = 0xBF
DEVICES = {128 << 10: 0xB5, 256 << 10: 0xB6, 512 << 10: 0xB7}
TIMES = {  # microseconds by what it is busy with: typical, maximum (erase maxima from memory)
    "typical": (0, 14, 18_000, 70_000),
    "maximum": (0, 20, 25_000, 100_000),
}
SECTOR = 4096


def fit(flash: Any, base: int, size: int, grade: str, hz: Fraction) -> None:
    """Set a chip up at power-on: its place, its codes, its times in T-states; ``size`` is a
    key of DEVICES."""
    flash.origin, flash.length = base, size
    flash.code = DEVICES[size]
    for kind, micros in enumerate(TIMES[grade]):
        flash.time[kind] = ceil(hz * Fraction(micros, 1_000_000))


@inlined
def awake(f):
    """Tell whether the chip itself, and not plain memory, must answer reads."""
    return f.busy != IDLE or f.id_mode == 1


@compiled
def settle(m, f, t):
    """Finish what is due by T-state t; 1 when the chip has become readable."""
    if f.busy == IDLE or t < f.busy_until:
        return np.int64(0)
    if f.busy == PROGRAM:
        place = f.origin + f.at
        m.phys[place] = np.int64(m.phys[place]) & f.byte
    elif f.busy == SECTOR_ERASE:
        start = f.origin + f.at // SECTOR * SECTOR
        m.phys[start:start + SECTOR] = 0xFF
    else:
        m.phys[f.origin:f.origin + f.length] = 0xFF
    f.busy = IDLE
    return np.int64(1)


@compiled
def read(m, f, at):
    """Read the byte ``at`` of a settled chip."""
    if f.busy != IDLE:
        f.toggle ^= 0x40
        seven = (f.byte & 0x80) ^ 0x80 if f.busy == PROGRAM else np.int64(0)
        return seven | f.toggle
    if f.id_mode == 1:
        return f.code if (at & 1) != 0 else np.int64(MAKER)
    return np.int64(m.phys[f.origin + at])


@compiled
def begin(f, kind, at, byte, t):
    """Start programming or erasing."""
    f.busy = kind
    f.busy_until = t + f.time[kind]
    f.at = at
    f.byte = byte
    f.toggle = 0
    f.step = FIRST


@compiled
def start_program(m, f, at, byte, t):
    """Start programming a byte."""
    if (np.int64(m.phys[f.origin + at]) & byte) != byte:
        f.unerased += 1
        f.unerased_at = at
    f.programs += 1
    begin(f, PROGRAM, at, byte, t)


@compiled
def go_astray(f, at):
    """Take a write that is no part of a command."""
    f.step = FIRST
    f.stray += 1
    f.stray_at = at


@compiled
def third(f, at, byte):
    """Take the command behind the two unlock cycles."""
    f.step = FIRST
    if byte == 0x90:
        f.id_mode = 1
    elif byte == 0xA0 and f.id_mode == 0:
        f.step = DATA
    elif byte == 0x80 and f.id_mode == 0:
        f.step = ERASE_FIRST
    else:
        go_astray(f, at)


@compiled
def write(m, f, at, byte, t):
    """Take one write cycle of a settled chip; 1 when its answer to reads may have changed."""
    was = awake(f)
    step = f.step
    key = at & 0x7FFF
    if f.busy != IDLE:
        go_astray(f, at)
        return np.int64(0)
    if step == DATA:
        start_program(m, f, at, byte, t)
    elif byte == 0xF0:
        f.id_mode = 0
        f.step = FIRST
    elif step == COMMAND and key == 0x5555:
        third(f, at, byte)
    elif (step == FIRST or step == ERASE_FIRST) and key == 0x5555 and byte == 0xAA:
        f.step = step + 1
    elif (step == SECOND or step == ERASE_SECOND) and key == 0x2AAA and byte == 0x55:
        f.step = step + 1
    elif step == ERASE_COMMAND and (byte == 0x30 or (byte == 0x10 and key == 0x5555)):
        f.erases += 1
        begin(f, SECTOR_ERASE if byte == 0x30 else CHIP_ERASE, at, np.int64(0), t)
    else:
        go_astray(f, at)
    return np.int64(1) if was != awake(f) else np.int64(0)


def describe(m: Any, f: Any) -> list[str]:
    """Give the chip's state in words."""
    out = []
    left = int(f.busy_until - m.t)
    if f.busy and left > 0:
        doing = ("", "programming a byte", "erasing a sector", "erasing itself")[int(f.busy)]
        out.append(f"flash is {doing} for {left} T-states more: reads give status bits")
    elif f.id_mode:
        out.append("flash is in ID mode: reads give its codes")
    if f.programs or f.erases:
        out.append(f"flash: {int(f.programs)} bytes programmed, {int(f.erases)} erases")
    if f.unerased:
        out.append(f"flash: {int(f.unerased)} bytes programmed over zeros that no erase had "
                   f"removed, the last at {int(f.unerased_at):05X}h")
    if f.stray:
        out.append(f"flash: {int(f.stray)} writes belonged to no command, the last at "
                   f"{int(f.stray_at):05X}h")
    return out
