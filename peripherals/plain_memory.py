"""A ROM and RAM card at fixed addresses, with a latch that can switch the ROM off.

The ROM's socket takes an EEPROM, too, which programs write (eeprom_28c.py).  A chip smaller than
the addresses it decodes repeats in them.  Where both chips decode an
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
from emu.bus.state import CALL, FAR, NOT_MINE, PAGES, ROM
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals import eeprom_28c, eeprom_28c_report
from peripherals.card import Card, Complaint, Jumper, PageWindow, Setup, entry, roles
from peripherals.eeprom_28c_report import CAUSES, role, troubles
from peripherals.memory_areas import plain_areas
from peripherals.memory_parts import chip_bytes, count_rom_write, fill_noise

PAGE = 4096
EEPROMS = tuple(eeprom_28c.PARTS)

STATE = np.dtype([
    ("slot", np.int64),
    ("rom_start", np.int64), ("rom_end", np.int64),  # addresses; end is exclusive
    ("rom_base", np.int64),  # in phys, where the chip is repeated to its whole decode
    ("ram_start", np.int64), ("ram_end", np.int64),
    ("ram_base", np.int64), ("ram_chip", np.int64),  # in phys, and bytes there
    ("wired", np.int64),  # 1: a wire at the input rom-off switches it instead
    ("off_bit", np.int64),  # bit of the latch that switches the ROM off; -1: none
    ("rom_off", np.int64),
    ("under", np.int64),  # 1: writes reach the RAM under the ROM
    ("is_rom", np.int64),  # 1: writes do not reach the chip in the ROM's socket
    ("eeprom", eeprom_28c.EEPROM),
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
            claim(m, s.slot, page,
                  np.int64(CALL) if s.eeprom.active == 1 else s.rom_base + low - s.rom_start,
                  under if s.is_rom == 1 else np.int64(CALL))


@entry(STATE)
def reset(m, s, a, t):
    """Clear the latch: the ROM is on, unless a wire says otherwise."""
    source = source_of(m, s.slot, np.int64(0))
    s.wired = 1 if source >= 0 else 0
    s.rom_off = m.line_level[source >> 8, source & 255] if source >= 0 else np.int64(0)
    show(m, s)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """Switch the ROM off while the wire is high."""
    source = source_of(m, s.slot, number)
    s.rom_off = m.line_level[source >> 8, source & 255]
    show(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """The latch is write-only."""
    return np.int64(-1)


@entry(STATE)
def write(m, s, a, t):
    """Write the latch."""
    if s.wired == 1:
        return np.int64(0)
    off = np.int64(0) if s.off_bit < 0 else (a >> 8 >> s.off_bit) & 1
    if off != s.rom_off:
        s.rom_off = off
        show(m, s)
    return np.int64(0)


@compiled
def finish(m, s, t):
    """Let the chip finish what is due; the map changes when it does."""
    if eeprom_28c.settle(m, s.eeprom, t) == 1:
        show(m, s)
    m.event_t[s.slot] = eeprom_28c.ends(s.eeprom) if s.eeprom.active == 1 else FAR


@entry(STATE)
def advance(m, s, t, b):
    """Let a write cycle end."""
    finish(m, s, t)
    return np.int64(0)


@compiled
def burn(m, s, address, byte, t):
    """Give the chip a write pulse."""
    e = s.eeprom
    vain = e.missed + e.refused
    if eeprom_28c.write(m, e, (address - s.rom_start) % e.length, byte, t) == 1:
        show(m, s)
        m.event_t[s.slot] = eeprom_28c.ends(e)
        m.next_event = 0
    if e.missed + e.refused != vain:
        count_rom_write(m, address, byte)


@entry(STATE)
def memory(m, s, a, t):
    """Answer for a chip that is written, and in a page of which the card holds only a part."""
    finish(m, s, t)
    address = a & 0xFFFF
    rom = s.rom_off == 0 and s.rom_start <= address < s.rom_end
    ram = s.ram_start <= address < s.ram_end
    if (a & ASK_WRITE) != 0:
        byte = (a >> 16) & 0xFF
        under = ram and (not rom or s.under == 1)
        if under:
            m.phys[ram_place(s, address)] = byte
        if rom and s.is_rom == 0:
            burn(m, s, address, byte, t)
        elif rom and not under:
            count_rom_write(m, address, byte)
        return np.int64(0)
    if rom and s.is_rom == 0:
        return eeprom_28c.read(m, s.eeprom, (address - s.rom_start) % s.eeprom.length)
    if rom:
        return np.int64(m.phys[s.rom_base + address - s.rom_start])
    if ram:
        return np.int64(m.phys[ram_place(s, address)])
    return np.int64(-1)


def _chip(settings: Mapping[str, Any], kind: str) -> int:
    """Give a chip's bytes."""
    part = eeprom_28c.length_of(settings["rom-part"]) if kind == "rom" else 0
    return int(part or settings[f"{kind}-chip-size"] or settings[f"{kind}-size"])


