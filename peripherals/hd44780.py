"""A character display of the HD44780 class, wired to the bus or to a latch, 8 or 4 bits wide.

After the HD44780U data sheet (instructions: table 6, p.24-25; set-up: p.42-43).  ``bus``:
registers instruction and data are the chip's RS = 0 and 1.  ``bus-4``: the same, but only
DB7-DB4 are connected; the others read as 1 inside (the chip's own pull-ups).  ``latch``: the
register latch carries DB7-DB4, RS, R/W and E; the chip takes what is there when E falls.

While it is busy everything but reading the busy flag is lost.  From memory: the DDRAM map,
the 4-line panel's lines at 00h 40h 14h 54h, reading needs no time of its own.  A read gives the
data register: it holds the next byte after an address, a cursor shift or a read, but after a
write the byte written (the data sheet calls that read invalid).
"""
from __future__ import annotations

import math
from typing import Any

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, Setup, entry, roles

INSTRUCTION, DATA, LATCH = range(3)  # registers
BUS, BUS_4, LATCHED = range(3)  # wirings
WIRINGS = ("bus", "bus-4", "latch")
SHORT, LONG, ADDRESS = 37, 1520, 5.56  # us at 270 kHz; tADD after its formula, 1.5 clocks
NOMINAL = 270  # kHz
LINE = 40  # characters a line in two-line mode
SECOND = 0x40  # where the second line begins

STATE = np.dtype([
    ("slot", np.int64),
    ("wiring", np.int64),
    ("shift_by", np.int64),  # of DB7-DB4 in the latch: 4 = bits 7-4, 0 = bits 3-0
    ("rs_bit", np.int64), ("e_bit", np.int64), ("rw_bit", np.int64),  # -1: not there
    ("columns", np.int64), ("rows", np.int64),  # of the glass
    ("short", np.int64), ("long", np.int64), ("late", np.int64),  # T-states
    ("ddram", np.uint8, (128,)), ("cgram", np.uint8, (64,)),
    ("ac", np.int64),  # address counter
    ("held", np.uint8),  # the data register: what a read gives
    ("ac_old", np.int64), ("ac_t", np.int64),  # what reads show of it until ac_t
    ("in_cgram", np.int64),
    ("step", np.int64),  # 1 or -1: entry mode
    ("follows", np.int64),  # 1: the display shifts with each character
    ("on", np.int64), ("cursor", np.int64), ("blink", np.int64),
    ("wide", np.int64),  # DL: 1 = 8 bits
    ("two_lines", np.int64), ("tall", np.int64),
    ("offset", np.int64),  # of the display's shift, characters
    ("busy_t", np.int64),  # busy until then
    ("half", np.int64),  # 1: one nibble of two has been moved
    ("nibble", np.int64), ("latch", np.int64),
    ("lost", np.int64), ("lost_t", np.int64),  # accesses while busy
    ("taken", np.int64), ("written", np.int64),  # instructions and characters
], align=True)


# --- the address counter ------------------------------------------------------------------
@inlined
def wrap(s, ac):
    """Give the address that an address counter's overflow makes."""
    if s.in_cgram == 1:
        return ac & 0x3F
    if s.two_lines == 0:
        return (ac + 80) % 80
    if ac == LINE:
        return np.int64(SECOND)
    if ac == SECOND + LINE or ac == 128:
        return np.int64(0)
    if ac == -1:
        return np.int64(SECOND + LINE - 1)
    if ac == SECOND - 1:
        return np.int64(LINE - 1)
    return ac & 0x7F


@inlined
def move_display(s, by):
    """Shift the glass over the memory."""
    length = LINE if s.two_lines == 1 else 2 * LINE
    s.offset = (s.offset + by + length) % length


@compiled
def step_on(s, t):
    """Move the address counter after an access; reads see it a little later."""
    s.ac_old = s.ac
    s.ac_t = t + s.short + s.late
    s.ac = wrap(s, s.ac + s.step)
    s.busy_t = t + s.short


@inlined
def fetch(s):
    """Bring the byte at the address to the data register."""
    s.held = s.cgram[s.ac & 0x3F] if s.in_cgram == 1 else s.ddram[s.ac & 0x7F]


# --- instructions -------------------------------------------------------------------------
@compiled
def clear(s):
    """Fill the display with spaces; home, moving right."""
    for k in range(128):
        s.ddram[k] = 0x20
    s.step = 1


@inlined
def go_home(s):
    """Put cursor and glass at the beginning."""
    s.in_cgram = 0
    s.ac = 0
    s.offset = 0


