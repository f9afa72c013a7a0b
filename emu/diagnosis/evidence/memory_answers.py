"""The first bus cycles of a run, and what memory should have answered in them.

A bus log shows what the CPU gave and took.  `Memory` holds it against what was written and
what was burned, cycle by cycle, under a guess of what the lines do to addresses and data;
the right guess leaves no difference.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from emu.bus import stops
from emu.bus.state import (
    AT_TIME,
    FETCH,
    HALTED,
    LOG,
    LOG_FULL,
    READ,
    STOP_HIT,
    STOP_OUT,
    WRITE,
)
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import Window, decode
from emu.diagnosis.evidence.depth import Depth
from emu.machine.machine import Machine

STRETCH = 0.05  # seconds from power-on that are looked at
MOST = 40_000  # memory cycles
MOST_TURNS = 400  # pieces: changes of the page map, and full rings
COLUMNS = ("t", "kind", "address", "data", "driver", "turn")
UNKNOWN = -1

Lines = Callable[[np.ndarray], np.ndarray]


def same(values: np.ndarray) -> np.ndarray:
    """Change nothing: sound lines."""
    return values


@dataclass
class Memory:
    """Memory cycles of one stretch.

    The page map changes in it: ``turn`` tells for each cycle which row of ``bases``,
    ``writable`` and ``owner`` stood then.
    """

    t: np.ndarray
    kind: np.ndarray
    address: np.ndarray
    data: np.ndarray
    driver: np.ndarray
    turn: np.ndarray
    bases: np.ndarray  # (turns, 16): where each 4 KiB page lies in phys, negative: not plain
    writable: np.ndarray  # (turns, 16) bool
    owner: np.ndarray  # (turns, 16): slot + 1
    phys: np.ndarray  # as at the beginning; UNKNOWN in RAM

    @property
    def reads(self) -> np.ndarray:
        """Mark the reads, fetches among them."""
        return np.asarray(self.kind != WRITE)

    @property
    def owners(self) -> np.ndarray:
        """Give the slot + 1 that each cycle's address belonged to."""
        return np.asarray(self.owner[self.turn, self.address >> 12])

    @property
    def in_ram(self) -> np.ndarray:
        """Mark the cycles at addresses that can be written."""
        return np.asarray(self.writable[self.turn, self.address >> 12])

    def expected(self, lines: Lines = same, where: np.ndarray | None = None) -> np.ndarray:
        """Give what each read should have taken, UNKNOWN where nobody can tell.

        ``lines`` bends the addresses of the cycles in ``where``.
        """
        bent = lines(self.address)
        seen = bent if where is None else np.where(where, bent, self.address)
        page = seen >> 12
        base = self.bases[self.turn, page]
        place = np.where(base >= 0, base + (seen & 0xFFF), -1 - seen)
        writes = (self.kind == WRITE) & self.writable[self.turn, page]
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
        return np.asarray(self.reads & (expected != UNKNOWN) & (self.data != expected))

    def cut(self, count: int) -> Memory:
        """Give the first cycles only."""
        return replace(self, **{name: getattr(self, name)[:count] for name in COLUMNS})


def early(case: Case) -> Memory:
    """Replay the beginning of the run, up to the first command that a flash chip took."""
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
    flashed = _flash_commands(machine)
    maps: list[tuple[np.ndarray, ...]] = []
    parts: list[Window] = []
    for window, bases, writable, owner in _steady_windows(
            machine, min(machine.at(STRETCH), int(case.m.t))):
        if _flash_commands(machine) != flashed:
            break  # what a flash chip reads then is not what it holds
        parts.append(window)
        maps.append((bases, writable, owner))
        if sum(len(w.t) for w in parts) > MOST:
            break
    columns = {name: np.concatenate([getattr(w, name) for w in parts] or [np.zeros(0, np.int64)])
               for name in COLUMNS[:-1]}
    columns["turn"] = np.repeat(np.arange(len(parts)), [len(w.t) for w in parts])
    keep = np.isin(columns["kind"], (FETCH, READ, WRITE, HALTED))
    bases, writable, owner = (
        np.array([row[k] for row in maps], kind).reshape(-1, 16)
        for k, kind in enumerate((np.int64, bool, np.int64)))
    return Memory(**{name: column[keep] for name, column in columns.items()}, bases=bases,
                  writable=writable, owner=owner, phys=phys).cut(MOST)


def _steady_windows(machine: Machine, end: int) -> Iterator[
        tuple[Window, np.ndarray, np.ndarray, np.ndarray]]:
    """Run on with every bus cycle, in pieces in each of which the page map stays as it is.

    With each piece: where the pages lie, which can be written, whose they are.
    """
    m = machine.m
    memory = {int(s) for s in m.mem_slots[:int(m.mem_count)]}
    ports = [p for p in range(256) if int(m.port_slot[p]) in memory or int(m.port_slot[p]) == -2]
    rows = [stops.Row(STOP_OUT, min(ports), max(ports))] if ports else []
    stops.arm(m, rows)
    depth = Depth()
    for _ in range(MOST_TURNS):
        if int(m.t) >= end:
            break
        now = (np.asarray(m.read_base_true).copy(), np.asarray(m.write_base_true) >= 0,
               np.asarray(m.owner).copy())
        machine.log(True)
        m.log_limit = LOG - 256
        while machine.run(end) not in (AT_TIME, LOG_FULL, STOP_HIT):
            pass
        yield decode(machine, depth), *now
    stops.disarm(m)
    machine.log(False)


def _flash_commands(machine: Machine) -> int:
    """Count the commands that flash chips took."""
    chips = [slot.card.flash(machine.m, slot.state) for slot in machine.slots]
    return sum(chip.programs + chip.erases + chip.reading for chip in chips if chip is not None)


def _forget_ram(machine: Machine, phys: np.ndarray) -> None:
    """Nobody knows what RAM holds at power-on: keep only what an image was burned into."""
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        size = int(machine.m.mem_size[slot.number])
        if size:
            base = int(machine.m.mem_base[slot.number])
            burned = min(slot.card.image_size(described.settings), size)
            phys[base + burned:base + size] = UNKNOWN
