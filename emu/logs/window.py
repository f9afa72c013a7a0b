"""Cut a run down to what is wanted: from here to there, or the last so many of it."""
from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

import numpy as np

from emu.logs.filters import Filter
from emu.logs.kinds import IDLE
from emu.logs.records import Chunk, Flags, any_cycle, compact, joined
from emu.logs.vcd import VcdWriter
from emu.logs.when import When


class Outlet(Protocol):
    """Where the wanted chunks go."""

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk, which is not empty."""

    def close(self) -> None:
        """Hand on what is held back; no chunk follows."""


Writer = Callable[[Chunk, Flags], None]
"""Takes a chunk and which of its records, or of its cycles, are wanted."""


class Window:
    """The stretch from one point of a run to another; no point: from power-on, to the end."""

    def __init__(self, begin: When | None, end: When | None) -> None:
        self._begin, self._end = begin, end
        self.begun = begin is None
        self.done = False
        self.begin_t = (begin.t or 0) if begin is not None else 0

    def cut(self, chunk: Chunk) -> Chunk | None:
        """Give what of the next chunk lies in the window, None when nothing does."""
        start = 0
        if self.done or not len(chunk):
            return None
        if not self.begun:
            assert self._begin is not None
            found = self._begin.find(chunk, 0)
            if found is None:
                return None
            start, self.begun = found, True
            stop = self._find_end(chunk, start, fresh=True)
        else:
            stop = self._find_end(chunk, 0, fresh=False)
        self.done = stop is not None
        end = len(chunk) if stop is None else stop
        return chunk.cut(start, end) if end > start else None

    def _find_end(self, chunk: Chunk, start: int, fresh: bool) -> int | None:
        """Look for the end; in the record that began the window only a time can end it."""
        if self._end is None:
            return None
        if fresh and self._end.t is None:
            start += 1
        return self._end.find_end(chunk, start) if start < len(chunk) else None


class Choice:
    """Choose what is wanted of a chunk and hand it on, or keep only the last ``last``.

    Without ``by_cycle`` a stay in HALT is one record, however many chunks it fills.
    """

    def __init__(self, writer: Writer, only: Filter | None, by_cycle: bool,
                 last: int | None = None) -> None:
        self._writer, self._only, self._by_cycle, self._last = writer, only, by_cycle, last
        self._idle: Chunk | None = None
        self._kept: deque[tuple[Chunk, Flags, int]] = deque()
        self._count = 0

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk, which is not empty."""
        if self._by_cycle:
            self._choose(chunk)
            return
        whole = compact(chunk if self._idle is None else joined([self._idle, chunk]))
        self._idle, end = None, len(whole)
        if whole.kind[-1] == IDLE:
            end -= 1
            self._idle = whole.cut(end, end + 1)
        if end:
            self._choose(whole.cut(0, end))

    def _choose(self, chunk: Chunk) -> None:
        chosen = self._chosen(chunk)
        if self._last is None:
            self._writer(chunk, chosen)
            return
        own = int(np.count_nonzero(chosen))
        self._kept.append((chunk, chosen, own))
        self._count += own
        while self._kept and self._count - self._kept[0][2] >= self._last:
            self._count -= self._kept.popleft()[2]

    def _chosen(self, chunk: Chunk) -> Flags:
        if self._only is None:
            return np.ones(len(chunk.cycles) if self._by_cycle else len(chunk), bool)
        cycles = self._only(chunk)
        return cycles if self._by_cycle else any_cycle(chunk, cycles)

    def close(self) -> None:
        """Hand on what is held back: a stay in HALT, and the last so many."""
        if self._idle is not None:
            self._choose(self._idle)
            self._idle = None
        surplus = self._count - (self._last or 0)
        for chunk, chosen, own in self._kept:
            drop = np.flatnonzero(chosen)[:max(0, min(surplus, own))]
            chosen[drop] = False
            surplus -= len(drop)
            self._writer(chunk, chosen)
        self._kept.clear()


class Whole:
    """Hand on chunks as they are, for waveforms: all, or those of the last ``last``.

    With ``by_cycle`` bus cycles are counted; the instruction they begin in is kept whole.
    """

    def __init__(self, writer: VcdWriter, by_cycle: bool, last: int | None = None) -> None:
        self._writer, self._by_cycle, self._last = writer, by_cycle, last
        self._kept: deque[Chunk] = deque()
        self._end: int | None = None

    def _size(self, chunk: Chunk) -> int:
        return len(chunk.cycles) if self._by_cycle else len(chunk)

    def take(self, chunk: Chunk) -> None:
        """See Outlet.take."""
        self._end = int(chunk.t[-1])
        if self._last is None:
            self._writer.write(chunk)
            return
        self._kept.append(chunk)
        while sum(map(self._size, self._kept)) - self._size(self._kept[0]) >= self._last:
            self._kept.popleft()

    def close(self) -> None:
        """See Outlet.close."""
        surplus = sum(map(self._size, self._kept)) - (self._last or 0)
        for chunk in self._kept:
            start = 0
            if surplus > 0:
                start = int(chunk.cycle_record[surplus]) if self._by_cycle else surplus
            self._writer.write(chunk.cut(start, len(chunk)))
            surplus = 0
        self._kept.clear()
        self._writer.close(self._end)
