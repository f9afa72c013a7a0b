"""The first bus cycles of a run, and what memory should have answered in them.

A bus log shows what the CPU gave and took.  `Memory` holds it against what was written and
what was burned, cycle by cycle, under a guess of what the lines do to addresses and data;
the right guess leaves no difference.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from emu.diagnosis.case import Case
from emu.diagnosis.window import Window, windows
from emu.machine import Machine
from emu.state import FETCH, HALTED, OUT, READ, WRITE

STRETCH = 0.05  # seconds from power-on that are looked at
MOST = 40_000  # memory cycles
UNKNOWN = -1

Lines = Callable[[np.ndarray], np.ndarray]


def same(values: np.ndarray) -> np.ndarray:
    """Change nothing: sound lines."""
    return values


@dataclass
class Memory:
    """Memory cycles of one stretch in which the page map stayed as it is."""

    t: np.ndarray
    kind: np.ndarray
    address: np.ndarray
    data: np.ndarray
    driver: np.ndarray
    bases: np.ndarray  # where each 4 KiB page lies in phys, negative: not plain memory
    writable: np.ndarray  # bool, by page
    owner: np.ndarray  # slot + 1, by page
    phys: np.ndarray  # as at the beginning; UNKNOWN in RAM

    @property
    def reads(self) -> np.ndarray:
        """Mark the reads, fetches among them."""
        return self.kind != WRITE

    def expected(self, lines: Lines = same, where: np.ndarray | None = None) -> np.ndarray:
        """Give what each read should have taken, UNKNOWN where nobody can tell.

        ``lines`` bends the addresses of the cycles in ``where``.
        """
        bent = lines(self.address)
        seen = bent if where is None else np.where(where, bent, self.address)
        page = seen >> 12
        base = self.bases[page]
        place = np.where(base >= 0, base + (seen & 0xFFF), -1 - seen)
        writes = (self.kind == WRITE) & self.writable[page]
        order = np.lexsort((np.arange(len(place)), place))
        at, stored = place[order], writes[order]
        count = np.arange(len(at))
        first = np.maximum.accumulate(np.where(np.r_[True, at[1:] != at[:-1]], count, 0))
        last = np.maximum.accumulate(np.where(stored, count, -1))
        known = np.where(at >= 0, self.phys[np.maximum(at, 0)], UNKNOWN)
        value = np.where(last >= first, self.data[order][np.maximum(last, 0)], known)
        out = np.empty(len(place), np.int64)
        out[order] = value
        return np.where(self.reads, out, UNKNOWN)

    def wrong(self, expected: np.ndarray) -> np.ndarray:
        """Mark the reads that took another byte than expected."""
        return self.reads & (expected != UNKNOWN) & (self.data != expected)

    def cut(self, count: int) -> Memory:
        """Give the first cycles only."""
        return Memory(self.t[:count], self.kind[:count], self.address[:count], self.data[:count],
                      self.driver[:count], self.bases, self.writable, self.owner, self.phys)


def early(case: Case) -> Memory:
    """Replay the beginning of the run, up to the second change of the page map."""
    known = case.__dict__.get("_early")
    if known is None:
        known = case.__dict__["_early"] = _replayed(case)
    assert isinstance(known, Memory)
    return known


def _replayed(case: Case) -> Memory:
    machine = case.session.replay(0)
    m = machine.m
    phys = np.asarray(m.phys).astype(np.int64)
    _forget_ram(machine, phys)
    parts: list[Window] = []
    end = min(machine.at(STRETCH), int(case.m.t))
    for window in windows(machine, end):
        parts.append(window)
        if sum(len(w.t) for w in parts) > MOST:
            break  # the page map is that at the end of what was gathered
    names = ("t", "kind", "address", "data", "driver")
    columns = {name: np.concatenate([getattr(w, name) for w in parts] or [np.zeros(0, np.int64)])
               for name in names}
    keep = np.isin(columns["kind"], (FETCH, READ, WRITE, HALTED))
    keep[:_steady_from(machine, columns)] = False
    return Memory(*(columns[name][keep] for name in names), np.asarray(m.rb_true).copy(),
                  np.asarray(m.wb_true) >= 0, np.asarray(m.owner).copy(), phys).cut(MOST)


def _forget_ram(machine: Machine, phys: np.ndarray) -> None:
    """Nobody knows what RAM holds at power-on: keep only what an image was burned into."""
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        size = int(machine.m.mem_size[slot.number])
        if size:
            base = int(machine.m.mem_base[slot.number])
            burned = min(slot.card.image_size(described.settings), size)
            phys[base + burned:base + size] = UNKNOWN


def _steady_from(machine: Machine, columns: dict[str, np.ndarray]) -> int:
    """Give the cycle behind the last write to a memory card's register, 0 if there is none."""
    memory = {int(s) for s in machine.m.mem_slots[:int(machine.m.mem_count)]}
    ports = np.asarray(machine.m.port_slot)
    outs = np.nonzero(columns["kind"] == OUT)[0]
    maps = [k for k in outs.tolist() if int(ports[columns["address"][k] & 0xFF]) in memory]
    return maps[-1] + 1 if maps else 0
