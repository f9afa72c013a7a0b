"""Records of a run: one an instruction, an interrupt's response, an idle fetch in HALT, or a
byte that a card moves while it has the bus.

A `Chunk` is a stretch of a run, complete in itself.  Record k owns the bus
cycles ``first[k]`` to ``first[k + 1] - 1``; the registers before it are row k, those
after it row k + 1.
"""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from emu.bus.rows import (
    RESUME_SHIFT,
    W_ALTERNATE,
    W_CONTROL,
    W_INDEX,
    W_LOG,
    W_MAIN,
    W_PLACE,
    W_T,
)
from emu.bus.state import ACK, BUS_GIVEN, HALTED, NMI_FETCH, WORDS
from emu.logs.cycles import Cycles, decode
from emu.logs.kinds import BEGUN, CONTINUED, DMA, IDLE, INSTRUCTION, INTERRUPT, NMI
from emu.logs.lines import LINES

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Chunk:
    """A stretch of a run: n records, c bus cycles, e edges.

    ``rows`` are those of emu/bus/rows.py, one a record and the state at the end; ``words``
    the log entries that they span, see emu/logs/cycles.py.  ``edges`` are rows (half T-state,
    line, level) in the order of time; ``levels`` the lines' levels before the first of them,
    by line number.  The columns are unpacked when they are first asked for: ``t`` and ``first``
    have n + 1 items, ``registers`` the shape (n + 1, 12); ``control`` holds I, IM, IFF1, IFF2
    and the prefix as W_CONTROL does; ``place`` where the code lies (page * 256 + owner).
    """

    rows: Ints
    words: Ints
    edges: Ints
    levels: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.rows) - 1

    @cached_property
    def t(self) -> Ints:
        """T-states at which the records begin, and the end of the last."""
        return self.rows[:, W_T]

    @cached_property
    def first(self) -> Ints:
        """Numbers of the records' first cycles, and the number of cycles."""
        found: Ints = self.rows[:, W_LOG] - self.rows[0, W_LOG]
        return found

    @cached_property
    def place(self) -> Ints:
        """Where the records' code lies."""
        return self.rows[:-1, W_PLACE]

    @cached_property
    def control(self) -> Ints:
        """I, IM, IFF1, IFF2, HALT and the prefix, packed."""
        return self.rows[:, W_CONTROL]

    @cached_property
    def registers(self) -> NDArray[np.uint16]:
        """The registers, in the order of REGISTERS."""
        words = self.rows[:, [W_MAIN, W_INDEX, W_ALTERNATE]]
        parts = words[:, :, None] >> np.array([48, 32, 16, 0]) & 0xFFFF
        return np.asarray(parts.reshape(len(self.rows), 12), np.uint16)

    @cached_property
    def cycles(self) -> Cycles:
        """The bus cycles."""
        return decode(self.words)

    @cached_property
    def kind(self) -> NDArray[np.uint8]:
        """What the records are."""
        opening = self.words[self.first[:-1], 1] >> 24 & 15
        kind: NDArray[np.uint8] = _OPENING[opening]
        cut = self.control >> RESUME_SHIFT & 3 != 0
        if cut.any():
            kind[(kind == INSTRUCTION) & cut[1:]] = BEGUN
            kind[cut[:-1]] = CONTINUED
            kind[opening >= BUS_GIVEN] = DMA
        return kind

    @property
    def address(self) -> NDArray[np.uint16]:
        """Addresses of the records' first cycles."""
        return np.asarray(self.words[self.first[:-1], 1] & 0xFFFF, np.uint16)

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
        return Chunk(self.rows[start:end + 1], self.words[low:high], self.edges[now:then],
                     self.levels_after(int(now)))

    def levels_after(self, edges: int | None = None) -> NDArray[np.uint8]:
        """Give the lines' levels after the first so many edges, or all."""
        levels = self.levels.copy()
        for _, line, level in self.edges[:edges].tolist():
            levels[line] = level
        return levels


_OPENING = np.full(16, INSTRUCTION, np.uint8)
_OPENING[[ACK, NMI_FETCH, HALTED]] = INTERRUPT, NMI, IDLE
_OPENING[BUS_GIVEN:] = DMA


def any_cycle(chunk: Chunk, chosen: Flags) -> Flags:
    """Tell for each record whether one of its cycles is chosen."""
    if not len(chunk):
        return np.zeros(0, bool)
    found: Flags = np.logical_or.reduceat(chosen, chunk.first[:-1])
    return found


def compact(chunk: Chunk) -> Chunk:
    """Make each stay in HALT one record, with the first of its fetches.

    How many there were is told by the times.
    """
    idle = chunk.kind == IDLE
    keep = np.ones(len(chunk), bool)
    keep[1:] = ~(idle[1:] & idle[:-1])
    if keep.all():
        return chunk
    own = np.diff(chunk.first)
    rows = chunk.rows[np.append(keep, True)]
    rows[:, W_LOG] = np.concatenate([[0], np.cumsum(own[keep])])
    return Chunk(rows, chunk.words[np.repeat(keep, own)], chunk.edges, chunk.levels)


def joined(chunks: list[Chunk]) -> Chunk:
    """Join chunks that follow one another."""
    counts = np.cumsum([0, *(len(c.words) for c in chunks)])
    rows = np.concatenate([*(c.rows[:-1] for c in chunks), chunks[-1].rows[-1:]])
    rows[:, W_LOG] = np.concatenate(
        [*(c.first[:-1] + n for c, n in zip(chunks, counts[:-1], strict=True)), counts[-1:]])
    return Chunk(rows, np.concatenate([c.words for c in chunks]),
                 np.concatenate([c.edges for c in chunks]), chunks[0].levels)


def empty() -> Chunk:
    """Make a chunk without records."""
    return Chunk(np.zeros((1, WORDS), np.int64), np.zeros((0, 2), np.int64),
                 np.zeros((0, 3), np.int64), np.ones(LINES, np.uint8))
