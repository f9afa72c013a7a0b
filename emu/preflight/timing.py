"""Times: how long memory has to answer at this clock, interrupts off, latency."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from emu.diagnosis.names import Names
from emu.machine import Machine
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.preflight.measure import Measures

# From /MREQ low to the CPU's sample, in T-states: an opcode fetch, and a read of data (Z80 CPU
# data sheet, timing charts), less the CPU's delay of /MREQ and data set-up (from memory: 80 ns
# suit a part for 10 MHz; slower parts need more).
FETCH_T, READ_T, CPU_NS = 1.5, 2.0, 80.0


@dataclass(frozen=True)
class Windows:
    """Nanoseconds that memory has from its strobe to good data."""

    fetch: float
    read: float


def windows(machine: Machine, waits_m1: int, waits_mem: int) -> Windows:
    """Work out the read windows at the machine's clock, with so many wait states."""
    t = 1e9 / float(machine.hz)
    return Windows((FETCH_T + waits_m1) * t - CPU_NS, (READ_T + waits_mem) * t - CPU_NS)


def access(machine: Machine, grades: dict[str, float]) -> Iterator[Item]:
    """Hold the windows of each memory card against its chips' grade, when that is told.

    ``grades`` are access times in ns by slot name.
    """
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        if not int(machine.m.mem_size[slot.number]):
            continue
        now = windows(machine, int(machine.m.cpu_wait_m1) + described.waits_m1,
                      int(machine.m.cpu_wait_mem) + described.waits_mem)
        more = windows(machine, int(machine.m.cpu_wait_m1) + described.waits_m1 + 1, 0)
        tightest = min(now.fetch, now.read)
        words = (f"its chips have {now.fetch:.0f} ns from the strobe in a fetch and {now.read:.0f} "
                 f"ns in a read ({more.fetch:.0f} ns in a fetch with a wait state more), for a "
                 f"CPU that needs {CPU_NS:.0f} ns itself, before gates and buffers")
        grade = grades.get(slot.name)
        if grade is None:
            yield Item(NOTE if tightest < 100 else GO, f"{slot.name}: access time",
                       f"{words}; say their grade with --access {slot.name}=NS.")
        elif grade > tightest:
            yield Item(NO_GO, f"{slot.name}: access time", f"{words}: chips of {grade:g} ns are "
                       f"too slow; set waits-m1 = 1 or fit faster ones.")
        else:
            yield Item(GO if grade <= 0.8 * tightest else NOTE, f"{slot.name}: access time",
                       f"{words}; its {grade:g} ns chips leave {tightest - grade:.0f} ns.")


def interrupts(machine: Machine, found: Measures) -> Iterator[Item]:
    """Tell the longest time with interrupts off and the worst wait for an acknowledge."""
    names = Names(machine)
    if found.longest_off:
        yield Item(GO, "interrupts off", f"{_time(machine, found.longest_off)} at most, from "
                   f"{names.at(found.longest_off_from)} to {names.at(found.longest_off_to)}.")
    if found.worst_latency:
        yield Item(GO, "latency", f"a request waited {_time(machine, found.worst_latency)} at "
                   f"most, while {names.at(found.worst_latency_at)} ran.")


def cards(machine: Machine, found: Measures) -> Iterator[Item]:
    """Hold what cards need served in time against what the program took."""
    for slot in machine.slots:
        for margin in slot.card.margins(machine.m, slot.state):
            used = found.worst_latency if margin.used is None else margin.used
            if not used:
                continue
            level = NO_GO if used > margin.allowed else NOTE if used * 2 > margin.allowed else GO
            yield Item(level, f"{slot.name}: {margin.what}",
                       f"{_time(machine, int(margin.allowed))} allowed, "
                       f"{_time(machine, used)} taken at most"
                       + (" (the worst latency)." if margin.used is None else "."))


def _time(machine: Machine, t: int) -> str:
    return f"{t} T ({float(machine.seconds(t)) * 1e6:.4g} us)"
