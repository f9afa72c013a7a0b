"""An SD memory card in SPI mode, behind port bits, a byte-wide shift register, or wires.

After the SD Association's Physical Layer Simplified Specification 4.10 and the SanDisk SD Card
Product Manual (protocol, tokens, times in bytes): at least 74 clocks with CS high, CMD0,
CMD8, ACMD41 until the card is ready; SDSC by byte addresses, SDHC by block numbers; SPI mode 0,
the card takes DI at the rise of CLK and moves DO at the fall, bytes are counted from the fall of
CS.  CRC is checked in CMD0 and CMD8, and everywhere once CMD59 has turned it on.

From memory, and so the first to be doubted: CMD1 starts a card too, and leaves SDHC idle unless
its bit 30 says HCS; what is under way when CS rises is dropped, but a busy time; a command in
the middle of an answer, of a block, or of a busy time is lost; an address behind the end gives
the parameter error, one that is not a block's the address error; a protected card answers a
block with a write error and sets WP violation; a block that cannot be read gives the token 04h;
CMD0 with a wrong CRC is answered 09h and puts nobody into SPI mode.
"""
from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.jumper_values import bad_sectors
from peripherals.sd_card_bytes import (
    CLK,
    level_of_do,
    select,
    set_clock,
    set_di,
    shift_out,
)
from peripherals.sd_card_causes import CAUSES
from peripherals.sd_card_identity import cid, csd, scr
from peripherals.sd_card_state import (
    BLOCK,
    KINDS,
    LINES,
    PORT,
    SHIFT,
    STATE,
    WIRINGS,
    settle,
    unpowered,
)
from peripherals.sd_card_troubles import failures, now, troubles

DATA, CONTROL = range(2)
IN_CS, IN_CLK, IN_DI = range(3)  # inputs
SLOW_HZ = 400_000  # the highest clock before the card is ready


@inlined
def line_of(value, bit):
    """Give a bit of a byte; a bit that is not there is 0."""
    return np.int64(0) if bit < 0 else (value >> bit) & 1


@compiled
def set_cs(m, s, byte, t):
    """Take CS from the latch."""
    cs = s.cs_level ^ line_of(byte, s.cs_bit)
    if cs != s.cs:
        select(m, s, cs, t)


@compiled
def set_lines(m, s, byte, t):
    """Take the port's bits: CS first, then DI, and then CLK."""
    set_cs(m, s, byte, t)
    set_di(m, s, line_of(byte, s.di_bit), t)
    set_clock(m, s, line_of(byte, s.clock_bit), t)


@entry(STATE)
def reset(m, s, a, t):
    """Clear the board's latch, whatever that does to CS; the card itself has no reset."""
    s.latch = 0
    s.shift_t = FAR
    s.received = 0xFF
    if a == 0:
        s.clk = 0
        s.cs = 1
        unpowered(m, s)
    if s.wiring == LINES:
        for number in range(3):
            look(m, s, np.int64(number), t)
    elif s.wiring == PORT:
        set_lines(m, s, s.latch, t)
    else:
        set_cs(m, s, s.latch, t)
    settle(m, s)
    return np.int64(0)


@compiled
def look(m, s, number, t):
    """Look at an input; one that no wire reaches rests high, CLK low."""
    source = source_of(m, s.slot, number)
    level = np.int64(0) if number == IN_CLK else np.int64(1)
    if source >= 0:
        level = m.line_level[source >> 8, source & 255]
    if number == IN_CS:
        if level != s.cs:
            select(m, s, level, t)
    elif number == IN_DI:
        set_di(m, s, level, t)
    else:
        set_clock(m, s, level, t)


@entry(STATE)
def line(m, s, number, t):
    """See a wire change."""
    if s.wiring == LINES:
        look(m, s, number, t)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """End a busy time, or the shifting of a byte."""
    while min(s.busy_t, s.shift_t) <= t:
        if s.busy_t <= s.shift_t:
            s.busy_t = FAR
            s.busy = 0
        else:
            s.shift_t = FAR
            shift_out(m, s)
    settle(m, s)
    return np.int64(0)


@compiled
def shift(m, s, byte, t):
    """Begin to shift a byte; while one is under way it is lost."""
    if s.shift_t != FAR:
        if s.hasty == 0:
            s.hasty_t = t
        s.hasty += 1
        return
    slow = line_of(s.latch, s.slow_bit) == 1
    s.shift_step = s.slow_divider if slow else s.divider
    s.shift_from = t
    s.shift_t = t + 8 * s.shift_step
    s.sent = byte
    settle(m, s)


