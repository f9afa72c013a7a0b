"""Times: how long memory has to answer at this clock, interrupts off, latency."""
from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.preflight.measure import Measures

# From /MREQ low to the CPU's sample, in T-states: an opcode fetch, and a read of data (Z80 CPU
# data sheet, timing charts).
FETCH_T, READ_T = 1.5, 2.0
# What the CPU takes of it, by the grade of its part: clock in MHz, then in ns the delay of /MREQ
# and the set-up of data, for a fetch and for a read (data sheets' AC tables, from memory; the
# 10 MHz row is also that of a public worked example).
GRADES = ((2.5, 150, 160), (4, 120, 135), (6, 100, 110), (8, 90, 90), (10, 80, 80), (20, 52, 52))


@dataclass(frozen=True)
class Windows:
    """Nanoseconds that memory has from its strobe to good data."""

    fetch: float
    read: float


def grade_of(machine: Machine) -> tuple[float, int, int]:
    """Give the row of GRADES of the slowest part that the clock is for, or the last."""
    mhz = float(machine.hz) / 1e6
    return next((row for row in GRADES if mhz <= row[0]), GRADES[-1])


def windows(machine: Machine, waits_m1: int, waits_mem: int) -> Windows:
    """Work out the read windows at the machine's clock, with so many wait states."""
    t = 1e9 / float(machine.hz)
    _, fetch, read = grade_of(machine)
    return Windows((FETCH_T + waits_m1) * t - fetch, (READ_T + waits_mem) * t - read)


def access(machine: Machine, grades: dict[str, float]) -> Iterator[Item]:
    """Hold the windows of each memory card against its chips' grade, when that is told.

    ``grades`` are access times in ns by slot name.
    """
    mhz, t = grade_of(machine)[0], 1e9 / float(machine.hz)
    if float(machine.hz) > GRADES[-1][0] * 1e6:
        yield Item(NOTE, "CPU clock", f"{float(machine.hz) / 1e6:g} MHz is beyond the {mhz:g} MHz "
                   f"of the fastest part; access times below are those of that part.")
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        if not int(machine.m.mem_size[slot.number]):
            continue
        waits = (int(machine.m.cpu_wait_m1) + described.waits_m1,
                 int(machine.m.cpu_wait_mem) + described.waits_mem)
        now = windows(machine, *waits)
        words = (f"its chips have {_window(now.fetch, waits[0], t)} from the strobe in a fetch and "
                 f"{_window(now.read, waits[1], t)} in a read, with a CPU of the {mhz:g} MHz "
                 f"grade, before gates and buffers")
        yield _held(slot.name, now, t, words, grades.get(slot.name),
                    (described.waits_m1, described.waits_mem))


def _window(ns: float, waits: int, t: float) -> str:
    if not waits:
        return f"{ns:.0f} ns ({ns + t:.0f} with a wait state)"
    plural = f"{waits} wait states" if waits > 1 else "wait state"
    return f"{ns:.0f} ns ({ns - waits * t:.0f} without its {plural})"


def _held(slot: str, now: Windows, t: float, words: str, grade: float | None,
          waits: tuple[int, int]) -> Item:
    """Judge one memory card; ``t`` is a T-state in ns, ``waits`` those its slot has now."""
    title, tightest = f"{slot}: access time", min(now.fetch, now.read)
    if grade is None:
        level = NO_GO if tightest <= 0 else NOTE if tightest < 100 else GO
        return Item(level, title, f"{words}; say their grade with --access {slot}=NS.")
    if grade <= tightest:
        level = GO if grade <= 0.8 * tightest else NOTE
        return Item(level, title, f"{words}; its {grade:g} ns chips leave "
                    f"{tightest - grade:.0f} ns.")
    parts = [(name, key, math.ceil((grade - window) / t), extra)
             for name, key, window, extra in (("a fetch", "waits-m1", now.fetch, waits[0]),
                                              ("a read", "waits-mem", now.read, waits[1]))
             if grade > window]
    mends = " and ".join(f"{key} = {extra + more}" for _, key, more, extra in parts)
    faster = f", or fit chips of {0.8 * tightest:.0f} ns" if tightest > 10 else ""
    return Item(NO_GO, title, f"{words}: chips of {grade:g} ns are too slow for "
                f"{' and '.join(name for name, *_ in parts)}; set {mends} in its slot{faster}.")


def interrupts(machine: Machine, found: Measures) -> Iterator[Item]:
    """Tell the longest time with interrupts off and the worst wait for an acknowledge."""
    names = Names(machine)
    if found.off is not None:
        start = found.off.since
        where = "the acknowledge that called " * start.answer + names.at(start.pc)
        yield Item(GO, "interrupts off", f"{_time(machine, found.off.length)} at most, from "
                   f"{where} to {names.at(found.off.to)}.")
    if found.blocked is not None:
        measured = (f"the longest wait measured was {_time(machine, found.worst_latency)}, while "
                    f"{names.at(found.worst_latency_at)} ran" if found.worst_latency
                    else "no request came")
        yield Item(GO, "latency", f"a request that comes at the wrong moment waits "
                   f"{_time(machine, latency(found))}; {measured}.")


def latency(found: Measures) -> int:
    """Give the worst latency: the longest that was measured, or would have been."""
    return max(found.worst_latency, found.blocked.length if found.blocked else 0)


def cards(machine: Machine, found: Measures) -> Iterator[Item]:
    """Hold what cards need served in time against what the program took.

    Where a card cannot know that itself it is the worst latency: measured beyond the limit it
    is no-go, only possible beyond it a note.
    """
    for slot in machine.slots:
        for margin in slot.card.margins(machine.m, slot.state):
            own = margin.used is not None
            used = latency(found) if margin.used is None else margin.used
            if not used:
                continue
            happened = used if own else found.worst_latency
            level = (NO_GO if happened > margin.allowed
                     else NOTE if used * 2 > margin.allowed else GO)
            whose = ("taken at most." if own else "taken at most (the worst latency)."
                     if used == happened else "possible (the worst latency); so long a wait was "
                     "not measured.")
            yield Item(level, f"{slot.name}: {margin.what}",
                       f"{_time(machine, int(margin.allowed))} allowed, "
                       f"{_time(machine, used)} {whose}")


def _time(machine: Machine, t: int) -> str:
    return f"{t} T ({float(machine.seconds(t)) * 1e6:.4g} us)"
