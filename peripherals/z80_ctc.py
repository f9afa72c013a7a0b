"""Z80 CTC (Z8430, Z84C30): four counters and timers, vectored interrupts on the chain.

Ports: channel 0 to 3.  A byte with bit 0 set is a control word; with bit 0 clear, at
channel 0's port, the interrupt vector; after a control word with bit 2 set the next byte
is the time constant, whatever its bits are.  Reading gives the down counter.  How a
channel counts: z80_ctc_channel.py.  Zero counts ask for an interrupt, channel 0 before
channel 3; the vector is V7-V3, the channel's number in bits 2-1, and 0 (UM0081 p.40).

Unsettled, with the other reading by a jumper: a request is dropped when its interrupt is
disabled; choosing the edge whose level CLK/TRG has makes one.  From memory: a zero count finds
at most one flip-flop to set, free again once acknowledged; RESET leaves the vector as it was; the
vector is taken at channel 0's port only.
"""
from __future__ import annotations

from fractions import Fraction

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR
from emu.errors import InputError
from emu.native.jit import compiled, inlined
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
    hertz_words,
    near,
    roles,
)
from peripherals.z80_ctc_channel import (
    BY_256,
    CHANNEL,
    CLOCK_INPUT,
    CONSTANT,
    COUNTER,
    INTERRUPT,
    NO_INPUT,
    STOP,
    control,
    input_changed,
    load,
    look,
    lower_output,
    next_zero,
    publish,
    runs_by_itself,
    settle,
    stop,
)
from peripherals.z80_ctc_report import complaints, describe, requests, risks, ticks

CHANNELS = 4
CASCADES = (1, 2, 4, 5, 8, 10, 16, 20, 25, 50, 64, 100, 128, 200, 250, 256)  # tried by rates
OUTPUTS = 3  # channel 3 has no ZC/TO pin

STATE = np.dtype([
    ("slot", np.int64),
    ("vector", np.int64),  # V7-V3
    ("channel", CHANNEL, (CHANNELS,)),
    ("inside", np.int64),  # 1: its own lines change now
    ("astray", np.int64),  # vectors written to other channels
    ("keeps", np.int64),  # 1: a request outlives its enable bit
    ("calm", np.int64),  # 1: choosing the other edge makes none
    ("hz_num", np.int64), ("hz_den", np.int64),  # the CPU clock, for words
], align=True)


@inlined
def told_of(c):
    """Tell whether somebody is told the next zero count of a channel."""
    return c.edged == 1 or (c.wired == 1 and c.next_constant != 0)


@compiled
def catch_up(m, s, now):
    """Let everything up to ``now`` happen.

    Edges of ZC/TO that somebody is told, and zero counts at which a new constant changes a
    wired one, come first and in order, because another channel may count them.
    """
    s.inside = 1
    while True:
        chosen = np.int64(-1)
        due = now + 1
        falls = False
        for k in range(OUTPUTS):
            c = s.channel[k]
            if c.fall_t < due or (c.fall_t == due and chosen >= 0 and not falls):
                due = c.fall_t
                chosen = np.int64(k)
                falls = True
            if told_of(c) and runs_by_itself(c):
                zero = next_zero(c)
                if zero < due:
                    due = zero
                    chosen = np.int64(k)
                    falls = False
        if chosen < 0:
            break
        if falls:
            lower_output(m, s, chosen)
        else:
            settle(m, s, chosen, due)
    for k in range(CHANNELS):
        settle(m, s, k, now)


@compiled
def plan(m, s):
    """Say when the next zero count comes that somebody would notice at once."""
    s.inside = 0
    soonest = np.int64(FAR)
    for k in range(CHANNELS):
        c = s.channel[k]
        if runs_by_itself(c):
            asks = (c.control & INTERRUPT) != 0 and ((m.ip[s.slot] >> k) & 1) == 0
            if asks or told_of(c):
                soonest = min(soonest, next_zero(c))
        soonest = min(soonest, c.fall_t)
    m.event_t[s.slot] = soonest
    if soonest < m.next_event:
        m.next_event = min(m.next_event, soonest + 1)


