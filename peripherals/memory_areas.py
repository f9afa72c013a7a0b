"""Where the memory of the memory cards answers, worked out from their jumpers alone."""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from peripherals.card import MemoryArea, PageRange, roles
from peripherals.eeprom_28c import length_of

SPACE = 0x10000  # bytes that the CPU addresses
HALF = SPACE // 2


def plain_areas(settings: Mapping[str, Any]) -> list[MemoryArea]:
    """Give the addresses of a ROM and a RAM at fixed places, the RAM in up to three parts."""
    rom, ram = _range(settings, "rom"), _range(settings, "ram")
    latch = "latch" if settings["rom-off"] == "latch" else ""
    out = []
    if rom:
        out.append(MemoryArea(rom.start, len(rom), roles.ROM_AREA, latch,
                              _repeats(settings, "rom")))
    shared = range(max(rom.start, ram.start), min(rom.stop, ram.stop))
    open_parts = ((range(ram.start, shared.start), range(shared.stop, ram.stop)) if shared
                  else (ram,))
    for part in open_parts:
        if part:
            out.append(MemoryArea(part.start, len(part), roles.RAM_AREA, "",
                                  _repeats(settings, "ram")))
    if shared:
        under = roles.SWITCHED if latch else (
            roles.WRITTEN if settings["write-under"] else roles.NEVER)
        out.append(MemoryArea(shared.start, len(shared), roles.RAM_AREA, latch, "under the ROM",
                              under))
    return sorted(out, key=lambda area: (area.start, area.under != ""))


def _range(settings: Mapping[str, Any], kind: str) -> range:
    start = int(settings[f"{kind}-start"])
    return range(start, min(start + int(settings[f"{kind}-size"]), SPACE))


def _repeats(settings: Mapping[str, Any], kind: str) -> str:
    chip, decoded = int(settings[f"{kind}-chip-size"]), int(settings[f"{kind}-size"])
    if kind == "rom":
        chip = length_of(settings["rom-part"]) or chip
    return f"a chip of {chip} bytes, repeated" if 0 < chip < decoded else ""


def banked_areas(settings: Mapping[str, Any]) -> list[MemoryArea]:
    """Give the windows, or what stands in both halves of the address space (overlay)."""
    size = int(settings["window-size"])
    if settings["scheme"] == "overlay":
        rom, bit = int(settings["rom-area"]), int(settings["paging-bit"])
        below = [MemoryArea(0, rom, roles.ROM_AREA, "latch", f"until bit {bit} of the latch is 1")]
        if rom < HALF:
            below.append(MemoryArea(rom, HALF - rom, roles.WINDOW, "latch", "the latch's RAM bank"))
        return [*below,
                MemoryArea(0, rom, roles.WINDOW, "latch", "the latch's RAM bank", roles.SWITCHED),
                MemoryArea(HALF, HALF, roles.RAM_AREA, "",
                           f"RAM bank {int(settings['common-bank'])}, always")]
    blank = "" if settings["paging"] == "always" else "page 0 until paging is on"
    return [MemoryArea(n * size, size, roles.WINDOW, f"page{n}", blank)
            for n in range(SPACE // size)]


def banked_pages(settings: Mapping[str, Any]) -> list[PageRange]:
    """Give the pages of the flash, and those of the RAM."""
    size, ram = int(settings["window-size"]), int(settings["ram-size"])
    chips = ((0, int(settings["flash-size"]), roles.ROM_AREA),
             (int(settings["ram-page"]), ram, roles.RAM_AREA))
    return [PageRange(first, length // size, size, what) for first, length, what in chips if length]
