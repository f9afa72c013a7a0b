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
from typing import Any

import numpy as np

from emu.jit import compiled, inlined
from emu.lines import drive_level, source_of
from emu.state import CHAINED_INTERRUPT, FAR
from peripherals.card import Card, Jumper, Setup, entry

OUTPUT, INPUT, BOTH_WAYS, BITS = range(4)  # modes
NOTHING, DIRECTIONS, MASK = range(3)  # what the next control byte is
A, B = range(2)
ENABLE, AND, HIGH, MASK_FOLLOWS = 0x80, 0x40, 0x20, 0x10  # of an interrupt control word
READY, STROBE = 16, 16  # number of ardy among the outputs, of astb among the inputs
PAPER = 64  # bytes kept of what a partner took

PORT = np.dtype([
    ("mode", np.int64),
    ("out", np.int64),  # the output register
    ("latched", np.int64),  # the input register
    ("pins", np.int64),  # levels from outside
    ("dirs", np.int64),  # mode 3: 1 = input
    ("mask", np.int64),  # 0 = watched
    ("control", np.int64),  # of the last interrupt control word
    ("expects", np.int64),
    ("vector", np.int64),
    ("rdy", np.int64), ("stb", np.int64),  # levels of the handshake lines
    ("match", np.int64),
    ("asleep", np.int64),  # 1: in reset until a control word comes
    ("pending", np.int64),
    ("shown", np.int64),  # what the lines show
    ("partner", np.int64),  # 1: somebody takes what comes out
    ("delay", np.int64), ("strobe_t", np.int64),  # T-states; when the partner strobes
    ("paper", np.uint8, (PAPER,)), ("papers", np.int64),  # what it took, and how much
], align=True)

STATE = np.dtype([
    ("slot", np.int64),
    ("port", PORT, (2,)),
    ("gated", np.int64),  # 1: RESET reaches the chip by M1
    ("inputs_a", np.int64), ("inputs_b", np.int64),  # levels of unwired pins
], align=True)


# --- requests -----------------------------------------------------------------------------
@compiled
def ask(m, s):
    """Let the pending requests of enabled ports pull /INT."""
    asking = np.int64(0)
    for k in range(2):
        p = s.port[k]
        if p.pending == 1 and (p.control & ENABLE) != 0:
            asking |= np.int64(1) << k
    if m.ip[s.slot] != asking:
        m.ip[s.slot] = asking
        m.irq_dirty = 1


@compiled
def request(m, s, k):
    """Note a request of a port."""
    s.port[k].pending = 1
    ask(m, s)


@compiled
def compare(m, s, k):
    """Work a mode 3 match out; a request when it becomes true."""
    p = s.port[k]
    if p.mode != BITS or p.expects != NOTHING:
        return
    watched = ~p.mask & p.dirs & 0xFF
    active = p.pins if (p.control & HIGH) != 0 else ~p.pins
    active &= watched
    match = np.int64(0)
    if watched != 0:
        if (p.control & AND) != 0:
            match = np.int64(1) if active == watched else np.int64(0)
        else:
            match = np.int64(1) if active != 0 else np.int64(0)
    rose = match == 1 and p.match == 0
    p.match = match
    if rose:
        request(m, s, k)


# --- lines --------------------------------------------------------------------------------
@compiled
def show(m, s, k, t):
    """Put on the lines what the port drives; what it does not drive is high."""
    p = s.port[k]
    driven = np.int64(0)
    if p.mode == OUTPUT:
        driven = np.int64(0xFF)
    elif p.mode == BITS:
        driven = ~p.dirs & 0xFF
    elif p.mode == BOTH_WAYS and p.stb == 0:
        driven = np.int64(0xFF)
    shown = (p.out & driven) | (~driven & 0xFF)
    changed = shown ^ p.shown
    p.shown = shown
    for bit in range(8):
        if ((changed >> bit) & 1) != 0:
            drive_level(m, s.slot, k * 8 + bit, (shown >> bit) & 1, t)


@compiled
def set_ready(m, s, k, level, t):
    """Set a RDY line."""
    p = s.port[k]
    if p.rdy == level:
        return
    p.rdy = level
    drive_level(m, s.slot, READY + k, level, t)
    if level == 1 and p.partner == 1 and (p.mode == OUTPUT or p.mode == BOTH_WAYS):
        p.strobe_t = t + p.delay
    m.ev[s.slot] = min(s.port[A].strobe_t, s.port[B].strobe_t)


@inlined
def receives(s, k):
    """Give the port whose pins a strobe of port k latches: A's in mode 2 by BSTB."""
    return np.int64(A) if k == B and s.port[A].mode == BOTH_WAYS else np.int64(k)


