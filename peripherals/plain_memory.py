"""A ROM and RAM card at fixed addresses, with a latch that can switch the ROM off.

A chip smaller than the addresses it decodes repeats in them.  Where both chips decode an
address the ROM answers reads, until the latch switches it off.  Whole 4 KiB pages are
claimed with their bases in phys; a page that holds only part of a chip is answered through
the `memory` entry, which is slower.  RAM holds noise at power-on, and the files of
``ram-load``, as a loader would have left them.
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus.cycles import ASK_WRITE
from emu.bus.memory import claim
from emu.bus.state import CALL, NOT_MINE, PAGES, ROM
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, PageWindow, Setup, entry, roles
from peripherals.memory_areas import plain_areas
from peripherals.memory_parts import chip_bytes, count_rom_write, fill_noise

PAGE = 4096

STATE = np.dtype([
    ("slot", np.int64),
    ("rom_start", np.int64), ("rom_end", np.int64),  # addresses; end is exclusive
    ("rom_base", np.int64),  # in phys, where the chip is repeated to its whole decode
    ("ram_start", np.int64), ("ram_end", np.int64),
    ("ram_base", np.int64), ("ram_chip", np.int64),  # in phys, and bytes there
    ("off_bit", np.int64),  # bit of the latch that switches the ROM off; -1: none
    ("rom_off", np.int64),
    ("under", np.int64),  # 1: writes reach the RAM under the ROM
], align=True)


@inlined
def ram_place(s, address):
    """Give where an address stands in the RAM chip."""
    return s.ram_base + (address - s.ram_start) % s.ram_chip


@compiled
def ram_claim(s, low):
    """Claim for the RAM in the page that begins at ``low``."""
    if s.ram_start >= low + PAGE or s.ram_end <= low:
        return np.int64(NOT_MINE)
    place = ram_place(s, low)
    if s.ram_start > low or s.ram_end < low + PAGE or place + PAGE > s.ram_base + s.ram_chip:
        return np.int64(CALL)
    return place


@compiled
def show(m, s):
    """Claim all pages."""
    for page in range(PAGES):
        low = np.int64(page * PAGE)
        ram = ram_claim(s, low)
        if s.rom_off == 1 or s.rom_start >= low + PAGE or s.rom_end <= low:
            claim(m, s.slot, page, ram, ram)
        elif s.rom_start > low or s.rom_end < low + PAGE:
            claim(m, s.slot, page, np.int64(CALL), np.int64(CALL))
        else:
            under = ram if s.under == 1 and ram != NOT_MINE else np.int64(ROM)
            claim(m, s.slot, page, s.rom_base + low - s.rom_start, under)


@entry(STATE)
def reset(m, s, a, t):
    """Clear the latch: the ROM is on."""
    s.rom_off = 0
    show(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """The latch is write-only."""
    return np.int64(-1)


@entry(STATE)
def write(m, s, a, t):
    """Write the latch."""
    off = np.int64(0) if s.off_bit < 0 else (a >> 8 >> s.off_bit) & 1
    if off != s.rom_off:
        s.rom_off = off
        show(m, s)
    return np.int64(0)


@entry(STATE)
def memory(m, s, a, t):
    """Answer in a page of which the card holds only a part, or part of a chip."""
    address = a & 0xFFFF
    rom = s.rom_off == 0 and s.rom_start <= address < s.rom_end
    ram = s.ram_start <= address < s.ram_end
    if (a & ASK_WRITE) != 0:
        if ram and (not rom or s.under == 1):
            m.phys[ram_place(s, address)] = (a >> 16) & 0xFF
        elif rom:
            count_rom_write(m, address, (a >> 16) & 0xFF)
        return np.int64(0)
    if rom:
        return np.int64(m.phys[s.rom_base + address - s.rom_start])
    if ram:
        return np.int64(m.phys[ram_place(s, address)])
    return np.int64(-1)


def _chip(settings: Mapping[str, Any], kind: str) -> int:
    """Give a chip's bytes."""
    return int(settings[f"{kind}-chip-size"] or settings[f"{kind}-size"])


def image_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of the ROM chip."""
    return int(settings["rom-chip-size"] or settings["rom-size"])


def memory_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of the ROM's decode and the RAM chip together."""
    return int(settings["rom-size"]) + (_chip(settings, "ram") if settings["ram-size"] else 0)


def ram_window(settings: Mapping[str, Any]) -> tuple[int, int]:
    """Give the addresses of the RAM, the end exclusive, without its repeats."""
    start = int(settings["ram-start"])
    return start, start + min(int(settings["ram-size"]), _chip(settings, "ram"))


