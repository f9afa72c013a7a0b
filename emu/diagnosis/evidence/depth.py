"""Tell the bus cycles of interrupt handlers from those of the foreground.

A handler begins with an acknowledge (or NMI) and its push, and is over when the pushed
address is taken back.  One that changes stacks to go on with another process is over at
the return that takes an address which it has not pushed itself.
"""
from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field

import numpy as np

from emu.bus.state import ACK, FETCH, NMI_FETCH, READ, WRITE
from emu.isa.opcodes import ED, ED_LD_SP_FROM_NN, ED_RETURNS, LD_SP_HL, LD_SP_NN, RET

SHORT = 400  # cycles up to which plain Python is quicker
NESTING = 32  # handlers under way that are told apart


@dataclass
class Depth:
    """The handlers under way, by the stack address of their return address."""

    open: list[int] = field(default_factory=list)

    def mark(self, kind: np.ndarray, address: np.ndarray, data: np.ndarray) -> np.ndarray:
        """Mark the cycles inside handlers; what is still under way at the end is kept."""
        inside = np.zeros(len(kind), bool)
        begins = np.nonzero((kind == ACK) | (kind == NMI_FETCH))[0]
        if len(begins) == 0 and not self.open:
            return inside
        log = _Log(kind, address, data)
        events = sorted([(int(k), 0) for k in begins] + [(k, 1) for k in _returns(kind, data)])
        since = at = 0
        for k, returns in [*events, (len(kind), 2)]:
            while self.open:
                back = self._taken_back(log, at, k)
                if back < 0:
                    break
                if not self.open:
                    inside[since:back + 2] = True
                at = back + 2
            at = max(at, k)
            if returns == 1 and self.open and log.switches(k, self.open[-1]):
                self.open.pop()
                if not self.open:
                    inside[since:k + 3] = True
            elif returns == 0:
                if not self.open:
                    since = k
                low = log.pushed(k)
                if low >= 0:
                    self.open = [*self.open[-NESTING + 1:], low]
        if self.open:
            inside[since:] = True
        return inside

    def _taken_back(self, log: _Log, start: int, stop: int) -> int:
        """Find where a return address is taken; forget it and the ones above it."""
        read = log.read_of(self.open, start, stop)
        plain = log.foreign_return(start, stop)
        if read >= 0 and (plain < 0 or read <= plain):
            low = log.address[read]
            del self.open[len(self.open) - 1 - self.open[::-1].index(low):]
            return read
        if plain >= 0:
            self.open.pop()
            return plain
        return -1


class _Log:
    """A window's cycles, as lists for the short looks and arrays for the long ones."""

    def __init__(self, kind: np.ndarray, address: np.ndarray, data: np.ndarray) -> None:
        self.arrays = kind, address, data
        self.kind, self.address = kind.tolist(), address.tolist()
        self.loads = _stack_loads(kind, data)

    def read_of(self, places: list[int], start: int, stop: int) -> int:
        """Find the first read of one of some addresses; -1 when there is none."""
        if stop - start < SHORT:
            kind, address = self.kind, self.address
            return next((j for j in range(start, stop)
                         if kind[j] == READ and address[j] in places), -1)
        kinds, addresses, _ = self.arrays
        found = np.nonzero((kinds[start:stop] == READ)
                           & np.isin(addresses[start:stop], places))[0]
        return start + int(found[0]) if len(found) else -1

    def pushed(self, k: int) -> int:
        """Give the stack address that an acknowledge has pushed the return address to.

        -1 when what it ran in mode 0 has pushed nothing.
        """
        pushes = []
        for j in range(k + 1, min(k + 5, len(self.kind))):  # a CALL on the bus reads twice first
            if self.kind[j] == WRITE:
                pushes.append(j)
            elif self.kind[j] != READ:
                break
        return self.address[pushes[1]] if len(pushes) >= 2 else -1

    def switches(self, k: int, low: int) -> bool:
        """Tell whether the RETI at k takes another address than the handler's own."""
        return k + 1 < len(self.kind) and self.kind[k + 1] == READ and self.address[k + 1] != low

    def foreign_return(self, start: int, stop: int) -> int:
        """Find a RET, after SP was loaded, that takes an address which nobody pushed since.

        Gives the index of its first read, or -1.
        """
        first = bisect_left(self.loads, start)
        if first >= len(self.loads) or self.loads[first] >= stop:
            return -1
        kind, address, data = (a[start:stop] for a in self.arrays)
        loaded = self.loads[first] - start
        for k in np.nonzero((kind == FETCH) & (data == RET))[0].tolist():
            if k > loaded and k + 1 < len(kind) and kind[k + 1] == READ:
                written = address[:k][kind[:k] == WRITE]
                if not np.isin(int(address[k + 1]), written):
                    return start + k + 1
        return -1


def _stack_loads(kind: np.ndarray, data: np.ndarray) -> list[int]:
    """Index the fetches that load SP: LD SP,HL; LD SP,nn; LD SP,(nn)."""
    codes = np.nonzero(kind == FETCH)[0]
    if len(codes) < 2:
        return []
    byte = data[codes]
    loads = (byte == LD_SP_HL) | (byte == LD_SP_NN)
    loads[1:] |= (byte[1:] == ED_LD_SP_FROM_NN) & (byte[:-1] == ED)
    return [int(at) for at in codes[loads]]


def _returns(kind: np.ndarray, data: np.ndarray) -> list[int]:
    """Index the second fetch of each RETN or RETI (ED 45, ED 4D and their mirrors)."""
    codes = np.nonzero(kind == FETCH)[0]
    if len(codes) < 2:
        return []
    pair = (data[codes[:-1]] == ED) & ED_RETURNS[data[codes[1:]]]
    return [int(k) for k in codes[1:][pair]]
