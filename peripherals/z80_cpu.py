"""The CPU card: clock, part, and a wait generator for every cycle of its kind."""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.memory import remap
from emu.bus.state import PAGES
from peripherals.card import Card, Jumper, Setup

STATE = np.dtype([("slot", np.int64)], align=True)


def power_on(setup: Setup) -> None:
    """Set the part and the waits that the card itself adds."""
    m, settings = setup.machine, setup.settings
    m.cmos = int(settings["part"] == "cmos")
    m.cpu_wait_m1 = settings["wait-m1"]
    m.cpu_wait_mem = settings["wait-memory"]
    m.cpu_wait_io = settings["wait-io"]


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
    jumpers=(
        Jumper("clock", "clock", "4 MHz", "frequency of the CPU clock"),
        Jumper("part", "choice", "nmos", "NMOS or CMOS part (they differ in OUT (C),0 and in "
               "LD A,I when an interrupt strikes)", choices=("nmos", "cmos")),
        Jumper("wait-m1", "int", 0, "wait states in every opcode fetch", high=7),
        Jumper("wait-memory", "int", 0, "wait states in every other memory cycle", high=7),
        Jumper("wait-io", "int", 0, "wait states in every I/O cycle beyond the automatic one",
               high=7),
    ),
    power_on=power_on,
    live={"wait-m1": _waits("cpu_wait_m1"), "wait-memory": _waits("cpu_wait_mem"),
          "wait-io": _waits("cpu_wait_io")},
)
