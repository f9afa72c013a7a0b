"""Where in physical memory a byte of the address space stands, as the pages lie now.

Whole pages of 4 KiB have their place in the page map; a card that holds only a part of one, such as
a RAM chip of 2 KiB, says itself where its bytes are (`Card.byte_place`).
"""
from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from emu.bus.state import CALL, NOT_MINE, PAGES

if TYPE_CHECKING:
    from emu.machine.machine import Machine

PAGE, BLOCK = 0x1000, 0x100  # bytes; no chip on a card is smaller than a block


def place(machine: Machine, address: int, writing: bool = False) -> int:
    """Give the place of a byte in ``phys``; below 0 it is a claim of emu/bus/state.py: no plain
    memory takes it (``writing``), or gives it."""
    m = machine.m
    base = int((m.write_base_true if writing else m.read_base_true)[address >> 12 & PAGES - 1])
    if base >= 0:
        return base + (address & PAGE - 1)
    if base == CALL:
        owner = int(m.owner[address >> 12 & PAGES - 1]) - 1
        slot = machine.slots[owner] if 0 <= owner < len(machine.slots) else None
        if slot is not None and slot.card.byte_place is not None:
            at = slot.card.byte_place(m, slot.state, address & 0xFFFF, writing)
            return at if at < len(m.phys) else NOT_MINE
    return base


def places(machine: Machine, writing: bool = False) -> np.ndarray:
    """Give the places of all bytes: int64, (65536,), a claim where no plain memory answers."""
    m = machine.m
    bases = np.asarray(m.write_base_true if writing else m.read_base_true)
    out = np.repeat(bases, PAGE)
    out[out >= 0] += np.tile(np.arange(PAGE), PAGES)[out >= 0]
    for page in np.nonzero(bases == CALL)[0].tolist():
        for low in range(page * PAGE, (page + 1) * PAGE, BLOCK):
            first = place(machine, low, writing)
            out[low:low + BLOCK] = first + np.arange(BLOCK) if first >= 0 else first
    return out


def blocks(machine: Machine, writing: bool) -> np.ndarray:
    """Give the places where blocks of 256 bytes begin: int64, (256,)."""
    return places(machine, writing)[::BLOCK]
