"""Banked flash and RAM: windows of the address space, each showing a physical page.

Physical pages count from 0: the flash first, RAM from ``ram-page`` on; a page where no
chip stands floats, or shows a smaller chip again.  Two schemes:

* "pages": each window has a page register.  While paging is off every window shows flash
  page 0.  The registers are plain latches without a clear, so they hold noise at power-on;
  ``reset-clears`` says what RESET clears.
* "overlay": the ROM stands in the lower 32 KiB, or in a part of it, until a bit of the latch
  takes it out and shows RAM; a field of the latch picks the 32 KiB RAM bank there.  The
  upper 32 KiB always show the common bank.

A wire at bit0 to bit7 takes the place of that bit of the page registers (overlay: of the latch), in
all windows or in those that ``wired-windows`` names; while paging is off, it counts no more than
the registers do.

Common practice, no source; the chip in the flash's socket: writable_chip.py.
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus.cycles import ASK_WRITE
from emu.bus.memory import claim
from emu.bus.state import CALL, NOT_MINE, ROM
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals import writable_chip
from peripherals.card import Card, Complaint, Jumper, PageWindow, Setup, Trouble, entry, roles
from peripherals.memory_areas import banked_areas, banked_pages
from peripherals.memory_parts import chip_bytes, count_rom_write, fill_noise
from peripherals.writable_chip import CHIP_FIELDS, EEPROMS, FLASHES, length_of
from peripherals.writable_chip_report import CAUSES, chip_complaints, chip_role, chip_troubles

WINDOWS = 16
PAGES_ONLY, OVERLAY_ONLY = ("scheme", ("pages",)), ("scheme", ("overlay",))
WIRED = 8  # bits of a register that may come by wire
LATCH = WINDOWS  # register number behind page0 to page15

STATE = np.dtype([
    ("slot", np.int64),
    ("page", np.int64, (WINDOWS + 1,)),  # page registers, then the latch
    ("paging", np.int64),  # 1: the page registers count; overlay: the ROM is out
    ("on_register", np.int64), ("on_bit", np.int64),  # what turns it on; bit -1: always on
    ("clears_pages", np.int64), ("clears_latch", np.int64),
    ("windows", np.int64), ("shift", np.int64),  # a window has 1 << shift bytes
    ("page_mask", np.int64),
    ("overlay", np.int64),  # windows that the ROM covers; 0: the scheme "pages"
    ("bank_shift", np.int64), ("bank_mask", np.int64), ("common", np.int64),
    ("flash_pages", np.int64), ("ram_page", np.int64), ("ram_pages", np.int64),
    ("repeats", np.int64),  # 1: a smaller chip shows again under higher pages
    ("ram_base", np.int64),  # in phys
    # bits of the registers that wires give, their levels, and the windows where they count, as bits
    ("wired", np.int64), ("levels", np.int64), ("wired_windows", np.int64),
    ("is_rom", np.int64),  # 1: writes do not reach the chip
    *CHIP_FIELDS,
    ("pulled_pc", np.int64), ("pulled_pc_at", np.int64),  # changed the page under PC
    ("pulled_sp", np.int64), ("pulled_sp_at", np.int64),  # and under the stack
], align=True)


@inlined
def with_wires(s, byte, window):
    """Give a register's bits as a window gets them: those that are wired, as their wires are."""
    if (s.wired_windows >> window) & 1 == 0:
        return byte
    return (byte & ~s.wired) | s.levels


@inlined
def overlay_page(s, window):
    """Give the physical page that a window shows in the overlay scheme."""
    if s.paging == 0 and window < s.overlay:
        return window
    half = s.windows >> 1
    bank = s.common
    if window < half:
        bank = (with_wires(s, s.page[LATCH], window) >> s.bank_shift) & s.bank_mask
    return s.ram_page + bank * half + window % half


@inlined
def wanted_page(s, window):
    """Give the physical page that a window asks for."""
    if s.overlay > 0:
        return overlay_page(s, window)
    return with_wires(s, s.page[window], window) & s.page_mask if s.paging == 1 else np.int64(0)


