"""Prove that a machine will do nothing more, so that running it on would show nothing new.

Three things together are a proof: nothing comes from outside any more (no card has an event to
come, or only cards whose interrupts the CPU will not take), the CPU stands in HALT or comes
back to the very state it was in, and between the two it has touched nothing but plain memory,
which is as it was, and ports where no card stands.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus import stops
from emu.bus.state import ACK, AT_TIME, FAR, FETCH, IN, NOT_MINE, READ, ROM, STOP_FETCH, WRITE
from emu.card.plaincards import is_plain
from emu.diagnosis.evidence.bus_window import forked, windows
from emu.diagnosis.trials.forks import memory_digest, registers
from emu.isa.opcodes import ED
from emu.machine.machine import Machine
from emu.machine.places import places

LONGEST_ROUND = 0.02  # seconds
PASSES = 64  # of one place, that are compared
LD_A_R = 0x5F  # behind ED: the one instruction that tells where R stands


def closed(machine: Machine) -> str:
    """Say in words why the machine will never do anything more; empty when that is not proved."""
    m = machine.m
    nothing = _nothing_comes(machine)
    if not nothing:
        return ""
    if int(m.halted):
        return f"the CPU stands in HALT, and {nothing}"
    with forked(machine):
        period = _round(machine)
    if period and _touches_nothing(machine, period):
        return f"the CPU goes round in the same state, and {nothing}"
    return ""


def _nothing_comes(machine: Machine) -> str:
    """Say that nothing from outside will change what the CPU does; empty when it may."""
    m = machine.m
    if (int(m.fault_count) or int(m.noise_every) or int(m.held) or int(m.bus_watch)
            or int(m.nmi_latch) or int(m.after_ei) or int(m.prefix)
            or int(m.reset_wanted) or int(m.medium_wanted)):
        return ""
    waiting = [slot for slot in machine.slots if int(m.event_t[slot.number]) < FAR]
    if not waiting and not int(m.int_line):
        return "no card will do anything any more"
    if int(m.iff1) or any(is_plain(slot.card) or slot.card.drives_reset
                          or slot.card.drives_nmi(m, slot.state) or int(m.mem_size[slot.number])
                          for slot in waiting):
        return ""
    return "interrupts are off and no card pulls NMI or RESET"


def _state(machine: Machine) -> tuple[Any, ...]:
    m = machine.m
    return (*registers(machine), int(m.iff2), int(m.wz), int(m.q), int(m.halted), int(m.bus_byte))


def _round(machine: Machine) -> int:
    """Give the T-states within which a round has been gone, from now on; 0 for none found.

    A round: the CPU and memory are twice the same at one place.
    """
    m = machine.m
    start = int(m.t)
    end = start + machine.at(LONGEST_ROUND)
    stops.arm(m, [stops.Row(STOP_FETCH, int(m.pc), int(m.pc))])
    first: tuple[Any, ...] = ()
    for _ in range(PASSES):
        if machine.run(end) == AT_TIME:
            return 0
        now = (*_state(machine), memory_digest(machine, []))
        if now == first:
            return int(m.t) - start
        first = first or now
    return 0


def _touches_nothing(machine: Machine, t_states: int) -> bool:
    """Tell whether what follows stays within plain memory and ports where no card stands."""
    m = machine.m
    reads, writes = places(machine), places(machine, writing=True)
    ports = np.asarray(m.port_slot)
    with forked(machine):
        for w in windows(machine, t_states):
            at = w.address
            fetched = w.kind == FETCH
            fine = (fetched | (w.kind == READ)) & ((reads[at] >= 0) | (reads[at] == NOT_MINE))
            fine |= (w.kind == WRITE) & ((writes[at] >= 0) | np.isin(writes[at], (NOT_MINE, ROM)))
            fine |= (w.kind == IN) & (ports[w.address & 0xFF] == -1)
            by_r = fetched[1:] & (w.data[1:] == LD_A_R) & (w.data[:-1] == ED)
            if not fine.all() or by_r.any() or (w.kind == ACK).any():
                return False
    return True
