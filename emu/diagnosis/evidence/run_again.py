"""Look back through a run: it is run again, with stops that note or leave."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emu.bus import stops
from emu.bus.state import STOP_FETCH, STOP_HIT, STOP_WRITE, WRITE
from emu.diagnosis.evidence.bus_window import last_before
from emu.machine.machine import Machine
from emu.run.session import Session

NOTED = slice(stops.COUNT, stops.LAST_DATA + 1)


@dataclass(frozen=True)
class LastWrite:
    """Who wrote a byte last."""

    t: int
    pc: int  # of the instruction that wrote it
    value: int
    times: int  # writes in the whole run


def run_to_stop(session: Session, rows: Sequence[stops.Row], end: int) -> Machine | None:
    """Run a session again from power-on until a stop is met; None when none is by ``end``."""
    machine = session.replay(0)
    stops.arm(machine.m, rows)
    while int(machine.m.t) < end:
        if machine.run(end) == STOP_HIT:
            stops.disarm(machine.m)
            return machine
    return None


def executed_times(session: Session, address: int) -> int:
    """Count how often an instruction was come to in a run."""
    end = int(session.machine.m.t)
    machine = session.replay(0)
    stops.arm(machine.m, [stops.Row(STOP_FETCH, address, address, quiet=True)])
    while int(machine.m.t) < end:
        machine.run(end)
    times = int(machine.m.stops[0][stops.COUNT])
    stops.disarm(machine.m)
    return times


def last_write(session: Session, address: int) -> LastWrite | None:
    """Find the last write of a byte in a run; None when nobody wrote it."""
    end = int(session.machine.m.t)
    machine = session.replay(0)
    stops.arm(machine.m, [stops.Row(STOP_WRITE, address, address, quiet=True)])
    while int(machine.m.t) < end:
        machine.run(end)
    times, t, _, value = machine.m.stops[0][NOTED].tolist()
    stops.disarm(machine.m)
    if times == 0:
        return None
    window = last_before(session.replay(max(t - 200, 0)), t + 4)
    writes = window.where(WRITE)
    mine = writes[(window.address[writes] == address) & (window.t[writes] == t)]
    starts = window.starts()
    before = starts[starts < mine[-1]] if len(mine) else starts
    return LastWrite(t, int(window.address[before[-1]]) if len(before) else 0, value, times)
