"""A ROM and RAM card at fixed addresses: no banks, no registers.

Whole 4 KiB pages are claimed with their bases; a page that holds only part of a chip is
answered through the `memory` entry, which is slower.  A ROM smaller than its decode
repeats in it; RAM holds noise at power-on.
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus import ASK_WRITE
from emu.memory import claim
from emu.state import CALL, NOT_MINE, PAGES, ROM
from peripherals.card import Card, Jumper, Setup, entry

STATE = np.dtype([
    ("slot", np.int64),
    ("rom_start", np.int64), ("rom_end", np.int64),  # addresses; end is exclusive
    ("ram_start", np.int64), ("ram_end", np.int64),
    ("ram_base", np.int64),  # of RAM in phys; ROM stands at mem_base
], align=True)


@entry(STATE)
def reset(m, s, a, t):
    """Claim the pages; nothing changes at a later reset."""
    slot = s.slot
    for page in range(PAGES):
        low = page * 4096
        high = low + 4096
        rom = s.rom_start < high and s.rom_end > low
        ram = s.ram_start < high and s.ram_end > low
        if s.rom_start <= low and s.rom_end >= high:
            claim(m, slot, page, m.mem_base[slot] + low - s.rom_start, ROM)
        elif s.ram_start <= low and s.ram_end >= high:
            base = s.ram_base + low - s.ram_start
            claim(m, slot, page, base, base)
        elif rom or ram:
            claim(m, slot, page, CALL, CALL)
        else:
            claim(m, slot, page, NOT_MINE, NOT_MINE)
    return np.int64(0)


@entry(STATE)
def memory(m, s, a, t):
    """Answer in a page of which the card holds only a part."""
    address = a & 0xFFFF
    if s.ram_start <= address < s.ram_end:
        at = s.ram_base + address - s.ram_start
        if (a & ASK_WRITE) != 0:
            m.phys[at] = (a >> 16) & 0xFF
        return np.int64(m.phys[at])
    if s.rom_start <= address < s.rom_end:
        return np.int64(m.phys[m.mem_base[s.slot] + address - s.rom_start])
    return np.int64(-1)


def memory_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of ROM and RAM together."""
    return int(settings["rom-size"]) + int(settings["ram-size"])


def power_on(setup: Setup) -> None:
    """Put the image into the ROM, repeated to its decode, and noise into the RAM."""
    s, settings, m = setup.state, setup.settings, setup.machine
    base = int(m.mem_base[setup.slot])
    rom, ram = settings["rom-size"], settings["ram-size"]
    s.rom_start, s.rom_end = settings["rom-start"], settings["rom-start"] + rom
    s.ram_start, s.ram_end = settings["ram-start"], settings["ram-start"] + ram
    s.ram_base = base + rom
    image = setup.images.get("image")
    if image is not None and rom:
        chip = settings["chip-size"] or rom
        data = np.frombuffer(image.flatten(chip), np.uint8)
        m.phys[base:base + rom] = np.resize(data, rom)
    else:
        m.phys[base:base + rom] = 0xFF
    m.phys[base + rom:base + rom + ram] = setup.random.integers(0, 256, ram, np.uint8)


def describe(m: Any, s: Any) -> list[str]:
    """Give the layout in words."""
    out = []
    if s.rom_end > s.rom_start:
        out.append(f"ROM {int(s.rom_start):04X}h-{int(s.rom_end) - 1:04X}h")
    if s.ram_end > s.ram_start:
        out.append(f"RAM {int(s.ram_start):04X}h-{int(s.ram_end) - 1:04X}h")
    return out


CARD = Card(
    name="plain-memory",
    summary="ROM and RAM at fixed addresses",
    source="common practice, no source",
    state=STATE,
    functions={"reset": reset, "memory": memory},
    jumpers=(
        Jumper("image", "file", None, "what is burned into the ROM"),
        Jumper("rom-start", "int", 0, "first address of the ROM", high=0xFFFF),
        Jumper("rom-size", "int", 0x8000, "bytes of address space that the ROM decodes",
               high=0x10000),
        Jumper("chip-size", "int", 0, "bytes of the ROM chip when it is smaller than its decode "
               "(it then repeats); 0: as large as the decode", high=0x10000),
        Jumper("ram-start", "int", 0x8000, "first address of the RAM", high=0xFFFF),
        Jumper("ram-size", "int", 0x8000, "bytes of RAM", high=0x10000),
    ),
    memory_size=memory_size,
    power_on=power_on,
    describe=describe,
)