@compiled
def shown_page(s, window):
    """Give the physical page that a window shows, or -1: it floats."""
    page = wanted_page(s, window)
    if page >= s.ram_page and s.ram_pages > 0:
        at = page - s.ram_page
        if s.repeats == 1:
            at %= s.ram_pages
        return s.ram_page + at if at < s.ram_pages else np.int64(-1)
    if s.repeats == 1 and s.flash_pages > 0:
        page %= s.flash_pages
    return page if page < s.flash_pages else np.int64(-1)


@compiled
def show(m, s, window):
    """Map one window by its page."""
    page = shown_page(s, window)
    read_base = np.int64(NOT_MINE)
    write_base = np.int64(NOT_MINE)
    if page >= s.ram_page and s.ram_pages > 0:
        read_base = s.ram_base + ((page - s.ram_page) << s.shift)
        write_base = read_base
    elif page >= 0:
        read_base = m.mem_base[s.slot] + (page << s.shift)
        write_base = np.int64(ROM) if s.is_rom == 1 else np.int64(CALL)
        if writable_chip.awake(s):
            read_base = np.int64(CALL)
    first = window << s.shift >> 12
    for k in range(1 << s.shift >> 12):
        part = k << 12
        r = read_base + part if read_base >= 0 else read_base
        w = write_base + part if write_base >= 0 else write_base
        claim(m, s.slot, first + k, r, w)


@compiled
def show_all(m, s):
    """Map every window."""
    for window in range(s.windows):
        show(m, s, window)


@inlined
def turned_on(s):
    """Tell whether paging is on, or the ROM out, by the registers; overlay: perhaps by a wire."""
    if s.overlay > 0:
        return (with_wires(s, s.page[LATCH], np.int64(0)) >> s.on_bit) & 1
    return np.int64(1) if s.on_bit < 0 else (s.page[s.on_register] >> s.on_bit) & 1


@compiled
def take_wires(m, s):
    """See which bits are wired, and their levels."""
    s.wired = 0
    s.levels = 0
    for bit in range(WIRED):
        source = source_of(m, s.slot, np.int64(bit))
        if source >= 0:
            s.wired |= np.int64(1) << bit
            s.levels |= m.line_level[source >> 8, source & 255] << bit