@compiled
def instruct(s, byte, t):
    """Run an instruction; the highest bit that is set says which."""
    s.taken += 1
    s.ac_t = 0
    s.busy_t = t + s.short
    if (byte & 0x80) != 0:
        s.in_cgram = 0
        s.ac = byte & 0x7F
        fetch(s)
    elif (byte & 0x40) != 0:
        s.in_cgram = 1
        s.ac = byte & 0x3F
        fetch(s)
    elif (byte & 0x20) != 0:
        s.wide = (byte >> 4) & 1
        s.two_lines = (byte >> 3) & 1
        s.tall = (byte >> 2) & 1
        s.half = 0
    elif (byte & 0x10) != 0:
        by = np.int64(1) if (byte & 4) != 0 else np.int64(-1)
        if (byte & 8) != 0:
            move_display(s, -by)
        else:
            s.ac = wrap(s, s.ac + by)
            fetch(s)
    elif (byte & 8) != 0:
        s.on = (byte >> 2) & 1
        s.cursor = (byte >> 1) & 1
        s.blink = byte & 1
    elif (byte & 4) != 0:
        s.step = 1 if (byte & 2) != 0 else -1
        s.follows = byte & 1
    elif byte != 0:
        if byte == 1:
            clear(s)
        go_home(s)
        s.busy_t = t + s.long


@compiled
def put(s, byte, t):
    """Write a character or a row of a user's character."""
    s.written += 1
    s.held = byte
    if s.in_cgram == 1:
        s.cgram[s.ac & 0x3F] = byte
    else:
        s.ddram[s.ac & 0x7F] = byte
        if s.follows == 1:
            move_display(s, s.step)
    step_on(s, t)


# --- accesses -----------------------------------------------------------------------------
@inlined
def wakes(s, t):
    """Tell whether the chip takes an access now; count one that is lost."""
    if t < s.busy_t:
        s.lost += 1
        s.lost_t = t
        return False
    return True


@compiled
def take(s, rs, byte, t):
    """Take a write of the chip's bus: DB7-DB0, of which 4-bit mode looks at DB7-DB4."""
    if not wakes(s, t):
        return
    if s.wide == 0:
        if s.half == 0:
            s.nibble = byte & 0xF0
            s.half = 1
            return
        byte = s.nibble | byte >> 4
        s.half = 0
    if rs == 1:
        put(s, byte, t)
    else:
        instruct(s, byte, t)


@compiled
def look(s, rs, t):
    """Give what a read would show on DB7-DB0, changing nothing."""
    if rs == 0:
        busy = np.int64(0x80) if t < s.busy_t else np.int64(0)
        value = busy | (s.ac_old if t < s.ac_t else s.ac)
    else:
        value = np.int64(s.held)
    if s.wide == 0:
        value = (value << 4) & 0xF0 if s.half == 1 else value & 0xF0
    return value


@compiled
def end_read(s, rs, t):
    """Go on after a read."""
    if rs == 1 and not wakes(s, t):
        return
    if s.wide == 0:
        s.half ^= 1
    if rs == 1 and (s.wide == 1 or s.half == 0):
        step_on(s, t)
        fetch(s)


@inlined
def bit(value, number):
    """Give a bit, 0 when the line is not there."""
    return np.int64(0) if number < 0 else (value >> number) & 1


@entry(STATE)
def read(m, s, a, t):
    """Read through the bus, or the latch's inputs."""
    register = a & 0xFFFF
    if register == LATCH:
        if bit(s.latch, s.rw_bit) == 0 or bit(s.latch, s.e_bit) == 0:
            return s.latch
        lines = look(s, bit(s.latch, s.rs_bit), t) >> 4 << s.shift_by
        return (s.latch & ~(np.int64(15) << s.shift_by)) | lines
    value = look(s, register, t)
    end_read(s, register, t)
    return value | 0x0F if s.wiring == BUS_4 or s.wide == 0 else value


@entry(STATE)
def write(m, s, a, t):
    """Write through the bus or the latch."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register != LATCH:
        take(s, register, byte | 0x0F if s.wiring == BUS_4 else byte, t)
        return np.int64(0)
    fell = bit(s.latch, s.e_bit) == 1 and bit(byte, s.e_bit) == 0
    rs = bit(s.latch, s.rs_bit)
    if fell and bit(s.latch, s.rw_bit) == 1:
        end_read(s, rs, t)
    elif fell:
        take(s, rs, ((byte >> s.shift_by) & 15) << 4 | 0x0F, t)
    s.latch = byte
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Let the chip reset itself: busy for a while, then cleared, 8 bits, one line, off."""
    s, settings = setup.state, setup.settings
    s.wiring = WIRINGS.index(settings["wiring"])
    s.shift_by = 4 if settings["nibble"] == "high" else 0
    for name in ("rs", "e", "rw"):
        s[f"{name}_bit"] = settings[f"{name}-bit"]
    s.columns, s.rows = settings["columns"], settings["rows"]
    cycle = setup.cpu_hz / 1_000_000 * NOMINAL / settings["oscillator"]
    s.short, s.long = math.ceil(SHORT * cycle), math.ceil(LONG * cycle)
    s.late = math.ceil(cycle * 1000 * 3 / 2 / NOMINAL)
    s.busy_t = math.ceil(setup.cpu_hz * settings["power-up"] / 1_000_000)
    s.ddram[:] = 0x20
    s.cgram[:] = setup.random.integers(0, 32, 64)
    s.wide = s.step = 1
    s.held = 0x20


