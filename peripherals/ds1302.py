"""A serial clock with a three-wire bus, class DS1302, bit-banged through one port.

After the DS1302 data sheet (p.5-9): CE high begins a frame; bits go lowest first, taken at
rising SCLK, given at falling SCLK, and the line is released at each rising SCLK of a read.
Clock registers are copied when CE rises, so that a burst is of one moment; writing the seconds
clears the divider; a clock burst is written when its eighth byte is there.

From memory: commands without bit 7 are ignored, a read that goes on past a burst's end begins
it anew, the released line is pulled up, a clock that was stopped begins a whole second.  A data
bit that changes in the same write as SCLK rises is taken as new, a frame that begins with SCLK
high goes on; both are beyond the data sheet, and counted.
"""
from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals import calendar
from peripherals.calendar import CALENDAR, SECOND, next_event, next_second, plan_second
from peripherals.calendar import start_second as begin_second
from peripherals.card import Card, Complaint, Jumper, Setup, Tick, Trouble, entry, roles
from peripherals.clock_causes import CAUSES

COMMAND, WRITING, READING, DONE = range(4)  # phases of a frame
BURST = 31  # the address of the bursts
PROTECT, TRICKLE = 7, 8  # registers behind the calendar's
RAM, READS = 0x40, 0x01  # bits of a command
STOPPED = 0x80  # bit of the seconds

STATE = np.dtype([
    ("slot", np.int64),
    ("ce_bit", np.int64), ("clock_bit", np.int64), ("data_bit", np.int64),
    ("drive_bit", np.int64), ("drive_level", np.int64), ("in_bit", np.int64),
    ("latch", np.int64),
    ("calendar", CALENDAR),
    ("protect", np.int64), ("trickle", np.int64),
    ("ram", np.uint8, (31,)),
    ("moment", np.uint8, (8,)),  # of the clock registers, taken when CE rose
    ("burst", np.uint8, (8,)),  # clock registers of a burst that is being written
    ("phase", np.int64), ("command", np.int64),
    ("bits", np.int64),  # of the byte under way
    ("shift", np.int64),
    ("at", np.int64),  # byte of a burst
    ("out", np.int64),  # what the chip puts on the line, -1: released
    ("ce_t", np.int64),  # when CE rose
    ("low_t", np.int64),  # when it fell
    ("setup", np.int64),  # T-states that CE must stand before SCLK
    ("hasty", np.int64), ("crowded", np.int64),  # clocks, and frames, that came too soon
    ("together", np.int64),  # clocks that rose in the same write as the data changed
    ("high_start", np.int64),  # frames that began with SCLK high
    ("frames", np.int64), ("refused", np.int64),  # frames; writes that protection refused
], align=True)


@inlined
def line_of(value, bit):
    """Give a bit of the latch; a bit that is not there is 0."""
    return np.int64(0) if bit < 0 else (value >> bit) & 1


@inlined
def settle(m, s):
    """Say when the next second comes."""
    m.event_t[s.slot] = next_event(s.calendar)


@entry(STATE)
def advance(m, s, t, b):
    """Count the seconds up to t."""
    while next_event(s.calendar) <= t:
        plan_second(s.calendar)
        next_second(s.calendar)
    settle(m, s)
    return np.int64(0)


@compiled
def clock_register(s, number):
    """Give a clock register as it stands."""
    if number == PROTECT:
        return s.protect
    if number == TRICKLE:
        return s.trickle
    if number > TRICKLE:
        return np.int64(0)
    value = s.calendar.field[number]
    if number == SECOND and s.calendar.running == 0:
        value |= STOPPED
    return value


@compiled
def set_clock_register(m, s, number, byte, t):
    """Write a clock register; the bits that are not there stay 0."""
    if number == PROTECT:
        s.protect = byte & 0x80
    elif number == TRICKLE:
        s.trickle = byte
    elif number == SECOND:
        s.calendar.field[SECOND] = byte & 0x7F
        s.calendar.running = 1 if (byte & STOPPED) == 0 else 0
        begin_second(s.calendar, t)
        settle(m, s)
    elif number == 1:
        s.calendar.field[number] = byte & 0x7F
    elif number == 2:
        s.calendar.field[number] = byte & 0xBF
    elif number == 3:
        s.calendar.field[number] = byte & 0x3F
    elif number == 4:
        s.calendar.field[number] = byte & 0x1F
    elif number == 5:
        s.calendar.field[number] = byte & 0x07
    elif number == 6:
        s.calendar.field[number] = byte


