"""Banked flash and RAM: windows of the address space, each with a page register.

Physical pages count from 0: the flash first, RAM from ``ram-page`` on; a page where no
chip stands floats.  While paging is off every window shows flash page 0.  Page registers
are plain latches without a clear, so they hold noise at power-on; ``reset-clears`` says
what RESET clears.  (Common practice, no source; the flash: see nor_flash.py.)
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus import ASK_WRITE
from emu.errors import InputError
from emu.jit import compiled, inlined
from emu.memory import claim
from emu.state import CALL, FAR, NOT_MINE, ROM
from peripherals import nor_flash
from peripherals.card import Card, Jumper, Setup, entry
from peripherals.nor_flash import FLASH, IDLE

WINDOWS = 16
LATCH = WINDOWS  # register number behind page0 to page15

STATE = np.dtype([
    ("slot", np.int64),
    ("page", np.int64, (WINDOWS,)),  # page registers
    ("latch", np.int64),
    ("paging", np.int64),  # 1: the page registers count
    ("latch_bit", np.int64),  # which bit of the latch turns paging on; -1: always on
    ("clears_pages", np.int64), ("clears_latch", np.int64),
    ("windows", np.int64), ("window_size", np.int64), ("page_mask", np.int64),
    ("flash_pages", np.int64), ("ram_page", np.int64), ("ram_pages", np.int64),
    ("ram_base", np.int64),  # in phys
    ("protect", np.int64),  # write-protect jumper of the flash
    ("flash", FLASH),
], align=True)


@inlined
def shown_page(s, window):
    """Give the physical page that a window shows."""
    return s.page[window] & s.page_mask if s.paging == 1 else np.int64(0)


@compiled
def show(m, s, window):
    """Map one window by its page."""
    page = shown_page(s, window)
    size = s.window_size
    read_base = np.int64(NOT_MINE)
    write_base = np.int64(NOT_MINE)
    if page < s.flash_pages:
        read_base = s.flash.origin + page * size
        write_base = np.int64(ROM) if s.protect == 1 else np.int64(CALL)
        if s.flash.busy != IDLE or s.flash.id_mode == 1:
            read_base = np.int64(CALL)
    elif s.ram_page <= page < s.ram_page + s.ram_pages:
        read_base = s.ram_base + (page - s.ram_page) * size
        write_base = read_base
    first = window * size >> 12
    for k in range(size >> 12):
        part = k << 12
        r = read_base + part if read_base >= 0 else read_base
        w = write_base + part if write_base >= 0 else write_base
        claim(m, s.slot, first + k, r, w)


@compiled
def show_all(m, s):
    """Map every window."""
    for window in range(s.windows):
        show(m, s, window)


@entry(STATE)
def reset(m, s, a, t):
    """Clear what the card's RESET line clears."""
    if s.clears_latch == 1:
        s.latch = 0
    if s.clears_pages == 1:
        for window in range(WINDOWS):
            s.page[window] = 0
    s.paging = 1 if s.latch_bit < 0 else (s.latch >> s.latch_bit) & 1
    show_all(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """The registers are write-only: nothing drives the bus."""
    return np.int64(-1)


@entry(STATE)
def write(m, s, a, t):
    """Write a page register or the latch."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register == LATCH:
        s.latch = byte
        on = np.int64(1) if s.latch_bit < 0 else (byte >> s.latch_bit) & 1
        if on != s.paging:
            s.paging = on
            show_all(m, s)
    elif register < s.windows:
        s.page[register] = byte
        if s.paging == 1:
            show(m, s, register)
    return np.int64(0)


@inlined
def chip_address(s, address):
    """Give the flash chip's address behind an address of the CPU, or -1."""
    page = shown_page(s, address // s.window_size)
    if page >= s.flash_pages:
        return np.int64(-1)
    return page * s.window_size + address % s.window_size


@compiled
def finish(m, s, t):
    """Let the flash finish what is due; the map changes when it does."""
    if nor_flash.settle(m, s.flash, t) == 1:
        show_all(m, s)
    m.ev[s.slot] = s.flash.busy_until if s.flash.busy != IDLE else FAR


@entry(STATE)
def advance(m, s, t, b):
    """Let a program or erase end."""
    finish(m, s, t)
    return np.int64(0)


@entry(STATE)
def memory(m, s, a, t):
    """Answer for the flash: commands, and reads that plain memory cannot give."""
    finish(m, s, t)
    at = chip_address(s, a & 0xFFFF)
    if at < 0:
        return np.int64(-1)
    if (a & ASK_WRITE) == 0:
        return nor_flash.read(m, s.flash, at)
    strays = s.flash.stray
    if nor_flash.write(s.flash, at, (a >> 16) & 0xFF, t) == 1:
        show_all(m, s)
        m.ev[s.slot] = s.flash.busy_until if s.flash.busy != IDLE else FAR
        m.next_event = 0
    if s.flash.stray != strays:
        m.rom_writes += 1
        m.rom_write_t = t
        m.rom_write_at = a & 0xFFFF
        m.rom_write_pc = m.pc
    return np.int64(0)


def memory_size(settings: Mapping[str, Any]) -> int:
    """Give the bytes of flash and RAM together."""
    return int(settings["flash-size"]) + int(settings["ram-size"])


def order(settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the usual order of ports: one page register a window, then the latch."""
    return (*(f"page{n}" for n in range(65536 // settings["window-size"])), "latch")


def power_on(setup: Setup) -> None:
    """Burn the image into the flash; noise in the RAM and the page registers."""
    m, s, settings = setup.machine, setup.state, setup.settings
    size = int(settings["window-size"])
    place = f"slot.{setup.name}"
    for key in ("flash-size", "ram-size"):
        if settings[key] % size:
            raise InputError(f"{place}: {key} must be a whole number of windows of {size} bytes.")
    base = int(m.mem_base[setup.slot])
    flash, ram = int(settings["flash-size"]), int(settings["ram-size"])
    s.windows, s.window_size = 65536 // size, size
    s.page_mask = (1 << settings["page-bits"]) - 1
    s.flash_pages, s.ram_page, s.ram_pages = flash // size, settings["ram-page"], ram // size
    if s.ram_page < s.flash_pages and ram:
        raise InputError(f"{place}: ram-page = {int(s.ram_page)} lies in the flash, which has "
                         f"pages 0 to {int(s.flash_pages) - 1}.")
    s.ram_base = base + flash
    s.protect = int(settings["write-protect"])
    s.latch_bit = -1 if settings["paging"] == "always" else settings["latch-bit"]
    s.clears_pages = int("pages" in settings["reset-clears"])
    s.clears_latch = int("latch" in settings["reset-clears"])
    nor_flash.fit(s.flash, base, flash, settings["flash-times"], setup.cpu_hz)
    image = setup.images.get("image")
    data = image.flatten(flash) if image is not None else b"\xff" * flash
    m.phys[base:base + flash] = np.frombuffer(data, np.uint8)
    m.phys[base + flash:base + flash + ram] = setup.random.integers(0, 256, ram, np.uint8)
    s.page[:] = setup.random.integers(0, 256, WINDOWS)
    s.latch = int(setup.random.integers(0, 256))


def describe(m: Any, s: Any) -> list[str]:
    """Give the map and the flash in words."""
    out = ["paging on" if s.paging else "paging off: every window shows flash page 0"]
    pages = [int(shown_page(s, w)) for w in range(int(s.windows))]
    out.append("windows show pages " + " ".join(f"{p:02X}" for p in pages))
    busy = ("", "programs a byte", "erases a sector", "erases the chip")[int(s.flash.busy)]
    if busy:
        out.append(f"flash {busy} until T-state {int(s.flash.busy_until)}")
    if s.flash.id_mode:
        out.append("flash is in ID mode")
    if s.flash.stray:
        out.append(f"{int(s.flash.stray)} writes to the flash belonged to no command")
    return out


CARD = Card(
    name="banked-memory",
    summary="flash and RAM behind page registers, any number and size of windows",
    source="common practice, no source; flash: 39SF010/020/040 data sheet (S71147)",
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "memory": memory},
    jumpers=(
        Jumper("image", "file", None, "what is burned into the flash"),
        Jumper("window-size", "choice", 8192, "bytes a window",
               choices=(4096, 8192, 16384, 32768)),
        Jumper("page-bits", "int", 7, "bits of a page register that count", low=1, high=8),
        Jumper("flash-size", "int", 512 << 10, "bytes of flash", high=1 << 20),
        Jumper("ram-size", "int", 512 << 10, "bytes of RAM", high=1 << 20),
        Jumper("ram-page", "int", 0x40, "number of the first RAM page"),
        Jumper("paging", "choice", "latch", "whether a bit of the latch turns paging on, or it "
               "is always on", choices=("latch", "always")),
        Jumper("latch-bit", "int", 0, "which bit of the latch turns paging on", high=7),
        Jumper("reset-clears", "list", ("latch",), "what RESET clears",
               choices=("latch", "pages")),
        Jumper("write-protect", "flag", False, "the flash takes no write pulses"),
        Jumper("flash-times", "choice", "typical", "times of programming and erasing",
               choices=("typical", "maximum")),
    ),
    registers=(*(f"page{n}" for n in range(WINDOWS)), "latch"),
    order=order,
    memory_size=memory_size,
    power_on=power_on,
    describe=describe,
)
