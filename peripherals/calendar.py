"""A clock and calendar in BCD that counts emulated seconds, for the clock cards.

The fields are registers as the chips keep them: 12-hour mode has bit 7 of the hours set and
bit 5 for PM.  Leap years are those that 4 divides, right from 1901 to 2099.  A second is the
CPU clock's whole number of T-states, or an exact ratio; nothing adds up to an error.
"""
from __future__ import annotations

import re
from datetime import datetime
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals.card import Setup

SECOND, MINUTE, HOUR, DATE, MONTH, DAY, YEAR = range(7)
START = "2000-01-01 00:00:00"
START_HELP = 'date and time at power-on, "YYYY-MM-DD hh:mm:ss"; emulated time goes on from it'

CALENDAR = np.dtype([
    ("field", np.int64, (7,)),  # BCD, see above; DAY 1-7
    ("running", np.int64),
    ("num", np.int64), ("den", np.int64),  # a second is num/den T-states
    ("next_t", np.int64), ("next_rem", np.int64),  # the next second: t + rem/den
], align=True)


@inlined
def bcd_next(value):
    """Count a BCD byte up."""
    return value + 7 if (value & 15) == 9 else value + 1


@inlined
def binary(value):
    """Give a BCD byte's value."""
    return (value >> 4) * 10 + (value & 15)


@compiled
def month_end(c):
    """Give the month's last date, in BCD."""
    month = c.field[MONTH]
    if month == 2:
        return np.int64(0x29) if binary(c.field[YEAR]) % 4 == 0 else np.int64(0x28)
    if month == 4 or month == 6 or month == 9 or month == 0x11:
        return np.int64(0x30)
    return np.int64(0x31)


@compiled
def next_hour(c):
    """Count the hours up: 1 at midnight."""
    hour = c.field[HOUR]
    if (hour & 0x80) == 0:
        hour = np.int64(0) if hour == 0x23 else bcd_next(hour)
        c.field[HOUR] = hour
        return np.int64(1) if hour == 0 else np.int64(0)
    half = hour & 0x20
    low = hour & 0x1F
    if low == 0x12:
        low = np.int64(1)
    else:
        low = bcd_next(low)
        if low == 0x12:
            half ^= 0x20
    c.field[HOUR] = 0x80 | half | low
    return np.int64(1) if low == 0x12 and half == 0 else np.int64(0)


@compiled
def next_day(c):
    """Count the calendar up by a day."""
    c.field[DAY] = 1 if c.field[DAY] >= 7 else c.field[DAY] + 1
    if c.field[DATE] < month_end(c):
        c.field[DATE] = bcd_next(c.field[DATE])
        return
    c.field[DATE] = 1
    if c.field[MONTH] != 0x12:
        c.field[MONTH] = bcd_next(c.field[MONTH])
        return
    c.field[MONTH] = 1
    year = c.field[YEAR]
    c.field[YEAR] = 0 if year == 0x99 else bcd_next(year)


@compiled
def next_second(c):
    """Count one second."""
    second = c.field[SECOND]
    c.field[SECOND] = 0 if second == 0x59 else bcd_next(second) & 0x7F
    if second != 0x59:
        return
    minute = c.field[MINUTE]
    c.field[MINUTE] = 0 if minute == 0x59 else bcd_next(minute) & 0x7F
    if minute == 0x59 and next_hour(c) == 1:
        next_day(c)


@inlined
def plan_second(c):
    """Set the time of the second after the next one."""
    total = c.next_rem + c.num
    c.next_t += total // c.den
    c.next_rem = total % c.den


@inlined
def start_second(c, t):
    """Begin a second at T-state ``t``: the divider is cleared."""
    c.next_t = t
    c.next_rem = 0
    plan_second(c)


@inlined
def next_event(c):
    """Give the T-state in which the next second has come."""
    if c.running == 0:
        return np.int64(FAR)
    return c.next_t + (1 if c.next_rem > 0 else 0)


def _bcd(value: int) -> int:
    return value // 10 << 4 | value % 10


def set_start(setup: Setup, calendar: Any) -> None:
    """Set a calendar to its jumper ``start``; InputError when that is no date and time."""
    text = setup.settings["start"]
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d", text):
            raise ValueError
        start = datetime.strptime(text, "%Y-%m-%d %H:%M:%S")
    except ValueError:
        raise InputError(f'slot.{setup.name}: start takes "YYYY-MM-DD hh:mm:ss" such as '
                         f'"{START}", not {text!r}.') from None
    values = (start.second, start.minute, start.hour, start.day, start.month,
              start.isoweekday() % 7 + 1, start.year % 100)
    calendar.field[:] = [_bcd(value) for value in values]
    calendar.num, calendar.den = setup.cpu_hz.numerator, setup.cpu_hz.denominator
    calendar.running = 1
    start_second(calendar, np.int64(0))


def words(calendar: Any) -> str:
    """Say what the clock shows."""
    second, minute, hour, date, month, _, year = (int(x) for x in calendar.field)
    if hour & 0x80:
        text = f"{hour & 0x1F:02X}:{minute:02X}:{second & 0x7F:02X} {'PM' if hour & 32 else 'AM'}"
    else:
        text = f"{hour:02X}:{minute:02X}:{second & 0x7F:02X}"
    going = "" if calendar.running else ", stopped"
    return f"year {year:02X}, month {month:02X}, date {date:02X}, {text}{going}"
