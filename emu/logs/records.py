"""Records of a run: one an instruction, an interrupt's response, an idle fetch in HALT, or a
byte that a card moves while it has the bus.

A `Chunk` is a stretch of a run in columns, complete in itself.  Record k owns the bus
cycles ``first[k]`` to ``first[k + 1] - 1``; the registers before it are row k, those
after it row k + 1.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, BUS_GIVEN, HALTED, NMI_FETCH
from emu.logs import sampler
from emu.logs.cycles import CYCLE, Cycles, lengths
from emu.logs.edges import LINES

# A bus request cuts an instruction in two, BEGUN and CONTINUED, or more; what the card does
# with the bus is DMA.
INSTRUCTION, INTERRUPT, NMI, IDLE, DMA, BEGUN, CONTINUED = range(7)
RECORD_NAMES = ("instruction", "interrupt", "nmi", "halted", "dma", "begun", "continued")

REGISTERS = ("AF", "BC", "DE", "HL", "IX", "IY", "SP", "PC", "AF'", "BC'", "DE'", "HL'")
SP, PC = REGISTERS.index("SP"), REGISTERS.index("PC")

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Chunk:
    """A stretch of a run: n records, c bus cycles, e edges.

    ``t`` and ``first`` have n + 1 items, ``registers`` the shape (n + 1, 12); ``control``
    holds I, IM, IFF1, IFF2 and the prefix as sampler.write_row packs them; ``place`` where
    the code lies (page * 256 + owner).  ``edges`` are rows (half T-state, line, level);
    ``levels`` the lines' levels before the first of them, by line number.
    """

    cycles: Cycles
    t: Ints
    first: Ints
    kind: NDArray[np.uint8]
    place: Ints
    registers: NDArray[np.uint16]
    control: Ints
    edges: Ints
    levels: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def address(self) -> NDArray[np.uint16]:
        """Addresses of the records' first cycles."""
        return np.asarray(self.cycles["address"][self.first[:-1]], np.uint16)

    @property
    def cycle_record(self) -> Ints:
        """Number of the record that each cycle belongs to."""
        return np.repeat(np.arange(len(self)), np.diff(self.first))

    def cut(self, start: int, end: int) -> Chunk:
        """Take the records ``start`` to ``end`` - 1."""
        low, high = int(self.first[start]), int(self.first[end])
        now = np.searchsorted(self.edges[:, 0], 2 * self.t[start])
        then = np.searchsorted(self.edges[:, 0], 2 * self.t[end])
        if end == len(self):
            then = np.int64(len(self.edges))
        if start == 0:
            now = np.int64(0)
        return Chunk(
            self.cycles[low:high], self.t[start:end + 1], self.first[start:end + 1] - low,
            self.kind[start:end], self.place[start:end], self.registers[start:end + 1],
            self.control[start:end + 1], self.edges[now:then], self.levels_after(int(now)))

    def levels_after(self, edges: int | None = None) -> NDArray[np.uint8]:
        """Give the lines' levels after the first so many edges, or all."""
        levels = self.levels.copy()
        for _, line, level in self.edges[:edges].tolist():
            levels[line] = level
        return levels


def any_cycle(chunk: Chunk, chosen: Flags) -> Flags:
    """Tell for each record whether one of its cycles is chosen."""
    if not len(chunk):
        return np.zeros(0, bool)
    found: Flags = np.logical_or.reduceat(chosen, chunk.first[:-1])
    return found


def compact(chunk: Chunk) -> Chunk:
    """Make each stay in HALT one record, with the first of its fetches.

    How many there were is told by the times: see `fetches`.
    """
    idle = chunk.kind == IDLE
    keep = np.ones(len(chunk), bool)
    keep[1:] = ~(idle[1:] & idle[:-1])
    if keep.all():
        return chunk
    states = np.append(keep, True)
    cycles = np.repeat(keep, np.diff(chunk.first))
    own = np.diff(chunk.first)[keep]
    return Chunk(
        chunk.cycles[cycles], chunk.t[states], np.concatenate([[0], np.cumsum(own)]),
        chunk.kind[keep], chunk.place[keep], chunk.registers[states], chunk.control[states],
        chunk.edges, chunk.levels)


