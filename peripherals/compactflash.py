"""A CompactFlash card on an 8-bit bus: the ATA task file with one sector of the medium.

Commands and registers follow the CF OEM manual (20-10-00038) and the ATA task file.  The
socket has eight data lines: until SET FEATURES 01h has turned the 8-bit mode on, a data
access moves a whole word, of which only the low byte is on the bus.  An empty socket drives
nothing; drive 1, which is not there, gives status 00h.

From memory, and so the first to be doubted: the reset bit takes the 8-bit mode back unless SET
FEATURES 66h came before it, a write command is busy for a moment before it asks for data,
register writes while busy are lost, a data read without DRQ gives FFh, the upper byte of a
word written over eight lines is FFh, a write to a protected medium is aborted, no byte of a
sector that cannot be read comes.
"""
from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.compactflash_causes import CAUSES
from peripherals.compactflash_commands import (
    DIAGNOSE,
    SENSE,
    set_translation,
    without_data,
)
from peripherals.compactflash_identity import identity
from peripherals.compactflash_sectors import (
    ABRT,
    BLOCK,
    DIAGNOSED,
    ERR,
    FROM_CARD,
    GENERAL,
    IDLE,
    STATE,
    TO_CARD,
    UNC,
    done,
    finish,
    go_busy,
    is_bad,
    move,
    seek,
    settle,
    start_over,
    step_on,
)
from peripherals.compactflash_troubles import failure, troubles
from peripherals.jumper_values import bad_sectors

REGISTERS = ("data", "error", "count", "lba0", "lba1", "lba2", "head", "status", "control")
DATA, ERROR, COUNT, LBA0, LBA1, LBA2, HEAD, STATUS, CONTROL = range(9)
BSY, DRQ = 0x80, 0x08
DRIVE = 0x10  # in register head
SRST = 0x04  # in register control
READ_BUFFER, WRITE_BUFFER, IDENTIFY = 0xE4, 0xE8, 0xEC
WRITE_PROTECTED = 0x27  # extended error code
SHORT = 64  # T-states that a command without data is busy


@inlined
def is_read(command):
    """Tell whether a command reads sectors."""
    return command == 0x20 or command == 0x21 or command == 0xC4


@inlined
def is_write(command):
    """Tell whether a command writes sectors; erased or not makes no difference here."""
    return (command == 0x30 or command == 0x31 or command == 0x38 or command == 0x3C
            or command == 0xC5 or command == 0xCD)


@compiled
def perform(m, s, command, t):
    """Begin a command."""
    s.command = command
    s.commands += 1
    s.hasty = 0
    s.ended &= ~ERR
    s.error = DIAGNOSED if command == DIAGNOSE else 0
    s.way = IDLE
    s.spoiled = 0
    settle(m, s, 0)
    multiple = command == 0xC4 or command == 0xC5 or command == 0xCD
    if (is_write(command) and s.protected == 1) or (multiple and s.multiple == 0):
        finish(m, s, ABRT, t)
        if is_write(command) and s.protected == 1:
            s.sense = WRITE_PROTECTED
    elif is_read(command) or is_write(command):
        s.resting = 0
        s.left = s.count if s.count != 0 else np.int64(256)
        s.asked = s.left
        s.way = FROM_CARD if is_read(command) else TO_CARD
        seek(m, s, t)
    elif command == IDENTIFY or command == READ_BUFFER:
        if command == IDENTIFY:
            for k in range(BLOCK):
                s.buffer[k] = s.identify[k]
        s.sector = GENERAL
        s.at = 0
        s.way = FROM_CARD
        go_busy(m, s, t, s.read_time)
    elif command == WRITE_BUFFER:
        s.sector = GENERAL
        s.at = 0
        s.way = TO_CARD
        go_busy(m, s, t, np.int64(SHORT))
    else:
        error = without_data(s, command)
        if error != 0:
            s.error = error
            s.ended |= ERR
        go_busy(m, s, t, np.int64(SHORT))


