"""The shape of each bus cycle, half a T-state at a time, after the manual's timing charts.

Half T-states are counted from the rising edge of the cycle's T1: T1 rises at 0, falls at
1, T2 rises at 2, and so on.  A template row is (signal, half T-state, per-wait, level):
the edge comes ``2 * waits`` later when per-wait is 1.  Sources: UM0080 figures "opcode
fetch", "memory read or write", "input or output", "interrupt request/acknowledge",
"non-maskable interrupt request" and "HALT exit"; when a bus is let go after its strobe
is common practice, no source.
"""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emu.bus.master_cycles import EARLY_IORQ, EARLY_MREQ, EARLY_RD, EARLY_WR
from emu.bus.state import (
    ACK,
    BUS_BACK,
    BUS_GIVEN,
    DMA_IN,
    DMA_OUT,
    DMA_READ,
    DMA_WRITE,
    FETCH,
    HALTED,
    IN,
    NMI_FETCH,
    OUT,
    READ,
    WRITE,
)
from emu.logs.cycles import is_master
from emu.logs.records import Chunk

# Signals of an edge.  ADDRESS and DATA carry numbers; DATA -1 is a bus that nobody drives.
(M1, MREQ, IORQ, RD, WR, RFSH, HALT, WAIT, BUSREQ, BUSACK, ADDRESS, DATA, CODE) = range(13)
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "BUSREQ", "BUSACK")
FREE = -1

# Levels that stand for what the cycle carried.
_ADDRESS, _REFRESH, _DATA, _FREE = 10, 11, 12, 13

Row = tuple[int, int, int, int]

_REFRESHING: tuple[Row, ...] = (  # from T3's rise
    (ADDRESS, 4, 1, _REFRESH), (RFSH, 4, 1, 0), (DATA, 5, 1, _FREE), (MREQ, 5, 1, 0),
    (MREQ, 7, 1, 1), (RFSH, 8, 1, 1))
_FETCH: tuple[Row, ...] = (
    (ADDRESS, 0, 0, _ADDRESS), (M1, 0, 0, 0), (MREQ, 1, 0, 0), (RD, 1, 0, 0),
    (DATA, 2, 0, _DATA), (M1, 4, 1, 1), (MREQ, 4, 1, 1), (RD, 4, 1, 1), *_REFRESHING)

TEMPLATES: dict[int, tuple[Row, ...]] = {
    FETCH: _FETCH, HALTED: _FETCH, NMI_FETCH: _FETCH,
    READ: ((ADDRESS, 0, 0, _ADDRESS), (MREQ, 1, 0, 0), (RD, 1, 0, 0), (DATA, 2, 0, _DATA),
           (MREQ, 5, 1, 1), (RD, 5, 1, 1), (DATA, 6, 1, _FREE)),
    WRITE: ((ADDRESS, 0, 0, _ADDRESS), (MREQ, 1, 0, 0), (DATA, 1, 0, _DATA), (WR, 3, 0, 0),
            (MREQ, 5, 1, 1), (WR, 5, 1, 1), (DATA, 6, 1, _FREE)),
    IN: ((ADDRESS, 0, 0, _ADDRESS), (IORQ, 2, 0, 0), (RD, 2, 0, 0), (DATA, 3, 0, _DATA),
         (IORQ, 7, 1, 1), (RD, 7, 1, 1), (DATA, 8, 1, _FREE)),
    OUT: ((ADDRESS, 0, 0, _ADDRESS), (DATA, 1, 0, _DATA), (IORQ, 2, 0, 0), (WR, 2, 0, 0),
          (IORQ, 7, 1, 1), (WR, 7, 1, 1), (DATA, 8, 1, _FREE)),
    ACK: ((ADDRESS, 0, 0, _ADDRESS), (M1, 0, 0, 0), (IORQ, 5, 0, 0), (DATA, 6, 0, _DATA),
          (M1, 4, 1, 1), (IORQ, 4, 1, 1), *_REFRESHING),
}

_MOMENTS: dict[int, tuple[Row, ...]] = {
    BUS_GIVEN: ((BUSACK, 0, 0, 0), (ADDRESS, 0, 0, _FREE)),
    BUS_BACK: ((BUSREQ, 0, 0, 1), (ADDRESS, 2, 0, _FREE), (BUSACK, 3, 0, 1)),
}


