"""Find where two runs part: the first bus cycle that differs, and what both did there."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np

from emu.bus.state import IN, KIND_NAMES, OUT
from emu.logs.cycles import CYCLE, Cycles, driver_names
from emu.logs.run_cycles import cycles
from emu.logs.setting import setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import watch
from emu.machine.address_names import Names
from emu.run.done_again import Run

SEEN = ("t", "address", "data", "kind", "waits", "refresh")  # of a cycle, on the bus
BEFORE, AFTER = 60, 60  # T-states written out around the cycle
LINES = 12


@dataclass(frozen=True)
class Side:
    """One run at the cycle where it parts from the other."""

    cycle: str  # "fetch 0342h = C3h by memory", or that the run ended
    place: str  # "0342h, timer_init+4 (timer.s:20)"
    lines: list[str]  # the trace around it

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"cycle": self.cycle, "place": self.place, "trace": self.lines}


@dataclass(frozen=True)
class Parting:
    """The first bus cycle in which two runs differ."""

    same: int  # cycles before it, counted from where the search began
    t: int  # its T-state, of the side that comes first
    left: Side
    right: Side


def _level(pieces: Iterator[Cycles]) -> Iterator[Cycles]:
    """Leave out empty pieces."""
    return (piece for piece in pieces if len(piece))


def first_difference(left: Iterator[Cycles], right: Iterator[Cycles]
                     ) -> tuple[int, Cycles, Cycles] | None:
    """Give the number of equal cycles and the first that differ (none where a run has ended);
    None when both are the same to their ends."""
    left, right = _level(left), _level(right)
    a = b = np.zeros(0, CYCLE)
    same = 0
    while True:
        a = next(left, a) if not len(a) else a
        b = next(right, b) if not len(b) else b
        count = min(len(a), len(b))
        if count == 0:
            return None if len(a) == len(b) else (same, a[:1], b[:1])
        other = np.zeros(count, bool)
        for name in SEEN:
            other |= a[name][:count] != b[name][:count]
        found = np.flatnonzero(other)
        if len(found):
            at = int(found[0])
            return same + at, a[at:at + 1], b[at:at + 1]
        same += count
        a, b = a[count:], b[count:]


def part(left: Run, right: Run, start: int = 0) -> Parting | None:
    """Find the first difference of two runs that are the same up to T-state ``start``."""
    found = first_difference(cycles(left, start), cycles(right, start))
    if found is None:
        return None
    same, a, b = found
    times = [int(row["t"][0]) for row in (a, b) if len(row)]
    return Parting(same, min(times), side(left, a, min(times)), side(right, b, min(times)))


def side(run: Run, cycle: Cycles, t: int) -> Side:
    """Describe one side: the cycle, the instruction it belongs to, the trace around it."""
    if not len(cycle):
        return Side("the run had ended", "", [])
    names = driver_names([slot.name for slot in run.description.slots])
    row = cycle[0]
    waits = f" with {row['waits']} wait states" if row["waits"] else ""
    words = (f"{KIND_NAMES[row['kind']]} {row['address']:04X}h = {row['data']:02X}h by "
             f"{names[row['driver']]}{waits} at T {row['t']}")
    place, lines = around(run, t)
    return Side(words, place, lines)


def around(run: Run, t: int) -> tuple[str, list[str]]:
    """Name the instruction under way at a T-state, and write those around it."""
    machine = run.at(max(t - BEFORE, 0))
    setting = setting_of(machine)
    chunk = watch(machine, t + AFTER, machine.player)
    if not len(chunk):
        return "", []
    at = max(int(np.searchsorted(chunk.t[:-1], t, side="right")) - 1, 0)
    machine = run.at(int(chunk.t[at]))
    place = Names(machine).at(int(chunk.address[at]))
    out = BytesIO()
    chosen = np.zeros(len(chunk), bool)
    chosen[max(at - LINES // 2, 0):at + LINES // 2] = True
    TextWriter(out, setting).write(chunk, chosen)
    lines = [line.rstrip() for line in out.getvalue().decode().splitlines()]
    return place, [line for line in lines if not line.startswith("#")]


@dataclass(frozen=True)
class Stretch:
    """What a run did in the interval in which a difference lies."""

    first: str
    last: str
    functions: list[str]  # names of the code run, in the order of their first use
    ports: list[str]

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"first": self.first, "last": self.last, "functions": self.functions,
                "ports": self.ports}


def stretch(run: Run, start: int, end: int) -> Stretch:
    """Say what a run did between two T-states."""
    machine = run.at(start)
    setting = setting_of(machine)
    first = Names(machine).at(int(machine.m.pc))
    chunk = watch(machine, max(min(end, run.end), start + 1), machine.player)
    last = Names(machine).at(int(machine.m.pc))
    codes = setting.book.look_up(chunk)
    order = np.unique(codes.index, return_index=True)
    names = [codes.table[k].symbol.partition("+")[0]
             for k, _ in sorted(zip(*order, strict=True), key=lambda row: row[1])]
    io = chunk.cycles[(chunk.cycles["kind"] == IN) | (chunk.cycles["kind"] == OUT)]
    ports = [f"{KIND_NAMES[kind]} {port:02X}h"
             for kind, port in dict.fromkeys(zip(io["kind"].tolist(),
                                                 (io["address"] & 0xFF).tolist(), strict=True))]
    return Stretch(first, last, [n for n in dict.fromkeys(names) if n], ports)
