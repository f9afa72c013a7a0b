"""A vector that leads past its handler: the I register, the vector byte, or the table is wrong.

The run is done again to the first acknowledge of each vector.  Where the pointer read there
leads to nothing that returns, the pointers of the other handlers that can be found are put in its
place, one after the other: the one with which the machine ends elsewhere was meant.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from emu.bus import stops
from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT, STOP_ACK, STOP_FETCH, STOP_POP
from emu.bus.stops import Row
from emu.card.cause import HALTED_OFF, STUCK, WILD
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import BAD_VECTOR, WRONG_MODE, at_0038
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.response import response_words
from emu.diagnosis.evidence.run_again import run_to_stop
from emu.diagnosis.evidence.sources import sources
from emu.diagnosis.evidence.vectors import looks_like_handler, opens, reaches_reti, straight
from emu.diagnosis.evidence.vectors import tables as found_tables
from emu.diagnosis.trials.forks import (
    SETTLE,
    activity,
    alone,
    keystroke,
    nudged,
    read_memory,
    read_word,
    shown,
)
from emu.diagnosis.trials.progress import run_on
from emu.diagnosis.verdict import HUNG, RUNAWAY, TRIED, Finding
from emu.isa.opcodes import IM_0_AND_1, IN_A_N, OUT_N_A
from emu.machine.machine import Machine
from emu.machine.places import place
from emu.run.session import Session

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
    for vector, taken in _astray(case)[:2]:
        t, who = int(taken.m.ack_last), answered(taken)
        if not vector & 1 and _came_back(case, taken):
            continue
        machine = case.session.replay(max(t - 1, 0))
        served = {read_word(machine, int(machine.m.i) << 8 | v) for v in range(256)
                  if int(case.m.vector_count[v]) and v != vector}
        served |= {s.handler for s in sources(case.machine) if s.slot not in who}
        mine = (meant for meant in _others(machine, int(machine.m.i), vector, served)
                if not _serves_another(machine, meant.handler, who))
        for count, meant in enumerate(mine):
            if count >= MOST or case.budget.left() <= 0:
                break
            if _ends_elsewhere(case, machine, vector, meant):
                return _finding(case, machine, t, who, vector, meant)
    return None


def _astray(case: Case) -> list[tuple[int, Machine]]:
    """List the vectors supplied whose entries lead to no return or do not look like handlers.

    With each the run at its first acknowledge; the worst and earliest first.
    """
    found: list[tuple[bool, int, int, Machine]] = []
    for vector in [v for v in range(256) if int(case.m.vector_count[v])][:MOST]:
        taken = run_to_stop(case.session, [Row(STOP_ACK, vector, vector)], int(case.m.t))
        if taken is None:
            continue
        at = int(taken.m.pc)
        formed = looks_like_handler(taken, at) and not vector & 1
        if not formed or case.unwritten(at) or not _returns(taken, at):
            found.append((formed, int(taken.m.ack_last), vector, taken))
    return [(vector, taken) for _, _, vector, taken in sorted(found, key=lambda row: row[:3])]


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
    path = list(straight(machine, entry, STRAIGHT))
    return path[-1].flow in ("return", "indirect")


def _others(machine: Machine, page: int, vector: int, served: set[int]) -> Iterator[Meant]:
    """List other pointers: the same vector on other pages, then other vectors.

    Handlers that end in RETI come before code that only opens as one.  ``served``: handlers
    that other vectors lead to, of this run or of another card.
    """
    pages = [p for p, _ in found_tables(machine)]
    found: list[Meant] = []
    for other in dict.fromkeys([*pages, page]):
        found.append(Meant(other, vector, read_word(machine, other << 8 | vector)))
    for other in dict.fromkeys([page, *pages]):
        for v in range(0, 256, 2):
            if (other, v) != (page, vector):
                found.append(Meant(other, v, read_word(machine, other << 8 | v)))
    found = [meant for meant in dict.fromkeys(found) if (meant.page, meant.vector) != (page, vector)
             and opens(machine, meant.handler) and meant.handler not in served]
    yield from sorted(found, key=lambda meant: (
        vector & 1 and abs(meant.vector - vector) != 1,
        meant.page != page and meant.vector != vector,  # one mistake before two
        not reaches_reti(machine, meant.handler)))


def _serves_another(machine: Machine, handler: int, who: list[int]) -> bool:
    """Tell whether a handler's straight path goes to a port of another card that interrupts."""
    m = machine.m
    for step in straight(machine, handler, STRAIGHT):
        if step.data[0] in (OUT_N_A, IN_A_N):
            slot = int(m.port_slot[step.data[1]])
            if slot >= 0 and slot not in who and int(m.int_kind[slot]) != NO_INTERRUPT:
                return True
    return False


