"""Fetches from RAM that nobody has filled, looked for in a run done again.

The beginning of a run is where they happen unseen: what is fetched from power-on noise works
on one bench and fails on the next.
"""
from __future__ import annotations

import numpy as np

from emu.bus import stops
from emu.bus.state import STOP_HIT, STOP_VIRGIN
from emu.machine.machine import Machine
from emu.machine.places import place
from emu.run.session import Session

LOOKED_AT = 24_000_000  # T-states from power-on
MOST = 400  # bytes of RAM that were filled in the meantime, met on the way


def noise_fetch(session: Session) -> tuple[int, int] | None:
    """Find the first instruction fetched from power-on noise: its T-state and address.

    Noise is RAM that still holds what power-on left there, where another power-on leaves
    another byte.
    """
    machine = session.replay(0)
    m = machine.m
    first = np.asarray(m.phys).copy()
    other = np.asarray(Machine(machine.description, machine.seed + 1).m.phys)
    m.untouched[:] = first != other
    stops.arm(m, [stops.Row(STOP_VIRGIN)])
    end = min(int(session.machine.m.t), LOOKED_AT)
    for _ in range(MOST):
        while int(m.t) < end and machine.run(end) != STOP_HIT:
            pass
        if int(m.t) >= end:
            return None
        pc = int(m.pc)
        at = place(machine, pc)
        if m.phys[at] == first[at]:
            return int(m.t), pc
        filled = np.asarray(m.phys) != first  # by a copy to RAM, say
        m.untouched[filled] = 0
    return None
