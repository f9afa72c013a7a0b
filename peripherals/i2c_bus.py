"""An I2C bus on two bits of a latch, with a clock, a memory and a sensor on it.

After UM10204 (the bus), the DS1307 data sheet (clock at 68h, 100 kHz) and Microchip's DS20001203
and DS21709 (24Cxx memories).  SDA is looked at through an input bit of its own; SCL, too, where
the board has one.

From memory, and so the first to be doubted: the bus's times for 100 kHz; 24C04 to 24C16 take
the upper address bits in the control byte; a memory with WP high acknowledges and writes nothing;
control register 03h and CH = 1 in a new clock; the pointer of the clock goes on where it was.
When one write moves both lines, a falling SCL is seen before SDA and a rising one behind it; that
is beyond the standard, and counted.
"""
from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals import calendar
from peripherals.calendar import next_event, next_second, plan_second
from peripherals.card import (
    OUTPUT,
    Ask,
    Card,
    Complaint,
    Jumper,
    Setup,
    Tick,
    Way,
    entry,
    roles,
)
from peripherals.i2c_bus_causes import CAUSES
from peripherals.i2c_bus_devices import SQUARES, SQWE, square
from peripherals.i2c_bus_lines import host_scl, host_sda, set_scl, set_sda
from peripherals.i2c_bus_state import (
    BLOCK,
    GIVE,
    LINES,
    MEMORY,
    PARTS,
    STATE,
    STUCK,
    WIRINGS,
    settle,
)
from peripherals.i2c_bus_troubles import addresses, at_work, troubles

IN_SDA, IN_SCL = range(2)
CONTROL_TEXT = "control register 07h"


@inlined
def level_of(s, byte, bit):
    """Give the level that the host's latch asks of a line."""
    return np.int64(1) if ((byte >> bit) & 1) != s.pull_level else np.int64(0)


@compiled
def set_lines(m, s, byte, t):
    """Move both lines; SDA first unless SCL falls."""
    sda = level_of(s, byte, s.sda_bit)
    scl = level_of(s, byte, s.scl_bit)
    if sda != s.master_sda and scl != s.master_scl:
        s.together += 1
    if scl == 0:
        host_scl(m, s, scl, t)
        host_sda(m, s, sda, t)
    else:
        host_sda(m, s, sda, t)
        host_scl(m, s, scl, t)


@compiled
def look(m, s, number, t):
    """Look at an input: the level that another card asks of a line."""
    source = source_of(m, s.slot, number)
    level = np.int64(1)
    if source >= 0:
        level = m.line_level[source >> 8, source & 255]
    if number == IN_SCL:
        host_scl(m, s, level, t)
    else:
        host_sda(m, s, level, t)


