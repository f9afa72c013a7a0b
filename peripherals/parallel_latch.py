"""Eight latched outputs with named lamps, and eight inputs with switches: two TTL chips.

Common practice, no source: an octal latch that RESET clears, an octal buffer.  The latch's
lines can be wired to other cards, and the buffer's lines from them; a lamp's changes are
counted, with the time of the last one, so that a heartbeat can be told from a dead one.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.wires import drive_level, source_of
from emu.errors import InputError
from emu.native.jit import compiled
from peripherals.card import READ_SIDE, WRITE_SIDE, Card, Jumper, Setup, entry, roles

OUTPUTS, INPUTS = range(2)
BITS = range(8)

STATE = np.dtype([
    ("slot", np.int64),
    ("latched", np.int64),
    ("known", np.int64),  # 0: noise until the first write
    ("clears", np.int64), ("reads_back", np.int64), ("lit_by", np.int64),
    ("switches", np.int64),  # levels of the inputs that no wire reaches
    ("pins", np.int64),
    ("changes", np.int64, (8,)), ("changed_t", np.int64, (8,)),
    ("names", np.uint8, (16, 16)),  # texts: lamps, then switches
], align=True)


@compiled
def set_outputs(m, s, byte, t):
    """Change the latch; tell the wires and count what changed."""
    changed = byte ^ s.latched
    s.latched = byte
    for bit in range(8):
        if ((changed >> bit) & 1) != 0:
            s.changes[bit] += 1
            s.changed_t[bit] = t
            drive_level(m, s.slot, bit, (byte >> bit) & 1, t)


@compiled
def level_at(m, s, number):
    """Give an input's level: its wire's, or its switch's."""
    source = source_of(m, s.slot, number)
    if source < 0:
        return (s.switches >> number) & 1
    return m.line_level[source >> 8, source & 255]


@entry(STATE)
def line(m, s, number, t):
    """See a wire change."""
    bit = np.int64(1) << number
    s.pins = (s.pins | bit) if level_at(m, s, number) == 1 else (s.pins & ~bit)
    return np.int64(0)


@entry(STATE)
def reset(m, s, a, t):
    """Clear the latch where RESET reaches it; look at the inputs."""
    if s.clears == 1:
        set_outputs(m, s, np.int64(0), t)
        s.known = 1
    if a == 0:
        for bit in range(8):
            s.changes[bit] = 0  # noise that goes is no change
    s.pins = 0
    for number in range(8):
        s.pins |= level_at(m, s, number) << number
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read the inputs; the latch only where it can be read back."""
    if a & 0xFFFF == INPUTS:
        return s.pins
    return s.latched if s.reads_back == 1 else np.int64(-1)


@entry(STATE)
def write(m, s, a, t):
    """Write the latch."""
    if a & 0xFF == OUTPUTS:
        set_outputs(m, s, (a >> 8) & 0xFF, t)
        s.known = 1
    return np.int64(0)


def _keep_names(setup: Setup, jumper: str, first: int) -> None:
    names = setup.settings[jumper]
    if len(names) > len(BITS) or not all(
            isinstance(name, str) and name.isascii() and len(name) <= 16 for name in names):
        raise InputError(f"slot.{setup.name}: {jumper} takes up to eight names of up to 16 ASCII "
                         f"characters, bit 0 first, not {list(names)!r}.")
    for k, name in enumerate(names):
        setup.state.names[first + k][:len(name)] = list(name.encode())


def power_on(setup: Setup) -> None:
    """Leave noise in the latch; set the switches."""
    s, settings = setup.state, setup.settings
    s.latched = int(setup.random.integers(0, 256))
    for bit in BITS:
        setup.machine.line_level[setup.slot, bit] = int(s.latched) >> bit & 1
    s.clears = int(settings["reset"])
    s.reads_back = int(settings["read-back"])
    s.lit_by = int(settings["lit-by"] == "high")
    s.switches = settings["switches"]
    _keep_names(setup, "lamps", 0)
    _keep_names(setup, "switch-names", 8)


def set_switches(m: Any, s: Any, value: Any) -> None:
    """Turn the switches while the machine runs; what a wire reaches stays as it is."""
    s.switches = value
    for number in BITS:
        level = int(level_at(m, s, np.int64(number)))
        s.pins = int(s.pins) & ~(1 << number) | level << number


def _name(s: Any, k: int) -> str:
    return bytes(np.asarray(s.names[k])).rstrip(b"\0").decode()


def describe(m: Any, s: Any) -> list[str]:
    """Give lamps and switches in words."""
    known = "" if s.known else ", noise: never written"
    out = [f"outputs {int(s.latched):02X}h{known}, inputs {int(s.pins):02X}h"]
    for bit in BITS:
        if _name(s, bit):
            lit = "lit" if int(s.latched) >> bit & 1 == s.lit_by else "dark"
            when = f", the last at T-state {int(s.changed_t[bit])}" if s.changes[bit] else ""
            out.append(f"lamp {_name(s, bit)}: {lit}, {int(s.changes[bit])} changes{when}")
    out += [f"switch {_name(s, 8 + bit)}: {int(s.pins) >> bit & 1}" for bit in BITS
            if _name(s, 8 + bit)]
    return out


def hands(_: Any, s: Any) -> list[roles.Hand]:
    """Turn each of the switches that have a name: those that a person is meant to turn."""
    return [roles.Hand("jumper", "switches", int(s.switches) ^ 1 << bit,
                       f"the switch {_name(s, 8 + bit)} turned")
            for bit in BITS if _name(s, 8 + bit)]


CARD = Card(
    name="parallel-latch",
    summary="eight latched outputs with named lamps, eight inputs with switches",
    source="common practice, no source",
    unmodelled=(
        "currents",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "line": line},
    jumpers=(
        Jumper("lamps", "list", (), "names of the lamps at the outputs, bit 0 first"),
        Jumper("lit-by", "choice", "high", "level that lights a lamp", choices=("high", "low")),
        Jumper("switches", "int", 0xFF, "levels of the inputs that no wire reaches"),
        Jumper("switch-names", "list", (), "names of the switches, bit 0 first"),
        Jumper("read-back", "flag", False, "the latch can be read at its own port"),
        Jumper("reset", "flag", True, "RESET clears the latch"),
    ),
    registers=("outputs", "inputs"),
    sides=lambda settings: {"inputs": READ_SIDE,
                            **({} if settings["read-back"] else {"outputs": WRITE_SIDE})},
    kinds={"outputs": (roles.DATA,), "inputs": (roles.DATA,)},
    outputs=tuple(f"q{bit}" for bit in BITS),
    inputs=tuple(f"i{bit}" for bit in BITS),
    power_on=power_on,
    describe=describe,
    live={"switches": set_switches},
    hands=hands,
)