def template(kind: int, shape: int) -> tuple[Row, ...]:
    """Give the edges of a cycle; ``shape`` is its refresh field, which tells a card's length.

    A card's cycles are drawn as the CPU's are, shortened or lengthened in front of the strobes'
    ends, which come half a T-state sooner where the card is programmed so.
    """
    if kind in _MOMENTS:
        return _MOMENTS[kind]
    if kind not in _OWN:
        return TEMPLATES[kind]
    select, strobe, early_select, early_strobe = _OWN[kind]
    length, ends = shape & 15, shape >> 4 & 15
    begins = min(2 if select == IORQ else 1, 2 * length - 3)
    strobes = min(3, 2 * length - 3) if kind == DMA_WRITE else begins
    carries = 1 if strobe == WR else 2
    return ((ADDRESS, 0, 0, _ADDRESS), (select, begins, 0, 0), (DATA, carries, 0, _DATA),
            (strobe, strobes, 0, 0),
            (select, 2 * length - 1 - (ends & early_select != 0), 1, 1),
            (strobe, 2 * length - 1 - (ends & early_strobe != 0), 1, 1),
            (DATA, 2 * length, 1, _FREE))


_OWN = {DMA_READ: (MREQ, RD, EARLY_MREQ, EARLY_RD), DMA_WRITE: (MREQ, WR, EARLY_MREQ, EARLY_WR),
        DMA_IN: (IORQ, RD, EARLY_IORQ, EARLY_RD), DMA_OUT: (IORQ, WR, EARLY_IORQ, EARLY_WR)}

# When /WAIT falls so that it is low at each sampling edge but the last: T2's fall, in I/O
# the automatic wait state's, in an acknowledge the second one's.
WAIT_FALLS = {IN: 4, OUT: 4, ACK: 6, DMA_IN: 4, DMA_OUT: 4}
OWN_WAITS = {ACK: 2}  # counted in the log, but not asked for by /WAIT

Edges = NDArray[np.int64]
"""Rows (half T-state since power-on, signal, level, cycle), shape (n, 4)."""


def edges(chunk: Chunk) -> Edges:
    """Give every edge of a chunk's bus cycles, in the order of time."""
    kinds, waits = chunk.cycles["kind"], chunk.cycles["waits"].astype(np.int64)
    parts = [_halt_edges(chunk), _request_edges(chunk)]
    shapes = np.where(is_master(kinds), chunk.cycles["refresh"], 0)
    shaped = kinds.astype(np.int64) | shapes.astype(np.int64) << 8
    for both in np.unique(shaped).tolist():
        kind = both & 0xFF
        own = np.flatnonzero(shaped == both)
        start = 2 * chunk.cycles["t"][own]
        for signal, half, per_wait, level in template(kind, both >> 8):
            when = start + half + 2 * per_wait * waits[own]
            parts.append(_rows(when, signal, _levels(chunk, own, level), own))
        parts += _wait_edges(kind, start, waits[own], own)
    joined = np.concatenate(parts)
    return joined[np.argsort(joined[:, 0], kind="stable")]


def _rows(when: NDArray[np.int64], signal: int, level: NDArray[np.int64] | int,
          cycle: NDArray[np.int64]) -> Edges:
    rows = np.empty((len(when), 4), np.int64)
    rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] = when, signal, level, cycle
    return rows


def _levels(chunk: Chunk, own: NDArray[np.int64], level: int) -> NDArray[np.int64] | int:
    if level == _FREE:
        return FREE
    name = {_ADDRESS: "address", _REFRESH: "refresh", _DATA: "data"}.get(level)
    return level if name is None else chunk.cycles[name][own].astype(np.int64)


def _wait_edges(kind: int, start: NDArray[np.int64], waits: NDArray[np.int64],
                own: NDArray[np.int64]) -> list[Edges]:
    asked = waits - OWN_WAITS.get(kind, 0)
    some = asked > 0
    falls = start[some] + WAIT_FALLS.get(kind, 2)
    return [_rows(falls, WAIT, 0, own[some]), _rows(falls + 2 * asked[some], WAIT, 1, own[some])]


def _request_edges(chunk: Chunk) -> Edges:
    """Let /BUSREQ fall as many T-states before the bus is given away as the log says."""
    own = np.flatnonzero(chunk.cycles["kind"] == BUS_GIVEN)
    falls = chunk.cycles["t"][own] - chunk.cycles["refresh"][own].astype(np.int64)
    return _rows(2 * falls, BUSREQ, 0, own)


def _halt_edges(chunk: Chunk) -> Edges:
    """Let /HALT fall at T4's fall of the fetch of HALT, and rise with the response."""
    halted = chunk.control >> 22 & 1
    enters = np.flatnonzero((halted[1:] == 1) & (halted[:-1] == 0))
    leaves = np.flatnonzero((halted[1:] == 0) & (halted[:-1] == 1))
    fetch = chunk.first[enters + 1] - 1
    falls = 2 * chunk.cycles["t"][fetch] + 7 + 2 * chunk.cycles["waits"][fetch].astype(np.int64)
    return np.concatenate([
        _rows(falls, HALT, 0, fetch),
        _rows(2 * chunk.t[leaves], HALT, 1, chunk.first[leaves])])
