"""Processes that wait for each other in a ring: each holds what the next one waits for.

No kernel is known.  Processes are told by their stacks; what one waits for is a byte that it looked
at last and that has not changed for long; who holds it is whose stack was in use when it was
written.  That freeing the byte lets its waiter go on, in a copy of the machine, is the proof.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from emu.bus import stops
from emu.bus.state import STOP_EXECUTE
from emu.card.cause import BUSY, STUCK, Cause
from emu.chronicle.shadow import STORED
from emu.diagnosis.case import Case
from emu.diagnosis.causes.flags import LOCK_HELD
from emu.diagnosis.causes.judging import stands_as
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.parked import LONG, Parked, chain_words, slept_on, stacks
from emu.diagnosis.trials.progress import run_on
from emu.diagnosis.verdict import TRIED, Finding
from emu.machine.places import places

DEADLOCK = Cause(
    "deadlock", "Processes that wait for each other",
    "Two tasks stand still at once, often only after hours; the others live.",
    "Each of two processes waits for a lock that the other one took before and keeps; with either "
    "freed in a copy of the machine its waiter goes on.",
    "Take the locks in the same order everywhere, or give up the first while waiting for the "
    "second.")

NEAR = 160  # bytes between the innermost return address of a stack and an SP that is its own
RECENT = 0.05  # seconds before the end in which a process that polls has looked
MOST = 40  # bytes of one process that are looked at
WORD = 64  # T-states between the two halves of a word that is written
LARGEST, COUNTS = 4, {2: "two", 3: "three", 4: "four"}  # processes of a ring
BEHIND = 4  # return addresses behind the wait, at one of which its process goes on
PATIENCE = 4.0  # seconds in which a wait may end by itself: a time-out
GO_ON = 1.0  # seconds in which a freed process has to go on


@dataclass(frozen=True)
class Wait:
    """What a process waits for, and who holds it."""

    who: Parked
    place: int
    holder: Parked


def deadlock(case: Case) -> Finding | None:
    """Check for two processes of which each waits for what the other holds."""
    waits = case.once(_all_waits)
    for ring in _rings(waits):
        if case.budget.left() <= 0:
            return None
        if all(_freed(case, wait) for wait in ring):
            return _finding(case, ring)
    return None


def _rings(waits: list[Wait]) -> Iterator[list[Wait]]:
    """List the rings of two to four processes that wait for each other, the smallest first."""
    for size in range(2, LARGEST + 1):
        for first in waits:
            yield from _closed(waits, [first], size)


def _closed(waits: list[Wait], ring: list[Wait], size: int) -> Iterator[list[Wait]]:
    if len(ring) == size:
        if ring[-1].holder is ring[0].who:
            yield ring
        return
    for wait in waits:
        known = [one.who for one in ring]
        if wait.who is ring[-1].holder and wait.who not in known \
                and wait.who.stack > ring[0].who.stack:
            yield from _closed(waits, [*ring, wait], size)


def kept_lock(case: Case) -> Finding | None:
    """Check for a process that waits for what another one took, which has long gone on, or for what
    it took itself."""
    record, end = chronicle(case).machine.shadow, int(case.m.t)
    for wait in case.once(_all_waits):
        taken = int(record.writer_t[wait.place])
        gone_on = wait.holder is wait.who or wait.holder.since > end - case.machine.at(LONG)
        if case.budget.left() <= 0:
            return None
        if case.text_wanted and gone_on and end - taken > case.machine.at(LONG) \
                and wait.who.since > taken and _freed(case, wait):
            return _kept(case, wait)
    return None


def _kept(case: Case, wait: Wait) -> Finding:
    record = chronicle(case).machine.shadow
    lock, taken = _name(case, wait.place), int(record.writer_t[wait.place])
    by = case.names.at(int(record.writer_pc[wait.place]))
    who = "it took that itself" if wait.holder is wait.who else \
        f"the process that took it has gone on and is {chain_words(case, wait.holder)}"
    return Finding(
        LOCK_HELD, stands_as(case), f"a process waits for {lock}, which {by} took at "
        f"{case.time(taken)} and nobody released.",
        [f"The process is {chain_words(case, wait.who)}; {who}.",
         f"With {lock} free in a copy of the machine it goes on."],
        [f"Release {lock} on every path that leaves what follows {by}."],
        {"variable": f"{_where(case).get(wait.place, 0):04X}"}, TRIED, taken)


def _where(case: Case) -> dict[int, int]:
    return case.once(_addresses)


def _addresses(case: Case) -> dict[int, int]:
    """Give the address of each place that the CPU sees at the end."""
    return {int(at): address for address, at in enumerate(places(case.machine)) if at >= 0}


def _name(case: Case, at: int) -> str:
    return case.names.data(_where(case).get(at, 0))


def _all_waits(case: Case) -> list[Wait]:
    """List what processes may wait for; nothing where there is but one process, or where no text is
    missing and the machine is not stuck: consumers and producers wait for each other, too."""
    every = stacks(case)
    if not (case.text_wanted or case.condition == STUCK) or len(every) < 2 \
            or int(chronicle(case).machine.m.t) < int(case.m.t):
        return []
    return [wait for one in every for wait in _waits(case, one, every)]


def _waits(case: Case, one: Parked, every: list[Parked]) -> Iterator[Wait]:
    """List the bytes that a process may wait for, with their holders."""
    record, end = chronicle(case).machine.shadow, int(case.m.t)
    wrote, read = np.asarray(record.writer_t), np.asarray(record.reader_t)
    stored = np.asarray(record.byte) & STORED != 0
    polled = np.nonzero(stored & (read >= end - case.machine.at(RECENT))
                        & (wrote < end - case.machine.at(LONG)))[0].tolist()
    mine = [p for p in polled if _of(int(record.reader_stack[p]), every) is one]
    # of the others a scheduler may look at some for it
    for p in list(dict.fromkeys([*slept_on(case, one), *mine, *polled]))[:MOST]:
        holder = _of(int(record.writer_stack[p]), every)
        if holder is not None and int(case.m.phys[p]):
            yield Wait(one, p, holder)


def _of(at: int, every: list[Parked]) -> Parked | None:
    """Give the process whose stack a place lies in."""
    if at < 0:
        return None
    nearest = min(every, key=lambda one: abs(one.stack - at))
    return nearest if abs(nearest.stack - at) <= NEAR else None


def _freed(case: Case, wait: Wait) -> bool:
    """Tell whether a process goes on behind its wait when what it waits for is free, and does not
    when it is not."""
    record = chronicle(case).machine.shadow
    word = [p for p in (wait.place - 1, wait.place, wait.place + 1)
            if abs(int(record.writer_t[p]) - int(record.writer_t[wait.place])) <= WORD]
    return _goes_on(case, wait, word) and not _goes_on(case, wait, [])


def _goes_on(case: Case, wait: Wait, freed: list[int]) -> bool:
    with forked(case.machine) as machine:
        for p in freed:
            machine.m.phys[p] = 0
        # what was pushed between two calls may look like a return address
        behind = wait.who.calls[1:BEHIND] or wait.who.calls
        stops.arm(machine.m, [stops.Row(STOP_EXECUTE, at, at) for at in behind])
        done = run_on(machine, int(machine.m.t) + machine.at(GO_ON if freed else PATIENCE))
        stops.disarm(machine.m)
        return done


def _finding(case: Case, ring: list[Wait]) -> Finding:
    record = chronicle(case).machine.shadow
    names = [_name(case, wait.place) for wait in ring]
    if len(ring) == 2:
        how = (f"one holds {names[0]} and waits for {names[1]}, the other holds {names[1]} and "
               f"waits for {names[0]}")
    else:
        how = f"each holds one of {', '.join(names)} and waits for the next"
    lines = [f"The process {chain_words(case, wait.who)} waits for {name}, which the process "
             f"{chain_words(case, wait.holder)} took after "
             f"{case.time(int(record.writer_t[wait.place]))} at "
             f"{case.names.at(int(record.writer_pc[wait.place]))}."
             for wait, name in zip(ring, names, strict=True)]
    return Finding(
        DEADLOCK, stands_as(case), f"{COUNTS[len(ring)]} processes wait for each other: {how}.",
        [*lines, "In copies of the machine each goes on once what it waits for is freed."],
        [f"Take {' and '.join(names)} in the same order everywhere, or free what is held where the "
         f"next is not to be had."],
        {"locks": [f"{_where(case).get(wait.place, 0):04X}" for wait in ring]}, TRIED,
        max(wait.who.since for wait in ring))


CHECKS = (Check(deadlock, DEADLOCK, (STUCK, BUSY), trial=True),)
LATE_CHECKS = (Check(kept_lock, LOCK_HELD, (STUCK, BUSY), trial=True),)