@entry(STATE)
def read(m, s, a, t):
    """Read DO, or the byte that was shifted in."""
    detect = np.int64(0)
    if s.detect_bit >= 0 and s.fitted == 0:
        detect = np.int64(1) << s.detect_bit
    if s.wiring == PORT:
        return level_of_do(s) << s.do_bit | detect
    if s.wiring != SHIFT:
        return np.int64(-1)
    if a & 0xFFFF == CONTROL:
        return detect | (0x80 if s.shift_t != FAR else 0)
    if s.shift_t != FAR:
        if s.hasty == 0:
            s.hasty_t = t
        s.hasty += 1
    elif s.read_shifts == 1:
        shift(m, s, np.int64(0xFF), t)
    return s.received


@entry(STATE)
def write(m, s, a, t):
    """Set the lines, or shift a byte out."""
    byte = (a >> 8) & 0xFF
    if s.wiring == PORT:
        s.latch = byte
        set_lines(m, s, byte, t)
    elif s.wiring == SHIFT and a & 0xFF == DATA:
        shift(m, s, byte, t)
    elif s.wiring == SHIFT:
        s.latch = byte
        set_cs(m, s, byte, t)
    return np.int64(0)


def sit(s: Any, bay: Any) -> None:
    """Look at what is in the socket."""
    s.inserts = bay.inserts
    s.fitted = int(bay.original is not None)
    if bay.original is None:
        return
    s.protected = int(bay.original.protected)
    s.total = min(len(bay.original.data) // BLOCK, 1 << 32)
    s.csd[:] = list(csd(int(s.kind), int(s.total)))
    s.cid[:] = list(cid())
    s.scr[:] = list(scr(int(s.kind)))


def serve(m: Any, s: Any, bays: Mapping[str, Any]) -> None:
    """Store the block that was written, erase, load the one that is wanted, notice a change."""
    bay = bays["medium"]
    if s.inserts != bay.inserts:  # the new card has just got its supply
        s.dirty = s.erases = s.refused_now = 0
        sit(s, bay)
        unpowered(m, s)
    if s.dirty:
        bay.put(int(s.dirty_at), np.asarray(s.buffer).tobytes())
        s.dirty = 0
    if s.erases:
        for sector in range(int(s.erase_from), int(s.erase_to) + 1):
            bay.put(sector, bytes(BLOCK))
        s.erases, s.erase_from, s.erase_to = 0, -1, -1
    if s.wanted >= 0 and s.fitted:
        s.buffer[:] = np.frombuffer(bay.block(int(s.wanted)), np.uint8)
        s.wanted = -1


def power_on(setup: Setup) -> None:
    """Set the board up and look at the medium."""
    s, settings = setup.state, setup.settings
    s.wiring = WIRINGS.index(settings["wiring"])
    for name in ("cs", "clock", "di", "do", "detect", "slow"):
        s[f"{name}_bit"] = settings[f"{name}-bit"]
    lines = ["cs"] if s.wiring == SHIFT else ["cs", "clock", "di"] if s.wiring == PORT else []
    taken = [settings[f"{name}-bit"] for name in lines]
    if len(set(taken)) < len(taken):
        raise InputError(f"slot.{setup.name}: cs-bit, clock-bit and di-bit are three bits of one "
                         f"port and must differ, not {', '.join(map(str, taken))}.")
    s.cs_level = int(settings["cs-level"] == "high")
    s.pull_up = int(settings["pull-up"])
    s.divider, s.slow_divider = settings["shift-time"], settings["slow-shift-time"]
    s.read_shifts = int(settings["read-shifts"])
    s.kind = KINDS.index(settings["kind"])
    s.warm_up, s.answers = settings["warm-up"], settings["answer-bytes"]
    s.slow_t = math.ceil(setup.cpu_hz / SLOW_HZ)
    for name in ("init", "read", "write"):
        s[f"{name}_time"] = math.ceil(settings[f"{name}-time"] * setup.cpu_hz / 1_000_000)
    bad_sectors(setup, s, 1 << 32)
    s.cs, s.di = 1, 1
    setup.machine.line_level[setup.slot, CLK] = 0
    bay = setup.bays.get("medium")
    if bay is not None:
        sit(s, bay)


def describe(m: Any, s: Any) -> list[str]:
    """Give the card's state in words."""
    if not s.fitted:
        return [f"the socket is empty: DO rests {'high' if s.pull_up else 'low'}",
                f"{int(s.empty)} bytes clocked while CS was low"]
    return [f"{KINDS[int(s.kind)]} of {int(s.total)} blocks, {now(s)}, CS "
            f"{'high' if s.cs else 'low'}",
            f"{int(s.commands)} commands, {int(s.reads)} blocks read, {int(s.writes)} written, CRC "
            f"{'checked' if s.crc_on else 'not checked'}", *failures(s), *risks(m, s)]


def risks(m: Any, s: Any) -> list[str]:
    """What breaks the rules and may do harm with another card."""
    words = []
    if s.fast:
        words.append(f"{int(s.fast)} clocks faster than 400 kHz before the card was ready")
    if s.hasty:
        words.append(f"{int(s.hasty)} accesses of the shift register while it shifted, which are "
                     f"lost; the first at T-state {int(s.hasty_t)}")
    if s.swallowed:
        words.append(f"{int(s.swallowed)} commands lost in an answer, a block or a busy time")
    if s.cut:
        words.append(f"{int(s.cut)} blocks not read to their end and CRC")
    return words


def set_clamped(name: str) -> Any:
    """Make the setter of a live jumper that is a number in the record."""
    def change(m: Any, s: Any, value: Any) -> None:
        s[name] = value
    return change


CARD = Card(
    name="sd-card",
    summary="SD memory card in SPI mode, with a raw image, behind port bits, a shift register or "
            "wires",
    source="SD Physical Layer Simplified Specification 4.10; SanDisk SD Card Product Manual 2.2",
    unmodelled=(
        "CMD6, CMD27, locks and write protection of groups",
        "the wide bus",
        "ageing, and sectors that the card puts elsewhere",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("medium", "medium", None, "image of the card, blocks of 512 bytes; none: the "
               "socket is empty"),
        Jumper("blank", "int", 0, "blocks of a blank card, made when the image is not there yet; "
               "0: the image must be there", high=131_072),
        Jumper("write-protect", "flag", False, "the card takes no writing"),
        Jumper("kind", "choice", "sdhc", "what the card is", choices=KINDS),
        Jumper("wiring", "choice", "port", "port: its lines are bits of a port; shift: a byte-wide "
               "shift register; lines: wires from other cards", choices=WIRINGS),
        Jumper("cs-bit", "int", 2, "bit of the port (shift: of control) that is CS", 0, 7),
        Jumper("cs-level", "choice", "low", "level of that bit that selects the card",
               choices=("low", "high")),
        Jumper("clock-bit", "int", 1, "bit of the port that is CLK", 0, 7),
        Jumper("di-bit", "int", 0, "bit of the port that is DI", 0, 7),
        Jumper("do-bit", "int", 7, "bit of a read that is DO", 0, 7),
        Jumper("detect-bit", "int", -1, "bit of a read (shift: of control) that is 1 while the "
               "socket is empty; -1: none", -1, 6),
        Jumper("pull-up", "flag", True, "DO has a pull-up; without, it reads 0 while nobody "
               "drives it"),
        Jumper("shift-time", "int", 2, "T-states that the shift register takes a bit", 2, 4096),
        Jumper("slow-shift-time", "int", 32, "the same while slow-bit is set", 2, 4096),
        Jumper("slow-bit", "int", -1, "bit of control that makes the register slow; -1: none", -1,
               7),
        Jumper("read-shifts", "flag", False, "reading data shifts the next byte, FFh out"),
        Jumper("warm-up", "int", 74, "clocks with CS and DI high that the card wants first; some "
               "want none", 0, 1000),
        Jumper("answer-bytes", "int", 1, "bytes FFh before an answer (Ncr)", 1, 8),
        Jumper("init-time", "int", 50_000, "microseconds from the first ACMD41 until it is ready",
               high=1_000_000),
        Jumper("read-time", "int", 500, "microseconds until a block's token comes",
               high=1_000_000),
        Jumper("write-time", "int", 2000, "microseconds busy after a block was written",
               high=1_000_000),
        Jumper("bad-sectors", "list", (), "numbers of up to 16 blocks that cannot be read"),
    ),
    registers=("data", "control"),
    order=lambda settings: {"port": ("data",), "shift": ("data", "control")}.get(
        settings["wiring"], ()),
    needs_port=False,
    kinds={"data": (roles.DATA, roles.STATUS, roles.CONTROL),
           "control": (roles.STATUS, roles.CONTROL)},
    outputs=("do", "cs", "clk", "di"),
    probes=("do", "cs", "clk", "di"),
    inputs=("cs", "clk", "di"),
    power_on=power_on,
    describe=describe,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    place=lambda m, s: (int(s.sector), int(s.way)),
    serve=serve,
    live={"answer-bytes": set_clamped("answers"), "pull-up": set_clamped("pull_up"),
          "warm-up": set_clamped("warm_up"), "write-protect": set_clamped("protected")},
)
