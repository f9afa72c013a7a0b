"""An 8255 or 82C55 parallel interface (PPI): three ports, handshakes, bit set/reset.

The chip is ppi_8255_chip.py.  Its pins are lines of the card: a0-a7, b0-b7 and c0-c7 are both
outputs and inputs (a bit that the chip does not drive is high at its output, and takes its
level from a wire, or from the jumper).  It has no vector: with `interrupt` an inverter takes
PC3, PC0 or both to /INT, whatever stands there, so a line that nobody drives yet asks, too.

RESET of the chip is active high: without an inverter behind /RESET it is held in reset for ever.
Common practice, no source: the inverters, the partners at ports A and B.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.state import FAR, PLAIN_INTERRUPT
from emu.bus.wires import drive_level, source_of
from emu.native.jit import compiled
from peripherals import ppi_8255_chip as chip
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.jumper_values import partner_text
from peripherals.ppi_8255_causes import CAUSES
from peripherals.ppi_8255_chip import ACKNOWLEDGE, AFTER_RESET, INTR, PPI, STROBE, A, B, C
from peripherals.ppi_8255_report import complaints, describe, requests, risks, troubles

PAPER = 64  # bytes kept of what a partner took, or has to give
PARTNERS = ("none", "takes", "gives", "both")
TAKER, GIVER = 1, 2
RESETS = ("inverted", "direct", "none")
_, DIRECT, UNWIRED = range(3)
BY = ("a", "b", "both")

PARTNER = np.dtype([
    ("kind", np.int64),  # bits TAKER, GIVER
    ("delay", np.int64),  # T-states
    ("take_t", np.int64), ("give_t", np.int64),
    ("paper", np.uint8, (PAPER,)), ("papers", np.int64),  # what it took, and how much
    ("text", np.uint8, (PAPER,)), ("texts", np.int64), ("given", np.int64),  # what it gives
], align=True)

STATE = np.dtype([
    ("slot", np.int64),
    ("chip", PPI),
    ("partner", PARTNER, (2,)),
    ("reset_wired", np.int64),  # as in RESETS
    ("inverters", np.int64),  # bits: INTR of A, of B
    ("levels", np.int64, (3,)),  # of unwired pins
], align=True)


@compiled
def plan(m, s):
    """Say when the next partner acts."""
    soonest = np.int64(FAR)
    for k in range(2):
        soonest = min(soonest, s.partner[k].take_t, s.partner[k].give_t)
    m.event_t[s.slot] = soonest


@compiled
def publish(m, s, t):
    """Put on the lines what the pins show, work /INT out, and let partners see the flags."""
    p = s.chip
    for port in range(3):
        shown = chip.level_of(p, port)
        changed = shown ^ p.shown[port]
        p.shown[port] = shown
        for bit in range(8):
            if ((changed >> bit) & 1) != 0:
                drive_level(m, s.slot, port * 8 + bit, (shown >> bit) & 1, t)
    floating = ~chip.driven(p, np.int64(C))
    level = (p.shown[C] & ~floating) | (p.pins[C] & floating)
    asking = np.int64(0)
    for k in range(2):
        if (s.inverters >> k) & 1 == 1 and (level & (INTR[A] if k == A else INTR[B])) != 0:
            asking |= np.int64(1) << k
    if m.ip[s.slot] != asking:
        m.ip[s.slot] = asking
        m.irq_dirty = 1
    for k in range(2):
        w = s.partner[k]
        if w.take_t == FAR and (w.kind & TAKER) != 0 and chip.gives(p, k) and p.empty[k] == 0:
            w.take_t = t + w.delay
        more = (w.kind & GIVER) != 0 and w.given < w.texts
        if w.give_t == FAR and more and chip.takes(p, k) and p.full[k] == 0:
            w.give_t = t + w.delay
    plan(m, s)


@compiled
def pulse(m, s, bit, t):
    """Pull a strobe low and let it go."""
    p = s.chip
    rest = p.pins[C]
    chip.set_pins(p, np.int64(C), rest & ~bit)
    publish(m, s, t)
    chip.set_pins(p, np.int64(C), rest | bit)
    publish(m, s, t)


@entry(STATE)
def advance(m, s, t, b):
    """Let partners take what stands on the lines, or give what they have."""
    p = s.chip
    for k in range(2):
        w = s.partner[k]
        if w.take_t <= t:
            when = w.take_t
            w.take_t = FAR
            if chip.gives(p, k) and p.empty[k] == 0:
                w.paper[w.papers % PAPER] = p.latch[k]
                w.papers += 1
                pulse(m, s, np.int64(ACKNOWLEDGE[A] if k == A else ACKNOWLEDGE[B]), when)
        if w.give_t <= t:
            when = w.give_t
            w.give_t = FAR
            if chip.takes(p, k) and p.full[k] == 0 and w.given < w.texts:
                chip.set_pins(p, np.int64(k), np.int64(w.text[w.given]))
                w.given += 1
                pulse(m, s, np.int64(STROBE[A] if k == A else STROBE[B]), when)
    publish(m, s, t)
    return np.int64(0)


@compiled
def level_at(m, s, number):
    """Give an input's level: its wire's, or its jumper's."""
    source = source_of(m, s.slot, number)
    if source < 0:
        return (s.levels[number >> 3] >> (number & 7)) & 1
    return m.line_level[source >> 8, source & 255]


