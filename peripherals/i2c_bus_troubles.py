"""What goes wrong at an I2C bus, as the card's own record shows it."""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import FAR
from peripherals import calendar
from peripherals.calendar import start_second
from peripherals.card import Trouble
from peripherals.i2c_bus_devices import CLOCK_ADDRESS
from peripherals.i2c_bus_state import (
    ADDRESS,
    CLOCK,
    DEVICES,
    FREE,
    GIVE,
    LEAST,
    LINES,
    MEMORY,
    SENSOR,
    settle,
)

PATIENT = 16  # reads of a low SDA without a clock: the program waits for it


def addresses(s: Any) -> dict[int, str]:
    """Name the devices by their seven-bit addresses; a small memory has several."""
    found = {}
    if s.clock_fitted:
        found[CLOCK_ADDRESS] = DEVICES[CLOCK]
    if s.span:
        bits = int(s.block_bits)
        first = 0x50 | int(s.pins) >> bits << bits
        found.update(dict.fromkeys(range(first, first + (1 << bits)), DEVICES[MEMORY]))
    if s.sensor >= 0:
        found[int(s.sensor)] = DEVICES[SENSOR]
    return found


def _where(s: Any) -> str:
    return "its lines" if s.wiring == LINES else "{port}"


def _hint(s: Any, byte: int) -> str:
    there = addresses(s)
    for address, name in there.items():
        if byte in (address, address << 2 & 0xFE, address << 2 & 0xFE | 1):
            shift = "twice" if byte != address else "not at all"
            return f"The address of {name}, {address:02X}h, was shifted {shift}."
    known = ", ".join(f"{name} at {a << 1:02X}h and {a << 1 | 1:02X}h"
                      for a, name in there.items()) or "nothing"
    return f"On the bus are: {known}."


def nobody(m: Any, s: Any) -> Trouble | None:
    """An address without an acknowledge."""
    if not s.refused:
        return None

    def mend(m: Any, s: Any) -> None:
        s.any_address = MEMORY if s.span else CLOCK if s.clock_fitted else SENSOR
        if s.any_address == SENSOR:
            s.sensor = max(int(s.sensor), 0)

    byte = int(s.addressed)
    return Trouble(
        "i2c-nobody", f"Nobody on the bus of {{card}} answers the address {byte:02X}h.",
        [f"At T-state {int(s.refused_t)} SDA was high in the ninth clock behind {byte:02X}h; "
         f"{int(s.refusals)} addresses were not acknowledged.", _hint(s, byte)],
        ["Send the device's seven-bit address shifted left once: D0h and D1h for a clock at 68h, "
         "A0h and A1h for a memory at 50h.",
         "Fit the device (jumpers rtc, memory and pins of slot {slot})."],
        int(s.refused_t), mend)


def memory_busy(m: Any, s: Any) -> Trouble | None:
    """A memory that was addressed while it wrote."""
    if not s.given_up and not s.asking:
        return None

    def mend(m: Any, s: Any) -> None:
        s.write_time = LEAST
        if s.write_t != FAR:
            s.write_t = int(m.t) + LEAST
            settle(m, s)

    return Trouble(
        "i2c-memory-busy", "The memory of {card} is writing, and acknowledges nothing.",
        [f"{int(s.busy_refusals)} addresses came in its write cycle, the last at T-state "
         f"{int(s.busy_t)}.",
         f"A write cycle takes {int(s.write_time)} T-states from the STOP on."],
        ["After the STOP of a write, repeat START and the address until it is acknowledged.",
         "Jumper write-time of slot {slot} says how long this memory writes."],
        int(s.busy_t), mend)


