"""Modem inputs of serial chips: tied, from the terminal, from a wire, moved by a hand.

The chips of two channels have two clocks as inputs 0 and 1, CTS and DCD of A and of B as 2 to 5,
and RI of both behind them; their state has ``channel``, ``pins`` (1: a modem input may move) and
``wired`` (1: an output is wired).
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from emu.bus.wires import source_of
from emu.native.jit import compiled, inlined
from peripherals.card import Jumper

TIED_LOW, TIED_HIGH, FROM_TERMINAL = range(3)  # where a pin goes; a wire ties it as its level is
PIN_WIRES = ("low", "high", "terminal")
PINS = ("cts", "dcd", "ri")
CTS_PIN, RI_PIN = 2, 6  # numbers of cts-a and ri-a among the inputs of a chip of two channels


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


# --- chips of two channels ----------------------------------------------------------------
@compiled
def take_wires(m, s):
    """Take the modem inputs that are wired as their wires are."""
    for k in range(2):
        c = s.channel[k]
        number = np.int64(CTS_PIN + 2 * k)
        c.cts_from = wired_pin(m, s.slot, number, c.cts_from)
        c.dcd_from = wired_pin(m, s.slot, number + 1, c.dcd_from)
        c.ri_from = wired_pin(m, s.slot, np.int64(RI_PIN + k), c.ri_from)


@compiled
def find_wires(m, s):
    """Find out whether modem inputs or outputs are wired, and take the inputs as they are."""
    for wire in range(m.wire_count):
        if m.wires[wire, 0] == s.slot:
            s.wired = 1
        if m.wires[wire, 2] == s.slot and m.wires[wire, 3] >= CTS_PIN:
            s.pins = 1
    take_wires(m, s)


def tie(s: Any, settings: Mapping[str, Any]) -> None:
    """Lead the modem inputs where their jumpers say."""
    for k, name in enumerate("ab"):
        for pin_name in PINS:
            wired = PIN_WIRES.index(settings[f"{pin_name}-{name}"])
            s.channel[k][f"{pin_name}_from"] = wired
            if wired == FROM_TERMINAL:
                s.pins = 1


def pin_jumpers(name: str) -> tuple[Jumper, ...]:
    """Give the jumpers of one channel's modem inputs."""
    upper = name.upper()
    return (*(Jumper(f"{pin_name}-{name}", "choice", "low",
                     f"where {pin_name.upper()}{upper} goes; low is active", choices=PIN_WIRES)
              for pin_name in PINS[:2]),
            Jumper(f"ri-{name}", "choice", "high", f"where SYNC{upper} goes, which is RI{upper} in "
                   "asynchronous modes; low is active", choices=PIN_WIRES[:2]))


def _moved(k: int) -> Callable[[Any], Any]:
    """Find a channel whose pins a hand moves: they are looked at from then on."""
    def part(s: Any) -> Any:
        s.pins = 1
        return s.channel[k]

    return part


LIVE_PINS = {f"{pin_name}-{name}": set_pin(_moved(k), pin_name)
             for k, name in enumerate("ab") for pin_name in PINS}
