"""Modem inputs of serial chips: tied, from the terminal, from a wire, moved by a hand."""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.wires import source_of
from emu.native.jit import compiled, inlined

TIED_LOW, TIED_HIGH, FROM_TERMINAL = range(3)  # where a pin goes; a wire ties it as its level is
PIN_WIRES = ("low", "high", "terminal")


@inlined
def pin(wired, terminal):
    """Give a modem input: 1 = low, active; ``terminal`` is the terminal's."""
    if wired == FROM_TERMINAL:
        return terminal
    return np.int64(1) if wired == TIED_LOW else np.int64(0)


@compiled
def wired_pin(m, slot, number, otherwise):
    """Say where a pin goes: as its wire has it now, or ``otherwise`` without one."""
    source = source_of(m, slot, number)
    if source < 0:
        return otherwise
    return m.line_level[source >> 8, source & 255]


def set_pin(part: Callable[[Any], Any], name: str) -> Callable[[Any, Any, Any], None]:
    """Let a modem input's jumper change while the machine runs; ``part`` finds its record."""

    def change(m: Any, s: Any, value: Any) -> None:
        part(s)[f"{name}_from"] = PIN_WIRES.index(value)
        m.event_t[s.slot] = min(int(m.event_t[s.slot]), int(m.t))
        m.next_event = 0

    return change
