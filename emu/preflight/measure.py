"""Measure a run instruction by instruction: stacks, interrupts off, latency, vectors."""
from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, NOBODY, READ, WRITE
from emu.logs.kinds import INTERRUPT, PC
from emu.logs.lines import LINE_INT
from emu.logs.records import Chunk
from emu.logs.traced import TracedMachine
from emu.logs.window import Window
from emu.run.done_again import Run

MOST = 30_000_000  # T-states measured: at some 7 million a second
IFF1 = 1 << 20  # in a chunk's control words


@dataclass(frozen=True)
class Since:
    """T-state at which something began, and the code that ran; ``answer``: an acknowledge."""

    t: int
    pc: int
    answer: bool


@dataclass(frozen=True)
class Stretch:
    """T-states that something took, the place where it began and where it ended."""

    length: int
    since: Since
    to: int


@dataclass
class Measures:
    """What was measured; times in T-states, places as addresses."""

    start: int = 0
    end: int = 0
    ran: int = 0  # all T-states of the run; only those up to ``end`` were measured
    off: Stretch | None = None  # interrupts off longest, after they were first on
    blocked: Stretch | None = None  # longest a request would have waited for its acknowledge
    worst_latency: int = 0  # from /INT low, or the acknowledge before, to the acknowledge
    worst_latency_at: int = -1  # what ran then
    vectors: dict[tuple[int, int], int] = field(default_factory=dict)  # (I, byte): handler
    floating_vectors: int = 0
    stack: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(65536, bool))
    live: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(65536, bool))
    _off: Since | None = None  # since when interrupts are off, None: on, or never on yet
    _open: Since | None = None  # when a request was last looked at, None: not yet
    _shadow: bool = False  # the last record was an EI
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
        """Find how long interrupts were off, and how long a request would have waited.

        Off counts from behind DI, or from the acknowledge, to behind EI.  A request is looked
        at once an instruction has ended with interrupts on, but not behind EI (UM0080).
        """
        on = (chunk.control & IFF1) != 0
        looked = on.copy()
        looked[1:] &= on[:-1]
        looked[0] &= not self._shadow
        self._shadow = bool(on[-1] and not looked[-1])
        for k in (np.flatnonzero(on[1:] != on[:-1]) + 1).tolist():
            if not on[k]:
                answer = chunk.kind[k - 1] == INTERRUPT
                self._off = self._since(chunk, k - 1 if answer else k, k)
            elif self._off is not None:
                self.off = _longer(self.off, self._off, int(chunk.t[k]), _pc(chunk, k))
                self._off = None
        for k in (np.flatnonzero(looked[1:] != looked[:-1]) + 1).tolist():
            if not looked[k]:
                self._open = self._since(chunk, k - 1, k)
            elif self._open is not None:
                self.blocked = _longer(self.blocked, self._open, int(chunk.t[k]), _pc(chunk, k))

    @staticmethod
    def _since(chunk: Chunk, start: int, off: int) -> Since:
        """Tell since when it is off: ``off`` is the first record so, DI or acknowledge before."""
        answer = bool(chunk.kind[off - 1] == INTERRUPT)
        return Since(int(chunk.t[start]), _pc(chunk, off if answer else off - 1), answer)

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
            if int(chunk.cycles["driver"][k]) == NOBODY:
                self.floating_vectors += 1
                continue
            vector = control >> 8 & 0xFF, int(chunk.cycles["data"][k])
            self.vectors[vector] = _pc(chunk, int(owner[k]) + 1)


def _pc(chunk: Chunk, record: int) -> int:
    return int(chunk.registers[record, PC])


def _longer(known: Stretch | None, since: Since, t: int, pc: int) -> Stretch:
    """Give the longer of the stretch known and the one that ended at ``t``."""
    new = Stretch(t - since.t, since, pc)
    return new if known is None or new.length > known.length else known


def measure(run: Run) -> Measures:
    """Run again what a boot did, up to MOST T-states of it, and measure."""
    found = Measures(0, min(run.end, MOST), run.end)
    machine = TracedMachine(run.description, run.seed)
    machine.trace(Window(None, None), [], found.take)
    run.on(machine).run_to(found.end)
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
