"""What a run touched of its machine: ports, memory by card and page, interrupts and vectors."""
from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emu.backplane.description import Description
from emu.bus.state import CONSOLE_FULL, LOG, LOG_FULL, PAGES, READ, STOP_HIT, STOP_OUT, WRITE
from emu.bus.stops import Row, arm
from emu.card.roles import PAGE
from emu.logs.cycles import Cycles, kinds_alike, of_code, read_ring
from emu.machine.machine import Machine
from emu.run.console import channels

EXECUTED, READ_FROM, WRITTEN = 1, 2, 4
LETTERS = ((EXECUTED, "x"), (READ_FROM, "r"), (WRITTEN, "w"))
BLOCK = 4096  # bytes of the CPU's address space that one card answers at
GRAIN = 256  # bytes of a card's memory that are told apart


def letters(flags: int) -> str:
    """Write what was done to a stretch: x executed, r read, w written, "-" nothing."""
    return "".join(letter for bit, letter in LETTERS if flags & bit) or "-"


@dataclass
class Touched:
    """Flags by slot and grain of its memory; counts by port, slot and vector.

    ``elsewhere``: flags by block of addresses where a card answers that does not say which of
    its bytes (``plain`` cards, parts of chips), or nobody does.
    """

    seconds: float
    memory: dict[str, NDArray[np.uint8]]
    elsewhere: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(PAGES, np.uint8))
    ports: dict[int, tuple[int, int]] = field(default_factory=dict)  # reads, writes
    interrupts: dict[str, int] = field(default_factory=dict)
    vectors: dict[int, int] = field(default_factory=dict)

    def flags(self, slot: str, start: int, size: int) -> int:
        """Give the flags of a stretch of a card's memory, in bytes from its beginning."""
        part = self.memory[slot][start // GRAIN:-(-(start + size) // GRAIN)]
        return int(np.bitwise_or.reduce(part)) if len(part) else 0

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it; memory as grains in letters, only those touched."""
        return {
            "seconds": self.seconds,
            "ports": [{"port": port, "reads": reads, "writes": writes}
                      for port, (reads, writes) in self.ports.items()],
            "interrupts": self.interrupts,
            "vectors": [{"vector": v, "count": n} for v, n in self.vectors.items()],
            "memory": {slot: {f"{k * GRAIN:X}": letters(int(row[k]))
                              for k in np.flatnonzero(row).tolist()}
                       for slot, row in self.memory.items() if row.any()}}


class Map:
    """Which card answers where, and with which of its bytes, as it stands now."""

    def __init__(self, machine: Machine) -> None:
        m = machine.m
        self.owner = np.asarray(m.owner).copy()
        base = np.asarray(m.read_base_true)
        starts = np.asarray(m.mem_base)[np.maximum(self.owner - 1, 0)]
        self.place = np.where((base >= 0) & (self.owner > 0), base - starts, -1)

    def take(self, found: Touched, names: list[str], cycles: Cycles) -> None:
        """Note what some cycles did to memory while this map stood."""
        kind, address = kinds_alike(cycles["kind"]), cycles["address"].astype(np.int64)
        code = of_code(kind, address)
        for flag, chosen in ((EXECUTED, code), (READ_FROM, (kind == READ) & ~code),
                             (WRITTEN, kind == WRITE)):
            at = address[chosen]
            block = at >> 12
            inside = self.place[block] >= 0
            found.elsewhere[np.unique(block[~inside])] |= flag
            grains = (self.place[block] + (at & BLOCK - 1)) // GRAIN
            for number in np.unique(self.owner[block[inside]]).tolist():
                mine = inside & (self.owner[block] == number)
                found.memory[names[number - 1]][np.unique(grains[mine])] |= flag


def page_ports(d: Description) -> list[int]:
    """List the low bytes of the ports whose registers change what memory is seen."""
    ports = set()
    for slot in d.slots:
        for row in slot.ports:
            if slot.card.has_kind(slot.card.registers[row.register], PAGE):
                ports |= {low for low in range(256) if (low ^ row.port) & row.mask & 0xFF == 0}
    return sorted(ports)


class TouchedMachine(Machine):
    """A machine that notes, while it runs, what is touched of it.

    The run is the same to the T-state as without.
    """

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        super().__init__(description, seed, progress)
        m = self.m
        self._names = [slot.name for slot in self.slots]
        sizes = {slot.name: int(m.mem_size[slot.number]) for slot in self.slots}
        self._found = Touched(0.0, {name: np.zeros(size // GRAIN, np.uint8)
                                    for name, size in sizes.items() if size})
        arm(m, [Row(STOP_OUT, low, high) for low, high in _stretches(page_ports(description))])
        self.log(True)
        self._taken = 0

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        m = self.m
        while True:
            before = Map(self)
            m.log_limit, m.hit_count = self._taken + LOG // 2, 0
            try:
                reason = super().run(t_stop)
            finally:
                before.take(self._found, self._names, read_ring(m, self._taken, int(m.log_pos)))
                self._taken = int(m.log_pos)
            if any(c.line.shown_in >= c.line.shown_limit for c in channels(self)):
                return CONSOLE_FULL  # it may have come together with a stop of ours
            if reason not in (LOG_FULL, STOP_HIT):
                return reason

    def touched(self) -> Touched:
        """Tell what was touched so far."""
        m, found = self.m, self._found
        found.seconds = float(self.seconds(int(m.t)))
        reads, writes = np.asarray(m.port_reads).tolist(), np.asarray(m.port_writes).tolist()
        found.ports = {port: (reads[port], writes[port]) for port in range(256)
                       if reads[port] or writes[port]}
        found.interrupts = {slot.name: int(m.int_count[slot.number]) for slot in self.slots
                            if int(m.int_count[slot.number])}
        found.vectors = {v: int(m.vector_count[v]) for v in range(256) if int(m.vector_count[v])}
        return found


def _stretches(ports: list[int]) -> Iterator[tuple[int, int]]:
    """Join neighbours."""
    start = end = -2
    for port in [*ports, 1 << 16]:
        if port != end + 1:
            if start >= 0:
                yield start, end
            start = port
        end = port
