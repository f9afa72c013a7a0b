"""A stretch of a run with every bus cycle: what was executed, read, written, asked."""
from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from emu.machine import Machine
from emu.state import ACK, AT_TIME, FETCH, LOG, LOG_FULL, NMI_FETCH, READ, WRITE

PREFIXES = (0xCB, 0xDD, 0xED, 0xFD)


@contextmanager
def forked(machine: Machine) -> Iterator[Machine]:
    """Let the body change and run the machine; afterwards it is as it was."""
    saved = machine.snapshot()
    try:
        yield machine
    finally:
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
        # the opcode after CB or ED may itself look like a prefix: two in a row end a pair
        for k in np.nonzero(after)[0]:
            if after[k - 1] and data[k - 1] not in (0xDD, 0xFD) and data[k - 2] in (0xCB, 0xED):
                after[k] = False
        return fetches[~after]

    def writes(self, handler: bool | None = None) -> set[int]:
        """Give the addresses written."""
        return set(np.unique(self.address[self.where(WRITE, handler)]).tolist())


def _returns(kind: np.ndarray, data: np.ndarray) -> np.ndarray:
    """Index the second fetch of each RETN or RETI (ED 45, ED 4D and their mirrors)."""
    codes = np.nonzero(kind == FETCH)[0]
    if len(codes) < 2:
        return codes[:0]
    pair = (data[codes[:-1]] == 0xED) & ((data[codes[1:]] & 0xC7) == 0x45)
    return codes[1:][pair]


def mark_handlers(kind: np.ndarray, address: np.ndarray, data: np.ndarray,
                  open_low: int = -1) -> tuple[np.ndarray, int]:
    """Mark the cycles from each acknowledge to its handler's return.

    A handler ends at RETI or RETN, or when the pushed address is read back.  ``open_low``
    is the stack address of a handler that was under way when the log began; the second
    result is the same for what is under way at its end (-1: nothing).
    """
    depth = np.zeros(len(kind), bool)
    ends = _returns(kind, data)
    starts = [(int(k), -1) for k in np.nonzero((kind == ACK) | (kind == NMI_FETCH))[0]]
    if open_low >= 0:
        starts.insert(0, (0, open_low))
    still = -1
    for start, low in starts:
        stop = len(kind) + 1
        later = ends[np.searchsorted(ends, start):]
        if len(later):
            stop = int(later[0]) + 3
        pushes = np.nonzero(kind[start:start + 4] == WRITE)[0]
        if low < 0 and len(pushes) >= 2:
            low = int(address[start + pushes[1]])
        if low >= 0:
            back = np.nonzero((kind[start:stop] == READ) & (address[start:stop] == low))[0]
            if len(back):
                stop = min(stop, start + int(back[0]) + 2)
        depth[start:stop] = True
        still = low if stop > len(kind) else -1
    return depth, still


def decode(machine: Machine, open_low: int = -1) -> tuple[Window, int]:
    """Read the ring of the bus log; the second result is a handler still under way."""
    m = machine.m
    count = min(int(m.log_pos), LOG)
    index = (np.arange(int(m.log_pos) - count, int(m.log_pos)) & (LOG - 1)) * 2
    log = np.asarray(m.log)
    word = log[index + 1]
    kind = (word >> 24) & 15
    address = word & 0xFFFF
    data = (word >> 16) & 0xFF
    depth, still = mark_handlers(kind, address, data, open_low)
    return Window(log[index], kind, address, data, (word >> 36) & 0xFF, depth), still


def windows(machine: Machine, t_states: int, open_low: int = -1) -> Iterator[Window]:
    """Run on for some T-states with every bus cycle, in pieces that fit the ring.

    ``open_low``: stack address of a handler that is under way now, -1 for none.
    """
    m = machine.m
    end = int(m.t) + t_states
    while int(m.t) < end:
        machine.log(True)
        m.log_limit = LOG - 256
        while machine.run(end) not in (AT_TIME, LOG_FULL):
            pass
        window, open_low = decode(machine, open_low)
        yield window
    machine.log(False)


def look(machine: Machine, t_states: int) -> Window:
    """Run on for some T-states and give the last bus cycles, as many as the ring holds."""
    return [*windows(machine, t_states)][-1]


def last_before(machine: Machine, t: int) -> Window:
    """Run to T-state t with the log on; give the last bus cycles, as many as the ring holds."""
    machine.log(True)
    while int(machine.m.t) < t and machine.run(t) != AT_TIME:
        pass
    window, _ = decode(machine)
    machine.log(False)
    return window
