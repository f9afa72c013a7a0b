"""A flash of the 29F010 and 29F040 class, as a part of memory cards: large sectors, DQ5, suspend.

Commands, codes and status after the data sheets (Am29F040B 21445E5, AS29F040 table 4, Am29F010B).
The unlocking looks at A10-A0 (the first 29F010: A14-A0):

    program a byte   555 AA, 2AA 55, 555 A0, address data
    erase sectors    555 AA, 2AA 55, 555 80, 555 AA, 2AA 55, sector 30, within 50 us sector 30 ...
    erase the chip   555 AA, 2AA 55, 555 80, 555 AA, 2AA 55, 555 10
    codes            555 AA, 2AA 55, 555 90; left by F0 anywhere
    suspend, resume  B0 and 30 anywhere, in an erase of sectors

While it is busy reads give DQ7 (the inverse of the programmed bit, 0 in an erase), DQ6 that
flips, DQ5 (1: over its limit, until F0), DQ3 (1: the 50 us are over), DQ2 that flips inside
sectors under erase; the rest reads 0.  Programming a 1 over a 0 may end with DQ5 or with the
AND of both, the sheet allows either: the jumper says which.

From memory: the times, the codes of the 29F010, the end of the 50 us by any other command, and
that a suspend within the 50 us takes effect at once.  No sector is protected.
"""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined

# What it is busy with; WINDOW: an erase that takes more sectors still.
IDLE, PROGRAM, WINDOW, SECTORS, CHIP = range(5)
# How far a command has come: what the next write must be.
FIRST, SECOND, COMMAND, DATA, ERASE_FIRST, ERASE_SECOND, ERASE_COMMAND = range(7)
MAKER = 0x01
SUSPENDS = 20  # microseconds until a suspend takes effect

AMD = np.dtype([
    ("origin", np.int64), ("length", np.int64),  # in phys
    ("sector", np.int64),  # bytes
    ("code", np.int64),  # device code
    ("keys", np.int64),  # address bits that the unlocking looks at
    ("suspends", np.int64), ("ands", np.int64),  # what the part, or the jumper, has
    ("step", np.int64), ("id_mode", np.int64),
    ("busy", np.int64), ("until", np.int64),  # first T-state in which it is done
    ("window_end", np.int64),
    ("failed", np.int64),  # 1: DQ5
    ("chosen", np.int64),  # bits: sectors under erase
    ("asleep", np.int64), ("asleep_t", np.int64),  # 1: the erase is suspended, from when
    ("left", np.int64),  # T-states that a suspended erase has to go
    ("at", np.int64), ("byte", np.int64),
    ("toggle", np.int64), ("toggle2", np.int64),  # DQ6 and DQ2 as read last
    ("time_program", np.int64), ("time_limit", np.int64), ("time_sector", np.int64),
    ("time_chip", np.int64), ("time_window", np.int64), ("time_suspend", np.int64),
    ("programs", np.int64), ("erases", np.int64),
    ("erased", np.int64), ("erased_t", np.int64),  # sectors of the last erase, when it ended
    ("lost", np.int64),  # bytes other than FFh that it took
    ("stray", np.int64), ("stray_at", np.int64),  # writes that belonged to no command
    ("ignored", np.int64), ("ignored_t", np.int64),  # ... that came while it was busy
    ("ignored_byte", np.int64), ("ignored_pc", np.int64),
    ("polled_t", np.int64),  # when its status was read last
    ("first_t", np.int64),  # when it was busy first
    ("erase_t", np.int64),  # when the last erase began
], align=True)


@dataclass(frozen=True)
class Part:
    """A member of the family; times in microseconds, typical and maximum."""

    length: int
    sector: int
    code: int
    keys: int
    suspends: bool
    window: int
    sector_time: tuple[int, int]
    chip_time: tuple[int, int]


PARTS = {
    "29f010": Part(128 << 10, 16 << 10, 0x20, 0x7FFF, False, 80, (1_000_000, 15_000_000),
                   (8_000_000, 120_000_000)),
    "29f010b": Part(128 << 10, 16 << 10, 0x20, 0x7FF, True, 50, (500_000, 15_000_000),
                    (8_000_000, 120_000_000)),
    "29f040b": Part(512 << 10, 64 << 10, 0xA4, 0x7FF, True, 50, (1_000_000, 8_000_000),
                    (8_000_000, 64_000_000)),
}
PROGRAMS = (7, 300)  # microseconds, typical and maximum, which is the limit, too


