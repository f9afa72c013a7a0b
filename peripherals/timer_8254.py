"""An 82C54 timer: three counters of sixteen bits with six modes, gates and outputs.

Registers and commands from memory of the data sheet: counters 0 to 2, then the control register.
A byte there is a control word (bits 7-6 the counter, 5-4 how it is read and written, 3-1 the mode,
0 BCD), a latch command (bits 5-4 zero) or a read-back (bits 7-6 set).  How a counter counts:
timer_8254_counter.py.

The chip has no interrupt pin.  With `interrupt` one OUT pulls /INT, without a vector: through a
flip-flop that a rising edge sets and any access to the register `acknowledge` clears, or, with
interrupt-latch = false, by its level (common practice, no source).
"""
from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled
from peripherals.card import (
    OUTPUT,
    TICK,
    Ask,
    Card,
    Jumper,
    Setup,
    Way,
    Write,
    entry,
    near,
    roles,
)
from peripherals.timer_8254_causes import CAUSES
from peripherals.timer_8254_counter import (
    BOTH,
    CLOCK_INPUT,
    COUNTER,
    LEVEL_INPUT,
    NO_INPUT,
    get,
    hold,
    next_change,
    publish,
    put,
    set_gate,
    set_mode,
    settle,
    status_of,
    strike,
    take_clock,
)
from peripherals.timer_8254_report import complaints, describe, requests, risks, ticks, troubles

COUNTERS = 3
CONTROL, ACKNOWLEDGE = 3, 4  # registers
REGISTERS = ("counter0", "counter1", "counter2", "control", "acknowledge")
GATE = 3  # number of gate0 among the inputs
HIGHEST = 65536

STATE = np.dtype([
    ("slot", np.int64),
    ("counter", COUNTER, (COUNTERS,)),
    ("asks_from", np.int64),  # the counter whose OUT asks, -1: none
    ("latched", np.int64),  # 1: by a flip-flop
    ("lost", np.int64),  # rising edges that found it set
    ("gates", np.int64),  # bits: levels of gates that no wire reaches
    ("hz_num", np.int64), ("hz_den", np.int64),  # the CPU clock, for words
], align=True)


@compiled
def catch_up(m, s, now):
    """Let all pulses up to ``now`` happen, an OUT that another counter hangs on first."""
    for k in range(COUNTERS):
        settle(m, s, np.int64(k), now)


@compiled
def plan(m, s):
    """Say when the next OUT changes that somebody would notice at once."""
    soonest = np.int64(FAR)
    for k in range(COUNTERS):
        c = s.counter[k]
        if s.asks_from == k or (c.wired == 1 and (c.steady == 0 or c.edged == 1)):
            soonest = min(soonest, next_change(c))
    m.event_t[s.slot] = soonest
    if soonest < m.next_event:
        m.next_event = min(m.next_event, soonest + 1)


@compiled
def gate_at(m, s, k):
    """Give a gate's level: its wire's, or its jumper's."""
    source = source_of(m, s.slot, np.int64(GATE + k))
    if source < 0:
        return (s.gates >> k) & 1
    return m.line_level[source >> 8, source & 255]


@entry(STATE)
def reset(m, s, a, t):
    """See what is wired; the chip has no reset pin, so its counters go on."""
    for k in range(COUNTERS):
        c = s.counter[k]
        c.wired = 0
        c.edged = 0
        for wire in range(m.wire_count):
            if m.wires[wire, 0] == s.slot and m.wires[wire, 1] == k:
                c.wired = 1
                c.edged |= 1 - m.wires[wire, 4]
        if a == 0:
            c.gate = gate_at(m, s, k)
            take_clock(m, s, np.int64(k), t)
    m.ip[s.slot] = 0  # RESET clears the flip-flop
    m.irq_dirty = 1
    catch_up(m, s, t)
    for k in range(COUNTERS):
        publish(m, s, np.int64(k), t)
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """Let all pulses up to t happen."""
    catch_up(m, s, t)
    plan(m, s)
    return np.int64(0)


@compiled
def acknowledged(m, s):
    """Clear the flip-flop of the interrupt."""
    if s.latched == 1 and m.ip[s.slot] != 0:
        m.ip[s.slot] = 0
        m.irq_dirty = 1


@entry(STATE)
def read(m, s, a, t):
    """Read a counter; the control register drives nothing."""
    register = a & 0xFFFF
    if register == ACKNOWLEDGE:
        acknowledged(m, s)
        return np.int64(-1)
    if register == CONTROL:
        return np.int64(-1)
    catch_up(m, s, t)
    plan(m, s)
    return get(s.counter[register], t)


@compiled
def read_back(s, word):
    """Latch counts and states of several counters."""
    for k in range(COUNTERS):
        if ((word >> (k + 1)) & 1) != 0:
            c = s.counter[k]
            if (word & 0x20) == 0:
                hold(c)
            if (word & 0x10) == 0 and c.status < 0:
                c.status = status_of(c)


