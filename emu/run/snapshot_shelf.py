"""Keep many snapshots of one machine in little memory.

Snapshots are cut into pages of 4 KiB; a page that has not changed since the snapshot
before is shared with it.  When the budget is used up, those go first whose neighbours
stand close together for their age: near the present they stay dense, further back the
distances grow.
"""
from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emu.machine.machine import Machine, Snapshot

PAGE = 4096
BUDGET = 512 << 20  # bytes
MOST = 4096  # snapshots
ENTRY = 16  # bytes a page reference costs

Bytes = NDArray[np.uint8]
NONE: Bytes = np.zeros(0, np.uint8)


@dataclass
class Kept:
    """One snapshot: its T-state, how many inputs had been made, its pages."""

    t: int
    inputs: int
    effort: float  # seconds of work since power-on
    rest: Snapshot  # without the arrays
    head: int  # bytes
    pages: list[Bytes]
    fresh: int = 0  # pages not shared with the one before

    @property
    def place(self) -> tuple[int, int]:
        """Its place in the run."""
        return self.t, self.inputs

    @property
    def cost(self) -> int:
        """Bytes it adds to the ones before it."""
        return self.fresh * PAGE + len(self.pages) * ENTRY


def _cut(data: Bytes) -> NDArray[np.int64]:
    """Give pages as rows of int64, the last one filled up."""
    count = -(-len(data) // PAGE)
    rows = np.zeros((count, PAGE // 8), np.int64)
    rows.view(np.uint8).reshape(-1)[:len(data)] = data
    return rows


class Shelf:
    """The snapshots of one run, in the order of the run."""

    def __init__(self, budget: int = BUDGET) -> None:
        self.budget = budget
        self.kept: list[Kept] = []
        self.bytes = 0
        self._last: NDArray[np.int64] | None = None  # pages of the last one kept

    def keep(self, machine: Machine, inputs: int, effort: float) -> Kept:
        """Put the machine's state on the shelf, as the last one of the run so far."""
        now = machine.snapshot()
        rows = np.concatenate([_cut(now.head), _cut(now.memory)])
        rest = replace(now, head=NONE, memory=NONE)
        pages = self._share(rows)
        entry = Kept(now.t, inputs, effort, rest, len(now.head), pages)
        entry.fresh = _fresh(entry, self.kept[-1] if self.kept else None)
        self.kept.append(entry)
        self.bytes += entry.cost
        self._last = rows
        self._thin()
        return entry

    def _share(self, rows: NDArray[np.int64]) -> list[Bytes]:
        if not self.kept:
            return [row.copy().view(np.uint8) for row in rows]
        pages = list(self.kept[-1].pages)
        last = self._last
        if last is None:
            last = np.concatenate(pages).view(np.int64).reshape(-1, PAGE // 8)
        for k in np.flatnonzero((rows != last).any(axis=1)).tolist():
            pages[k] = rows[k].copy().view(np.uint8)
        return pages

    def _thin(self) -> None:
        """Take the least useful ones out until the budget holds; the first and last stay."""
        while (self.bytes > self.budget or len(self.kept) > MOST) and len(self.kept) > 2:
            effort = np.array([entry.effort for entry in self.kept])
            gap = effort[2:] - effort[:-2]
            age = effort[-1] - effort[1:-1] + 1e-3
            self._take_out(int(np.argmin(gap / age)) + 1)

    def _take_out(self, k: int) -> None:
        gone, behind = self.kept[k], self.kept[k + 1]
        self.bytes -= gone.cost + behind.cost
        del self.kept[k]
        behind.fresh = _fresh(behind, self.kept[k - 1])
        self.bytes += behind.cost

    def before(self, t: int, inputs: int) -> Kept:
        """Give the last snapshot at or before a place of the run."""
        return self.latest(t, inputs) or self.kept[0]

    def latest(self, t: int, inputs: int) -> Kept | None:
        """Give the last snapshot at or before a place of the run, None when all lie behind it."""
        at = bisect_right(self.kept, (t, inputs), key=lambda entry: entry.place)
        return self.kept[at - 1] if at else None

    def first_memory(self) -> Bytes:
        """Give the physical memory as the first snapshot holds it."""
        first = self.kept[0]
        return np.concatenate(first.pages[-(-first.head // PAGE):])

    def born(self, place: int) -> int:
        """Give a byte of physical memory as the first snapshot holds it."""
        first = self.kept[0]
        return int(first.pages[-(-first.head // PAGE) + place // PAGE][place % PAGE])

    def cut_behind(self, t: int, inputs: int) -> None:
        """Forget what lies behind a place: the run goes another way from there."""
        while len(self.kept) > 1 and self.kept[-1].place > (t, inputs):
            self.bytes -= self.kept.pop().cost
            self._last = None


def _fresh(entry: Kept, before: Kept | None) -> int:
    if before is None:
        return len(entry.pages)
    return sum(a is not b for a, b in zip(entry.pages, before.pages, strict=True))


def put_back(machine: Machine, entry: Kept) -> None:
    """Bring a machine, the run's own or one built alike, into a kept state."""
    count = -(-entry.head // PAGE)
    head = np.concatenate(entry.pages[:count])[:entry.head]
    memory = np.concatenate(entry.pages[count:]) if len(entry.pages) > count else NONE
    machine.restore(replace(entry.rest, head=head, memory=memory))