def _ends_elsewhere(case: Case, machine: Machine, vector: int, meant: Meant) -> bool:
    """Lead the vector, and its neighbours alike, to what was meant; run to the end of the run."""
    with forked(machine):
        m = machine.m
        if meant.vector == vector:
            m.i = meant.page
        elif not _lead(machine, vector, meant):
            return False
        if not _to_the_end(case, machine):
            return False
        if shown(machine) > shown(case.machine):
            return True
        done = activity(machine, machine.at(0.05))
        return bool(done.code - case.control.code - case.control.handler_code - case.idle)


def _to_the_end(case: Case, machine: Machine, mode: int | None = None) -> bool:
    """Run a fork to the end of the run; tell whether it neither halts for good nor goes wild.

    ``mode``: the interrupt mode that is put in place of each that the program sets.
    """
    m = machine.m
    wild = int(m.rst38_count)
    end = int(case.m.t) + machine.at(0.1)
    if mode is not None:
        stops.arm(m, [Row(STOP_FETCH, mask=0xFF, value=opcode) for opcode in IM_0_AND_1])
    while int(m.t) < end and case.budget.left() > 0:
        if mode is not None:
            m.im = mode
        machine.run(end)
    stops.disarm(m)
    return int(m.rst38_count) == wild and not (int(m.halted) and not int(m.iff1))


def wrong_mode(case: Case) -> Finding | None:
    """Check whether the run would have lived had the CPU been in mode 2 from the first request."""
    first = run_to_stop(case.session, [Row(STOP_ACK)], int(case.m.t)) \
        if int(case.m.ack_count) else None
    if first is None:
        return None
    t = int(first.m.ack_last)
    machine = case.session.replay(max(t - 1, 0))
    mode = int(machine.m.im)
    asking = [k for k in answered(first)
              if int(first.m.int_kind[k]) == CHAINED_INTERRUPT]
    if mode == 2 or not asking:
        return None
    who = case.slot_words(asking[0])
    for page in dict.fromkeys([int(machine.m.i), *(p for p, _ in found_tables(machine)[:4])]):
        if case.budget.left() <= 0:
            return None
        with forked(machine):
            machine.m.i = page
            if not _to_the_end(case, machine, 2) or not _awake(machine):
                continue
        said = f", and load I with {page:02X}h" if page != int(machine.m.i) else ""
        return Finding(
            WRONG_MODE, HUNG,
            f"the CPU is in mode {mode} when {who}, which gives vectors, interrupts for the first "
            f"time.",
            [f"At {case.time(t)} {who} was answered in mode {mode}, and "
             f"{response_words(case, case.replayed(t - 1))}.",
             f"With mode 2 from then on and I = {page:02X}h in a copy of the machine, a key typed "
             f"at the end of the run reaches the foreground."],
            [f"Put IM 2 before the EI{said}.", *at_0038(mode)],
            {"mode": mode, "i": f"{page:02X}", "slot": case.machine.slots[asking[0]].name},
            TRIED, t)
    return None


def answered(machine: Machine) -> list[int]:
    """List the slots whose request the latest acknowledge has answered."""
    m = machine.m
    return [k for k in range(int(m.slots))
            if int(m.int_count[k]) and int(m.int_last[k]) == int(m.ack_last)]


def _awake(machine: Machine) -> bool:
    """Tell whether a key reaches a fork's foreground."""
    control = alone(machine, machine.at(SETTLE * 1.2))
    return keystroke(machine, Session(machine).type_now, control,
                     nudged(machine, machine.at(0.05))) is not None


def _lead(machine: Machine, vector: int, meant: Meant) -> bool:
    """Put the meant pointer where the card's vector looks for it.

    An odd vector is one of several that a card gives, all of them odd: the pointers of its
    block move alike.
    """
    m = machine.m
    block = range(vector & 0xF1, (vector & 0xF1) + 16, 2) if vector & 1 else (vector,)
    words = {v: read_word(machine, meant.page << 8 | (v - vector + meant.vector) & 0xFF)
             for v in block}
    for v, word in words.items():
        for k, byte in enumerate((word & 0xFF, word >> 8)):
            address = (int(m.i) << 8 | v) + k & 0xFFFF
            at = place(machine, address)
            if at < 0:
                return False
            m.phys[at] = byte
    return True


def _finding(case: Case, machine: Machine, t: int, who: list[int], vector: int,
             meant: Meant) -> Finding:
    page = int(machine.m.i)
    names = case.names
    target = read_word(machine, page << 8 | vector)
    pointer = page << 8 | vector
    slots = ", ".join(case.slot_words(k) for k in who) or "a card"
    wrong_page = meant.page != page
    odd = " (an odd vector: the pointer is made of two neighbours)" if vector & 1 else ""
    remedy = ([f"Load I with {meant.page:02X}h before EI: it is {page:02X}h"
               + (", its value after reset." if page == 0 else ".")] if wrong_page else
              [f"Set {slots} up to give vector {meant.vector:02X}h, or put the pointer to "
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


CHECKS = (Check(wrong_mode, WRONG_MODE, (STUCK, WILD, HALTED_OFF), trial=True),
          Check(bad_vector, BAD_VECTOR, (STUCK, WILD, HALTED_OFF), trial=True),)
