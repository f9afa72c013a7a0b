"""Processes that sleep, told by their stacks: return addresses that nobody has taken back.

No kernel is known.  The shadow of the run knows which bytes are halves of return addresses; where
some of them lie together and none was pushed for long, a process stands still, and its calls say
where.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from emu.chronicle.shadow import RETURN, STORED
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.executed import code_of
from emu.diagnosis.trials.forks import read_memory
from emu.isa.opcodes import CALLS

GAP = 48  # bytes between two return addresses of one stack
LONG = 0.25  # seconds for which a process has to stand still
BEFORE = 0.002  # seconds before it went to sleep in which it looks and writes why
BLANK = 0xFF
OWN = 160  # bytes between a stack's innermost return address and an SP that is its own
MOST = 24  # calls of a chain, and bytes of a sleep


@dataclass(frozen=True)
class Parked:
    """A process that sleeps."""

    since: int  # T-state of its last call
    stack: int  # place in phys of its innermost return address
    calls: tuple[int, ...]  # the return addresses, innermost first

    @property
    def behind(self) -> int:
        """Where it is once it has got what it waits for: back from the call that waits."""
        return self.calls[min(1, len(self.calls) - 1)]


def parked(case: Case) -> list[Parked]:
    """List the processes that sleep at the end of a run, the last to fall asleep first.

    One stack alone is no process among others.
    """
    every, since = stacks(case), int(case.m.t) - case.machine.at(LONG)
    return [one for one in every if one.since <= since] if len(every) > 1 else []


def stacks(case: Case) -> list[Parked]:
    """List the stacks with calls that nobody has come back from, the last used first."""
    record, m = chronicle(case).machine.shadow, case.m
    half = np.asarray(record.byte) & RETURN != 0
    lows = [p for p in np.nonzero(half[:-1] & half[1:])[0].tolist()
            if _behind_call(case, int(m.phys[p]) | int(m.phys[p + 1]) << 8)]
    out: list[Parked] = []
    for group in np.split(np.array(lows, int), np.nonzero(np.diff(lows) > GAP)[0] + 1):
        if len(group):
            calls = tuple(int(m.phys[p]) | int(m.phys[p + 1]) << 8 for p in group[:MOST])
            out.append(Parked(int(np.asarray(record.writer_t)[group].max()), int(group[0]), calls))
    return sorted(out, key=lambda one: -one.since)


def _behind_call(case: Case, address: int) -> bool:
    """Tell whether a CALL or an RST stands before an address; FFh is what empty memory gives, and
    counts only where it ran."""
    begins = code_of(case).begins
    for at in ((address - back) & 0xFFFF for back in (3, 1)):
        code = read_memory(case.machine, at)
        if CALLS[code] and (code != BLANK or begins[at]):
            return True
    return False


def slept_on(case: Case, one: Parked) -> list[int]:
    """List places in memory that a process read or wrote on its stack just before it slept, and
    that have not changed since: its state, and what it waits for."""
    record = chronicle(case).machine.shadow
    wrote, read = np.asarray(record.writer_t), np.asarray(record.reader_t)
    first, last = one.since - case.machine.at(BEFORE), one.since + case.machine.at(BEFORE)
    stored = np.asarray(record.byte) & STORED != 0
    by_it, for_it = (np.abs(np.asarray(stack) - one.stack) <= OWN
                     for stack in (record.writer_stack, record.reader_stack))
    near = stored & (((wrote >= first) & (wrote <= last) & by_it) | (
        (read >= first) & (read <= last) & (wrote <= last) & for_it))
    found = np.array([p for p in np.nonzero(near)[0] if not _points(case, int(p), one)], int)
    ranks = np.argsort(-np.maximum(wrote, np.where(read <= last, read, 0))[found])
    return [int(p) for p in found[ranks][:MOST]]


def _points(case: Case, place: int, one: Parked) -> bool:
    """Tell whether a byte is half of a pointer to a process's stack."""
    phys = case.m.phys
    words = [int(phys[low]) | int(phys[low + 1]) << 8 for low in (place - 1, place) if low >= 0]
    return any(abs((word & 0xFFF) - (one.stack & 0xFFF)) <= GAP for word in words)


def chain_words(case: Case, one: Parked) -> str:
    """Say where a process sleeps: "in A > B > C since 0.3 s"."""
    names = [case.names.at((call - 3) & 0xFFFF) for call in reversed(one.calls[:6])]
    return f"in {' > '.join(names)} since {case.time(one.since)}"
