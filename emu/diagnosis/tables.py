"""A vector that leads past its handler: the I register, the vector byte, or the table is wrong.

The run is done again to the first acknowledge of each vector.  Where the pointer read there
leads to nothing that returns, the pointers of the other handlers that can be found are put in its
place, one after the other: the one with which the machine ends elsewhere was meant.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from emu import stops
from emu.diagnosis.case import Case
from emu.diagnosis.check import HALTED_OFF, STUCK, WILD, Check
from emu.diagnosis.history import run_to_stop
from emu.diagnosis.links import BAD_VECTOR
from emu.diagnosis.progress import run_on
from emu.diagnosis.trials import activity, read_memory, read_word
from emu.diagnosis.vectors import opens, reaches_reti
from emu.diagnosis.vectors import tables as found_tables
from emu.diagnosis.verdict import HUNG, RUNAWAY, TRIED, Finding
from emu.diagnosis.window import forked
from emu.disassembler import disassemble
from emu.machine import Machine
from emu.state import STOP_ACK, STOP_POP
from emu.stops import Row

STRAIGHT = 120  # instructions followed to a return
MOST = 12  # pointers tried
BACK = 0.25  # seconds in which a handler has returned


@dataclass(frozen=True)
class Meant:
    """A pointer that would lead to a handler."""

    page: int
    vector: int
    handler: int


def bad_vector(case: Case) -> Finding | None:
    """Check whether the vectors that were supplied lead to handlers, and which were meant."""
    if int(case.m.ack_empty):
        return None
    for vector in _astray(case)[:2]:
        taken = run_to_stop(case.session, [Row(STOP_ACK, vector, vector)], int(case.m.t))
        if taken is None or not vector & 1 and _came_back(case, taken):
            continue
        t = int(taken.m.ack_last)
        machine = case.session.replay(max(t - 1, 0))
        for count, meant in enumerate(_others(machine, int(machine.m.i), vector)):
            if count >= MOST or case.budget.left() <= 0:
                break
            if _ends_elsewhere(case, machine, vector, meant):
                return _finding(case, machine, t, vector, meant)
    return None


def _astray(case: Case) -> list[int]:
    """List the vectors supplied whose entries, as code, lead to no return."""
    used = [v for v in range(256) if int(case.m.vector_count[v])]
    before = run_to_stop(case.session, [Row(STOP_ACK)], int(case.m.t)) if used else None
    if before is None:
        return []
    machine = case.session.replay(max(int(before.m.ack_last) - 1, 0))
    entries = {v: read_word(machine, int(machine.m.i) << 8 | v) for v in used}
    return [v for v, at in entries.items() if case.unwritten(at) or not _returns(machine, at)]


def _came_back(case: Case, machine: Machine) -> bool:
    """Tell whether a handler that has just been entered comes back.

    One that gives the CPU to another process ends in no return that can be read from its
    code: the return address that the acknowledge has pushed is taken again.  What is no
    handler may come to a return by luck.
    """
    if case.unwritten(int(machine.m.pc)) or not opens(machine, int(machine.m.pc)):
        return False
    low = int(machine.m.sp)
    stops.arm(machine.m, [Row(STOP_POP, low, low)])
    return run_on(machine, int(machine.m.t) + machine.at(BACK))


def _returns(machine: Machine, entry: int) -> bool:
    """Tell whether the straight path from an address comes to a return."""
    if entry == 0 or read_memory(machine, entry) == 0xFF:
        return False
    at = entry
    for _ in range(STRAIGHT):
        step = disassemble(lambda a: read_memory(machine, a & 0xFFFF), at)
        if step.flow == "return":
            return True
        if step.flow in ("halt", "restart") or (step.flow == "jump" and step.target == at):
            return False
        if step.flow == "indirect":
            return True
        at = step.target if step.flow == "jump" and step.target is not None \
            else (at + step.length) & 0xFFFF
    return False


def _others(machine: Machine, page: int, vector: int) -> Iterator[Meant]:
    """List other pointers: the same vector on other pages, then other vectors."""
    pages = [p for p, _ in found_tables(machine)]
    for other in pages:
        handler = read_word(machine, other << 8 | vector)
        if other != page and reaches_reti(machine, handler):
            yield Meant(other, vector, handler)
    for other in dict.fromkeys([page, *pages]):
        for v in range(0, 256, 2):
            handler = read_word(machine, other << 8 | v)
            if (other, v) != (page, vector) and reaches_reti(machine, handler):
                yield Meant(other, v, handler)


def _ends_elsewhere(case: Case, machine: Machine, vector: int, meant: Meant) -> bool:
    """Put a pointer in the place of the one that was read, and run to the end of the run."""
    with forked(machine):
        m = machine.m
        for k, byte in enumerate((meant.handler & 0xFF, meant.handler >> 8)):
            address = (int(m.i) << 8 | vector) + k & 0xFFFF
            base = int(m.rb_true[address >> 12])
            if base < 0:
                return False
            m.phys[base + (address & 0xFFF)] = byte
        wild = int(m.rst38_count)
        end = int(case.m.t) + machine.at(0.1)
        while int(m.t) < end:
            machine.run(end)
        if int(m.rst38_count) != wild or (int(m.halted) and not int(m.iff1)):
            return False
        done = activity(machine, machine.at(0.05))
        return bool(done.code - case.control.code - case.control.handler_code - case.idle)


def _finding(case: Case, machine: Machine, t: int, vector: int, meant: Meant) -> Finding:
    page = int(machine.m.i)
    names = case.names
    target = read_word(machine, page << 8 | vector)
    pointer = page << 8 | vector
    slots = ", ".join(case.slot_words(k) for k in range(int(case.m.slots))
                      if int(case.m.int_count[k])) or "a card"
    wrong_page = meant.page != page
    odd = " (an odd vector: the pointer is made of two neighbours)" if vector & 1 else ""
    remedy = ([f"Load I with {meant.page:02X}h before EI: it is {page:02X}h"
               + (", its value after reset." if page == 0 else ".")] if wrong_page else
              [f"Write vector {meant.vector:02X}h to {slots}, or put the pointer to "
               f"{names.at(meant.handler)} at {pointer:04X}h."])
    return Finding(
        BAD_VECTOR, RUNAWAY if int(case.m.rst38_count) else HUNG,
        f"the vector {vector:02X}h of {slots} led to {names.at(target)} instead of "
        f"{names.at(meant.handler)}"
        + (f": I is {page:02X}h, the table stands at {meant.page:02X}00h." if wrong_page else "."),
        [f"At {case.time(t)} the CPU acknowledged an interrupt with vector {vector:02X}h{odd} and "
         f"read the pointer at {pointer:04X}h: {target:04X}h, which never returns from it.",
         f"A pointer to {names.at(meant.handler)}, which ends in RETI, stands at "
         f"{(meant.page << 8 | meant.vector):04X}h.",
         "With that pointer in its place in a copy of the machine, the run ends elsewhere."],
        remedy, {"vector": f"{vector:02X}", "pointer": f"{pointer:04X}", "target":
                 f"{target:04X}", "meant": f"{meant.handler:04X}"}, TRIED, t)


CHECKS = (Check(bad_vector, BAD_VECTOR, (STUCK, WILD, HALTED_OFF), trial=True),)