@entry(STATE)
def reset(m, s, a, t):
    """Clear the latch, whatever that does to the lines; the devices have no reset."""
    s.latch = 0
    together = s.together
    if s.wiring == LINES:
        look(m, s, np.int64(IN_SCL), t)
        look(m, s, np.int64(IN_SDA), t)
    else:
        set_lines(m, s, s.latch, t)
    s.together = together
    if a == 0:
        s.lost_starts = 0  # what the supply's coming does is nobody's mistake
        s.lost_clocks = 0
        if s.clock_fitted == 1:
            square(m, s, t)
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """See a wire change."""
    if s.wiring == LINES:
        look(m, s, number, t)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """End a write cycle or the stretching of SCL; count the seconds."""
    if s.write_t <= t:
        s.write_t = FAR
    if s.stretch_t <= t:
        when = s.stretch_t
        s.stretch_t = FAR
        set_scl(m, s, when)
        set_sda(m, s, when)
    if s.clock_fitted == 1:
        while next_event(s.calendar) <= t:
            plan_second(s.calendar)
            next_second(s.calendar)
    settle(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read the lines; the other bits are 0."""
    if s.wiring == LINES:
        return np.int64(-1)
    if s.sda == 0 and s.master_sda == 1 and s.master_scl == 1:
        s.low_reads += 1
    value = s.sda << s.sda_in_bit
    if s.scl_in_bit >= 0:
        value |= s.scl << s.scl_in_bit
    return value


@entry(STATE)
def write(m, s, a, t):
    """Move the lines."""
    if s.wiring != LINES:
        s.latch = (a >> 8) & 0xFF
        set_lines(m, s, s.latch, t)
    return np.int64(0)


def load(s: Any, bay: Any) -> None:
    """Take the memory's bytes from its image; without one it is new, all FFh."""
    s.inserts = bay.inserts
    s.memory[:] = 0xFF
    if bay.original is None:
        return
    count = min(len(bay.original.data), int(s.span))
    data = b"".join(bay.block(k) for k in range(math.ceil(count / BLOCK)))
    s.memory[:count] = np.frombuffer(data[:count], np.uint8)


def serve(m: Any, s: Any, bays: Mapping[str, Any]) -> None:
    """Store the blocks that were written; take another image."""
    bay = bays["medium"]
    if s.inserts != bay.inserts:
        s.dirty = 0
        load(s, bay)
    if s.dirty and bay.original is not None:
        for block in range(int(s.dirty_from), int(s.dirty_to) + 1):
            data = bytearray(bay.block(block))
            part = np.asarray(s.memory[block * BLOCK:min((block + 1) * BLOCK, int(s.span))])
            data[:len(part)] = part.tobytes()
            bay.put(block, bytes(data))
    s.dirty = 0


def _lines(setup: Setup) -> None:
    s, settings = setup.state, setup.settings
    s.wiring = WIRINGS.index(settings["wiring"])
    for name in ("sda", "scl", "sda-in", "scl-in"):
        s[f"{name.replace('-', '_')}_bit"] = settings[f"{name}-bit"]
    if s.sda_bit == s.scl_bit:
        raise InputError(f"slot.{setup.name}: sda-bit and scl-bit are two bits of one port and "
                         f"must differ, not both {int(s.sda_bit)}.")
    if s.sda_in_bit == s.scl_in_bit:
        raise InputError(f"slot.{setup.name}: sda-in-bit and scl-in-bit are two bits of a read "
                         f"and must differ, not both {int(s.sda_in_bit)}; -1: SCL cannot be read.")
    s.pull_level = int(settings["pull-level"] == "high")
    s.push = int(settings["drive"] == "push-pull")
    s.strict = int(settings["strict"])
    slow = settings["rtc"]
    s.low_min = math.ceil(setup.cpu_hz * (47 if slow else 13) / 10_000_000)
    s.high_min = math.ceil(setup.cpu_hz * (40 if slow else 6) / 10_000_000)
    s.master_sda = s.master_scl = s.sda = s.scl = 1
    s.stretch_t = s.write_t = FAR


def _sensor(setup: Setup) -> None:
    s, settings = setup.state, setup.settings
    s.sensor = settings["sensor"]
    gives = settings["sensor-gives"]
    if not gives.isascii() or len(gives) > len(s.gives):
        raise InputError(f"slot.{setup.name}: sensor-gives takes up to {len(s.gives)} ASCII "
                         f"characters, not {gives!r}.")
    s.gives_count = len(gives)
    s.gives[:len(gives)] = list(gives.encode())
    s.stretch = math.ceil(settings["stretch"] * setup.cpu_hz / 1_000_000)


def power_on(setup: Setup) -> None:
    """Set up the lines and what is fitted; a new clock stands, and holds 1 January."""
    s, settings = setup.state, setup.settings
    _lines(setup)
    _sensor(setup)
    s.clock_fitted = int(settings["rtc"])
    calendar.set_start(setup, s.calendar)
    s.control = 3
    if settings["battery"] == "flat":
        s.calendar.field[:] = [0, 0, 0, 1, 1, 1, 0]
        s.calendar.running = 0
        s.ram[:] = setup.random.integers(0, 256, 56)
    s.write_time = math.ceil(settings["write-time"] * setup.cpu_hz / 1_000_000)
    s.pins, s.protected = settings["pins"], int(settings["write-protect"])
    if settings["memory"] != "none":
        s.span, s.address_bytes, s.page, s.block_bits = PARTS[settings["memory"]]
        bay = setup.bays.get("medium")
        s.memory[:] = 0xFF
        if bay is not None:
            load(s, bay)
    set_stuck(setup.machine, s, settings["stuck"])


def set_stuck(m: Any, s: Any, value: str) -> None:
    """Hold a line low, or leave the memory in the middle of a byte of zeros."""
    s.stuck = {"sda": 1, "scl": 2}.get(value, 0)
    if value == "mid-read":
        s.way, s.who, s.bits, s.given, s.pull, s.acked = GIVE, MEMORY, 3, 0, 1, 1
    s.sda = int(s.master_sda and not s.pull and not s.stuck & 1)
    s.scl = int(s.master_scl and not s.stuck & 2 and s.stretch_t == FAR)


def set_protected(m: Any, s: Any, value: bool) -> None:
    """Move the WP pin."""
    s.protected = int(value)


def describe(m: Any, s: Any) -> list[str]:
    """Give the bus and its devices in words."""
    there = addresses(s)
    words = [f"{at_work(s)}, SDA {int(s.sda)}, SCL {int(s.scl)}; {int(s.starts)} START, "
             f"{int(s.stops)} STOP",
             "at " + ", ".join(f"{a:02X}h {name}" for a, name in there.items()) if there else
             "nothing is fitted"]
    if s.clock_fitted:
        words.append(f"clock: {calendar.words(s.calendar)}, control {int(s.control):02X}h")
    if s.span:
        busy = ", in a write cycle" if s.write_t != FAR else ""
        words.append(f"memory: {int(s.span)} bytes, {int(s.reads)} read, {int(s.writes)} pages "
                     f"written{busy}")
    return words + risks(m, s)


def risks(m: Any, s: Any) -> list[str]:
    """What breaks the bus's rules."""
    words = []
    if s.short:
        words.append(f"{int(s.short)} halves of SCL shorter than the slowest device wants, first "
                     f"at T-state {int(s.short_t)}")
    if s.together:
        words.append(f"{int(s.together)} writes moved SDA and SCL at once")
    if s.astray:
        words.append(f"{int(s.astray)} STARTs or STOPs in the middle of a byte")
    if s.wrapped:
        words.append(f"{int(s.wrapped)} times a write went over the end of its page, back to its "
                     f"beginning")
    if s.dropped:
        words.append(f"{int(s.dropped)} bytes for the memory were dropped, as no STOP came behind "
                     f"them")
    return words


def ticks(_: Any, s: Any) -> list[Tick]:
    """Give the seconds that a program can see go by."""
    if not s.clock_fitted or not s.calendar.running:
        return []
    return [Tick("seconds", Fraction(int(s.calendar.num), int(s.calendar.den)))]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give a clock that stands."""
    if not s.clock_fitted or s.calendar.running:
        return []
    return [Complaint(roles.TIME_STANDS, register="port")]


def rates(ask: Ask) -> list[Way]:
    """Give the square waves of the clock's SQW pin."""
    if ask.purpose != OUTPUT or ask.output != "sqw" or not ask.settings["rtc"]:
        return []
    return [Way(Fraction(hertz), "sqw", f"32.768 kHz / {32768 // hertz}", (),
                f"the clock's {CONTROL_TEXT} = {SQWE | k:02X}h, over the bus")
            for k, hertz in enumerate(SQUARES)]


CARD = Card(
    name="i2c-bus",
    summary="I2C bus on two latch bits, with a DS1307-class clock, a 24Cxx memory and a sensor",
    source="UM10204; DS1307 data sheet; Microchip DS20001203 and DS21709",
    unmodelled=(
        "a second master, and arbitration",
        "the capacitance of the lines: rises take no time",
        "devices with ten address bits",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("wiring", "choice", "port", "port: its lines are bits of a port; lines: wires from "
               "other cards, 0 pulls low", choices=WIRINGS),
        Jumper("sda-bit", "int", 0, "bit of the port that pulls SDA", 0, 7),
        Jumper("scl-bit", "int", 1, "bit of the port that pulls SCL", 0, 7),
        Jumper("sda-in-bit", "int", 0, "bit of a read that is SDA", 0, 7),
        Jumper("scl-in-bit", "int", 1, "bit of a read that is SCL; -1: it cannot be read", -1, 7),
        Jumper("pull-level", "choice", "low", "level of an output bit that pulls its line low; "
               "RESET clears the latch", choices=("low", "high")),
        Jumper("drive", "choice", "open-drain", "push-pull: a fault of the board, SDA is driven "
               "high too", choices=("open-drain", "push-pull")),
        Jumper("strict", "flag", False, "pulses of SCL that are too short for the slowest device "
               "are not seen"),
        Jumper("stuck", "choice", "none", "sda, scl: a line is held low; mid-read: the memory was "
               "left in the middle of a byte", choices=STUCK),
        Jumper("rtc", "flag", True, "a clock of class DS1307 is fitted, at 68h"),
        Jumper("start", "text", calendar.START, calendar.START_HELP),
        Jumper("battery", "choice", "good", "flat: the clock stands at 1 January, CH = 1",
               choices=("good", "flat")),
        Jumper("memory", "choice", "24c256", "the memory", choices=("none", *PARTS)),
        Jumper("pins", "int", 0, "its pins A2-A0: the lower bits of 50h-57h", 0, 7),
        Jumper("medium", "medium", None, "image of what the memory holds, a multiple of 512 bytes; "
               "none: a new one, all FFh"),
        Jumper("blank", "int", 0, "blocks of 512 bytes, made when the image is not there yet; 0: "
               "it must be there", high=128),
        Jumper("write-protect", "flag", False, "its pin WP is high: it writes nothing"),
        Jumper("write-time", "int", 5000, "microseconds of a write cycle; old parts take 10000",
               high=100_000),
        Jumper("sensor", "int", -1, "address of a sensor (08h-77h); -1: none", -1, 0x77),
        Jumper("sensor-gives", "text", "", "what it gives, byte by byte, from the first at each "
               "address"),
        Jumper("stretch", "int", 0, "microseconds that it holds SCL low behind each byte",
               high=100_000),
    ),
    registers=("port",),
    needs_port=False,
    kinds={"port": (roles.CONTROL, roles.DATA, roles.STATUS)},
    outputs=("sda", "scl", "sqw"),
    probes=("sda", "scl"),
    inputs=("sda", "scl"),
    power_on=power_on,
    describe=describe,
    risks=risks,
    ticks=ticks,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    rates=rates,
    place=lambda m, s: int(s.at),
    serve=serve,
    live={"stuck": set_stuck, "write-protect": set_protected},
)