def fit(f: Any, base: int, part: Part, grade: str, hz: Fraction, ands: bool) -> None:
    """Set a chip up at power-on: its place, its codes, its times in T-states."""
    worst = grade == "maximum"
    f.origin, f.length, f.sector = base, part.length, part.sector
    f.code, f.keys, f.suspends, f.ands = part.code, part.keys, int(part.suspends), int(ands)
    for name, micros in (("program", PROGRAMS[worst]), ("limit", PROGRAMS[1]),
                         ("sector", part.sector_time[worst]), ("chip", part.chip_time[worst]),
                         ("window", part.window), ("suspend", SUSPENDS)):
        f[f"time_{name}"] = ceil(hz * Fraction(micros, 1_000_000))


@inlined
def awake(f):
    """Tell whether the chip itself, and not plain memory, must answer reads."""
    return f.busy != IDLE or f.id_mode == 1 or f.asleep == 1


@inlined
def ends(f):
    """Give the T-state at which it changes by itself next."""
    if f.busy == IDLE or f.failed == 1:
        return np.int64(FAR)
    return f.until


@compiled
def erase(m, f, t):
    """Clear the chosen sectors."""
    lost = np.int64(0)
    for k in range(f.length // f.sector):
        if ((f.chosen >> k) & 1) != 0:
            start = f.origin + k * f.sector
            part = m.phys[start:start + f.sector]
            for at in range(f.sector):
                lost += 1 if part[at] != 0xFF else 0
            m.phys[start:start + f.sector] = 0xFF
    f.lost = lost
    f.erased = f.chosen
    f.erased_t = t
    f.chosen = 0


@compiled
def settle(m, f, t):
    """Finish what is due by T-state t; 1 when the chip has become readable."""
    if f.busy == WINDOW and t >= f.window_end:
        f.busy = SECTORS
    if f.busy == IDLE or f.failed == 1 or t < f.until:
        return np.int64(0)
    if f.busy == PROGRAM:
        place = f.origin + f.at
        old = np.int64(m.phys[place])
        m.phys[place] = old & f.byte
        if (old & f.byte) != f.byte and f.ands == 0:
            f.failed = 1
            return np.int64(0)
    elif f.asleep_t > 0:  # the suspend takes effect
        f.asleep = 1
        f.asleep_t = 0
    else:
        erase(m, f, f.until)
    f.busy = IDLE
    return np.int64(1)


@inlined
def under_erase(f, at):
    """Tell whether a byte lies in a sector that is being erased."""
    return ((f.chosen >> (at // f.sector)) & 1) != 0


@compiled
def status(f, at, t):
    """Give the status bits that a read sees."""
    f.polled_t = t
    if f.busy == IDLE:  # a suspended sector
        f.toggle2 ^= 0x04
        return 0x80 | f.toggle2
    f.toggle ^= 0x40
    if f.busy == PROGRAM:
        return (f.byte & 0x80) ^ 0x80 | f.toggle | (0x20 if f.failed == 1 else 0)
    if under_erase(f, at):
        f.toggle2 ^= 0x04
    return f.toggle | f.toggle2 | (0 if f.busy == WINDOW else 0x08)


@compiled
def read(m, f, at, t):
    """Read the byte ``at`` of a settled chip."""
    if f.busy != IDLE:
        return status(f, at, t)
    if f.id_mode == 1:
        if (at & 3) == 0:
            return np.int64(MAKER)
        return f.code if (at & 3) == 1 else np.int64(0)
    if f.asleep == 1 and under_erase(f, at):
        return status(f, at, t)
    return np.int64(m.phys[f.origin + at])


@compiled
def go_astray(f, at):
    """Take a write that is no part of a command."""
    f.step = FIRST
    f.stray += 1
    f.stray_at = at


@compiled
def while_busy(m, f, at, byte, t):
    """Take a write of a busy chip: F0 after DQ5, further sectors, suspend; all else is lost."""
    if f.busy == PROGRAM and f.failed == 1 and byte == 0xF0:
        f.failed = 0
        f.busy = IDLE
    elif f.busy == WINDOW and byte == 0x30:
        f.chosen |= np.int64(1) << (at // f.sector)
        choose(f, t)
    elif f.busy == WINDOW and byte == 0xB0 and f.suspends == 1:
        f.left = f.until - t
        f.busy = IDLE
        f.asleep = 1
    elif f.busy == WINDOW:
        f.busy = IDLE
        f.chosen = 0
        go_astray(f, at)
    elif f.busy == SECTORS and byte == 0xB0 and f.suspends == 1 and f.asleep_t == 0:
        stop = min(t + f.time_suspend, f.until - 1)
        f.left = f.until - stop
        f.until = stop
        f.asleep_t = stop
    else:
        f.ignored += 1
        f.ignored_t = t
        f.ignored_byte = byte
        f.ignored_pc = m.pc
        go_astray(f, at)


@compiled
def choose(f, t):
    """Begin, or begin anew, the time in which sectors are taken."""
    count = np.int64(0)
    for k in range(f.length // f.sector):
        count += (f.chosen >> k) & 1
    f.busy = WINDOW
    f.window_end = t + f.time_window
    f.until = f.window_end + count * f.time_sector


@compiled
def third(f, at, byte):
    """Take the command behind the two unlock cycles."""
    f.step = FIRST
    if byte == 0x90:
        f.id_mode = 1
    elif byte == 0xA0 and f.id_mode == 0:
        f.step = DATA
    elif byte == 0x80 and f.id_mode == 0 and f.asleep == 0:
        f.step = ERASE_FIRST
    else:
        go_astray(f, at)


@compiled
def program(m, f, at, byte, t):
    """Begin to program a byte; one over its zeros runs to the limit."""
    f.step = FIRST
    if f.asleep == 1 and under_erase(f, at):
        go_astray(f, at)
        return
    fits = (np.int64(m.phys[f.origin + at]) & byte) == byte
    if f.programs + f.erases == 0:
        f.first_t = t
    f.programs += 1
    f.busy = PROGRAM
    f.until = t + (f.time_program if fits or f.ands == 1 else f.time_limit)
    f.at = at
    f.byte = byte
    f.toggle = 0


@compiled
def start_erase(f, at, byte, t):
    """Begin an erase."""
    f.step = FIRST
    if f.programs + f.erases == 0:
        f.first_t = t
    f.erase_t = t
    f.erases += 1
    f.toggle = 0
    f.toggle2 = 0
    if byte == 0x30:
        f.chosen = np.int64(1) << (at // f.sector)
        choose(f, t)
    else:
        f.chosen = (np.int64(1) << (f.length // f.sector)) - 1
        f.busy = CHIP
        f.until = t + f.time_chip


@compiled
def write(m, f, at, byte, t):
    """Take one write cycle of a settled chip; 1 when its answer to reads may have changed."""
    was = awake(f)
    step = f.step
    key = at & f.keys
    first = key == (np.int64(0x5555) & f.keys)
    second = key == (np.int64(0x2AAA) & f.keys)
    if f.busy != IDLE:
        while_busy(m, f, at, byte, t)
    elif step == DATA:
        program(m, f, at, byte, t)
    elif byte == 0xF0:
        f.id_mode = 0
        f.step = FIRST
    elif step == COMMAND and first:
        third(f, at, byte)
    elif (step == FIRST or step == ERASE_FIRST) and first and byte == 0xAA:
        f.step = step + 1
    elif (step == SECOND or step == ERASE_SECOND) and second and byte == 0x55:
        f.step = step + 1
    elif step == ERASE_COMMAND and (byte == 0x30 or (byte == 0x10 and first)):
        start_erase(f, at, byte, t)
    elif step == FIRST and byte == 0x30 and f.asleep == 1:
        f.asleep = 0
        f.busy = SECTORS
        f.until = t + f.left
    else:
        go_astray(f, at)
    return np.int64(1) if was or awake(f) else np.int64(0)


def sectors(f: Any, bits: int) -> str:
    """Name sectors by the chip's addresses."""
    size = int(f.sector)
    return ", ".join(f"{k * size:05X}h-{(k + 1) * size - 1:05X}h"
                     for k in range(int(f.length) // size) if bits >> k & 1)


def describe(m: Any, f: Any) -> list[str]:
    """Give the chip's state in words."""
    out = []
    if f.busy:
        doing = ("", "programming a byte", "about to erase sectors, and takes more",
                 "erasing sectors", "erasing itself")[int(f.busy)]
        left = ("; it has failed (DQ5), and waits for F0h" if f.failed else
                f", {int(f.until - m.t)} T-states more")
        out.append(f"flash is {doing}{left}: reads give status bits")
    elif f.asleep:
        out.append(f"flash: the erase of {sectors(f, int(f.chosen))} is suspended")
    elif f.id_mode:
        out.append("flash gives its codes: autoselect has not been left by F0h")
    if f.programs or f.erases:
        out.append(f"flash: {int(f.programs)} bytes programmed, {int(f.erases)} erases")
    if f.erased:
        out.append(f"flash: the last erase took {sectors(f, int(f.erased))}, {int(f.lost)} bytes "
                   f"of which were not blank")
    if f.stray:
        out.append(f"flash: {int(f.stray)} writes belonged to no command, the last at "
                   f"{int(f.stray_at):05X}h; {int(f.ignored)} came while it was busy")
    return out
