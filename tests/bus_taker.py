"""A test card that takes the bus at set T-states and runs one bus cycle of its own each time."""
from __future__ import annotations

import numpy as np

from emu.bus.master_cycles import master_read, master_write
from emu.bus.requests import arm_bus, ask_bus, release_bus
from emu.bus.state import FAR
from peripherals.card import Card, entry

ASKS = 64
NOTHING, READ, WRITE, INPUT, OUTPUT = range(5)

TAKER = np.dtype([
    ("slot", np.int64),
    ("when", np.int64, (ASKS,)), ("count", np.int64), ("at", np.int64),  # /BUSREQ falls, in order
    ("what", np.int64),  # NOTHING ... OUTPUT: its cycle
    ("address", np.int64), ("value", np.int64), ("length", np.int64),
    ("keeps", np.int64),  # cycles it makes each time
    ("left", np.int64),
    ("given", np.int64, (ASKS,)), ("taken", np.int64),  # when it got the bus
], align=True)


@entry(TAKER)
def reset(m, s, warm, t):
    """Wait for the first time to ask."""
    arm_bus(m, s.slot, 1)
    m.event_t[s.slot] = s.when[0] if s.count > 0 else FAR
    return 0


@entry(TAKER)
def advance(m, s, t, _):
    """Ask when it is time."""
    while s.at < s.count and s.when[s.at] <= t:
        ask_bus(m, s.slot, s.when[s.at])
        s.at += 1
    m.event_t[s.slot] = s.when[s.at] if s.at < s.count else FAR
    return 0


@entry(TAKER)
def master(m, s, t, _):
    """Run a cycle; with the last one let go of the bus a T-state before it ends."""
    if s.left == 0:
        s.given[s.taken & (ASKS - 1)] = t
        s.taken += 1
        s.left = s.keeps
    if s.what == READ or s.what == INPUT:
        s.value = master_read(m, 1 if s.what == INPUT else 0, s.address, s.length, 0, 0)
    elif s.what == WRITE or s.what == OUTPUT:
        master_write(m, s.slot, 1 if s.what == OUTPUT else 0, s.address, s.value, s.length, 0, 0)
    else:
        m.t += s.length
    s.left -= 1
    if s.left == 0:
        release_bus(m, s.slot, m.t - 1)
    return 0


CARD = Card(name="test-taker", summary="takes the bus at set times", source="made for tests",
            state=TAKER, functions={"reset": reset, "advance": advance, "master": master})
