"""A 16-bit IDE drive behind an 8255: its data at ports A and B, its other lines at port C.

Common practice: port A is D7-D0, port B D15-D8, port C the register's address, CS0, CS1, DIOR,
DIOW and RESET; the jumpers say which bit is which, and whether inverters stand before the five
lines that are active low, so that port C = 00h leaves the drive alone.  The chip is
ppi_8255_chip.py, the drive that of compactflash.py with sixteen data lines.

A read happens when DIOR becomes active, a write when DIOW ceases to be: with the address and the
data that stood before that moment, as the lines have their hold times.  A register answers with
CS0 alone, device control and alternate status with CS1 alone and address 6.  Without inverters a
mode word, which clears port C, makes all five lines active together; before the first mode word
nobody drives them, and they are high.
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals import compactflash as drive
from peripherals import compactflash_sectors as sectors
from peripherals import ppi_8255_chip as chip
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.ppi_8255_chip import AFTER_RESET, PPI, A, B, C
from peripherals.ppi_ide_report import CAUSES, complaints, describe, risks, troubles

LINES = ("dior", "diow", "cs0", "cs1", "reset")
DIOR, DIOW, CS0, CS1, RESET = 1, 2, 4, 8, 16
BITS = {"dior": 0, "diow": 1, "cs0": 2, "cs1": 3, "a0": 4, "reset": 7}  # without jumpers
REGISTERS = 8  # of the drive with CS0

STATE = np.dtype([
    ("slot", np.int64),
    ("chip", PPI),
    ("drive", sectors.STATE),
    ("bit", np.int64, (5,)),  # of port C, for each of LINES
    ("a0", np.int64),  # of A0; A1 and A2 stand above it
    ("active", np.int64),  # port C's bits that are 1 for an active line
    ("lines", np.int64),  # active lines, as DIOR ...
    ("register", np.int64),  # of the drive that the lines name, -1: none
    ("named", np.int64),  # ... and the last one that they named
    ("bus", np.int64),  # the word at the data lines, as the chip drives it
    ("taken", np.int64),  # bits: ports A, B read since DIOR became active
    # of a copy that is mended: the drive wins over the chip's outputs, or does not see RESET
    ("strong", np.int64), ("deaf", np.int64),
    ("fights", np.int64), ("fight_t", np.int64),  # DIOR active while A or B were outputs
    ("mute", np.int64), ("mute_t", np.int64),  # DIOW without CS0 or CS1
    ("lost", np.int64), ("lost_bits", np.int64),  # ... by register named last, the newest
    ("lost_data", np.int64, (REGISTERS,)),
    ("pulled", np.int64), ("pulled_t", np.int64),  # mode words that made RESET active
    ("halves", np.int64), ("halves_t", np.int64),  # words of data of which B was not read
], align=True)


@inlined
def lines_now(s):
    """Give the lines of the drive that are active."""
    level = s.chip.shown[C] ^ ~s.active
    found = np.int64(0)
    for k in range(5):
        found |= ((level >> s.bit[k]) & 1) << k
    return found & ~np.int64(RESET) if s.deaf == 1 else found


@inlined
def register_now(s, lines):
    """Give the register of the drive that the lines name, -1 when they name none."""
    at = (s.chip.shown[C] >> s.a0) & 7
    if (lines & (CS0 | CS1)) == CS0:
        return at
    if (lines & (CS0 | CS1)) == CS1 and at == 6:
        return np.int64(drive.CONTROL)
    return np.int64(-1)


@compiled
def show_word(s, word):
    """Put a word on the data lines."""
    chip.set_pins(s.chip, np.int64(A), word & 0xFF)
    chip.set_pins(s.chip, np.int64(B), (word >> 8) & 0xFF)


@compiled
def strobe_read(m, s, t):
    """Let the drive answer DIOR."""
    p = s.chip
    word = np.int64(0xFFFF)
    if s.register >= 0:
        value = drive.read(m, s.drive, s.register, t)
        if value >= 0:
            whole = s.register == drive.DATA and s.drive.eight == 0
            word = value if whole else value | 0xFF00
            high = chip.driven(p, np.int64(B)) if whole else np.int64(0)
            if (chip.driven(p, np.int64(A)) | high) != 0:
                if s.fights == 0:
                    s.fight_t = t
                s.fights += 1
    s.taken = 0
    show_word(s, word)


@compiled
def strobe_write(m, s, register, t):
    """Let the drive take what stood on its lines as DIOW ended."""
    if register < 0:
        if s.mute == 0:
            s.mute_t = t
        s.mute += 1
        if 0 <= s.named < REGISTERS:
            s.lost_bits |= np.int64(1) << s.named
            s.lost_data[s.named] = s.bus
    elif register != drive.DATA:
        drive.write(m, s.drive, register | (s.bus & 0xFF) << 8, t)
    elif s.drive.fitted == 1 and s.drive.way == sectors.TO_CARD:
        sectors.move(m, s.drive, s.bus, t)


@compiled
def end_read(s, register, t):
    """See DIOR end: a word of which only one half was fetched is half lost."""
    if register == drive.DATA and s.drive.eight == 0 and s.taken == 1:
        if s.halves == 0:
            s.halves_t = t
        s.halves += 1
    show_word(s, np.int64(0xFFFF))


@compiled
def follow(m, s, t):
    """Let the drive see what the chip's pins have become."""
    p = s.chip
    for port in range(3):
        p.shown[port] = chip.level_of(p, port)
    before = s.lines
    now = lines_now(s)
    old = s.register
    s.lines = now
    s.register = register_now(s, now)
    if s.register >= 0:
        s.named = s.register
    if (now & RESET) != 0:
        if (before & RESET) == 0:
            sectors.start_over(m, s.drive, t)
            m.event_t[s.slot] = FAR  # busy as long as the line is active
            if p.mode_t == t and p.mode_words > 1:
                if s.pulled == 0:
                    s.pulled_t = t
                s.pulled += 1
        show_word(s, np.int64(0xFFFF))
    elif (before & RESET) != 0:
        drive.reset(m, s.drive, np.int64(0), t)
    else:
        if (before & DIOW) != 0 and (now & DIOW) == 0:
            strobe_write(m, s, old, t)
        if (before & DIOR) != 0 and ((now & DIOR) == 0 or old != s.register):
            end_read(s, old, t)
        if (now & DIOR) != 0 and ((before & DIOR) == 0 or old != s.register):
            strobe_read(m, s, t)
    s.bus = p.shown[A] | p.shown[B] << 8