@entry(STATE)
def line(m, s, number, t):
    """See a change at a pin."""
    bit = np.int64(1) << (number & 7)
    port = number >> 3
    before = s.chip.pins[port]
    after = (before | bit) if level_at(m, s, number) == 1 else (before & ~bit)
    chip.set_pins(s.chip, port, after)
    publish(m, s, t)
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Make all lines inputs in mode 0, where RESET reaches the chip."""
    for port in range(3):
        level = np.int64(0)
        for bit in range(8):
            level |= level_at(m, s, np.int64(port * 8 + bit)) << bit
        s.chip.pins[port] = level
    for k in range(2):
        s.partner[k].take_t = FAR
        s.partner[k].give_t = FAR
    s.chip.held = 1 if s.reset_wired == DIRECT else 0
    if a == 0 or s.reset_wired != UNWIRED:
        chip.clear(s.chip, np.int64(AFTER_RESET))
    publish(m, s, t)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read a port, or the control register."""
    value = chip.read(s.chip, a & 0xFFFF, t)
    publish(m, s, t)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write a port, or the control register."""
    chip.write(s.chip, a & 0xFF, (a >> 8) & 0xFF, t)
    publish(m, s, t)
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Note what the jumpers say of the chip and its lines."""
    s, settings = setup.state, setup.settings
    s.chip.cmos = int(settings["part"] == "82c55")
    s.chip.shown[:] = 0xFF
    s.reset_wired = RESETS.index(settings["reset"])
    s.inverters = (1, 2, 3)[BY.index(settings["interrupt-from"])]
    if not settings["interrupt"]:
        s.inverters = 0
    for k, name in enumerate("abc"):
        s.levels[k] = settings[f"inputs-{name}"]
    for k, name in enumerate("ab"):
        w = s.partner[k]
        w.kind = PARTNERS.index(settings[f"partner-{name}"])
        partner_text(setup, w, f"gives-{name}")
        w.delay = max(math.ceil(setup.cpu_hz * settings["partner-time"] / 1_000_000), 1)


def set_levels(port: int) -> Callable[[Any, Any, Any], None]:
    """Let the levels of a port's unwired pins change while the machine runs."""

    def change(m: Any, s: Any, value: Any) -> None:
        s.levels[port] = value
        level = sum(int(level_at(m, s, np.int64(8 * port + bit))) << bit for bit in range(8))
        chip.set_pins(s.chip, np.int64(port), np.int64(level))
        publish(m, s, np.int64(m.t))
        m.next_event = 0

    return change


LINES = tuple(f"{port}{bit}" for port in "abc" for bit in range(8))
CARD = Card(
    name="ppi-8255",
    summary="8255 parallel interface: three ports, handshakes, bit set/reset",
    source="Intel 82C55A (231256-004), Harris 82C55A (FN2969)",
    unmodelled=(
        "the CMOS part's bus hold of what was driven last",
        "the difference between a shorted output's pin and its latch",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("part", "choice", "82c55", "the CMOS part gives its control word back; the other "
               "drives nothing there", choices=("82c55", "8255")),
        Jumper("reset", "choice", "inverted", "how /RESET reaches the chip, whose RESET is active "
               "high; direct holds it in reset for ever", choices=RESETS),
        Jumper("inputs-a", "int", 0xFF, "levels of port A's pins that no wire reaches"),
        Jumper("inputs-b", "int", 0xFF, "levels of port B's pins that no wire reaches"),
        Jumper("inputs-c", "int", 0xFF, "levels of port C's pins that no wire reaches"),
        Jumper("partner-a", "choice", "none", "takes: something takes each byte of mode 1 or 2 and "
               "pulses ACK; gives: it strobes a byte of gives-a in whenever IBF is low",
               choices=PARTNERS),
        Jumper("partner-b", "choice", "none", "the same at port B", choices=PARTNERS),
        Jumper("gives-a", "text", "", "what a partner at port A gives, up to 64 characters"),
        Jumper("gives-b", "text", "", "the same at port B"),
        Jumper("partner-time", "int", 100, "microseconds it takes for a byte", 1, 1_000_000),
        Jumper("interrupt", "flag", False, "an inverter pulls /INT while an INTR pin is high"),
        Jumper("interrupt-from", "choice", "a", "which: PC3 of port A, PC0 of port B", choices=BY),
    ),
    registers=("port-a", "port-b", "port-c", "control"),
    kinds={"port-a": (roles.DATA,), "port-b": (roles.DATA,),
           "port-c": (roles.DATA, roles.STATUS), "control": (roles.CONTROL,)},
    interrupt=PLAIN_INTERRUPT,
    sources=2,
    outputs=LINES,
    inputs=LINES,
    power_on=power_on,
    describe=describe,
    requests=requests,
    complaints=complaints,
    risks=risks,
    causes=CAUSES,
    troubles=troubles,
    live={f"inputs-{name}": set_levels(k) for k, name in enumerate("abc")},
)
