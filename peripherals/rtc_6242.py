"""A parallel clock of sixteen four-bit registers, class MSM6242.

After the maker's data sheet (FEDL6242B-02): digits of seconds to years, whose missing bits
read 0, the day of the week from 0, and the control registers CD (30-second adjust, interrupt
flag, busy, hold), CE (period, interrupt or standard, mask), CF (test, 24 hours, stop, reset).
The chip drives D3-D0 only; the upper bits of a read are 1 (pull-ups).  While HOLD is set no
second is carried on; the one that came meanwhile is made good when it is released, a second
one is lost.  STD.P is open drain and pulls /INT, and is the output std; in standard mode it
returns by itself after 7.8125 ms.  The flag mirrors the pin: under MASK it reads 0, and a
period that ends meanwhile does not show (derived, 65 %).  Bit 24/12 is taken only while REST is 1
(from memory, 90 %; another maker does not ask for it).  A second that HOLD holds back gives no
pulse (not found anywhere).  These three have jumpers for the other reading.  The adjust bit reads 1
for the 125 us that it takes.
"""
from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import PLAIN_INTERRUPT
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals import calendar
from peripherals.calendar import (
    CALENDAR,
    DATE,
    DAY,
    HOUR,
    MINUTE,
    MONTH,
    SECOND,
    YEAR,
    next_event,
    next_second,
    plan_second,
)
from peripherals.calendar import start_second as begin_tick
from peripherals.card import (
    TICK,
    Ask,
    Card,
    Complaint,
    Jumper,
    Request,
    Setup,
    Tick,
    Trouble,
    Way,
    Write,
    entry,
    roles,
)
from peripherals.clock_causes import CAUSES

DIGITS = 12  # registers of the date and time
WEEK, CD, CE, CF = range(12, 16)
HOLD, BUSY, FLAG, ADJUST = (1 << k for k in range(4))  # CD
MASK, INTERRUPT = 1, 2  # CE; bits 3-2 are the period
REST, STOP, HOURS_24 = 1, 2, 4  # CF
TICKS = 128  # halves of 1/64 second in a second: a standard pulse lasts one
CARRY, ADJUSTING = 190, 125  # us that a carry and an adjustment take
ORDER = (SECOND, MINUTE, HOUR, DATE, MONTH, YEAR)  # of the digit registers, in twos

STATE = np.dtype([
    ("slot", np.int64),
    ("calendar", CALENDAR),  # its "second" is a tick of 1/128 second
    ("ticks", np.int64),  # of the second that goes on
    ("ce", np.int64), ("cf", np.int64), ("hold", np.int64),
    ("asked", np.int64),  # the interrupt flag
    ("owed", np.int64),  # 1: a second came while HOLD was set
    ("lost", np.int64),  # seconds that HOLD has cost
    ("stood_t", np.int64),  # when it was stopped or held last
    ("busy_t", np.int64), ("carry", np.int64),  # T-states
    ("adjusted_t", np.int64), ("adjusting", np.int64),  # T-states: the end, and the length
    ("free", np.int64),  # 1: 24/12 is taken without REST
    ("shows", np.int64),  # 1: the flag is set under MASK, too
    ("comes", np.int64),  # 1: a second that HOLD holds back gives its pulse
    ("unrested", np.int64),  # writes of another 24/12, REST being 0
    ("hidden", np.int64), ("blind", np.int64),  # 1: a period ended under MASK; looks at the flag
    ("held_pulses", np.int64),  # periods that ended while HOLD was set
    ("low", np.int64),  # 1: STD.P is low
], align=True)


@compiled
def settle(m, s, t):
    """Set STD.P, and say when the next tick comes."""
    low = np.int64(1) if s.asked == 1 and (s.ce & MASK) == 0 else np.int64(0)
    if low != s.low:
        s.low = low
        drive_level(m, s.slot, 0, 1 - low, t)
    if m.ip[s.slot] != low:
        m.ip[s.slot] = low
        m.irq_dirty = 1
    m.event_t[s.slot] = next_event(s.calendar)


@compiled
def carry(s, t):
    """Let a second come."""
    s.busy_t = t + s.carry
    if s.hold == 1:
        if s.owed == 1:
            s.lost += 1
        s.owed = 1
        return
    next_second(s.calendar)