# --- a frame ------------------------------------------------------------------------------
@inlined
def address(s):
    """Give the address in the command."""
    return (s.command >> 1) & 31


@compiled
def byte_to_give(s):
    """Give the byte that a read shows next."""
    number = s.at if address(s) == BURST else address(s)
    if (s.command & RAM) != 0:
        return np.int64(s.ram[number % 31])
    if address(s) == BURST:
        return np.int64(s.moment[number & 7])
    if number < 8:
        return np.int64(s.moment[number])
    return clock_register(s, number)


@compiled
def take_byte(m, s, byte, t):
    """Take a whole byte of a write."""
    number = address(s)
    in_burst = number == BURST
    if s.protect != 0 and not ((s.command & RAM) == 0 and number == PROTECT):
        s.refused += 1
        s.phase = DONE
    elif (s.command & RAM) != 0:
        place = s.at if in_burst else number
        s.ram[place % 31] = byte
        s.at += 1
        s.phase = WRITING if in_burst and s.at < 31 else DONE
    elif in_burst:
        s.burst[s.at & 7] = byte
        s.at += 1
        if s.at == 8:
            for k in range(8):
                set_clock_register(m, s, np.int64(k), np.int64(s.burst[k]), t)
            s.phase = DONE
    else:
        set_clock_register(m, s, number, byte, t)
        s.phase = DONE


@compiled
def clock_up(m, s, data, t):
    """See SCLK rise: take a bit, or release the line."""
    if t - s.ce_t < s.setup:
        s.hasty += 1
    s.out = -1
    if s.phase != COMMAND and s.phase != WRITING:
        return
    s.shift |= data << s.bits
    s.bits += 1
    if s.bits < 8:
        return
    byte = s.shift
    s.bits = 0
    s.shift = 0
    if s.phase == WRITING:
        take_byte(m, s, byte, t)
    elif (byte & 0x80) == 0:
        s.phase = DONE
    else:
        s.command = byte
        s.at = 0
        s.phase = READING if (byte & READS) != 0 else WRITING


@compiled
def clock_down(s):
    """See SCLK fall: give the next bit of a read."""
    if s.phase != READING:
        return
    s.out = (byte_to_give(s) >> s.bits) & 1
    s.bits += 1
    if s.bits == 8:
        s.bits = 0
        s.at += 1


@compiled
def ce_changed(s, level, t):
    """See CE begin a frame or end it."""
    s.phase = COMMAND
    s.bits = 0
    s.shift = 0
    s.out = -1
    if level == 0:
        s.low_t = t
    else:
        if s.frames > 0 and t - s.low_t < s.setup:
            s.crowded += 1
        s.frames += 1
        s.ce_t = t
        for k in range(8):
            s.moment[k] = clock_register(s, np.int64(k))


@entry(STATE)
def reset(m, s, a, t):
    """The port's latch is cleared; the clock goes on."""
    s.latch = 0
    ce_changed(s, np.int64(0), t)
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read the data line; the other bits are 0."""
    level = np.int64(1)
    if s.out >= 0:
        level = s.out
    elif line_of(s.latch, s.drive_bit) == s.drive_level:
        level = line_of(s.latch, s.data_bit)
    return level << s.in_bit


@entry(STATE)
def write(m, s, a, t):
    """Set the lines; CE is seen before SCLK."""
    byte = (a >> 8) & 0xFF
    before = s.latch
    s.latch = byte
    ce = line_of(byte, s.ce_bit)
    if ce != line_of(before, s.ce_bit):
        ce_changed(s, ce, t)
        if ce == 1 and line_of(byte, s.clock_bit) == 1:
            s.high_start += 1
    was = line_of(before, s.clock_bit)
    now = line_of(byte, s.clock_bit)
    if ce == 0 or was == now:
        return np.int64(0)
    if now == 1:
        driven = line_of(byte, s.drive_bit) == s.drive_level
        if driven and line_of(byte ^ before, s.data_bit) == 1:
            s.together += 1
        clock_up(m, s, line_of(byte, s.data_bit) if driven else np.int64(1), t)
    else:
        clock_down(s)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Set the clock to its start; with a flat battery it holds noise and stands."""
    s, settings = setup.state, setup.settings
    for name in ("ce", "clock", "data", "drive", "in"):
        s[f"{name}_bit"] = settings[f"{name}-bit"]
    s.drive_level = 0 if settings["drive-bit"] < 0 else int(settings["drive-level"] == "high")
    s.setup = math.ceil(setup.cpu_hz / 1_000_000)
    calendar.set_start(setup, s.calendar)
    if settings["battery"] == "flat":
        s.ram[:] = setup.random.integers(0, 256, 31)
        s.calendar.field[:] = setup.random.integers(0, 256, 7) & [127, 127, 191, 63, 31, 7, 255]
        s.calendar.running = 0
        s.protect = int(setup.random.integers(0, 2)) << 7