@entry(STATE)
def reset(m, s, a, t):
    """Take RESET: 16-bit mode, default translation, registers with their signature."""
    s.control = 0
    s.keeps = 0
    s.features = 0
    s.eight = 0
    if s.fitted == 1:
        s.head = np.int64(s.identify[6]) - 1  # words 3 and 6: the default translation
        s.count = np.int64(s.identify[12])
        set_translation(s)
    start_over(m, s, t)
    if s.fitted == 0:  # nothing starts up in an empty socket
        s.busy = 0
        m.event_t[s.slot] = FAR
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """End a busy time: data is ready, or has been stored."""
    if m.event_t[s.slot] > t:
        return np.int64(0)
    when = m.event_t[s.slot]
    m.event_t[s.slot] = FAR
    s.busy = 0
    if s.way == FROM_CARD and s.sector != GENERAL and is_bad(s, s.sector):
        finish(m, s, UNC, when)
    elif s.way == FROM_CARD:
        settle(m, s, 1)
    elif s.way == TO_CARD and s.at < BLOCK:
        return np.int64(0)  # it asks for the first sector, without INTRQ
    elif s.way == TO_CARD and s.sector != GENERAL:
        done(s)
        if s.left > 0:
            step_on(s)
            seek(m, s, when)
            if s.way == TO_CARD:
                settle(m, s, 1)
        else:
            finish(m, s, 0, when)
    elif s.way == TO_CARD:
        finish(m, s, 0, when)
    elif s.command != 0:
        sense = s.sense
        finish(m, s, s.error if (s.ended & ERR) != 0 else np.int64(0), when)
        if s.command == SENSE or s.command == DIAGNOSE:
            s.sense = sense
    return np.int64(0)


@compiled
def status(s):
    """Give the status register."""
    if s.busy == 1:
        return np.int64(BSY)
    return s.ended | DRQ if s.way != IDLE else s.ended


@inlined
def miss(s, t):
    """Count a status read that no card, or no drive 1, answers."""
    if s.absent_polls == 0:
        s.absent_t = t
    s.absent_polls += 1


@entry(STATE)
def read(m, s, a, t):
    """Read a register; while busy every register gives the status."""
    register = a & 0xFFFF
    if s.fitted == 0:
        if register == STATUS:
            miss(s, t)
        return np.int64(-1)
    if (s.head & DRIVE) != 0 and (register == STATUS or register == CONTROL):
        miss(s, t)
        return np.int64(0)
    if register == DATA:
        return move(m, s, np.int64(0xFF), t) if s.way == FROM_CARD else np.int64(0xFF)
    if s.busy == 1 or register == STATUS or register == CONTROL:
        if s.busy == 1:
            s.busy_polls += 1
            s.poll_t = t
        else:
            s.waited = 0
        if register == STATUS:
            settle(m, s, 0)
        return status(s)
    if register == ERROR:
        return s.error
    if register == COUNT:
        return s.count
    if register == LBA0:
        return s.lba0
    if register == LBA1:
        return s.lba1
    return s.lba2 if register == LBA2 else s.head


@entry(STATE)
def write(m, s, a, t):
    """Write a register, or begin a command."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if s.fitted == 0:
        return np.int64(0)
    if register == CONTROL:
        if (byte & SRST) != 0:
            s.control = byte
            start_over(m, s, t)
            m.event_t[s.slot] = FAR  # busy as long as the bit stands
        elif (s.control & SRST) != 0:
            s.control = byte
            start_over(m, s, t)
        else:
            s.control = byte
            settle(m, s, m.ip[s.slot])
    elif register == DATA:
        if s.way == TO_CARD:
            move(m, s, byte, t)
    elif s.busy == 1:
        if register == STATUS and s.busy_polls == 0:  # it never looked
            s.hasty = byte + 1
            s.hasty_t = t
        return np.int64(0)
    elif register == ERROR:
        s.features = byte
    elif register == COUNT:
        s.count = byte
    elif register == LBA0:
        s.lba0 = byte
    elif register == LBA1:
        s.lba1 = byte
    elif register == LBA2:
        s.lba2 = byte
    elif register == HEAD:
        s.head = byte
    elif (s.head & DRIVE) == 0 or byte == DIAGNOSE:
        perform(m, s, byte, t)
    return np.int64(0)


def sit(s: Any, bay: Any) -> None:
    """Look at what is in the socket."""
    s.inserts = bay.inserts
    s.fitted = int(bay.original is not None)
    if bay.original is None:
        return
    s.protected = int(bay.original.protected)
    s.total = min(len(bay.original.data) // BLOCK, 1 << 28)
    s.identify[:] = np.frombuffer(identity(int(s.total)), np.uint8)


def protect(part: Callable[[Any], Any]) -> Callable[[Any, Any, Any], None]:
    """Let the card's protection change while the machine runs; ``part`` finds its record."""

    def change(m: Any, s: Any, value: Any) -> None:
        part(s).protected = int(value)

    return change