@entry(STATE)
def write(m, s, a, t):
    """Write a count or a command."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register == ACKNOWLEDGE:
        acknowledged(m, s)
        return np.int64(0)
    catch_up(m, s, t)
    if register < COUNTERS:
        put(m, s, register, byte, t)
    elif (byte >> 6) == 3:
        read_back(s, byte)
    elif (byte & 0x30) == 0:
        hold(s.counter[byte >> 6])
    else:
        set_mode(m, s, byte >> 6, byte, t)
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """Take a change at CLK or GATE."""
    if number >= GATE:
        k = number - GATE
        settle(m, s, k, t)
        set_gate(m, s, k, gate_at(m, s, k), t)
        plan(m, s)
        return np.int64(0)
    c = s.counter[number]
    settle(m, s, number, t)
    kind = c.in_kind
    level = c.in_level
    take_clock(m, s, number, t)
    if kind == LEVEL_INPUT and c.in_kind == LEVEL_INPUT:
        if level == 1 and c.in_level == 0:
            strike(m, s, number, t)
    else:
        publish(m, s, number, t)
    plan(m, s)
    return np.int64(0)


def _connect(setup: Setup, k: int) -> None:
    """Put the clock that its jumper names at a counter's CLK."""
    clock = setup.settings[f"clk-{k}"]
    c = setup.state.counter[k]
    c.in_kind = NO_INPUT
    if clock == "none":
        return
    place = f"slot.{setup.name}: clk-{k}"
    if any(int(w[2]) == setup.slot and int(w[3]) == k
           for w in setup.machine.wires[:int(setup.machine.wire_count)]):
        raise InputError(f"{place}: a wire ends at clk{k} already; take the jumper or the wire "
                         f"out.")
    hertz = setup.cpu_hz if clock == "cpu" else Fraction(clock)
    if hertz > 10_000_000:
        raise InputError(f"{place} = {float(hertz / 10**6):g} MHz: the fastest 82C54 counts "
                         f"10 MHz.")
    try:
        num, den = setup.period(hertz)
    except ValueError as error:
        raise InputError(f"{place}: {error}.") from None
    phase = int(setup.random.integers(0, num))
    c.in_kind = CLOCK_INPUT
    c.num, c.den = num, den
    c.edge_t, c.edge_rem = divmod(phase, den)


def power_on(setup: Setup) -> None:
    """Connect the clocks; modes and counts are not defined until they are programmed."""
    s, settings = setup.state, setup.settings
    s.hz_num, s.hz_den = setup.cpu_hz.numerator, setup.cpu_hz.denominator
    s.asks_from = settings["interrupt-from"] if settings["interrupt"] else -1
    s.latched = int(settings["interrupt-latch"])
    for k in range(COUNTERS):
        c = s.counter[k]
        c.word = BOTH << 4
        c.low = c.status = -1
        c.modulus = HIGHEST
        c.length = HIGHEST
        c.waits = 1
        c.out = 1
        c.count = int(setup.random.integers(0, HIGHEST))
        s.gates = int(s.gates) | int(settings[f"gate-{k}"]) << k
        _connect(setup, k)


def rates(ask: Ask) -> list[Way]:
    """Give the counts of mode 3 nearest to a tick, or to a clock at an OUT."""
    if ask.purpose not in (TICK, OUTPUT) or (ask.purpose == TICK
                                             and not ask.settings["interrupt"]):
        return []
    k = int(ask.settings["interrupt-from"] if ask.purpose == TICK else ask.output[-1])
    found = []
    for clock in ask.source(f"clk{k}", ask.want * 1000):
        if clock.rate < 2 * ask.want:
            continue
        count = max(near(ask.want, clock.rate, HIGHEST), 2)
        found.append(Way(clock.rate / count, f"counter{k}", f"{clock.words} / {count}", (
            *clock.writes, Write("control", k << 6 | BOTH << 4 | 3 << 1),
            Write(f"counter{k}", count & 0xFF), Write(f"counter{k}", count >> 8 & 0xFF))))
    return found


def set_gates(k: int) -> Callable[[Any, Any, Any], None]:
    """Let a gate that no wire reaches be switched while the machine runs."""

    def change(m: Any, s: Any, value: Any) -> None:
        s.gates = int(s.gates) & ~(1 << k) | int(value) << k
        now = np.int64(m.t)
        catch_up(m, s, now)
        set_gate(m, s, np.int64(k), np.int64(gate_at(m, s, k)), now)
        plan(m, s)
        m.next_event = 0

    return change


def order(settings: Any) -> tuple[str, ...]:
    """Give the usual order of ports: the acknowledge where the flip-flop is fitted."""
    return REGISTERS if settings["interrupt"] and settings["interrupt-latch"] else REGISTERS[:4]


CARD = Card(
    name="timer-82c54",
    summary="82C54 timer: three counters with six modes",
    source="Intel 82C54 data sheet, from memory",
    unmodelled=(
        "half a clock between GATE's sampling and the count",
        "the phase of a steady OUT at an input that counts rising edges",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        *(Jumper(f"clk-{k}", "clock", "none", f"the oscillator at CLK {k}; \"none\" when a wire "
                 f"ends there or nothing does") for k in range(COUNTERS)),
        *(Jumper(f"gate-{k}", "flag", True, f"GATE {k} is high while no wire reaches it")
          for k in range(COUNTERS)),
        Jumper("interrupt", "flag", False, "an OUT pulls /INT, without a vector"),
        Jumper("interrupt-from", "choice", 0, "whose OUT", choices=(0, 1, 2),
               counts_with=("interrupt", (True,))),
        Jumper("interrupt-latch", "flag", True, "by a flip-flop that a rising edge sets and an "
               "access to `acknowledge` clears; else by its level",
               counts_with=("interrupt", (True,))),
    ),
    registers=REGISTERS,
    order=order,
    kinds={**{f"counter{k}": (roles.DATA,) for k in range(COUNTERS)},
           "control": (roles.CONTROL,), "acknowledge": (roles.CONTROL,)},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    outputs=tuple(f"out{k}" for k in range(COUNTERS)),
    inputs=(*(f"clk{k}" for k in range(COUNTERS)), *(f"gate{k}" for k in range(COUNTERS))),
    power_on=power_on,
    describe=describe,
    ticks=ticks,
    requests=requests,
    complaints=complaints,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    rates=rates,
    live={f"gate-{k}": set_gates(k) for k in range(COUNTERS)},
)
