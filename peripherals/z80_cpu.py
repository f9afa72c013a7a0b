"""The CPU card: clock, part, a wait generator for every cycle of its kind, and its inputs.

A falling edge at the input reset resets the machine at the next instruction boundary, one at
nmi is an NMI; how long the line stays low does not matter.  While the input int is low, /INT is;
while wait is low, the bus cycle under way goes on (emu/bus/waiting.py).  Several wires may end at
either: a low one wins.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.cycles import ask_reset
from emu.bus.memory import remap
from emu.bus.requests import arm_bus
from emu.bus.state import PAGES
from emu.bus.wires import pulled_low, source_of
from peripherals.card import Card, Jumper, Setup, entry

STATE = np.dtype([("slot", np.int64)], align=True)
RESET, NMI, INT, WAIT = range(4)  # inputs


@entry(STATE)
def line(m, s, number, t):
    """See a wire at an input change."""
    if number == INT:
        m.int_wired = pulled_low(m, s.slot, number)
        m.irq_dirty = 1
        return np.int64(0)
    if number == WAIT:
        m.wait_low = pulled_low(m, s.slot, number)
        return np.int64(0)
    source = source_of(m, s.slot, number)
    if m.line_level[source >> 8, source & 255] == 0:
        if number == RESET:
            ask_reset(m)
        else:
            fall_nmi(m, t)
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Look at the levels of int and wait; a wire at wait has the bus watched."""
    m.int_wired = pulled_low(m, s.slot, np.int64(INT))
    m.wait_low = pulled_low(m, s.slot, np.int64(WAIT))
    if source_of(m, s.slot, np.int64(WAIT)) >= 0:
        m.wait_wires = 1
        arm_bus(m, s.slot, np.int64(1))
    return np.int64(0)


def power_on(setup: Setup) -> None:
    """Set the part and the waits that the card itself adds."""
    m, settings = setup.machine, setup.settings
    m.cmos = int(settings["part"] == "cmos")
    m.cpu_wait_m1 = settings["wait-m1"]
    m.cpu_wait_mem = settings["wait-memory"]
    m.cpu_wait_io = settings["wait-io"]


def _has_nmi_wire(m: Any, s: Any) -> bool:
    """Tell whether a wire ends at the input nmi."""
    return bool(source_of(m, s.slot, NMI) >= 0)


def _waits(field: str) -> Callable[[Any, Any, int], None]:
    """Give what turns one of the wait generator's switches while it runs."""

    def turn(m: Any, s: Any, value: int) -> None:
        m[field] = value
        for page in range(PAGES):
            remap(m, page)

    return turn


CARD = Card(
    name="z80-cpu",
    summary="Z80 CPU with its clock and wait generator",
    source="Z80 CPU user manual (UM0080)",
    unmodelled=(
        "electrical levels",
        "the time that RESET lasts",
    ),
    state=STATE,
    functions={"reset": reset, "line": line},
    jumpers=(
        Jumper("clock", "clock", "4 MHz", "frequency of the CPU clock"),
        Jumper("part", "choice", "nmos", "NMOS or CMOS part (they differ in OUT (C),0 and in "
               "LD A,I when an interrupt strikes)", choices=("nmos", "cmos")),
        Jumper("wait-m1", "int", 0, "wait states in every opcode fetch", high=7),
        Jumper("wait-memory", "int", 0, "wait states in every other memory cycle", high=7),
        Jumper("wait-io", "int", 0, "wait states in every I/O cycle beyond the automatic one",
               high=7),
    ),
    inputs=("reset", "nmi", "int", "wait"),
    power_on=power_on,
    drives_nmi=_has_nmi_wire,
    live={"wait-m1": _waits("cpu_wait_m1"), "wait-memory": _waits("cpu_wait_mem"),
          "wait-io": _waits("cpu_wait_io")},
)