def serve(m: Any, s: Any, bays: Mapping[str, Any]) -> None:
    """Store the sector that was written, load the one that is wanted, notice another card."""
    bay = bays["medium"]
    if s.inserts != bay.inserts:  # it starts up, and what was under way is lost
        s.dirty = 0
        sit(s, bay)
        reset(m, s, np.int64(0), np.int64(m.t))
    if s.dirty:
        bay.put(int(s.dirty_at), np.asarray(s.buffer).tobytes())
        s.dirty = 0
    if s.wanted >= 0 and s.fitted:
        s.buffer[:] = np.frombuffer(bay.block(int(s.wanted)), np.uint8)
        s.wanted = -1


def fit(setup: Setup, s: Any) -> None:
    """Set a drive's record up at power-on; look at the medium."""
    settings = setup.settings
    s.wanted = -1
    for name in ("reset", "read", "write"):
        busy = settings["ready-time"] if name == "reset" else settings[f"{name}-time"]
        s[f"{name}_time"] = math.ceil(busy * setup.cpu_hz / 1_000_000)
    bad_sectors(setup, s, GENERAL)
    bay = setup.bays.get("medium")
    if bay is not None:
        sit(s, bay)


def power_on(setup: Setup) -> None:
    """Look at the medium; the card is busy until it is ready."""
    setup.state.held_strobe = int(setup.settings["data-strobe"] == "held")
    fit(setup, setup.state)


def describe(m: Any, s: Any) -> list[str]:
    """Give the card's state in words."""
    if not s.fitted:
        return ["the socket is empty: every register reads as the floating bus",
                f"{int(s.absent_polls)} status reads"]
    now = ("busy" if s.busy else "waits for data" if s.way == TO_CARD else
           "has data to give" if s.way == FROM_CARD else "in standby" if s.resting else "idle")
    words = [f"{int(s.total)} sectors, {'8' if s.eight else '16'}-bit mode, {now}, status "
             f"{int(status(s)):02X}h, error {int(s.error):02X}h",
             f"{int(s.reads)} sectors read, {int(s.writes)} written, {int(s.errors)} commands "
             f"failed, the last command {int(s.command):02X}h"]
    words += risks(m, s)
    if s.absent_polls:
        words.append(f"{int(s.absent_polls)} status reads of drive 1, which is not there")
    return words


def risks(m: Any, s: Any) -> list[str]:
    """Data that were lost, and the last failure."""
    words = []
    if s.lost:
        words.append(f"{int(s.lost)} bytes lost: data was moved in 16-bit mode over eight lines")
    if s.early:
        words.append(f"{int(s.early)} data accesses while busy, which are lost; the first at "
                     f"T-state {int(s.early_t)}")
    if s.errors:
        words.append(f"the last failure at T-state {int(s.failed_t)}: {failure(s)}")
    if s.repeats:
        words.append(f"{int(s.repeats)} data reads gave the same byte again")
    return words


MEDIUM = (
    Jumper("medium", "medium", None, "image of the card, sectors of 512 bytes; none: the "
           "socket is empty"),
    Jumper("blank", "int", 0, "sectors of a blank card, made when the image is not there yet; "
           "0: the image must be there", high=131_072),
    Jumper("write-protect", "flag", False, "the card takes no writing"),
    Jumper("ready-time", "int", 50_000, "microseconds from RESET until it is ready",
           high=10_000_000),
    Jumper("read-time", "int", 300, "microseconds that a sector read is busy",
           high=10_000_000),
    Jumper("write-time", "int", 1000, "microseconds that a sector written is busy; some "
           "cards take up to a second", high=10_000_000),
    Jumper("bad-sectors", "list", (), "numbers of up to 16 sectors that cannot be read (UNC)"),
)
CARD = Card(
    name="compactflash",
    summary="CompactFlash or ATA card in 8-bit mode, with a raw image",
    source="CF card OEM manual 20-10-00038; ATA task file",
    unmodelled=(
        "true IDE and memory-mapped modes beside the registers",
        "DMA",
        "ageing of the flash",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        *MEDIUM,
        Jumper("data-strobe", "choice", "own", "held: a fault of the board, the card sees no "
               "strobe of its own for each access, and its data register never advances",
               choices=("own", "held")),
        Jumper("interrupt", "flag", False, "INTRQ pulls /INT, without a vector"),
    ),
    registers=REGISTERS,
    order=lambda settings: REGISTERS[:8],
    kinds={"data": (roles.DATA,), "error": (roles.STATUS, roles.CONTROL),
           **dict.fromkeys(("count", "lba0", "lba1", "lba2", "head"), (roles.CONTROL,)),
           "status": (roles.STATUS, roles.CONTROL), "control": (roles.STATUS, roles.CONTROL)},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    power_on=power_on,
    describe=describe,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    place=lambda m, s: int(s.sector),
    serve=serve,
    live={"write-protect": protect(lambda s: s)},
)