def _character(code: int) -> str:
    """Give the nearest text of a character of the chip's usual set (from memory)."""
    if code < 16:
        return "\u2592"  # a user's character
    special = {0x5C: "\u00a5", 0x7E: "\u2192", 0x7F: "\u2190", 0xDF: "\u00b0"}
    if code in special:
        return special[code]
    if 0x20 <= code < 0x7E:
        return chr(code)
    if 0xA1 <= code <= 0xDE:
        return chr(0xFF61 + code - 0xA1)
    return " " if code < 0x20 or code == 0xA0 else "?"


def _line(s: Any, row: int) -> str:
    length = LINE if s.two_lines else 2 * LINE
    if not s.on or (row & 1 and not s.two_lines):
        return " " * int(s.columns)
    first = (row >> 1) * int(s.columns) + int(s.offset)
    base = SECOND * (row & 1)
    return "".join(_character(int(s.ddram[base + (first + k) % length]))
                   for k in range(int(s.columns)))


def glass(m: Any, s: Any) -> list[str]:
    """Give what the glass shows, line by line."""
    return [_line(s, row) for row in range(int(s.rows))]


def describe(m: Any, s: Any) -> list[str]:
    """Give the display in words, its glass first."""
    words = [f"|{line}|" for line in glass(m, s)]
    words.append(f"{'on' if s.on else 'off'}, {'8' if s.wide else '4'}-bit mode, "
                 f"{'two lines' if s.two_lines else 'one line'}, address "
                 f"{'CGRAM ' if s.in_cgram else ''}{int(s.ac):02X}h, "
                 f"{'busy' if m.t < s.busy_t else 'ready'}")
    cursor = ("cursor and blinking" if s.cursor and s.blink else "cursor" if s.cursor else
              "blinking" if s.blink else "no cursor")
    words.append(f"{cursor}, moves {'right' if s.step == 1 else 'left'}"
                 f"{', the display shifts with each character' if s.follows else ''}, shifted by "
                 f"{int(s.offset)}{', one nibble of two has come' if s.half else ''}")
    words.append(f"{int(s.taken)} instructions and {int(s.written)} characters taken")
    if s.lost:
        words.append(f"{int(s.lost)} accesses lost, because it was busy (the last at T-state "
                     f"{int(s.lost_t)})")
    return words


def risks(m: Any, s: Any) -> list[str]:
    """What was written too fast does not show."""
    if not s.lost:
        return []
    return [f"{int(s.lost)} accesses were lost because it was busy, the last at T-state "
            f"{int(s.lost_t)}: read the busy flag, or wait {int(s.short)} T-states after each byte "
            f"and {int(s.long)} after clear and home"]


LATCH_ONLY = ("wiring", ("latch",))
CARD = Card(
    name="hd44780",
    summary="character display of the HD44780 class",
    source="HD44780U data sheet, table 6 p.24-25, set-up p.42-43",
    unmodelled=(
        "contrast and the refresh of the glass",
        "the pins of the driver chips",
    ),
    state=STATE,
    functions={"read": read, "write": write},
    jumpers=(
        Jumper("wiring", "choice", "bus", "bus: eight data lines; bus-4: DB7-DB4 only; latch: "
               "DB7-DB4, RS, R/W and E in one register", choices=WIRINGS),
        Jumper("columns", "int", 16, "characters a line of the glass", 8, 40),
        Jumper("rows", "choice", 2, "lines of the glass", choices=(1, 2, 4)),
        Jumper("oscillator", "int", NOMINAL, "kHz of the chip's clock; busy times follow it",
               100, 500),
        Jumper("power-up", "int", 15_000, "microseconds busy after power-on", 0, 1_000_000),
        Jumper("nibble", "choice", "high", "which bits of the latch are DB7-DB4",
               choices=("high", "low"), counts_with=LATCH_ONLY),
        Jumper("rs-bit", "int", 0, "bit of the latch that is RS", 0, 7, counts_with=LATCH_ONLY),
        Jumper("rw-bit", "int", 1, "bit of the latch that is R/W; -1: tied low, only writing",
               -1, 7, counts_with=LATCH_ONLY),
        Jumper("e-bit", "int", 2, "bit of the latch that is E", 0, 7, counts_with=LATCH_ONLY),
    ),
    registers=("instruction", "data", "latch"),
    kinds={"instruction": (roles.STATUS, roles.CONTROL), "data": (roles.DATA,),
           "latch": (roles.STATUS, roles.CONTROL, roles.DATA)},
    order=lambda settings: ("latch",) if settings["wiring"] == "latch" else (
        "instruction", "data"),
    power_on=power_on,
    describe=describe,
    risks=risks,
    glass=glass,
)