def fetches(chunk: Chunk, record: int) -> int:
    """Count the fetches of a stay in HALT: all are of one length."""
    cycle = chunk.first[record]
    return int((chunk.t[record + 1] - chunk.t[record])
               // lengths(chunk.cycles[cycle:cycle + 1])[0])


def total_waits(chunk: Chunk) -> Ints:
    """Sum up the wait states of each record."""
    if not len(chunk):
        return np.zeros(0, np.int64)
    waits: Ints = np.add.reduceat(chunk.cycles["waits"].astype(np.int64), chunk.first[:-1])
    return waits


def registers_of(row: NDArray[np.int64]) -> NDArray[np.uint16]:
    """Unpack the register words of sampler rows: shape (n, WORDS) to (n, 12)."""
    words = row[:, [sampler.W_MAIN, sampler.W_INDEX, sampler.W_ALTERNATE]]
    shifts = np.array([48, 32, 16, 0])
    parts = words[:, :, None] >> shifts & 0xFFFF
    return np.asarray(parts.reshape(len(row), 12), np.uint16)


def build(row: NDArray[np.int64], cycles: Cycles, edges: Ints,
          levels: NDArray[np.uint8]) -> Chunk:
    """Make a chunk of sampler rows: n + 1 of them, the last the state at the end.

    ``cycles`` are those that the rows' log positions span, ``levels`` the lines' levels
    before the first edge.
    """
    registers, control = registers_of(row), row[:, sampler.W_CONTROL]
    first = row[:, sampler.W_LOG] - row[0, sampler.W_LOG]
    opening = cycles["kind"][first[:-1]]
    kind = np.full(len(row) - 1, INSTRUCTION, np.uint8)
    kind[opening == ACK] = INTERRUPT
    kind[opening == NMI_FETCH] = NMI
    kind[opening == HALTED] = IDLE
    cut = control >> sampler.RESUME_SHIFT & 3 != 0
    kind[(kind == INSTRUCTION) & cut[1:]] = BEGUN
    kind[cut[:-1]] = CONTINUED
    kind[opening >= BUS_GIVEN] = DMA
    return Chunk(cycles, row[:, sampler.W_T], first, kind, row[:-1, sampler.W_PLACE],
                 registers, control, edges[np.argsort(edges[:, 0], kind="stable")], levels)


def joined(chunks: list[Chunk]) -> Chunk:
    """Join chunks that follow one another."""
    counts = np.cumsum([0, *(len(c.cycles) for c in chunks)])
    last = chunks[-1]
    return Chunk(
        np.concatenate([c.cycles for c in chunks]),
        np.concatenate([*(c.t[:-1] for c in chunks), last.t[-1:]]),
        np.concatenate([*(c.first[:-1] + n for c, n in zip(chunks, counts[:-1], strict=True)),
                        counts[-1:]]),
        np.concatenate([c.kind for c in chunks]), np.concatenate([c.place for c in chunks]),
        np.concatenate([*(c.registers[:-1] for c in chunks), last.registers[-1:]]),
        np.concatenate([*(c.control[:-1] for c in chunks), last.control[-1:]]),
        np.concatenate([c.edges for c in chunks]), chunks[0].levels)


def control_fields(control: Ints) -> dict[str, Any]:
    """Unpack I, IM, IFF1 and IFF2."""
    return {"I": control >> 8 & 0xFF, "IM": control >> 16 & 3, "IFF1": control >> 20 & 1,
            "IFF2": control >> 21 & 1}


def empty() -> Chunk:
    """Make a chunk without records."""
    return Chunk(np.zeros(0, CYCLE), np.zeros(1, np.int64), np.zeros(1, np.int64),
                 np.zeros(0, np.uint8), np.zeros(0, np.int64), np.zeros((1, 12), np.uint16),
                 np.zeros(1, np.int64), np.zeros((0, 3), np.int64),
                 np.ones(LINES, np.uint8))