@entry(STATE)
def reset(m, s, a, t):
    """Take RESET: the chip's lines become inputs; at power-on the drive starts, too."""
    p = s.chip
    if a == 0:
        for port in range(3):
            p.pins[port] = 0xFF
        drive.reset(m, s.drive, np.int64(0), t)
    chip.clear(p, np.int64(AFTER_RESET))
    follow(m, s, t)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """End a busy time of the drive."""
    return drive.advance(m, s.drive, t, b)


@entry(STATE)
def read(m, s, a, t):
    """Read a port, or the control register."""
    register = a & 0xFFFF
    if register < 2:
        s.taken |= np.int64(1) << register
    value = chip.read(s.chip, register, t)
    if register < 2 and s.strong == 1 and (s.lines & DIOR) != 0:
        value = s.chip.pins[register]
    follow(m, s, t)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write a port, or the control register."""
    chip.write(s.chip, a & 0xFF, (a >> 8) & 0xFF, t)
    follow(m, s, t)
    return np.int64(0)


def serve(m: Any, s: Any, bays: Mapping[str, Any]) -> None:
    """Store and load sectors, notice another medium."""
    drive.serve(m, s.drive, bays)


def power_on(setup: Setup) -> None:
    """Note which line stands at which bit of port C; look at the medium."""
    s, settings = setup.state, setup.settings
    bits = [settings[f"{name}-bit"] for name in LINES]
    used = [*bits, *(settings["a0-bit"] + k for k in range(3))]
    if sorted(used) != list(range(8)):
        raise InputError(
            f"slot.{setup.name}: the eight lines of the drive need a bit of port C each; with "
            f"A0-A2 at {used[5]}-{used[7]} and {', '.join(LINES)} at "
            f"{', '.join(map(str, bits))} some stand on the same one, or outside.")
    s.bit[:] = bits
    s.a0 = settings["a0-bit"]
    s.active = sum(1 << bit for bit in bits) if settings["inverters"] else 0
    s.chip.cmos = int(settings["part"] == "82c55")
    s.chip.shown[:] = 0xFF
    s.register = s.named = -1
    s.drive.slot = setup.slot
    s.drive.wide = 1
    drive.fit(setup, s.drive)


CARD = Card(
    name="ppi-ide",
    summary="16-bit IDE drive or CompactFlash card behind an 8255, with a raw image",
    source="8255: see ppi-8255; ATA task file; wiring: common practice, no source",
    unmodelled=(
        "DMA and IORDY",
        "a second drive at the cable",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        *drive.MEDIUM,
        Jumper("part", "choice", "82c55", "the CMOS part gives its control word back; the other "
               "drives nothing there", choices=("82c55", "8255")),
        Jumper("inverters", "flag", True, "inverters stand before DIOR, DIOW, CS0, CS1 and RESET, "
               "so that a 1 at port C makes them active"),
        *(Jumper(f"{name}-bit", "int", BITS[name], f"bit of port C at {name.upper()}", high=7)
          for name in LINES),
        Jumper("a0-bit", "int", BITS["a0"], "bit of port C at A0; A1 and A2 stand above it",
               high=5),
        Jumper("interrupt", "flag", False, "INTRQ pulls /INT, without a vector"),
    ),
    registers=("port-a", "port-b", "port-c", "control"),
    kinds={"port-a": (roles.DATA, roles.STATUS), "port-b": (roles.DATA,),
           "port-c": (roles.CONTROL,), "control": (roles.CONTROL,)},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    power_on=power_on,
    describe=describe,
    complaints=complaints,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    place=lambda m, s: int(s.drive.sector),
    serve=serve,
    live={"write-protect": drive.protect(lambda s: s.drive)},
)