@entry(STATE)
def reset(m, s, a, t):
    """Stop all channels and forbid their interrupts; the vector stays."""
    s.inside = 1
    for k in range(CHANNELS):
        c = s.channel[k]
        c.control = 0
        c.constant_due = 0
        stop(c)
        c.wired = c.edged = 0
        for wire in range(m.wire_count):
            if m.wires[wire, 0] == s.slot and m.wires[wire, 1] == k:
                c.wired = 1
                c.edged |= 1 - m.wires[wire, 4]
        look(m, s, k)
    for k in range(CHANNELS):
        publish(m, s, k, t)
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """Let all zero counts up to t happen."""
    catch_up(m, s, t)
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read a down counter; 256 reads as 0."""
    catch_up(m, s, t)
    plan(m, s)
    return s.channel[a & 3].count & 0xFF


@entry(STATE)
def write(m, s, a, t):
    """Write a time constant, a control word or the vector."""
    k = a & 3
    byte = (a >> 8) & 0xFF
    catch_up(m, s, t)
    if s.channel[k].constant_due == 1:
        load(m, s, k, byte, t)
    elif (byte & 1) != 0:
        control(m, s, k, byte, t)
    elif k == 0:
        s.vector = byte & 0xF8
    else:
        s.astray += 1
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def acknowledge(m, s, source, t):
    """Give the vector of the channel that asked; its flip-flop is free again."""
    catch_up(m, s, t)
    m.ip[s.slot] &= ~source
    plan(m, s)
    k = np.int64(0)
    while (source >> k) > 1:
        k += 1
    return s.vector | k << 1


@entry(STATE)
def line(m, s, number, t):
    """Take a change at CLK/TRG."""
    nested = s.inside
    if nested == 0:
        catch_up(m, s, t)
    else:
        settle(m, s, number, t)
    input_changed(m, s, number, t)
    if nested == 0:
        plan(m, s)
    return np.int64(0)


def _connect(setup: Setup, k: int) -> None:
    """Put the clock that its jumper names at a channel's CLK/TRG."""
    clock = setup.settings[f"trigger-{k}"]
    channel = setup.state.channel[k]
    channel.in_kind = NO_INPUT
    if clock == "none":
        return
    place = f"slot.{setup.name}: trigger-{k}"
    if any(int(w[2]) == setup.slot and int(w[3]) == k
           for w in setup.machine.wires[:int(setup.machine.wire_count)]):
        raise InputError(f"{place}: a wire ends at trigger{k} already; take the jumper or the "
                         f"wire out.")
    hertz = setup.cpu_hz if clock == "cpu" else Fraction(clock)
    if hertz * 2 > setup.cpu_hz:
        raise InputError(f"{place} = {float(hertz / 10**6):g} MHz: the chip cannot count faster "
                         f"than half the CPU clock; divide it, or use timer mode.")
    try:
        num, den = setup.period(hertz)
    except ValueError as error:
        raise InputError(f"{place}: {error}.") from None
    phase = int(setup.random.integers(0, num))
    channel.in_kind = CLOCK_INPUT
    channel.in_num, channel.in_den = num, den
    channel.in_t, channel.in_rem = divmod(phase, den)


def power_on(setup: Setup) -> None:
    """Connect the clocks; vector and counters hold noise."""
    s = setup.state
    s.vector = int(setup.random.integers(0, 32)) << 3
    s.hz_num, s.hz_den = setup.cpu_hz.numerator, setup.cpu_hz.denominator
    s.keeps = setup.settings["disabled-request"] == "kept"
    s.calm = setup.settings["edge-choice"] == "ignored"
    for output in range(OUTPUTS):
        setup.machine.line_level[setup.slot, output] = 0
    for k in range(CHANNELS):
        s.channel[k].fall_t = FAR
        s.channel[k].count = int(setup.random.integers(0, 256))
        _connect(setup, k)


def rates(ask: Ask) -> list[Way]:
    """Give the timer and counter settings nearest to a tick, or to a clock at ZC/TO."""
    if ask.purpose not in (TICK, OUTPUT):
        return []
    channels = range(CHANNELS) if ask.purpose == TICK else [int(ask.output[-1])]
    interrupt = INTERRUPT if ask.purpose == TICK else 0
    found = []
    for k in channels:
        for prescaler, bit in ((16, 0), (256, BY_256)):
            constant = near(ask.want * prescaler, ask.cpu_hz, 256)
            found.append(_way(k, ask.cpu_hz / prescaler, constant, interrupt | bit,
                              f"CPU clock {hertz_words(ask.cpu_hz)} / {prescaler}"))
        found += [_way(k, clock.rate, near(ask.want, clock.rate, 256), interrupt | COUNTER,
                       clock.words, clock.writes)
                  for edges in CASCADES for clock in ask.source(f"trigger{k}", ask.want * edges)]
    return found


def _way(k: int, frequency: Fraction, constant: int, bits: int, words: str,
         before: tuple[Write, ...] = ()) -> Way:
    """Give one setting of a channel: control word with reset, then the time constant."""
    register = f"channel{k}"
    return Way(frequency / constant, register, f"{words} / {constant}", (
        *before, Write(register, bits | CONSTANT | STOP | 1),
        Write(register, constant & 0xFF)))


CARD = Card(
    name="z80-ctc",
    summary="Z80 CTC: four counter and timer channels",
    source="UM0081 (Zilog Z80 CPU peripherals user manual), CTC chapter",
    unmodelled=(
        "delays inside a T-state",
        "an edge made by choosing the other polarity on a steady clock",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "line": line},
    jumpers=(
        *(Jumper(f"trigger-{k}", "clock", "none", f"the oscillator at CLK/TRG {k}, at most half "
                 f"the CPU clock; \"none\" when a wire ends there or nothing does")
          for k in range(CHANNELS)),
        Jumper("interrupt", "flag", True, "the chip's INT pin reaches the bus"),
        Jumper("disabled-request", "reading", "dropped", "what becomes of a pending request when "
               "a control word disables its interrupt (unsettled)", choices=("dropped", "kept")),
        Jumper("edge-choice", "reading", "counts", "what choosing the other edge does while "
               "CLK/TRG has its level: it counts as an edge, or not (unsettled)",
               choices=("counts", "ignored")),
    ),
    registers=tuple(f"channel{k}" for k in range(CHANNELS)),
    kinds={f"channel{k}": (roles.CONTROL, roles.DATA, *([roles.VECTOR] if k == 0 else []))
           for k in range(CHANNELS)},
    interrupt=CHAINED_INTERRUPT,
    sources=CHANNELS,
    outputs=tuple(f"zcto{k}" for k in range(OUTPUTS)),
    inputs=tuple(f"trigger{k}" for k in range(CHANNELS)),
    power_on=power_on,
    describe=describe,
    ticks=ticks,
    requests=requests,
    complaints=complaints,
    risks=risks,
    rates=rates,
)
