"""A parallel EEPROM of the 28C64, 28C64B and 28C256 class, as a part of memory cards.

After the data sheets (AT28C256 0006K, AT28C64B 0270L, AT28C64): a plain write begins, further bytes
of the same page may follow within 150 us each, then the chip stores them by itself.  While it
loads and stores, every read, an opcode fetch too, gives DQ7 as the inverse of the last byte's
and a DQ6 that flips; the other bits, which the sheets leave open, read 0.  Software protection:

    on, and before each write then   5555 AA, 2AAA 55, 5555 A0, 0 to 64 bytes
    off                              5555 AA, 2AAA 55, 5555 80, 5555 AA, 2AAA 55, 5555 20

(an 8 KiB part sees A12-A0 of these).  A protected chip that is written without the prefix stores
nothing, and is busy all the same.  The 28C64 without B has no pages, no protection and no DQ6.

From memory, and so the first to be doubted: writes while it stores are ignored; bytes of another
page land in the page of the last one; typical times.  Not modelled: RDY/BUSY, the wait of 5 ms at
power-up (the reset is longer), what a chip does below its voltage.
"""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np

from emu.native.jit import compiled, inlined

PAGE = 64
WINDOW = 150  # microseconds within which the next byte of a page comes
EEPROM = np.dtype([
    ("origin", np.int64), ("length", np.int64),  # in phys
    ("room", np.int64),  # bytes there: a chip smaller than its decode stands there again
    ("page", np.int64),  # bytes, 1: it takes single ones
    ("lockable", np.int64), ("locked", np.int64),  # software protection
    ("window", np.int64), ("cycle", np.int64),  # T-states
    ("active", np.int64),  # 1: it loads or stores
    ("last_t", np.int64), ("last_at", np.int64), ("last_byte", np.int64),  # the last load
    ("step", np.int64),  # of a command, -1: these bytes are none
    ("open", np.int64),  # 1: what is loaded will be stored
    ("lock_next", np.int64),  # protection after the cycle
    ("place", np.int64),  # page that the bytes go to
    ("given", np.uint8, (PAGE,)), ("held", np.uint8, (PAGE,)),  # loaded offsets, and bytes
    ("meant", np.int64, (PAGE,)),  # where each of them was written
    ("toggle", np.int64),
    ("cycles", np.int64),  # begun so far
    ("missed", np.int64), ("missed_t", np.int64),  # writes while it stored, the last ...
    ("missed_at", np.int64), ("missed_byte", np.int64), ("missed_pc", np.int64),
    ("refused", np.int64), ("refused_t", np.int64), ("refused_at", np.int64),  # protected
    ("refused_pc", np.int64),
    ("crossed", np.int64), ("crossed_t", np.int64), ("crossed_at", np.int64),  # out of the page
    ("crossed_pc", np.int64),
    ("foreign", np.int64),  # erase commands of a flash
    # the last bytes that were not stored, and where they were to go
    ("kept", np.uint8, (PAGE,)), ("kept_at", np.int64, (PAGE,)), ("keeps", np.int64),
], align=True)


@dataclass(frozen=True)
class Part:
    """A member of the family: bytes, bytes a page, microseconds of a cycle (typical, maximum)."""

    length: int
    page: int
    cycle: tuple[int, int]
    lockable: bool


PARTS = {
    "28c64": Part(8 << 10, 1, (1000, 1000), False),
    "28c64b": Part(8 << 10, PAGE, (5000, 10_000), True),
    "28c256": Part(32 << 10, PAGE, (5000, 10_000), True),
}


def length_of(part: str) -> int:
    """Give the bytes of a part, 0 for what is none of them."""
    return PARTS[part].length if part in PARTS else 0


def fit(e: Any, base: int, room: int, part: Part, grade: str, hz: Fraction, locked: bool) -> None:
    """Set a chip up at power-on: its place, its times in T-states, its protection."""
    e.origin, e.length, e.room, e.page = base, part.length, room, part.page
    e.lockable, e.locked = int(part.lockable), int(part.lockable and locked)
    e.cycle = ceil(hz * Fraction(part.cycle[grade == "maximum"], 1_000_000))
    e.window = ceil(hz * Fraction(WINDOW, 1_000_000)) if part.page > 1 else 0
    e.step = -1


@inlined
def ends(e):
    """Give the T-state at which the cycle under way ends."""
    return e.last_t + e.window + e.cycle


@compiled
def store(m, e, at, byte):
    """Put a byte into the array, wherever it shows."""
    place = e.origin + at
    while place < e.origin + e.room:
        m.phys[place] = byte
        place += e.length


