"""Hold a machine's cards against the contract: a run is the same however it is made.

For tests of cards, ours and a builder's own: the same machine runs in one go, in short
slices with snapshots brought back, and from a snapshot in a second machine.  A card that keeps
something outside its record, looks at the clock on the wall, or lets its result depend on
how often ``advance`` is called, ends differently.
"""
from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from emu.backplane.description import Description
from emu.bus.state import FAR, MACHINE, POOL_AT
from emu.machine.machine import Machine
from emu.run.session import Session

# Not a machine's state, or different by intent between the runs.
ASIDE = ("card_functions", "plain", "uid", "next_event", "t_stop", "exit_reason",
         "int_since", "pool")
SLICES = 97
SLICE = 0.37  # of the way that is left to the next look; odd, so that slices fall anywhere


def complaints(description: Description, seconds: Fraction, keys: bytes = b"") -> list[str]:
    """Run a machine in three ways for emulated seconds; say what differed, slot by slot.

    ``keys`` are typed at the main terminal at once.  An empty list: all the same.
    """
    whole, sliced, other = (_machine(description, keys) for _ in range(3))
    end = whole.at(seconds)
    whole.run(end)
    first = _state(whole)
    for part in range(1, SLICES + 1):
        t = end * part // SLICES
        saved = sliced.snapshot()
        sliced.run(t - int((t - saved.t) * SLICE))
        if part == SLICES // 2:
            other.restore(sliced.snapshot())
        sliced.restore(saved)
        sliced.run(t)
    other.run(end)
    return [f"{text}, {way}" for machine, way in (
        (sliced, "in slices with snapshots brought back"),
        (other, "from a snapshot in a second machine"))
        for text in _differences(whole, first, _state(machine))]


def _machine(description: Description, keys: bytes) -> Machine:
    machine = Machine(description)
    console = Session(machine).console
    for channel in console.channels.values():
        channel.line.shown_limit = FAR  # nobody looks; a full console would end the run
    if keys:
        console.type(console.main or "", keys, 0)
    return machine


def _state(machine: Machine) -> dict[str, Any]:
    saved = machine.snapshot()
    out: dict[str, Any] = {"memory": saved.memory}
    for name, (kind, offset, *_) in (MACHINE.fields or {}).items():
        if name not in ASIDE and offset < POOL_AT:
            out[name] = saved.head[offset:offset + kind.itemsize]
    for slot in machine.slots:
        start = int(machine.m.state_offset[slot.number])
        for name, (kind, offset, *_) in (slot.card.state.fields or {}).items():
            out[f"slot {slot.name}: {name}"] = \
                saved.head[start + offset:start + offset + kind.itemsize]
    return out


def _differences(machine: Machine, one: dict[str, Any], two: dict[str, Any]) -> list[str]:
    """Name what differs; the cards' own fields first, for they tell the most."""
    differing = [name for name in one if not np.array_equal(one[name], two[name])]
    return [f"{name} ends differently" for name in sorted(
        differing, key=lambda name: not name.startswith("slot "))]
