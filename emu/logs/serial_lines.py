"""Where the frames of a machine's serial pins stand, and how they stand now."""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emu.bus.state import POOL_AT
from emu.logs.lines import WAVES
from emu.logs.waves import FIELDS, copied, meet
from emu.machine.machine import Machine

DIRECTIONS = (("txd", "out"), ("rxd", "term_out"))  # a pin of the card, and its frames' field


def waves(machine: Machine) -> dict[str, int]:
    """List the serial pins of a machine, in the order of their numbers: by name, as
    "sio_txd_a", the byte of the pool where their frames are."""
    found = {}
    for slot in machine.slots:
        fields: Mapping[str, Any] = slot.card.state.fields or {}
        for channel in slot.card.channels:
            line, place = fields["line_" + channel if channel else "line"][:2]
            for pin, name in DIRECTIONS:
                wave, offset = line.fields.get(name, (None, 0))[:2]
                if wave is not None and (wave.names or ())[:len(FIELDS)] == FIELDS:
                    pool = int(machine.m.state_offset[slot.number]) - POOL_AT
                    full = f"{slot.name}_{pin}" + (f"_{channel}" if channel else "")
                    found[full] = pool + place + offset
    return dict(list(found.items())[:WAVES])


def begin(machine: Machine, s: Any) -> None:
    """Take the waves into a sampler's record as they stand."""
    places = list(waves(machine).values())
    s.waves = len(places)
    s.wave_at[:len(places)] = places
    t = int(machine.m.t)
    for k in range(len(places)):
        copied(machine.m, s, k)
        s.wave_level[k] = meet(s, k, t)
        s.wave_to[k] = t