def stuck(m: Any, s: Any) -> Trouble | None:
    """A line that is low although the host lets it go."""
    held = s.low_reads > PATIENT or s.pull and s.lost_starts
    clock = s.stuck & 2
    if not (s.stuck & 1 or clock or held):
        return None

    def mend(m: Any, s: Any) -> None:
        s.stuck, s.pull, s.way = 0, 0, FREE
        s.sda, s.scl = int(s.master_sda), int(s.master_scl)

    line = "SCL" if clock else "SDA"
    if s.stuck & (2 if clock else 1):
        why = "Nothing on the bus pulls it: the line is shorted, or its pull-up is missing."
        remedy = "Look for a short; only the supply helps a device that holds SCL."
    elif s.starts:
        why = (f"{DEVICES[int(s.who)]} gives a bit that is 0, and waits for {9 - int(s.bits)} more "
               f"clocks of its byte: the host acknowledged a byte that was to be the last, or was "
               f"reset in the middle of one.")
        remedy = ("Leave SDA high in the ninth clock of the last byte. At every start let SDA go, "
                  "give up to nine clocks until it is high, then START and STOP.")
    else:
        why = ("The memory was left in the middle of a read before power-on of the CPU, and gives "
               "a bit that is 0.")
        remedy = ("At every start let SDA go, give up to nine clocks until it is high, then START "
                  "and STOP.")
    return Trouble(
        "i2c-stuck", f"{line} of {{card}} is held low, and no START can be made.",
        [f"{why[0].upper()}{why[1:]}",
         f"{int(s.lost_starts)} times SDA was pulled low for a START and was low already; it was "
         f"read low {int(s.low_reads)} times since the last clock."],
        [remedy], int(s.lost_t) or int(m.t), mend, waiting=True)


def stretched(m: Any, s: Any) -> Trouble | None:
    """Clocks that a stretching device never saw."""
    if not s.lost_clocks or s.stuck & 2:
        return None

    def mend(m: Any, s: Any) -> None:
        s.stretch = 0
        s.stretch_t = FAR
        settle(m, s)

    seen = ("The board has no bit to read SCL back (jumper scl-in-bit)." if s.scl_in_bit < 0 else
            f"SCL can be read back: bit {int(s.scl_in_bit)} of the port.")
    return Trouble(
        "i2c-stretch", "{card}: the sensor holds SCL low, and the program does not wait for it.",
        [f"{int(s.lost_clocks)} clocks were pulled low again before SCL had risen, the first at "
         f"T-state {int(s.clock_lost_t)}.", seen],
        ["After letting SCL go, read it until it is high, before the next step.",
         "Jumper stretch of slot {slot} says how long the sensor holds it."],
        int(s.clock_lost_t), mend)


def pushed(m: Any, s: Any) -> Trouble | None:
    """SDA driven high against a device."""
    if not s.fights:
        return None

    def mend(m: Any, s: Any) -> None:
        s.push = 0

    return Trouble(
        "i2c-push-pull", "{card} drives SDA high while a device pulls it low.",
        [f"{int(s.fights)} times the latch and a device drove SDA against each other, first at "
         f"T-state {int(s.fight_t)}: an acknowledge reads as 1."],
        ['Drive SDA through an open-drain inverter, a transistor or a diode (drive = "open-drain" '
         'in slot {slot}).'], int(s.fight_t), mend)


def too_fast(m: Any, s: Any) -> Trouble | None:
    """Pulses of SCL that a device does not see."""
    if not s.short or not s.strict:
        return None

    def mend(m: Any, s: Any) -> None:
        s.strict = 0

    return Trouble(
        "i2c-too-fast", f"SCL at {_where(s)} of {{card}} is faster than its slowest device.",
        [f"{int(s.short)} halves of SCL were shorter than {int(s.low_min)} T-states low or "
         f"{int(s.high_min)} high, first at T-state {int(s.short_t)}."],
        ["Put NOPs between the writes, or call a delay: 4.7 us low and 4.0 us high for a part of "
         "100 kHz, such as the clock."], int(s.short_t), mend)


def time_stands(m: Any, s: Any) -> Trouble | None:
    """A clock that stands while the program looks at it."""
    if not s.clock_fitted or s.calendar.running or not s.starts:
        return None

    def mend(m: Any, s: Any) -> None:
        s.calendar.running = 1
        start_second(s.calendar, np.int64(m.t))
        settle(m, s)

    return Trouble(
        "clock-stopped", "The clock of {card} stands: CH, bit 7 of its seconds, is set.",
        [f"It shows {calendar.words(s.calendar)}."],
        ["Write the seconds (register 00h) with bit 7 = 0 once; a new chip, or one whose battery "
         "was flat, comes up with CH = 1."], int(s.start_t), mend)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s) for check in (pushed, stuck, stretched, too_fast, memory_busy, nobody,
                                       time_stands)]
    return [trouble for trouble in found if trouble is not None]


def at_work(s: Any) -> str:
    """Say what the bus is doing."""
    if s.way == FREE:
        return "free"
    if s.way == ADDRESS:
        return "at an address"
    return f"{DEVICES[int(s.who)]} {'gives' if s.way == GIVE else 'takes'} bytes"