def _check(setup: Setup, kind: str) -> None:
    """Refuse a chip that reaches past the address space."""
    settings = setup.settings
    start, size = settings[f"{kind}-start"], settings[f"{kind}-size"]
    if start + size > 0x10000:
        raise InputError(
            f"slot.{setup.name}: {kind}-start = {start:04X}h and {kind}-size = {size:X}h reach "
            f"past FFFFh; the {kind.upper()} can have {0x10000 - start:X}h bytes there.")


def power_on(setup: Setup) -> None:
    """Burn the image into the ROM; noise in the RAM."""
    s, settings, m = setup.state, setup.settings, setup.machine
    _check(setup, "rom")
    _check(setup, "ram")
    base = int(m.mem_base[setup.slot])
    rom, ram = settings["rom-size"], settings["ram-size"]
    s.rom_start, s.rom_end = settings["rom-start"], settings["rom-start"] + rom
    s.ram_start, s.ram_end = settings["ram-start"], settings["ram-start"] + ram
    s.rom_base, s.ram_base = base, base + rom
    s.ram_chip = _chip(settings, "ram") if ram else 1
    s.off_bit = settings["rom-off-bit"] if settings["rom-off"] == "latch" else -1
    s.under = int(settings["write-under"])
    if rom:
        chip = chip_bytes(setup.images.get("image"), _chip(settings, "rom"), settings["rom-start"])
        m.phys[base:base + rom] = np.resize(chip, rom)
    if ram:
        fill_noise(setup, int(s.ram_base), int(s.ram_chip))
    for name, image in setup.images.items():
        for segment in image.segments if name.startswith("ram-load.") else ():
            at = ram_place(s, segment.physical)
            m.phys[at:at + len(segment.data)] = np.frombuffer(segment.data, np.uint8)


def windows(_: Any, s: Any) -> list[PageWindow]:
    """Give the ROM's addresses where the latch can switch it off; RESET clears the latch."""
    if s.off_bit < 0:
        return []
    start = int(s.rom_start)
    return [PageWindow(start, int(s.rom_end) - start, "latch", int(s.rom_off))]


def describe(m: Any, s: Any) -> list[str]:
    """Give the layout in words."""
    out = []
    if s.rom_end > s.rom_start:
        off = ", switched off by the latch" if s.rom_off else ""
        out.append(f"ROM {int(s.rom_start):04X}h-{int(s.rom_end) - 1:04X}h{off}")
    if s.ram_end > s.ram_start:
        out.append(f"RAM {int(s.ram_start):04X}h-{int(s.ram_end) - 1:04X}h")
    return out


CARD = Card(
    name="plain-memory",
    summary="ROM and RAM at fixed addresses",
    source="common practice, no source",
    unmodelled=(
        "access times (a fault of the backplane)",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "memory": memory},
    jumpers=(
        Jumper("image", "file", None, "what is burned into the ROM"),
        Jumper("rom-start", "int", 0, "first address of the ROM", high=0xFFFF),
        Jumper("rom-size", "int", 0x8000, "bytes of address space that the ROM decodes; 0: no "
               "ROM", high=0x10000),
        Jumper("rom-chip-size", "int", 0, "bytes of the ROM chip when they differ from its "
               "decode (a smaller one repeats); 0: the same", high=0x80000),
        Jumper("ram-start", "int", 0x8000, "first address of the RAM", high=0xFFFF),
        Jumper("ram-size", "int", 0x8000, "bytes of address space that the RAM decodes; 0: no "
               "RAM", high=0x10000),
        Jumper("ram-chip-size", "int", 0, "bytes of the RAM chip when it is smaller than its "
               "decode (it then repeats); 0: the same", high=0x10000),
        Jumper("ram-load", "files", {}, "files that stand in the RAM at power-on, by names of "
               "your own; a raw binary with its address, as in \"program.bin@0x100\""),
        Jumper("rom-off", "choice", "never", "whether a bit of the register `latch` switches "
               "the ROM off", choices=("never", "latch")),
        Jumper("rom-off-bit", "int", 0, "which bit of the latch, 1 = off", high=7,
               counts_with=("rom-off", ("latch",))),
        Jumper("write-under", "flag", False, "writes to the ROM's addresses reach the RAM "
               "under it"),
    ),
    registers=("latch",),
    kinds={"latch": (roles.PAGE, roles.CONTROL)},
    needs_port=False,
    memory_size=memory_size,
    image_size=image_size,
    ram_window=ram_window,
    areas=plain_areas,
    power_on=power_on,
    describe=describe,
    windows=windows,
)
