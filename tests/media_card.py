"""A test card with a medium: one sector of it in the card, the rest with the host.

Writing register "sector" picks one; "data" reads and writes its first byte, "step" an
instruction later at the earliest.
"""
from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cpu_cards
import numpy as np

from emu.backplane.description import Description, SlotDescription
from emu.backplane.port_rows import PortRow
from emu.bus.cycles import ask_host
from emu.media.bay import Bay, Original
from emu.native.jit import inlined
from peripherals import z80_cpu
from peripherals.card import Card, Jumper, entry

SECTOR, DATA = range(2)
STATE = np.dtype([
    ("slot", np.int64),
    ("held", np.int64),  # the sector in the buffer
    ("wanted", np.int64),
    ("dirty", np.int64),
    ("buffer", np.uint8, (512,)),
], align=True)


@inlined
def want(m, s, sector):
    """Ask for a sector."""
    s.wanted = sector
    ask_host(m, s.slot)


@entry(STATE)
def reset(m, s, a, t):
    """Ask for sector 0."""
    want(m, s, 0)
    return 0


@entry(STATE)
def read(m, s, a, t):
    """Read the sector's first byte."""
    return np.int64(s.buffer[0])


@entry(STATE)
def write(m, s, a, t):
    """Pick a sector, or write its first byte."""
    if a & 0xFF == SECTOR:
        want(m, s, a >> 8 & 0xFF)
    else:
        s.buffer[0] = a >> 8 & 0xFF
        s.dirty = 1
    return 0


def serve(_m: Any, s: Any, bays: Mapping[str, Bay]) -> None:
    """Store the sector if it has changed, and load the one that is wanted."""
    bay = bays["medium"]
    if s.dirty:
        bay.put(int(s.held), np.asarray(s.buffer).tobytes())
        s.dirty = 0
    s.buffer[:] = np.frombuffer(bay.block(int(s.wanted)), np.uint8)
    s.held = s.wanted


CARD = Card(
    name="test-medium", summary="", source="a test", state=STATE,
    functions={"reset": reset, "read": read, "write": write},
    jumpers=(Jumper("medium", "medium", None, "the image"),),
    registers=("sector", "data"), serve=serve,
)


def description(original: Original) -> Description:
    """Describe a machine of CPU, RAM and this card at port 10h."""
    from fractions import Fraction

    cpu = {"part": "nmos", "wait-m1": 0, "wait-memory": 0, "wait-io": 0}
    ports = (PortRow(0, 0x10, 0xFF), PortRow(1, 0x11, 0xFF))

    def slot(name: str, card: Card, settings: Any, *more: Any) -> SlotDescription:
        return SlotDescription(name, card, settings, more[0] if more else (), {}, 0, 0, 0,
                               f"test: slot.{name}", more[1] if more else {})

    return Description(
        Path("test.toml"), "test",
        (slot("cpu", z80_cpu.CARD, cpu), slot("ram", cpu_cards.RAM, {"window": -1}),
         slot("store", CARD, {"medium": None}, ports, {"medium": original})),
        None, (), "pull-ups", 1, Fraction(4_000_000))
