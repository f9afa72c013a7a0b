"""Tell the bus cycles of interrupt handlers from those of the foreground.

A handler begins with an acknowledge (or NMI) and its push, and is over when the pushed
address is taken back.  One that changes stacks to go on with another process is over at
the return that takes an address which it has not pushed itself.
"""
from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from emu.state import ACK, FETCH, NMI_FETCH, READ, WRITE

NESTING = 32  # handlers under way that are told apart


@dataclass
class Depth:
    """The handlers under way, by the stack address of their return address."""

    open: list[int] = field(default_factory=list)

    def mark(self, kind: np.ndarray, address: np.ndarray, data: np.ndarray) -> np.ndarray:
        """Mark the cycles inside handlers; what is still under way at the end is kept."""
        inside = np.zeros(len(kind), bool)
        begins = np.nonzero((kind == ACK) | (kind == NMI_FETCH))[0]
        events = sorted([(int(k), 0) for k in begins] + [(k, 1) for k in _returns(kind, data)])
        since = at = 0
        for k, returns in [*events, (len(kind), 2)]:
            while self.open:
                back = self._taken_back(kind, address, data, at, k)
                if back < 0:
                    break
                if not self.open:
                    inside[since:back + 2] = True
                at = back + 2
            at = max(at, k)
            if returns == 1 and self.open and _switches(kind, address, k, self.open[-1]):
                self.open.pop()
                if not self.open:
                    inside[since:k + 3] = True
            elif returns == 0:
                if not self.open:
                    since = k
                low = _pushed(kind, address, k)
                if low >= 0:
                    self.open = [*self.open[-NESTING + 1:], low]
        if self.open:
            inside[since:] = True
        return inside

    def _taken_back(self, kind: np.ndarray, address: np.ndarray, data: np.ndarray, start: int,
                    stop: int) -> int:
        """Find where a return address is taken; forget it and the ones above it."""
        reads = np.nonzero((kind[start:stop] == READ)
                           & np.isin(address[start:stop], self.open))[0]
        plain = _foreign_return(kind[start:stop], address[start:stop], data[start:stop])
        if len(reads) and (plain < 0 or int(reads[0]) <= plain):
            low = int(address[start + reads[0]])
            del self.open[len(self.open) - 1 - self.open[::-1].index(low):]
            return start + int(reads[0])
        if plain >= 0:
            self.open.pop()
            return start + plain
        return -1


def _returns(kind: np.ndarray, data: np.ndarray) -> list[int]:
    """Index the second fetch of each RETN or RETI (ED 45, ED 4D and their mirrors)."""
    codes = np.nonzero(kind == FETCH)[0]
    if len(codes) < 2:
        return []
    pair = (data[codes[:-1]] == 0xED) & ((data[codes[1:]] & 0xC7) == 0x45)
    return [int(k) for k in codes[1:][pair]]


def _pushed(kind: np.ndarray, address: np.ndarray, k: int) -> int:
    """Give the stack address that an acknowledge has pushed the return address to."""
    pushes = np.nonzero(kind[k:k + 4] == WRITE)[0]
    return int(address[k + pushes[1]]) if len(pushes) >= 2 else -1


def _switches(kind: np.ndarray, address: np.ndarray, k: int, low: int) -> bool:
    """Tell whether the RETI at k takes another address than the handler's own."""
    return k + 1 < len(kind) and kind[k + 1] == READ and int(address[k + 1]) != low


def _foreign_return(kind: np.ndarray, address: np.ndarray, data: np.ndarray) -> int:
    """Find a RET, after SP was loaded, that takes an address which nobody pushed since.

    Gives the index of its first read, or -1.
    """
    fetch = kind == FETCH
    codes = np.nonzero(fetch)[0]
    if len(codes) < 2:
        return -1
    byte = data[codes]
    loads = (byte == 0xF9) | (byte == 0x31)
    loads[1:] |= (byte[1:] == 0x7B) & (byte[:-1] == 0xED)
    if not loads.any():
        return -1
    first = int(codes[np.argmax(loads)])
    for k in codes[(byte == 0xC9) & (codes > first)].tolist():
        if k + 1 < len(kind) and kind[k + 1] == READ:
            written = address[:k][kind[:k] == WRITE]
            if not np.isin(int(address[k + 1]), written):
                return k + 1
    return -1
