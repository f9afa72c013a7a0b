"""Measure a run instruction by instruction: stacks, interrupts off, latency, vectors."""
from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emu.description import Description
from emu.knowngood.rerun import Run
from emu.logs.edges import LINE_INT
from emu.logs.records import PC, Chunk
from emu.logs.traced import TracedMachine
from emu.logs.window import Window
from emu.session import Session
from emu.state import ACK, FETCH, NOBODY, READ, WRITE

MOST = 30_000_000  # T-states measured: at some 7 million a second
IFF1 = 1 << 20  # in a chunk's control words


@dataclass
class Measures:
    """What was measured; times in T-states, places as addresses."""

    start: int = 0
    end: int = 0
    longest_off: int = 0  # interrupts off, after they were first on
    longest_off_from: int = -1
    longest_off_to: int = -1
    worst_latency: int = 0  # from /INT low, or the acknowledge before, to the acknowledge
    worst_latency_at: int = -1  # what ran then
    vectors: Counter[tuple[int, int]] = field(default_factory=Counter)  # (I, byte) in mode 2
    floating_vectors: int = 0
    stack: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(65536, bool))
    live: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(65536, bool))
    _off_t: int = -1  # since when interrupts are off, -1: they are on, or were never on
    _off_pc: int = -1
    _int_t: int = -1  # since when /INT is low and unanswered

    def take(self, chunk: Chunk) -> None:
        """Measure the next stretch of the run."""
        if not len(chunk):
            return
        self._take_stack(chunk)
        self._take_enable(chunk)
        self._take_latency(chunk)
        self._take_vectors(chunk)

    def _take_stack(self, chunk: Chunk) -> None:
        """Bytes written downwards in pairs are stack; what else is used later on is not free."""
        kind, address = chunk.cycles["kind"], chunk.cycles["address"].astype(np.int64)
        pairs = (kind[1:] == WRITE) & (kind[:-1] == WRITE) & (address[1:] == address[:-1] - 1)
        pushed = np.zeros(len(kind), bool)
        pushed[1:] |= pairs
        pushed[:-1] |= pairs
        self.stack[address[pushed]] = True
        late = chunk.cycles["t"] * 2 >= self.start + self.end
        used = np.isin(kind, (FETCH, READ, WRITE)) & ~pushed & late
        self.live[address[used]] = True

    def _take_enable(self, chunk: Chunk) -> None:
        on = (chunk.control & IFF1) != 0
        changes = np.flatnonzero(on[1:] != on[:-1]) + 1
        for k in changes.tolist():
            if not on[k]:
                self._off_t, self._off_pc = int(chunk.t[k]), int(chunk.registers[k - 1, PC])
            elif self._off_t >= 0:
                self._note_off(int(chunk.t[k]), int(chunk.registers[k, PC]))

    def _note_off(self, t: int, pc: int) -> None:
        if t - self._off_t > self.longest_off:
            self.longest_off = t - self._off_t
            self.longest_off_from, self.longest_off_to = self._off_pc, pc
        self._off_t = -1

    def _take_latency(self, chunk: Chunk) -> None:
        edges = [(int(half) // 2, int(level)) for half, line, level in chunk.edges.tolist()
                 if line == LINE_INT]
        acks = np.flatnonzero(chunk.cycles["kind"] == ACK)
        owner = chunk.cycle_record
        events = [(t, 0, level) for t, level in edges]
        events += [(int(chunk.cycles["t"][k]), 1, int(owner[k])) for k in acks.tolist()]
        low = self._int_t
        for t, what, value in sorted(events):
            if what == 0:
                low = -1 if value else t if low < 0 else low
            elif low >= 0:
                if t - low > self.worst_latency:
                    self.worst_latency = t - low
                    before = max(value - 1, 0)
                    self.worst_latency_at = int(chunk.registers[before, PC])
                low = t  # still low afterwards: another source, which has waited since
        self._int_t = low

    def _take_vectors(self, chunk: Chunk) -> None:
        acks = np.flatnonzero(chunk.cycles["kind"] == ACK)
        owner = chunk.cycle_record
        for k in acks.tolist():
            control = int(chunk.control[owner[k]])
            if control >> 16 & 15 != 2:
                continue
            self.floating_vectors += int(chunk.cycles["driver"][k]) == NOBODY
            self.vectors[control >> 8 & 0xFF, int(chunk.cycles["data"][k])] += 1


def measure(description: Description, run: Run) -> Measures:
    """Run again what a boot did, up to MOST T-states of it, and measure."""
    found = Measures(0, min(run.end, MOST))
    machine = TracedMachine(description, run.seed)
    machine.trace(Window(None, None), [], found.take)
    session = Session(machine)
    for t, name, keys in run.inputs:
        if t > found.end:
            break
        session.run_to(t)
        session.console.type(name, keys, t)
    session.run_to(found.end)
    machine.finish()
    return found


def regions(found: Measures) -> list[tuple[int, int]]:
    """List the stacks (lowest address, end); bytes up to 8 apart belong together."""
    places = np.flatnonzero(found.stack)
    if not len(places):
        return []
    groups = np.split(places, np.flatnonzero(np.diff(places) > 8) + 1)
    return [(int(g[0]), int(g[-1]) + 1) for g in groups]


def room_below(found: Measures, address: int, writable: NDArray[np.bool_]) -> int:
    """Count the bytes below a stack that nothing else uses and that are RAM."""
    at = address
    while at > 0 and writable[at - 1] and not found.live[at - 1] and not found.stack[at - 1]:
        at -= 1
    return address - at