@compiled
def period_ends(s):
    """Tell whether a tick ends the period that CE names: 1/64 s, a second, minute, hour."""
    period = s.ce >> 2
    if period == 0:
        return (s.ticks & 1) == 0
    if s.ticks != 0:
        return False
    if s.hold == 1:
        s.held_pulses += 1 if period == 1 and (s.ce & MASK) == 0 else 0
        return period == 1 and s.comes == 1
    if period >= 2 and s.calendar.field[SECOND] != 0:
        return False
    return period < 3 or s.calendar.field[MINUTE] == 0


@compiled
def tick(s, t):
    """Let 1/128 second go by; it ends a pulse of standard mode."""
    if (s.ce & INTERRUPT) == 0:
        s.asked = 0
    s.ticks = (s.ticks + 1) % TICKS
    if s.ticks == 0:
        carry(s, t)
    if period_ends(s):
        if (s.ce & MASK) == 0 or s.shows == 1:
            s.asked = 1
        s.hidden = s.ce & MASK


@entry(STATE)
def advance(m, s, t, b):
    """Let all ticks up to t come."""
    while next_event(s.calendar) <= t:
        when = next_event(s.calendar)
        plan_second(s.calendar)
        tick(s, when)
    settle(m, s, t)
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Nothing: the chip has no RESET pin."""
    settle(m, s, t)
    return np.int64(0)


@inlined
def digit(s, register):
    """Give a digit of date or time."""
    value = s.calendar.field[ORDER[register >> 1]]
    if (register & 1) == 0:
        return value & 15
    if register == 5:
        return ((value >> 4) & 1) | ((value >> 3) & 4) if (value & 0x80) != 0 else value >> 4
    return value >> 4


@compiled
def set_digit(s, register, nibble):
    """Write a digit of date or time; bits that it has not are not taken."""
    if register == 1 or register == 3:
        nibble &= 7
    elif register == 7:
        nibble &= 3
    elif register == 9:
        nibble &= 1
    field = ORDER[register >> 1]
    value = s.calendar.field[field]
    if (register & 1) == 0:
        value = (value & 0xF0) | nibble
    elif register != 5:
        value = (value & 0x0F) | nibble << 4
    elif (s.cf & HOURS_24) != 0:
        value = (value & 0x0F) | (nibble & 3) << 4
    else:
        value = (value & 0x0F) | 0x80 | (nibble & 1) << 4 | (nibble & 4) << 3
    s.calendar.field[field] = value


@compiled
def adjust(s):
    """Round to the minute."""
    up = s.calendar.field[SECOND] >= 0x30
    s.calendar.field[SECOND] = 0x59
    if up:
        next_second(s.calendar)
    s.calendar.field[SECOND] = 0


@compiled
def write_cd(s, nibble, t):
    """Write HOLD, the interrupt flag (0 takes it back), and the adjust bit."""
    if (nibble & FLAG) == 0:
        s.asked = 0
    if (nibble & ADJUST) != 0:
        adjust(s)
        s.adjusted_t = t + s.adjusting
    if s.hold == 1 and (nibble & HOLD) == 0 and s.owed == 1:
        next_second(s.calendar)
        s.owed = 0
    if (nibble & HOLD) != 0 and s.hold == 0:
        s.stood_t = t
    s.hold = nibble & HOLD


@compiled
def write_cf(s, nibble, t):
    """Write reset, stop and, with reset, the 24-hour bit; hours are to be written anew then."""
    runs = np.int64(1) if (nibble & (REST | STOP)) == 0 else np.int64(0)
    if (nibble & REST) != 0:
        s.ticks = 0
    if runs == 1 and s.calendar.running == 0:
        begin_tick(s.calendar, t)
    elif runs == 0 and s.calendar.running == 1:
        s.stood_t = t
    s.calendar.running = runs
    if (nibble & REST) == 0 and ((nibble ^ s.cf) & HOURS_24) != 0:
        s.unrested += 1
        if s.free == 0:
            nibble ^= HOURS_24
    hour = s.calendar.field[HOUR]
    s.calendar.field[HOUR] = hour & 0x3F if (nibble & HOURS_24) != 0 else hour | 0x80
    s.cf = nibble


@entry(STATE)
def read(m, s, a, t):
    """Read a register; D7-D4 are not driven."""
    register = a & 15
    if register < DIGITS:
        value = digit(s, register)
    elif register == WEEK:
        value = s.calendar.field[DAY] - 1
    elif register == CD:
        value = s.hold | (FLAG if s.asked == 1 else 0)
        if s.hold == 0 and s.hidden == 1 and t >= s.adjusted_t:
            s.blind += 1
        if s.hold == 0 or t < s.busy_t:
            value |= BUSY
        if t < s.adjusted_t:
            value |= ADJUST
    else:
        value = s.ce if register == CE else s.cf
    return value | 0xF0


@entry(STATE)
def write(m, s, a, t):
    """Write a register's four bits."""
    register = a & 15
    nibble = (a >> 8) & 15
    if register < DIGITS:
        set_digit(s, register, nibble)
    elif register == WEEK:
        s.calendar.field[DAY] = (nibble & 7) + 1
    elif register == CD:
        write_cd(s, nibble, t)
    elif register == CE:
        s.ce = nibble
        s.hidden = 0
        if (nibble & MASK) != 0 and s.shows == 0:
            s.asked = 0
    else:
        write_cf(s, nibble, t)
    settle(m, s, t)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Set the clock to its start, in 24-hour mode; with a flat battery it stands, with noise."""
    s = setup.state
    calendar.set_start(setup, s.calendar)
    s.calendar.den *= TICKS
    s.calendar.next_t = s.calendar.next_rem = 0
    plan_second(s.calendar)
    s.carry = math.ceil(CARRY * setup.cpu_hz / 1_000_000)
    s.adjusting = math.ceil(ADJUSTING * setup.cpu_hz / 1_000_000)
    s.free = setup.settings["hours-bit"] == "always"
    s.shows = setup.settings["masked-flag"] == "kept"
    s.comes = setup.settings["held-pulse"] == "comes"
    s.ce, s.cf = MASK, HOURS_24
    if setup.settings["battery"] == "flat":
        s.calendar.field[:] = setup.random.integers(0, 128, 7) & [127, 127, 63, 63, 31, 6, 127]
        s.calendar.running = 0
        s.cf = STOP


def describe(m: Any, s: Any) -> list[str]:
    """Give the clock in words."""
    period = ("1/64 s", "1 s", "1 min", "1 h")[int(s.ce) >> 2]
    kind = "interrupt" if s.ce & INTERRUPT else "standard"
    out = [calendar.words(s.calendar) + (", held" if s.hold else ""),
           f"STD.P {'masked' if s.ce & MASK else 'on'}, every {period}, {kind}, flag "
           f"{int(s.asked)}"]
    if s.lost:
        out.append(f"{int(s.lost)} seconds lost: HOLD stood for more than a second")
    return out


def ticks(_: Any, s: Any) -> list[Tick]:
    """Give what STD.P does, or the seconds that a program can see go by."""
    if not s.calendar.running or s.hold:
        return []
    tick = Fraction(int(s.calendar.num), int(s.calendar.den))
    if s.ce & MASK:
        return [Tick("seconds", tick * TICKS)]
    ratio = (2, TICKS, TICKS * 60, TICKS * 3600)[int(s.ce) >> 2]
    return [Tick("STD.P", tick * ratio, 0, setting=f"CE = {int(s.ce):X}h")]


def requests(m: Any, s: Any) -> list[Request]:
    """Give STD.P as an interrupt."""
    return [Request(0, "STD.P", roles.TICKS, not s.ce & MASK, bool(m.ip[s.slot]),
                    "; ".join(describe(m, s)))]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give a clock that stands, and seconds lost by it."""
    out = []
    if not s.calendar.running:
        out.append(Complaint(roles.TIME_STANDS, register="cf", mend=HOURS_24))
    if s.hold:
        out.append(Complaint(roles.TIME_STANDS, register="cd", mend=0))
    if s.lost:
        out.append(Complaint(roles.TICKS_LOST, register="cd", count=int(s.lost)))
    return out