@compiled
def strobe(m, s, k, level, t):
    """See a level at an STB line: at its rising edge the transfer has been done."""
    p = s.port[k]
    if p.stb == level:
        return
    p.stb = level
    to = receives(s, k)
    gives = p.mode == OUTPUT or (p.mode == BOTH_WAYS and k == A)
    takes = p.mode == INPUT or to != k
    if level == 0:
        if takes:
            s.port[to].latched = s.port[to].pins
        show(m, s, k, t)
        return
    show(m, s, k, t)
    if (gives or takes) and p.asleep == 0:
        set_ready(m, s, k, np.int64(0), t)
        request(m, s, k)


@entry(STATE)
def advance(m, s, t, b):
    """Let partners take what stands on the lines."""
    for k in range(2):
        p = s.port[k]
        if p.strobe_t <= t:
            when = p.strobe_t
            p.strobe_t = FAR
            strobe(m, s, np.int64(k), np.int64(0), when)
            p.paper[p.papers % PAPER] = p.out
            p.papers += 1
            strobe(m, s, np.int64(k), np.int64(1), when)
    m.ev[s.slot] = min(s.port[A].strobe_t, s.port[B].strobe_t)
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
        return np.int64(0)
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
    p.mode = mode
    p.match = 0
    p.expects = DIRECTIONS if mode == BITS else NOTHING
    set_ready(m, s, k, np.int64(0), t)
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
        p.partner = int(settings[f"partner-{name}"] == "takes")
        p.delay = max(math.ceil(setup.cpu_hz * settings["partner-time"] / 1_000_000), 1)


def _port_words(s: Any, m: Any, k: int) -> str:
    p, name = s.port[k], "AB"[k]
    mode = ("output", "input", "bidirectional", "bit control")[int(p.mode)]
    words = [f"port {name}: mode {int(p.mode)} ({mode})"]
    if p.asleep:
        words.append("in reset until a control word comes")
    if p.mode == BITS:
        words.append(f"inputs {int(p.dirs):02X}h, watched {int(~p.mask & 0xFF):02X}h "
                     f"{'AND' if p.control & AND else 'OR'}, "
                     f"{'high' if p.control & HIGH else 'low'} active")
    words.append(f"output {int(p.out):02X}h, pins {int(p.pins):02X}h, RDY {int(p.rdy)}")
    words.append(f"vector {int(p.vector):02X}h, interrupts "
                 f"{'on' if p.control & ENABLE else 'off'}")
    if p.pending:
        words.append("interrupt pending")
    if m.ius[s.slot] >> k & 1:
        words.append("interrupt in service")
    if p.expects:
        words.append(f"waits for its {'directions' if p.expects == DIRECTIONS else 'mask'}")
    return ", ".join(words)


def describe(m: Any, s: Any) -> list[str]:
    """Give both ports in words."""
    out = [_port_words(s, m, k) for k in range(2)]
    for k in range(2):
        p = s.port[k]
        if p.papers:
            last = [int(p.paper[n % PAPER]) for n in range(max(int(p.papers) - PAPER, 0),
                                                           int(p.papers))]
            out.append(f"port {'AB'[k]}: {int(p.papers)} bytes taken, the last "
                       f"{bytes(last)!r}")
    return out


LINES = tuple(f"{port}{bit}" for port in "ab" for bit in range(8))
CARD = Card(
    name="z80-pio",
    summary="Z80 PIO: two parallel ports with handshakes and vectors",
    source="UM0081 (Zilog peripherals manual) p.208-220; PIO technical manual p.114-121",
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge, "line": line},
    jumpers=(
        Jumper("inputs-a", "int", 0xFF, "levels of port A's pins that no wire reaches"),
        Jumper("inputs-b", "int", 0xFF, "levels of port B's pins that no wire reaches"),
        Jumper("partner-a", "choice", "none", "takes: something takes each byte of an output "
               "mode and strobes", choices=("none", "takes")),
        Jumper("partner-b", "choice", "none", "the same at port B", choices=("none", "takes")),
        Jumper("partner-time", "int", 100, "microseconds it takes for a byte", 1, 1_000_000),
        Jumper("reset-gate", "flag", True, "a gate brings RESET to the chip's M1"),
        Jumper("interrupt", "flag", True, "the chip's INT pin reaches /INT"),
    ),
    registers=("data-a", "data-b", "control-a", "control-b"),
    interrupt=CHAINED_INTERRUPT,
    outputs=(*LINES, "ardy", "brdy"),
    inputs=(*LINES, "astb", "bstb"),
    power_on=power_on,
    describe=describe,
)
