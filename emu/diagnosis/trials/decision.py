"""Which test led into a place from which the program does not come back.

The run is done again to just before it came there.  The last branches before it are turned
the other way, one after the other in a fork: the latest with which the program stays away
is the decision, and its data flow says what it was made by.
"""
from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from emu.bus import stops
from emu.bus.state import NOBODY, STOP_EXECUTE, STOP_HIT
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import forked, last_before
from emu.diagnosis.evidence.run_again import run_to_stop
from emu.diagnosis.evidence.trace import Flow, Step, steps
from emu.diagnosis.evidence.waits import Load, loads_of, other_side, went
from emu.diagnosis.trials.proof import mishaps
from emu.machine.machine import Machine

BACK = 0.1  # seconds before the place in which the decision is looked for
BEYOND = 0.05  # seconds that it has to stay away
MOST = 40  # branches that are turned


@dataclass(frozen=True)
class Decision:
    """A branch that led into the place."""

    pc: int
    t: int
    target: int  # where it would have gone
    loads: tuple[Load, ...]


def way_in(case: Case) -> Decision | None:
    """Find the test that led into the foreground's loop or HALT."""
    place = min(case.control.code, default=(int(case.m.pc) - int(case.m.halted)) & 0xFFFF)
    return decision(case, place)


def decision(case: Case, place: int) -> Decision | None:
    """Find the branch that led the program to an address for the first time."""
    there = run_to_stop(case.session, [stops.Row(STOP_EXECUTE, place, place)],
                        int(case.m.t) + 1)
    if there is None:
        return None
    t_in = int(there.m.t)
    start = max(t_in - there.at(BACK), 0)
    machine = case.session.replay(start)
    with forked(machine):
        run = steps(last_before(machine, t_in))
    flow = Flow(run)
    seen: set[int] = set()
    ways = Counter((step.pc, went(step)) for step in run)
    for k in range(len(run) - 1, -1, -1):
        step = run[k]
        if step.handler or not step.effect.condition or step.pc in seen:
            continue
        if step.effect.condition in ("repeat", "djnz") or len(seen) >= MOST:
            continue
        seen.add(step.pc)
        if ways[step.pc, went(step)] > 1:
            continue  # it went this way before, and the program did not come here
        target = other_side(step)
        if target is not None and _stays_away(machine, step, target, place, t_in):
            loads = loads_of(flow, flow.slice(k))
            return Decision(step.pc, step.t, target, tuple(loads))
    return None


def _stays_away(machine: Machine, step: Step, target: int, place: int, t_in: int) -> bool:
    """Turn a branch in a fork; tell whether the program then keeps from the place."""
    with forked(machine):
        m = machine.m
        while int(m.t) < step.t:
            machine.run(step.t)
        if int(m.pc) != step.pc or int(m.prefix):
            return False
        m.pc = target
        before = mishaps(machine)
        stops.arm(m, [stops.Row(STOP_EXECUTE, place, place)])
        end = t_in + machine.at(BEYOND)
        while int(m.t) < end:
            if machine.run(end) == STOP_HIT:
                return False
        return mishaps(machine) == before


def decision_lines(case: Case, found: Decision | None) -> list[str]:
    """Say what led to the place, and by what it was decided."""
    if found is None:
        return []
    names = case.names
    out = [f"The branch at {names.at(found.pc)} led there at {case.time(found.t)}; turned the "
           f"other way in a copy of the machine, the program goes on at "
           f"{names.at(found.target)} and stays away from it."]
    for load in found.loads:
        if load.kind == "port":
            slot = case.machine.slots[load.driver - 1].name \
                if NOBODY < load.driver <= int(case.m.slots) else ""
            who = f"slot {slot}" if slot else "no card stands there"
            out.append(f"It was decided by {load.value:02X}h read from port {load.address:02X}h "
                       f"({who}) at {names.at(load.pc)}.")
        elif load.kind == "memory" and load.direct:
            out.append(f"It was decided by {load.value:02X}h read from {names.data(load.address)} "
                       f"at {names.at(load.pc)}.")
    return out[:4]


def empty_ports(found: Decision | None) -> list[int]:
    """List the ports of no card that a decision was made by."""
    if found is None:
        return []
    return [load.address for load in found.loads
            if load.kind == "port" and load.driver == NOBODY]