def risks(_: Any, s: Any) -> list[str]:
    """Give what leans on readings that no data sheet has settled."""
    out = []
    if s.unrested:
        out.append(f"register CF was written {int(s.unrested)} times with another 24/12 bit and "
                   f"REST = 0: the chip takes it only while REST is 1 (05h, then 04h), another "
                   f"maker's always (jumper hours-bit)")
    if s.blind:
        out.append(f"the flag was read {int(s.blind)} times under MASK after a period had ended; "
                   f"whether it shows there is unsettled (jumper masked-flag): clear MASK to poll "
                   f"it")
    if s.held_pulses:
        out.append(f"{int(s.held_pulses)} periods of STD.P ended while HOLD was set; whether the "
                   f"pulse comes is unsettled (jumper held-pulse)")
    return out


def troubles(m: Any, s: Any) -> list[Trouble]:
    """A clock that stands: stopped, reset or held."""
    if s.calendar.running and not s.hold:
        return []

    def mend(m: Any, s: Any) -> None:
        s.hold = 0
        s.cf = int(s.cf) & ~(REST | STOP)
        if not s.calendar.running:
            s.calendar.running = 1
            begin_tick(s.calendar, np.int64(m.t))
        settle(m, s, np.int64(m.t))

    if s.calendar.running:
        why, remedy = "HOLD, bit 0 of register CD, is set", (
            "Clear HOLD after every reading, within a second: no second is carried while it is "
            "set.")
    else:
        why, remedy = f"register CF is {int(s.cf):X}h, with STOP (bit 1) or REST (bit 0) set", (
            "Write 05h, then 04h (24 hours), or 01h, then 00h (12 hours), to register CF once, and "
            "set date and time: after a flat battery they are noise.")
    return [Trouble("clock-stopped", f"{{card}} stands: {why}.",
                    [f"It shows {calendar.words(s.calendar)}.",
                     f"{int(s.lost)} seconds were lost by HOLD."], [remedy], int(s.stood_t), mend)]