@compiled
def settle(m, e, t):
    """Finish what is due by T-state t; 1 when the chip has become readable."""
    if e.active == 0 or t < ends(e):
        return np.int64(0)
    if e.open == 1:
        for k in range(e.page):
            if e.given[k] == 1:
                store(m, e, e.place + k, e.held[k])
    e.locked = e.lock_next
    e.active = 0
    return np.int64(1)


@compiled
def read(m, e, at):
    """Read the byte ``at`` of a settled chip."""
    if e.active == 0:
        return np.int64(m.phys[e.origin + at])
    if e.page > 1:
        e.toggle ^= 0x40
    return (e.last_byte & 0x80) ^ 0x80 | e.toggle


@compiled
def follow(e, at, byte):
    """Take a byte as the next of a command: 1 when it was its last."""
    key = at & (e.length - 1)
    first = np.int64(0x5555) & (e.length - 1)
    second = np.int64(0x2AAA) & (e.length - 1)
    step = e.step
    e.step = -1
    if (step == 0 or step == 3) and key == first and byte == 0xAA:
        e.step = step + 1
    elif (step == 1 or step == 4) and key == second and byte == 0x55:
        e.step = step + 1
    elif step == 2 and key == first and byte == 0x80:
        e.step = 3
    elif step == 2 and key == first and byte == 0xA0:
        e.lock_next = 1
        return np.int64(1)
    elif step == 5 and key == first and byte == 0x20:
        e.lock_next = 0
        return np.int64(1)
    elif step == 5 and (byte == 0x30 or byte == 0x10):
        e.foreign += 1
    return np.int64(0)


@compiled
def begin(e):
    """Begin to load."""
    e.active = 1
    e.cycles += 1
    e.step = 0 if e.lockable == 1 else -1
    e.open = 1 - e.locked
    e.lock_next = e.locked
    e.toggle = 0
    e.place = -1
    for k in range(PAGE):
        e.given[k] = 0


@compiled
def keep(e, at, byte):
    """Note a byte that is not stored."""
    e.kept[e.keeps % PAGE] = byte
    e.kept_at[e.keeps % PAGE] = at
    e.keeps += 1


@compiled
def load(m, e, at, byte, t):
    """Take a byte that is to be stored."""
    offset = at & (e.page - 1)
    place = at - offset
    if e.place >= 0 and e.place != place and e.step < 0:
        e.crossed += 1
        e.crossed_t = t
        e.crossed_at = at
        e.crossed_pc = m.pc
    if e.open == 0 and e.step < 0:
        e.refused += 1
        e.refused_t = t
        e.refused_at = at
        e.refused_pc = m.pc
        keep(e, at, byte)
    e.place = place
    e.given[offset] = 1
    e.held[offset] = byte
    e.meant[offset] = at


@compiled
def write(m, e, at, byte, t):
    """Take one write cycle of a settled chip; 1 when its answer to reads may have changed."""
    was = e.active
    if was == 1 and t >= e.last_t + e.window:
        e.missed += 1
        e.missed_t = t
        e.missed_at = at
        e.missed_byte = byte
        e.missed_pc = m.pc
        keep(e, at, byte)
        return np.int64(0)
    if was == 0:
        begin(e)
    command = np.int64(0)
    if e.step >= 0:
        command = follow(e, at, byte)
    if command == 1:
        e.open = 1
        e.place = -1
        for k in range(PAGE):
            e.given[k] = 0
    else:
        load(m, e, at, byte, t)
    e.last_t = t
    e.last_at = at
    e.last_byte = byte
    return np.int64(1)


def describe(m: Any, e: Any) -> list[str]:
    """Give the chip's state in words."""
    out = []
    if e.active:
        left = int(ends(e) - m.t)
        doing = "loads a page" if m.t < e.last_t + e.window else "stores"
        out.append(f"EEPROM {doing}, {left} T-states more: reads give status bits")
    if e.locked:
        out.append("EEPROM: software protection is on")
    if e.cycles:
        out.append(f"EEPROM: {int(e.cycles)} write cycles")
    if e.missed:
        out.append(f"EEPROM: {int(e.missed)} writes while it stored were ignored, the last to "
                   f"{int(e.missed_at):04X}h")
    if e.refused:
        out.append(f"EEPROM: {int(e.refused)} bytes refused by the software protection, the last "
                   f"cycle at {int(e.refused_at):04X}h")
    if e.crossed:
        out.append(f"EEPROM: {int(e.crossed)} times a page was left within one cycle, the last at "
                   f"{int(e.crossed_at):04X}h")
    if e.foreign:
        out.append(f"EEPROM: {int(e.foreign)} erase commands, which it does not know")
    return out
