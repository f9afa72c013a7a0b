"""Z80 PIO (Z8420, Z84C20): two parallel ports with handshakes, vectored interrupts.

Control words, mode 3 and the reset follow the Z80 peripherals manual (UM0081 p.208-220) and
the older technical manual.  The lines are outputs and inputs of the card: a0-a7 and b0-b7 are
both (a bit that the chip does not drive is high at its output, and takes its level from a
wire, or from the jumper), ardy and brdy come out, astb and bstb go in.

From memory, and so the first to be doubted: the handshakes of modes 0 to 2; with STB held low
a read in mode 1 sees the pins; lines that the chip drives itself take no part in a mode 3
match; a match that a control word makes true asks as one that a pin makes true.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR
from emu.bus.wires import source_of
from emu.native.jit import compiled
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.jumper_values import partner_text
from peripherals.z80_pio_causes import CAUSES
from peripherals.z80_pio_port import (
    BITS,
    BOTH_WAYS,
    DIRECTIONS,
    ENABLE,
    GIVES,
    INPUT,
    MASK,
    MASK_FOLLOWS,
    NOTHING,
    OUTPUT,
    PAPER,
    PARTNERS,
    STATE,
    STROBE,
    TAKES,
    A,
    B,
    ask,
    compare,
    plan,
    receives,
    set_ready,
    show,
    strobe,
)
from peripherals.z80_pio_report import complaints, describe, requests, troubles


@entry(STATE)
def advance(m, s, t, b):
    """Let partners take what stands on the lines, or give what they have."""
    for k in range(2):
        p = s.port[k]
        if p.strobe_t <= t:
            when = p.strobe_t
            p.strobe_t = FAR
            if p.partner == GIVES:
                s.port[receives(s, np.int64(k))].pins = p.text[p.given]
                p.given += 1
            strobe(m, s, np.int64(k), np.int64(0), when)
            if p.partner == TAKES:
                p.paper[p.papers % PAPER] = p.out
                p.papers += 1
            strobe(m, s, np.int64(k), np.int64(1), when)
    plan(m, s)
    return np.int64(0)


@compiled
def level_at(m, s, number, unwired):
    """Give the level that a wire brings to an input."""
    source = source_of(m, s.slot, number)
    if source < 0:
        return unwired
    return m.line_level[source >> 8, source & 255]


@entry(STATE)
def line(m, s, number, t):
    """See a change at a pin or a strobe."""
    if number >= STROBE:
        strobe(m, s, number - STROBE, level_at(m, s, number, np.int64(1)), t)
        return np.int64(0)
    k = number >> 3
    p = s.port[k]
    bit = np.int64(1) << (number & 7)
    p.pins = (p.pins | bit) if level_at(m, s, number, np.int64(1)) == 1 else (p.pins & ~bit)
    if p.mode == INPUT and p.stb == 0:
        p.latched = p.pins
    compare(m, s, k)
    return np.int64(0)


@compiled
def look(m, s, t):
    """Take all inputs as they stand."""
    for number in range(16):
        k = number >> 3
        unwired = ((s.inputs_a if k == A else s.inputs_b) >> (number & 7)) & 1
        bit = np.int64(1) << (number & 7)
        p = s.port[k]
        level = level_at(m, s, number, unwired)
        p.pins = (p.pins | bit) if level == 1 else (p.pins & ~bit)
    for k in range(2):
        s.port[k].stb = level_at(m, s, STROBE + k, np.int64(1))


# --- accesses -----------------------------------------------------------------------------
@entry(STATE)
def reset(m, s, a, t):
    """Reset by power-on, or by RESET where a gate brings it to M1; the vectors stay."""
    if a != 0 and s.gated == 0:
        return np.int64(1)  # its request and its service stand
    for k in range(2):
        p = s.port[k]
        p.mode = INPUT
        p.out = 0
        p.mask = 0xFF
        p.control = 0
        p.expects = NOTHING
        p.match = 0
        p.pending = 0
        p.asleep = 1
        p.strobe_t = FAR
        set_ready(m, s, np.int64(k), np.int64(0), t)
        show(m, s, np.int64(k), t)
    look(m, s, t)
    ask(m, s)
    return np.int64(0)


@compiled
def set_mode(m, s, k, mode, t):
    """Take a mode control word; mode 2 is port A's alone."""
    p = s.port[k]
    if mode == BOTH_WAYS and k == B:
        return
    if p.mode == BOTH_WAYS and mode != BOTH_WAYS:
        set_ready(m, s, np.int64(B), np.int64(0), t)  # B's handshake is its own again
    p.mode = mode
    p.strobes = 0
    p.reads = 0
    p.strobe_t = FAR
    p.match = 0
    p.expects = DIRECTIONS if mode == BITS else NOTHING
    set_ready(m, s, k, np.int64(0), t)
    plan(m, s)
    if mode != BITS:
        show(m, s, k, t)


@compiled
def control(m, s, k, byte, t):
    """Take a control byte."""
    p = s.port[k]
    p.asleep = 0
    if p.expects == DIRECTIONS:
        p.dirs = byte
        p.expects = NOTHING
        show(m, s, k, t)
        compare(m, s, k)
    elif p.expects == MASK:
        p.mask = byte
        p.expects = NOTHING
        compare(m, s, k)
    elif (byte & 1) == 0:
        p.vector = byte
    elif (byte & 15) == 15:
        set_mode(m, s, k, byte >> 6, t)
    elif (byte & 15) == 7:
        p.control = byte & 0xF0
        if (byte & MASK_FOLLOWS) != 0:
            p.pending = 0
            p.match = 0
            p.expects = MASK
        compare(m, s, k)
        ask(m, s)
    elif (byte & 15) == 3:
        p.control = (p.control & ~np.int64(ENABLE)) | (byte & ENABLE)
        ask(m, s)