@entry(STATE)
def reset(m, s, a, t):
    """Clear what the card's RESET line clears."""
    take_wires(m, s)
    if s.clears_latch == 1:
        s.page[LATCH] = 0
    if s.clears_pages == 1:
        for window in range(WINDOWS):
            s.page[window] = 0
    s.paging = turned_on(s)
    show_all(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """The registers are write-only: nothing drives the bus."""
    return np.int64(-1)


@inlined
def pull(m, s, pc_page, pc_window):
    """Note when the page that holds the next instruction has gone."""
    if shown_page(s, pc_window) != pc_page:
        s.pulled_pc += 1
        s.pulled_pc_at = m.pc


@compiled
def change(m, s, register, byte):
    """Change the latch, or what turns paging on: any window may show another page."""
    pc_window = m.pc >> s.shift
    pc_page = shown_page(s, pc_window)
    s.page[register] = byte
    s.paging = turned_on(s)
    show_all(m, s)
    pull(m, s, pc_page, pc_window)


@entry(STATE)
def write(m, s, a, t):
    """Write a page register or the latch."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register == LATCH or (register == s.on_register and s.on_bit >= 0):
        change(m, s, register, byte)
    elif register < s.windows:
        old = s.page[register]
        s.page[register] = byte
        if s.paging == 1 and ((old ^ byte) & s.page_mask) != 0:
            show(m, s, register)
            if m.pc >> s.shift == register:
                s.pulled_pc += 1
                s.pulled_pc_at = m.pc
            if m.sp >> s.shift == register:
                s.pulled_sp += 1
                s.pulled_sp_at = m.pc
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """See a wired bit change: windows may show another page."""
    pc_window = m.pc >> s.shift
    pc_page = shown_page(s, pc_window)
    take_wires(m, s)
    s.paging = turned_on(s)
    show_all(m, s)
    pull(m, s, pc_page, pc_window)
    return np.int64(0)


@inlined
def chip_address(s, address):
    """Give the flash chip's address behind an address of the CPU, or -1."""
    page = shown_page(s, address >> s.shift)
    if page < 0 or (page >= s.ram_page and s.ram_pages > 0):
        return np.int64(-1)
    return (page << s.shift) | (address & ((1 << s.shift) - 1))


@compiled
def finish(m, s, t):
    """Let the flash finish what is due; the map changes when it does."""
    if writable_chip.settle(m, s, t) == 1:
        show_all(m, s)
    m.event_t[s.slot] = writable_chip.ends(s)


@entry(STATE)
def advance(m, s, t, b):
    """Let a program or erase end."""
    finish(m, s, t)
    return np.int64(0)


@entry(STATE)
def memory(m, s, a, t):
    """Answer for the flash: commands, and reads that plain memory cannot give."""
    finish(m, s, t)
    address = a & 0xFFFF
    at = chip_address(s, address)
    if at < 0:
        return np.int64(-1)
    if (a & ASK_WRITE) == 0:
        return writable_chip.read(m, s, at, t)
    byte = (a >> 16) & 0xFF
    vain = writable_chip.vain(s)
    if writable_chip.write(m, s, at, byte, t) == 1:
        show_all(m, s)
        m.event_t[s.slot] = writable_chip.ends(s)
        m.next_event = 0
    if writable_chip.vain(s) != vain:
        count_rom_write(m, address, byte)
    return np.int64(0)


def image_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of the flash chip."""
    return int(settings["flash-size"])


def memory_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of flash and RAM together."""
    return int(settings["flash-size"]) + int(settings["ram-size"])


def order(settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the usual order of ports: one page register a window, then the latch if it counts."""
    if settings["scheme"] == "overlay":
        return ("latch",)
    pages = tuple(f"page{n}" for n in range(65536 // settings["window-size"]))
    return (*pages, "latch") if settings["paging"] == "latch" else pages


def _check(setup: Setup) -> None:
    """Refuse settings that contradict each other."""
    settings, place = setup.settings, f"slot.{setup.name}"
    size = settings["window-size"]
    for key in ("flash-size", "ram-size", "rom-area"):
        if settings[key] % size:
            raise InputError(f"{place}: {key} = {settings[key]} is not a whole number of windows "
                             f"of {size} bytes; change one of them.")
    part = settings["flash-part"]
    if length_of(part) not in (0, settings["flash-size"]):
        raise InputError(f"{place}: flash-part = {part!r} has {length_of(part)} bytes, and "
                         f"flash-size = {settings['flash-size']}; make them agree.")
    for bit in range(WIRED):
        if (settings["scheme"] == "pages" and bit >= settings["page-bits"]
                and source_of(setup.machine, setup.slot, bit) >= 0):
            raise InputError(f"{place}: a wire ends at bit{bit}, and page-bits = "
                             f"{settings['page-bits']} counts bits 0 to "
                             f"{settings['page-bits'] - 1} only; wire one of those, or raise "
                             f"page-bits.")
    pages = settings["flash-size"] // size
    if settings["ram-page"] < pages and settings["ram-size"]:
        raise InputError(f"{place}: ram-page = {settings['ram-page']} lies in the flash, which "
                         f"has pages 0 to {pages - 1}; start the RAM behind it.")
    if settings["paging"] == "bit" and settings["scheme"] == "pages":
        register = settings["paging-register"]
        if register != "latch" and int(register[4:]) >= 65536 // size:
            raise InputError(f"{place}: paging-register = {register!r}, but there are only "
                             f"{65536 // size} windows; name one of theirs.")


def _set_scheme(setup: Setup) -> None:
    """Set what decides which page a window shows."""
    s, settings = setup.state, setup.settings
    size = settings["window-size"]
    s.windows, s.shift = 65536 // size, size.bit_length() - 1
    s.page_mask = (1 << settings["page-bits"]) - 1
    s.flash_pages, s.ram_page = settings["flash-size"] // size, settings["ram-page"]
    s.ram_pages = settings["ram-size"] // size
    s.repeats = int(settings["beyond-chips"] == "repeat")
    s.on_register, s.on_bit = LATCH, settings["paging-bit"]
    if settings["scheme"] == "overlay":
        s.overlay = settings["rom-area"] // size
        s.bank_shift, s.bank_mask = settings["bank-shift"], (1 << settings["bank-bits"]) - 1
        s.common = settings["common-bank"]
    elif settings["paging"] == "always":
        s.on_bit = -1
    elif settings["paging"] == "bit" and settings["paging-register"] != "latch":
        s.on_register = int(settings["paging-register"][4:])
    chosen = settings["wired-windows"] or range(s.windows)
    s.wired_windows = sum(1 << window for window in chosen)
    s.clears_pages = int("pages" in settings["reset-clears"])
    s.clears_latch = int("latch" in settings["reset-clears"])


def power_on(setup: Setup) -> None:
    """Burn the image into the flash; noise in the RAM and the registers."""
    m, s, settings = setup.machine, setup.state, setup.settings
    _check(setup)
    _set_scheme(setup)
    base = int(m.mem_base[setup.slot])
    flash, ram = int(settings["flash-size"]), int(settings["ram-size"])
    s.ram_base = base + flash
    writable_chip.fit(s, base, flash, settings["flash-part"], settings, setup.cpu_hz)
    s.is_rom = int(settings["write-protect"] or s.family == writable_chip.ROM)
    m.phys[base:base + flash] = chip_bytes(setup.images.get("image"), flash)
    fill_noise(setup, base + flash, ram)
    s.page[:] = setup.random.integers(0, 256, WINDOWS + 1)


def protect(m: Any, s: Any, value: bool) -> None:
    """Set the write-protect jumper while it runs; a ROM takes no writes either way."""
    s.is_rom = int(value or s.family == writable_chip.ROM)
    show_all(m, s)


def _map_words(s: Any) -> list[str]:
    if s.overlay:
        out = ["ROM out, RAM in the lower half" if s.paging else "ROM in the lower half"]
    else:
        out = ["paging on" if s.paging else "paging off: every window shows flash page 0"]
    pages = [int(shown_page(s, w)) for w in range(int(s.windows))]
    if s.wired:
        out.append("by wire: " + ", ".join(f"bit {k} is {int(s.levels) >> k & 1}"
                                           for k in range(WIRED) if int(s.wired) >> k & 1))
    return [*out, "windows show pages " + " ".join("--" if p < 0 else f"{p:02X}" for p in pages)]


def describe(m: Any, s: Any) -> list[str]:
    """Give the map and the flash in words."""
    out = _map_words(s)
    if s.pulled_pc:
        out.append(f"{int(s.pulled_pc)} page changes under the running program, the last before "
                   f"{int(s.pulled_pc_at):04X}h")
    if s.pulled_sp:
        out.append(f"{int(s.pulled_sp)} page changes under the stack, the last before "
                   f"{int(s.pulled_sp_at):04X}h")
    return [*out, *writable_chip.describe(m, s)]


def windows(_: Any, s: Any) -> list[PageWindow]:
    """Give the windows that the page registers, or the latch, switch."""
    size = 1 << int(s.shift)
    if s.overlay:
        return [PageWindow(0, 0x8000, "latch", int(s.page[LATCH]), not s.clears_latch)]
    return [PageWindow(w * size, size, f"page{w}",
                       int(with_wires(s, s.page[w], np.int64(w))) & int(s.page_mask),
                       not s.clears_pages, bool(s.paging)) for w in range(int(s.windows))]


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give pages pulled from under the program or its stack, and what went wrong at the flash."""
    out = [Complaint(code, place=int(at), count=int(count)) for code, count, at in (
        (roles.PAGE_PULLED, s.pulled_pc, s.pulled_pc_at),
        (roles.STACK_PULLED, s.pulled_sp, s.pulled_sp_at)) if count]
    return [*out, *chip_complaints(m, s)]


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give what went wrong at the chip."""
    return chip_troubles(m, s, int(chip_address(s, np.int64(m.pc))))


CARD = Card(
    name="banked-memory",
    summary="flash and RAM behind page registers, any number and size of windows",
    source="common practice, no source; chips: 39SF0x0 (S71147), Am29F040B (21445E5), "
           "AT28C256 (0006K) data sheets",
    unmodelled=(
        "write time that grows with age, and worn-out cells",
        "protected sectors of a 29F, and RDY/BUSY of an EEPROM",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "memory": memory, "line": line},
    jumpers=(
        Jumper("image", "file", None, "what is burned into the flash"),
        Jumper("scheme", "choice", "pages", "a page register a window, or a ROM over banked "
               "RAM", choices=("pages", "overlay")),
        Jumper("window-size", "choice", 8192, "bytes a window",
               choices=(4096, 8192, 16384, 32768)),
        Jumper("page-bits", "int", 7, "bits of a page register that count", low=1, high=8,
               counts_with=PAGES_ONLY),
        Jumper("flash-size", "int", 512 << 10, "bytes of flash; as a 39sf, sizes other than "
               "131072, 262144 and 524288 are ROM, which takes no commands", high=1 << 20),
        Jumper("flash-part", "choice", "39sf", "what stands in the flash's socket; flash-size has "
               "to be its size", choices=("39sf", *FLASHES, *EEPROMS)),
        Jumper("ram-size", "int", 512 << 10, "bytes of RAM", high=1 << 20),
        Jumper("ram-page", "int", 0x40, "number of the first RAM page"),
        Jumper("beyond-chips", "choice", "float", "what stands behind a smaller chip: nothing, "
               "or the chip again", choices=("float", "repeat")),
        Jumper("paging", "choice", "latch", "what turns paging on: bit 'paging-bit' of the "
               "latch, of another register, or nothing (it is always on)",
               choices=("latch", "bit", "always"), counts_with=PAGES_ONLY),
        Jumper("paging-bit", "int", 0, "the bit that turns paging on (overlay: takes the ROM "
               "out)", high=7),
        Jumper("paging-register", "choice", "latch", "the register of that bit with paging = "
               "\"bit\"", counts_with=("paging", ("bit",)),
               choices=("latch", *(f"page{n}" for n in range(WINDOWS)))),
        Jumper("rom-area", "choice", 32768, "bytes that the ROM covers (overlay)",
               choices=(8192, 16384, 32768), counts_with=OVERLAY_ONLY),
        Jumper("bank-shift", "int", 3, "lowest bit of the latch's bank field (overlay)", high=7,
               counts_with=OVERLAY_ONLY),
        Jumper("bank-bits", "int", 4, "bits of the latch's bank field (overlay)", high=7,
               counts_with=OVERLAY_ONLY),
        Jumper("common-bank", "int", 0, "RAM bank of the upper 32 KiB (overlay)", high=127,
               counts_with=OVERLAY_ONLY),
        Jumper("wired-windows", "list", (), "windows for which wires at bit0 to bit7 count; empty: "
               "all", choices=tuple(range(WINDOWS))),
        Jumper("reset-clears", "list", ("latch",), "what RESET clears",
               choices=("latch", "pages")),
        Jumper("write-protect", "flag", False, "the flash takes no write pulses"),
        Jumper("flash-times", "choice", "typical", "times of programming and erasing",
               choices=("typical", "maximum")),
        Jumper("over-zero", "reading", "dq5", "how a 29f ends the programming of a 1 over a 0: its "
               "sheet allows both", choices=("dq5", "and"),
               counts_with=("flash-part", FLASHES)),
        Jumper("software-protected", "flag", False, "the software protection of an EEPROM was "
               "left on", counts_with=("flash-part", EEPROMS)),
    ),
    registers=(*(f"page{n}" for n in range(WINDOWS)), "latch"),
    kinds={**{f"page{n}": (roles.PAGE,) for n in range(WINDOWS)},
           "latch": (roles.PAGE, roles.CONTROL)},
    order=order,
    inputs=tuple(f"bit{k}" for k in range(WIRED)),
    memory_size=memory_size,
    image_size=image_size,
    areas=banked_areas,
    pages=banked_pages,
    power_on=power_on,
    describe=describe,
    windows=windows,
    flash=chip_role,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    live={"write-protect": protect},
)
