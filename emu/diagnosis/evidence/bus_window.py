"""A stretch of a run with every bus cycle: what was executed, read, written, asked."""
from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from emu.bus import stops
from emu.bus.state import AT_TIME, BUS_GIVEN, FETCH, LOG, LOG_FULL, READ, WRITE
from emu.diagnosis.evidence.depth import Depth
from emu.isa.opcodes import BRANCHES, CB, ED, ED_REPEATS, ED_RETURNS, PREFIXES, RETURNS
from emu.machine.machine import Machine


@contextmanager
def forked(machine: Machine) -> Iterator[Machine]:
    """Let the body change and run the machine; afterwards it is as it was."""
    saved = machine.snapshot()
    try:
        yield machine
    finally:
        stops.disarm(machine.m)
        machine.restore(saved)
        machine.log(False)


@dataclass
class Window:
    """Logged bus cycles, one array entry a cycle, oldest first."""

    t: np.ndarray  # T-state of T1
    kind: np.ndarray
    address: np.ndarray
    data: np.ndarray
    driver: np.ndarray  # slot + 1, CPU_DRIVES, CONFLICT or NOBODY
    depth: np.ndarray  # bool: inside an interrupt handler

    def where(self, kind: int, handler: bool | None = None) -> np.ndarray:
        """Index the cycles of a kind, inside or outside handlers, or both."""
        mask = self.kind == kind
        if handler is not None:
            mask &= self.depth == handler
        return np.nonzero(mask)[0]

    def up_to(self, stop: int) -> Window:
        """Give the part before a cycle."""
        return Window(self.t[:stop], self.kind[:stop], self.address[:stop], self.data[:stop],
                      self.driver[:stop], self.depth[:stop])

    def branches(self) -> dict[int, int]:
        """Give the foreground's branches, with the index of the last time each was met."""
        starts = self.starts()
        starts = starts[~self.depth[starts]]
        data = self.data[starts]
        repeats = (data == ED) & ED_REPEATS[self.data[np.minimum(starts + 1, len(self.t) - 1)]]
        met = starts[BRANCHES[data] | repeats]
        return dict(zip(self.address[met].tolist(), met.tolist(), strict=True))

    def executed(self, handler: bool | None = None) -> set[int]:
        """Give the addresses fetched."""
        return set(np.unique(self.address[self.where(FETCH, handler)]).tolist())

    def starts(self) -> np.ndarray:
        """Index the cycles that begin an instruction (no prefix fetch before them)."""
        fetches = self.where(FETCH)
        if len(fetches) == 0:
            return fetches
        data = self.data[fetches]
        after = np.zeros(len(fetches), bool)
        prefixed = np.isin(data[:-1], PREFIXES)
        joined = self.address[fetches][1:] == (self.address[fetches][:-1] + 1) & 0xFFFF
        after[1:] = prefixed & joined
        # what follows CB or ED is the opcode, even where it looks like a prefix
        for k in np.nonzero(after)[0]:
            if k >= 2 and after[k - 1] and data[k - 2] in (CB, ED):
                after[k] = False
        return fetches[~after]

    def returned(self, known: set[int]) -> list[int]:
        """List the return addresses that the foreground takes once it runs unknown code."""
        out: list[int] = []
        fresh = False
        for k in self.starts().tolist():
            if self.depth[k]:
                continue
            fresh = fresh or int(self.address[k]) not in known
            at = k + 1 if self.data[k] == ED else k
            if not fresh or at + 2 >= len(self.t) or not self._is_return(k):
                continue
            if (self.kind[at + 1:at + 3] == READ).all():
                out.append(int(self.data[at + 1]) | int(self.data[at + 2]) << 8)
            if len(out) >= 4:
                break
        return out

    def _is_return(self, k: int) -> bool:
        opcode = int(self.data[k])
        if opcode == ED and k + 1 < len(self.t):
            return bool(ED_RETURNS[int(self.data[k + 1])])
        return bool(RETURNS[opcode])

    def writes(self, handler: bool | None = None) -> set[int]:
        """Give the addresses written."""
        return set(np.unique(self.address[self.where(WRITE, handler)]).tolist())


def decode(machine: Machine, depth: Depth | None = None) -> Window:
    """Read the ring of the bus log; ``depth`` knows the handlers under way at its start."""
    m = machine.m
    end, rows = int(m.log_pos), np.asarray(m.log).reshape(-1, 2)
    oldest = max(end - LOG, 0) & (LOG - 1)
    ring = np.concatenate((rows[oldest:], rows[:oldest])) if end > LOG else rows[:end]
    kind = (ring[:, 1] >> 24) & 15
    own = kind < BUS_GIVEN  # what a card does with the bus is no program
    if not own.all():
        ring, kind = ring[own], kind[own]
    word = ring[:, 1]
    address, data = word & 0xFFFF, (word >> 16) & 0xFF
    inside = (depth or Depth()).mark(kind, address, data)
    return Window(ring[:, 0].copy(), kind, address, data, (word >> 36) & 0xFF, inside)


def windows(machine: Machine, t_states: int, open_low: int = -1) -> Iterator[Window]:
    """Run on for some T-states with every bus cycle, in pieces that fit the ring.

    ``open_low``: stack address of a handler that is under way now, -1 for none.
    """
    m = machine.m
    end = int(m.t) + t_states
    depth = Depth([open_low] if open_low >= 0 else [])
    while int(m.t) < end:
        machine.log(True)
        m.log_limit = LOG - 256
        while machine.run(end) not in (AT_TIME, LOG_FULL):
            pass
        yield decode(machine, depth)
    machine.log(False)


def look(machine: Machine, t_states: int) -> Window:
    """Run on for some T-states and give the last bus cycles, as many as the ring holds."""
    return [*windows(machine, t_states)][-1]


def last_before(machine: Machine, t: int) -> Window:
    """Run to T-state t with the log on; give the last bus cycles, as many as the ring holds."""
    machine.log(True)
    while int(machine.m.t) < t and machine.run(t) != AT_TIME:
        pass
    window = decode(machine)
    machine.log(False)
    return window