def describe(m: Any, s: Any) -> list[str]:
    """Give the clock in words."""
    out = [f"{calendar.words(s.calendar)}{', write-protected' if s.protect else ''}",
           f"{int(s.frames)} frames"]
    return out + risks(m, s)


def risks(m: Any, s: Any) -> list[str]:
    """What breaks the chip's rules, and what it refused."""
    out = []
    if s.refused:
        out.append(f"{int(s.refused)} writes refused: write protection is on (8Eh = 80h)")
    if s.together:
        out.append(f"{int(s.together)} data bits changed in the same write as SCLK rose: the chip "
                   "needs them before (tDC)")
    if s.high_start:
        out.append(f"{int(s.high_start)} frames began with SCLK high: it must be low when CE rises")
    if s.hasty:
        out.append(f"{int(s.hasty)} clocks came less than 1 us after CE")
    if s.crowded:
        out.append(f"{int(s.crowded)} frames began less than 1 us after CE fell")
    return out


def ticks(_: Any, s: Any) -> list[Tick]:
    """Give the seconds that a program can see go by."""
    if not s.calendar.running:
        return []
    return [Tick("seconds", Fraction(int(s.calendar.num), int(s.calendar.den)))]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give a clock that stands."""
    return [] if s.calendar.running else [Complaint(roles.TIME_STANDS, register="port")]


def troubles(m: Any, s: Any) -> list[Trouble]:
    """A clock that stands while the program looks at it."""
    if s.calendar.running or not s.frames:
        return []

    def mend(m: Any, s: Any) -> None:
        s.calendar.running = 1
        begin_second(s.calendar, np.int64(m.t))
        settle(m, s)

    refused = s.protect and s.refused
    code, summary = ("clock-protected", "is write-protected, and stands") if refused else (
        "clock-stopped", "stands: CH, bit 7 of its seconds, is set")
    evidence = [f"It shows {calendar.words(s.calendar)}.", f"{int(s.frames)} frames have come."]
    remedy = ["Write the seconds with bit 7 = 0 (command 80h) once; a new chip, or one whose "
              "battery was flat, comes up halted."]
    if refused:
        evidence.append(f"{int(s.refused)} writes were refused, because WP (bit 7 of register "
                        f"8Eh) is set.")
        remedy = ["Write 00h to register 8Eh before any other register, as WP is undefined at "
                  "power-on.", *remedy]
    return [Trouble(code, f"{{card}} {summary}.", evidence, remedy, int(s.ce_t), mend)]


CARD = Card(
    name="ds1302",
    summary="three-wire serial clock with RAM, bit-banged through one port",
    source="DS1302 data sheet, p.5-9",
    unmodelled=(
        "the trickle charger's current",
        "oscillator start-up",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        Jumper("start", "text", calendar.START, calendar.START_HELP),
        Jumper("battery", "choice", "good", "flat: noise at power-on, and the clock stands",
               choices=("good", "flat")),
        Jumper("ce-bit", "int", 0, "bit of the port that is CE", 0, 7),
        Jumper("clock-bit", "int", 1, "bit of the port that is SCLK", 0, 7),
        Jumper("data-bit", "int", 2, "bit of the port that goes to the data line", 0, 7),
        Jumper("drive-bit", "int", 3, "bit that lets the port drive the data line; -1: it "
               "always does, unless the chip gives a bit", -1, 7),
        Jumper("drive-level", "choice", "high", "level of that bit that drives",
               choices=("high", "low")),
        Jumper("in-bit", "int", 0, "bit of a read that is the data line", 0, 7),
    ),
    registers=("port",),
    kinds={"port": (roles.CONTROL, roles.DATA)},
    power_on=power_on,
    describe=describe,
    risks=risks,
    ticks=ticks,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
)