def rates(ask: Ask) -> list[Way]:
    """Give the period of STD.P nearest to a tick, as an interrupt."""
    if ask.purpose != TICK:
        return []
    note = "clear bit 2 of register CD after each"
    if not ask.settings["interrupt"]:
        note += "; it needs interrupt = true in its slot"
    return [Way(rate, "", f"period {words}", (
        Write("cf", HOURS_24 | REST), Write("cf", HOURS_24),
        Write("ce", period << 2 | INTERRUPT)), note)
        for period, (rate, words) in enumerate((
            (Fraction(64), "1/64 s"), (Fraction(1), "1 s"), (Fraction(1, 60), "1 min"),
            (Fraction(1, 3600), "1 h")))]


CARD = Card(
    name="rtc-6242",
    summary="parallel clock of sixteen registers, class MSM6242",
    source="MSM6242B data sheet (FEDL6242B-02) p.1-12; RTC-72421 manual (MQ-162-03) p.13",
    unmodelled=(
        "TEST",
        "access while an adjustment runs",
        "power fail by CS1",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        Jumper("start", "text", calendar.START, calendar.START_HELP),
        Jumper("battery", "choice", "good", "flat: noise at power-on, and the clock stands",
               choices=("good", "flat")),
        Jumper("interrupt", "flag", False, "STD.P pulls /INT, without a vector"),
        Jumper("hours-bit", "reading", "with-rest", "when 24/12 is taken: only while REST is 1, or "
               "always (unsettled)", choices=("with-rest", "always")),
        Jumper("masked-flag", "reading", "hidden", "the flag of a period that ends under MASK "
               "(unsettled)", choices=("hidden", "kept")),
        Jumper("held-pulse", "reading", "lost", "STD.P of a second that HOLD holds back "
               "(unsettled)", choices=("lost", "comes")),
    ),
    registers=("s1", "s10", "mi1", "mi10", "h1", "h10", "d1", "d10", "mo1", "mo10", "y1", "y10",
               "week", "cd", "ce", "cf"),
    kinds={**{f"{part}{digit}": (roles.DATA,) for part in ("s", "mi", "h", "d", "mo", "y")
              for digit in ("1", "10")}, "week": (roles.DATA,),
           **dict.fromkeys(("cd", "ce", "cf"), (roles.CONTROL, roles.STATUS))},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    outputs=("std",),
    power_on=power_on,
    describe=describe,
    ticks=ticks,
    requests=requests,
    complaints=complaints,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    rates=rates,
)
