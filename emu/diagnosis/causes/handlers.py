"""Causes in handlers and interrupt state: spoiled registers, the LD A,I trap, too many ticks."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from emu.bus.state import ACK, FETCH, STOP_HIT
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.card.roles import Tick
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.changed_bytes import stretch, up_to
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.sources import ticking
from emu.diagnosis.trials.forks import activity
from emu.diagnosis.trials.moments import Again, death
from emu.diagnosis.trials.progress import stop_at
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, TRIED, Finding
from emu.isa.opcodes import ED, LD_A_I, LD_A_R
from emu.machine.machine import Machine

CLOBBERED = Cause(
    "clobbered-registers", "A handler that spoils registers",
    "A rare crash; a block copy or a computation goes wrong once in a while.",
    "Registers differ before and behind an interrupt, and when they are put back in a copy of "
    "the machine, it lives on.",
    "Save every register that the handler uses, both sets if it uses EX and EXX; an LDIR is "
    "interrupted between its bytes.", ("P4", "P5"))
PARITY_BUG = Cause(
    "parity-bug", "LD A,I that tells the wrong interrupt state",
    "Interrupts stop for good, once in a while.",
    "An interrupt is accepted at the end of LD A,I (or LD A,R); the NMOS part then shows P/V = 0 "
    "as if interrupts had been off, and the program leaves them off.",
    "Read it twice, look at the return address pushed, or fit a CMOS part.", ("P3",))
TICK_FLOOD = Cause(
    "tick-flood", "A timer that ticks faster than its handler runs",
    "The machine is very slow or stands still as soon as the timer runs; the clock goes wrong "
    "by a constant factor.",
    "The channel counts to zero again before its handler has returned: zero counts are lost, "
    "and the foreground gets no turn.",
    "Compute prescaler times constant over the clock again, check what feeds the counter, or "
    "make the handler shorter.", ("T2", "T3"))

FAILED = (HALTED_OFF, WILD, STUCK, BUSY)
NAMES = ("B", "C", "D", "E", "H", "L", "F", "A", "IXH", "IXL", "IYH", "IYL")
MOST = 12  # interrupts before the end that are tried
LONGEST = 0.1  # seconds that a handler may take
WAIT = 2  # seconds in which a busy machine must show nothing new
BEHIND = 0.03  # seconds behind the death in which an interrupt may still be its cause


@dataclass(frozen=True)
class Spoiled:
    """A handler that came back with other registers."""

    t: int  # of the acknowledge
    pc: int  # where it struck
    handler: int
    changed: list[str]


def _registers(machine: Machine) -> np.ndarray:
    return np.concatenate([np.asarray(machine.m.r[:12]), np.asarray(machine.m.alt)]).copy()


def _through(machine: Machine) -> tuple[np.ndarray, np.ndarray, int, int] | None:
    """Run from just before an acknowledge to the handler's return: registers before and behind.

    None when it does not come back to the same place with the same stack in time.
    """
    m = machine.m
    before, sp = _registers(machine), int(m.sp)
    pc = int(m.pc)  # in HALT it already points behind
    acks, end = int(m.ack_count), int(m.t) + machine.at(LONGEST)
    while int(m.ack_count) == acks and int(m.t) < end:
        machine.run(int(m.t) + 1)
    handler = int(m.pc)
    stop_at(machine, [pc])
    found = None
    for _ in range(64):
        if machine.run(end) != STOP_HIT or int(m.t) >= end:
            break
        if abs(int(m.sp) - sp) <= 4:
            found = (before, _registers(machine), pc, handler)
            break
    stop_at(machine, [])
    return found


def clobbered(case: Case) -> Finding | None:
    """Check for a spoiled register that, put back, lets the machine live."""
    if case.text_wanted or not chronicle(case).of("register-lost"):
        return None  # where a text was asked for, that text says whether a register matters
    t = death(case) if int(case.m.ack_count) and not _goes_on(case) else None
    if t is None:
        return None
    w = up_to(case, t + case.machine.at(BEHIND))
    acks = [int(w.t[k]) for k in w.where(ACK)]
    behind = [at for at in acks if at > t][:2]  # a loop may have been entered before it struck
    quiet = case.control.code | case.idle
    for at in [*behind, *[at for at in acks if at <= t][:-MOST:-1]]:
        if case.budget.left() <= 0:
            return None
        spoiled = _spoils(case, at, max(t, at), quiet)
        if spoiled is not None:
            return _clobber_finding(case, spoiled)
    return None


def _goes_on(case: Case) -> bool:
    """Tell whether a machine whose state keeps changing comes to other code, left alone."""
    if case.condition != BUSY:
        return False
    if case.progress.leaves_t is not None or case.control.shown:
        return True
    with forked(case.machine):
        later = activity(case.machine, case.machine.at(WAIT))
    return bool(later.code - case.control.code - case.idle)


def _spoils(case: Case, at: int, t: int, quiet: set[int]) -> Spoiled | None:
    """Try one interrupt: does it change registers, and is it their change that kills?"""
    run = Again(case)
    run.to(at)
    passed = _through(run.machine)
    if passed is None:
        return None
    before, behind, pc, handler = passed
    changed = [k for k in range(20) if before[k] != behind[k]]
    m = run.machine.m
    if not changed or int(m.t) > t + 4000:
        return None
    with forked(run.machine):
        if activity(run.machine, run.machine.at(0.02)).code - quiet:
            return None
    m.r[:12] = before[:12]
    m.alt[:] = before[12:]
    if not activity(run.machine, run.machine.at(0.02)).code - quiet:
        return None
    return Spoiled(at, pc, handler, [NAMES[k] if k < 12 else NAMES[k - 12] + "'" for k in changed])


def _clobber_finding(case: Case, spoiled: Spoiled) -> Finding:
    names = case.names
    changed = ", ".join(spoiled.changed)
    pairs = sorted({n.rstrip("'")[0:2] if n[0] == "I" else n for n in spoiled.changed})
    return Finding(
        CLOBBERED, RUNAWAY if case.condition in (WILD, BUSY) else HUNG,
        f"the handler at {names.at(spoiled.handler)} changes {changed}.",
        [f"At {case.time(spoiled.t)} an interrupt struck before {names.at(spoiled.pc)}; when its "
         f"handler had returned, {changed} differed.",
         "In a copy of the machine, with these registers put back at the return, the program "
         "lives on."],
        [f"Push and pop what the handler at {names.at(spoiled.handler)} uses: "
         f"{', '.join(pairs)}."],
        {"registers": spoiled.changed, "handler": f"{spoiled.handler:04X}"}, TRIED, spoiled.t)


def parity_bug(case: Case) -> Finding | None:
    """Check whether interrupts go on with a part that has no LD A,I trap."""
    m = case.m
    if int(m.iff1) or int(m.cmos) or not int(m.ack_count):
        return None
    t = int(m.ack_last)
    w = stretch(case.before(t + 40))
    acks = w.window.where(ACK)
    if not len(acks):
        return None
    before = w.starts[w.starts < acks[-1]]
    if not len(before) or w.opcode(int(before[-1])) not in ((ED, LD_A_I), (ED, LD_A_R)):
        return None
    pc = int(w.window.address[before[-1]])
    again = Again(case)
    again.machine.m.cmos = 1
    again.to(int(m.t))
    more = int(again.machine.m.ack_count) - int(m.ack_count)
    if more <= 0:
        return None
    return Finding(
        PARITY_BUG, HUNG, f"an interrupt struck in LD A,I at {case.names.at(pc)}, and the program "
        f"takes interrupts for off.",
        [f"The last interrupt was accepted at {case.time(t)}, at the end of "
         f"{case.names.at(pc)} (ED {w.opcode(int(before[-1]))[1]:02X}); an NMOS part then gives "
         f"P/V = 0.",
         f"Since then IFF1 is 0. With a CMOS part the same image takes {more} interrupts more."],
        [f"At {case.names.at(pc)}: read the state twice and take the OR, or look at the return "
         f"address on the stack.", 'Or fit a CMOS part (part = "cmos" in the CPU\'s slot).'],
        {"pc": f"{pc:04X}"}, TRIED, t)


def tick_flood(case: Case) -> Finding | None:
    """Check for a timer whose zero counts come faster than its handler returns."""
    w = case.last
    acks = w.where(ACK)
    if len(acks) < 24 or float((~w.depth).mean()) > 0.1:
        return None
    gap = int(np.median(np.diff(w.t[acks])))
    for slot, tick in ticking(case.machine):
        if tick.source >= 0 and tick.lost > len(acks) and 0 < tick.period <= gap:
            return _flood_finding(case, slot.number, tick, gap)
    return None


def _flood_finding(case: Case, slot: int, tick: Tick, gap: int) -> Finding:
    w = case.last
    acks = w.where(ACK)
    first = w.where(FETCH)
    entry = int(w.address[first[first > acks[0]][0]])
    who, period = case.slot_words(slot), round(tick.period)
    part = tick.part[0].upper() + tick.part[1:]
    return Finding(
        TICK_FLOOD, HUNG, f"{tick.part} of {who} ticks every {period} T-states, and its handler "
        f"takes {gap}.",
        [f"{part} has ticked {tick.count} times; {tick.lost} of these found the one before still "
         f"waiting.",
         f"The handler {case.names.at(entry)} is entered every {gap} T-states, as soon as it has "
         f"returned: the foreground gets no turn.",
         *([f"The program set {tick.setting}."] if tick.setting else [])],
        [f"Slow {tick.part} of {who} down: {period} T-states a tick is too short"
         + (f" ({tick.setting})." if tick.setting else "."),
         f"Or make the handler {case.names.at(entry)} shorter."],
        {"period": period, "handler": gap}, SHOWN, tick.since)


CHECKS = (
    Check(tick_flood, TICK_FLOOD, when=FAILED),
    Check(parity_bug, PARITY_BUG, when=FAILED, trial=True),
)
