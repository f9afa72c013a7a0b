"""The chip in a memory card's ROM socket that can be written: one of three families, or none.

A card puts `CHIP_FIELDS` into its state, lets plain memory answer reads while the chip is not
`awake`, and asks the chip while it is.  The families: nor_flash.py, flash_29f.py, eeprom_28c.py.
"""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals import eeprom_28c, flash_29f, nor_flash

ROM, NOR, LARGE, EEPROM = range(4)  # families; LARGE: sectors of 16 or 64 KiB
CHIP_FIELDS = [("family", np.int64), ("flash", nor_flash.FLASH), ("large", flash_29f.AMD),
               ("eeprom", eeprom_28c.EEPROM)]
FLASHES = tuple(flash_29f.PARTS)
EEPROMS = tuple(eeprom_28c.PARTS)


def length_of(part: str) -> int:
    """Give the bytes of a part, 0 for one that has no size of its own."""
    if part in FLASHES:
        return flash_29f.PARTS[part].length
    return eeprom_28c.length_of(part)


def fit(s: Any, base: int, room: int, part: str, settings: Mapping[str, Any], hz: Fraction) -> None:
    """Set the chip up at power-on; ``room`` bytes of phys are its own, in its repeats, too."""
    grade = settings["flash-times"]
    if part in FLASHES:
        s.family = LARGE
        flash_29f.fit(s.large, base, flash_29f.PARTS[part], grade, hz,
                      settings["over-zero"] == "and")
    elif part in EEPROMS:
        s.family = EEPROM
        eeprom_28c.fit(s.eeprom, base, room, eeprom_28c.PARTS[part], grade, hz,
                       settings["software-protected"])
    elif part == "39sf" and room in nor_flash.DEVICES:
        s.family = NOR
        nor_flash.fit(s.flash, base, room, grade, hz)


@inlined
def awake(s):
    """Tell whether the chip itself, and not plain memory, must answer reads."""
    if s.family == NOR:
        return nor_flash.awake(s.flash)
    if s.family == LARGE:
        return flash_29f.awake(s.large)
    return s.eeprom.active == 1


@compiled
def settle(m, s, t):
    """Finish what is due by T-state t; 1 when the chip has become readable."""
    if s.family == NOR:
        return nor_flash.settle(m, s.flash, t)
    if s.family == LARGE:
        return flash_29f.settle(m, s.large, t)
    return eeprom_28c.settle(m, s.eeprom, t)


@compiled
def ends(s):
    """Give the T-state at which it becomes readable by itself, FAR when it is."""
    if s.family == NOR and s.flash.busy != nor_flash.IDLE:
        return s.flash.busy_until
    if s.family == LARGE:
        return flash_29f.ends(s.large)
    if s.family == EEPROM and s.eeprom.active == 1:
        return eeprom_28c.ends(s.eeprom)
    return np.int64(FAR)


@compiled
def read(m, s, at, t):
    """Read the byte ``at`` of a settled chip."""
    if s.family == NOR:
        return nor_flash.read(m, s.flash, at)
    if s.family == LARGE:
        return flash_29f.read(m, s.large, at, t)
    return eeprom_28c.read(m, s.eeprom, at)


@compiled
def write(m, s, at, byte, t):
    """Take one write cycle of a settled chip; 1 when its answer to reads may have changed."""
    if s.family == NOR:
        return nor_flash.write(m, s.flash, at, byte, t)
    if s.family == LARGE:
        return flash_29f.write(m, s.large, at, byte, t)
    return eeprom_28c.write(m, s.eeprom, at, byte, t)


@compiled
def vain(s):
    """Count the writes so far that did nothing."""
    return s.flash.stray + s.large.stray + s.eeprom.missed + s.eeprom.refused


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip's state in words."""
    if s.family == LARGE:
        return flash_29f.describe(m, s.large)
    if s.family == EEPROM:
        return eeprom_28c.describe(m, s.eeprom)
    return nor_flash.describe(m, s.flash)