def image_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of the ROM chip."""
    return _chip(settings, "rom")


def memory_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of the ROM's decode and the RAM chip together."""
    return int(settings["rom-size"]) + (_chip(settings, "ram") if settings["ram-size"] else 0)


def ram_window(settings: Mapping[str, Any]) -> tuple[int, int]:
    """Give the addresses of the RAM, the end exclusive, without its repeats."""
    start = int(settings["ram-start"])
    return start, start + min(int(settings["ram-size"]), _chip(settings, "ram"))


def _check(setup: Setup, kind: str) -> None:
    """Refuse a chip that reaches past the address space, or a part of another size."""
    settings = setup.settings
    start, size = settings[f"{kind}-start"], settings[f"{kind}-size"]
    if start + size > 0x10000:
        raise InputError(
            f"slot.{setup.name}: {kind}-start = {start:04X}h and {kind}-size = {size:X}h reach "
            f"past FFFFh; the {kind.upper()} can have {0x10000 - start:X}h bytes there.")
    own = eeprom_28c.length_of(settings["rom-part"])
    if kind == "rom" and own and (size % own or settings["rom-chip-size"]):
        raise InputError(
            f"slot.{setup.name}: rom-part = {settings['rom-part']!r} has {own:X}h bytes; leave "
            f"rom-chip-size out, and make rom-size that, or some times that.")


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
        if settings["rom-part"] != "rom":
            eeprom_28c.fit(s.eeprom, base, rom, eeprom_28c.PARTS[settings["rom-part"]],
                           settings["flash-times"], setup.cpu_hz, settings["software-protected"])
    s.is_rom = int(settings["write-protect"] or s.eeprom.length == 0)
    if ram:
        fill_noise(setup, int(s.ram_base), int(s.ram_chip))
    for name, image in setup.images.items():
        for segment in image.segments if name.startswith("ram-load.") else ():
            at = ram_place(s, segment.physical)
            m.phys[at:at + len(segment.data)] = np.frombuffer(segment.data, np.uint8)


def protect(m: Any, s: Any, value: bool) -> None:
    """Set the write-protect jumper while it runs; a ROM takes no writes either way."""
    s.is_rom = int(value or s.eeprom.length == 0)
    show(m, s)


def byte_place(_: Any, s: Any, address: int, writing: bool) -> int:
    """Give where a byte stands of a page that the chips fill only in part."""
    rom = not s.rom_off and s.rom_start <= address < s.rom_end
    ram = s.ram_start <= address < s.ram_end
    if rom and not (writing and ram and s.under):
        if s.is_rom:
            return ROM if writing else int(s.rom_base) + address - int(s.rom_start)
        return CALL
    if ram:
        return int(s.ram_base) + (address - int(s.ram_start)) % int(s.ram_chip)
    return NOT_MINE


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give what the EEPROM says, and a RAM chip that repeats in its addresses."""
    repeats = s.ram_end - s.ram_start > s.ram_chip
    return [*eeprom_28c_report.complaints(m, s),
            *([Complaint(roles.RAM_REPEATS, jumper="ram-chip-size", mend=0,
                         count=int(s.ram_chip))] if repeats else [])]


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
        out += eeprom_28c.describe(m, s.eeprom)
    if s.ram_end > s.ram_start:
        out.append(f"RAM {int(s.ram_start):04X}h-{int(s.ram_end) - 1:04X}h")
    return out


CARD = Card(
    name="plain-memory",
    summary="ROM and RAM at fixed addresses",
    source="common practice, no source; EEPROMs: AT28C256 (0006K), AT28C64B (0270L) data sheets",
    unmodelled=(
        "access times (a fault of the backplane)",
        "RDY/BUSY of a 28C64, and what an EEPROM does below its voltage and just after power-up",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "memory": memory, "line": line},
    byte_place=byte_place,
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
        Jumper("rom-part", "choice", "rom", "what stands in the ROM's socket: a ROM, or an EEPROM "
               "that writes reach", choices=("rom", *EEPROMS)),
        Jumper("write-protect", "flag", False, "an EEPROM gets no write pulses",
               counts_with=("rom-part", EEPROMS)),
        Jumper("flash-times", "choice", "typical", "times of its write cycles",
               choices=("typical", "maximum"), counts_with=("rom-part", EEPROMS)),
        Jumper("software-protected", "flag", False, "its software protection was left on",
               counts_with=("rom-part", EEPROMS)),
    ),
    registers=("latch",),
    kinds={"latch": (roles.PAGE, roles.CONTROL)},
    needs_port=False,
    inputs=("rom-off",),
    memory_size=memory_size,
    image_size=image_size,
    ram_window=ram_window,
    areas=plain_areas,
    power_on=power_on,
    describe=describe,
    windows=windows,
    flash=role,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    live={"write-protect": protect},
)