@compiled
def data_read(m, s, k, t):
    """Give a port's data."""
    p = s.port[k]
    p.reads += 1
    if p.mode == OUTPUT:
        return p.out
    if p.mode == BITS:
        return (p.pins & p.dirs) | (p.out & ~p.dirs & 0xFF)
    if p.mode == INPUT and p.stb == 0:
        p.latched = p.pins
    ready = np.int64(B) if p.mode == BOTH_WAYS else k  # BRDY asks for what A takes in
    if s.port[ready].stb == 1:
        set_ready(m, s, ready, np.int64(1), t)
    return p.latched


@entry(STATE)
def read(m, s, a, t):
    """Read a data register; control registers drive nothing known: FFh (from memory)."""
    register = a & 0xFFFF
    if register >= 2:
        return np.int64(0xFF)
    return data_read(m, s, register, t)


@entry(STATE)
def write(m, s, a, t):
    """Write a data or a control register."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register >= 2:
        control(m, s, register - 2, byte, t)
        return np.int64(0)
    p = s.port[register]
    p.out = byte
    if p.asleep == 1:
        return np.int64(0)
    show(m, s, register, t)
    if p.mode == OUTPUT or p.mode == BOTH_WAYS:
        set_ready(m, s, register, np.int64(0), t)
        set_ready(m, s, register, np.int64(1), t)
    return np.int64(0)


@entry(STATE)
def acknowledge(m, s, source, t):
    """Give the vector of the port that asked."""
    k = source >> 1
    s.port[k].pending = 0
    ask(m, s)
    return s.port[k].vector


def power_on(setup: Setup) -> None:
    """Leave noise in the vectors; note what the jumpers say of the lines."""
    s, settings = setup.state, setup.settings
    s.gated = int(settings["reset-gate"])
    s.inputs_a, s.inputs_b = settings["inputs-a"], settings["inputs-b"]
    for k, name in enumerate("ab"):
        p = s.port[k]
        p.vector = int(setup.random.integers(0, 128)) << 1
        p.latched = int(setup.random.integers(0, 256))
        p.shown = 0xFF
        p.rdy = 1  # the reset brings it low, and tells
        p.partner = PARTNERS.index(settings[f"partner-{name}"])
        partner_text(setup, p, f"gives-{name}")
        p.delay = max(math.ceil(setup.cpu_hz * settings["partner-time"] / 1_000_000), 1)


def set_pins(k: int) -> Callable[[Any, Any, Any], None]:
    """Let the levels of a port's unwired pins change while the machine runs."""

    def change(m: Any, s: Any, value: Any) -> None:
        p = s.port[k]
        s["inputs_a" if k == A else "inputs_b"] = value
        for bit in range(8):
            if source_of(m, s.slot, np.int64(8 * k + bit)) < 0:
                p.pins = int(p.pins) & ~(1 << bit) | value & 1 << bit
        if p.mode == INPUT and p.stb == 0:
            p.latched = p.pins
        compare(m, s, np.int64(k))
        m.next_event = 0

    return change


LINES = tuple(f"{port}{bit}" for port in "ab" for bit in range(8))
CARD = Card(
    name="z80-pio",
    summary="Z80 PIO: two parallel ports with handshakes and vectors",
    source="UM0081 (Zilog peripherals manual) p.208-220; PIO technical manual p.114-121",
    unmodelled=(
        "lines that are neither driven nor pulled up",
        "delays inside a T-state",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "line": line},
    jumpers=(
        Jumper("inputs-a", "int", 0xFF, "levels of port A's pins that no wire reaches"),
        Jumper("inputs-b", "int", 0xFF, "levels of port B's pins that no wire reaches"),
        Jumper("partner-a", "choice", "none", "takes: something takes each byte of an output "
               "mode and strobes; gives: it strobes a byte of gives-a in when RDY asks for one",
               choices=PARTNERS),
        Jumper("partner-b", "choice", "none", "the same at port B; in mode 2 of port A its "
               "handshake is that of A's input", choices=PARTNERS),
        Jumper("gives-a", "text", "", "what a partner at port A gives, up to 64 characters"),
        Jumper("gives-b", "text", "", "the same at port B"),
        Jumper("partner-time", "int", 100, "microseconds it takes for a byte", 1, 1_000_000),
        Jumper("reset-gate", "flag", True, "a gate brings RESET to the chip's M1"),
        Jumper("interrupt", "flag", True, "the chip's INT pin reaches /INT"),
    ),
    registers=("data-a", "data-b", "control-a", "control-b"),
    kinds={"data-a": (roles.DATA,), "data-b": (roles.DATA,),
           "control-a": (roles.CONTROL, roles.VECTOR), "control-b": (roles.CONTROL, roles.VECTOR)},
    interrupt=CHAINED_INTERRUPT,
    sources=2,
    outputs=(*LINES, "ardy", "brdy"),
    inputs=(*LINES, "astb", "bstb"),
    power_on=power_on,
    describe=describe,
    requests=requests,
    complaints=complaints,
    causes=CAUSES,
    troubles=troubles,
    live={"inputs-a": set_pins(A), "inputs-b": set_pins(B)},
)
