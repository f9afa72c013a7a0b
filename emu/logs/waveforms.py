"""The shape of each bus cycle, half a T-state at a time, after the manual's timing charts.

Half T-states are counted from the rising edge of the cycle's T1: T1 rises at 0, falls at
1, T2 rises at 2, and so on.  A template row is (signal, half T-state, per-wait, level):
the edge comes ``2 * waits`` later when per-wait is 1.  Sources: UM0080 figures "opcode
fetch", "memory read or write", "input or output", "interrupt request/acknowledge",
"non-maskable interrupt request" and "HALT exit"; when a bus is let go after its strobe
is common practice, no source.
"""
from __future__ import annotations

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
from emu.native.jit import inlined

# Signals of an edge.  ADDRESS and DATA carry numbers; DATA -1 is a bus that nobody drives.
(M1, MREQ, IORQ, RD, WR, RFSH, HALT, WAIT, BUSREQ, BUSACK, ADDRESS, DATA, CODE) = range(13)
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "BUSREQ", "BUSACK")
FREE = -1

# Levels of a template that stand for what the cycle carried.
ADDR, REFR, BYTE, OPEN = 10, 11, 12, 13

Row = tuple[int, int, int, int]

_REFRESHING: tuple[Row, ...] = (  # from T3's rise
    (ADDRESS, 4, 1, REFR), (RFSH, 4, 1, 0), (DATA, 5, 1, OPEN), (MREQ, 5, 1, 0),
    (MREQ, 7, 1, 1), (RFSH, 8, 1, 1))
_FETCH: tuple[Row, ...] = (
    (ADDRESS, 0, 0, ADDR), (M1, 0, 0, 0), (MREQ, 1, 0, 0), (RD, 1, 0, 0),
    (DATA, 2, 0, BYTE), (M1, 4, 1, 1), (MREQ, 4, 1, 1), (RD, 4, 1, 1), *_REFRESHING)

TEMPLATES: dict[int, tuple[Row, ...]] = {
    FETCH: _FETCH, HALTED: _FETCH, NMI_FETCH: _FETCH,
    READ: ((ADDRESS, 0, 0, ADDR), (MREQ, 1, 0, 0), (RD, 1, 0, 0), (DATA, 2, 0, BYTE),
           (MREQ, 5, 1, 1), (RD, 5, 1, 1), (DATA, 6, 1, OPEN)),
    WRITE: ((ADDRESS, 0, 0, ADDR), (MREQ, 1, 0, 0), (DATA, 1, 0, BYTE), (WR, 3, 0, 0),
            (MREQ, 5, 1, 1), (WR, 5, 1, 1), (DATA, 6, 1, OPEN)),
    IN: ((ADDRESS, 0, 0, ADDR), (IORQ, 2, 0, 0), (RD, 2, 0, 0), (DATA, 3, 0, BYTE),
         (IORQ, 7, 1, 1), (RD, 7, 1, 1), (DATA, 8, 1, OPEN)),
    OUT: ((ADDRESS, 0, 0, ADDR), (DATA, 1, 0, BYTE), (IORQ, 2, 0, 0), (WR, 2, 0, 0),
          (IORQ, 7, 1, 1), (WR, 7, 1, 1), (DATA, 8, 1, OPEN)),
    ACK: ((ADDRESS, 0, 0, ADDR), (M1, 0, 0, 0), (IORQ, 5, 0, 0), (DATA, 6, 0, BYTE),
          (M1, 4, 1, 1), (IORQ, 4, 1, 1), *_REFRESHING),
}

_MOMENTS: dict[int, tuple[Row, ...]] = {
    BUS_GIVEN: ((BUSACK, 0, 0, 0), (ADDRESS, 0, 0, OPEN)),
    BUS_BACK: ((BUSREQ, 0, 0, 1), (ADDRESS, 2, 0, OPEN), (BUSACK, 3, 0, 1)),
}


SHAPES = 16 + 4 * 256  # kinds of cycle, then those of a card by kind and shape


@inlined
def shape_of(kind: int, refresh: int) -> int:
    """Number a cycle's template by its kind and its refresh field."""
    if DMA_READ <= kind <= DMA_OUT:
        return 16 + (kind - DMA_READ) * 256 + (refresh & 0xFF)
    return kind


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
    return ((ADDRESS, 0, 0, ADDR), (select, begins, 0, 0), (DATA, carries, 0, BYTE),
            (strobe, strobes, 0, 0),
            (select, 2 * length - 1 - (ends & early_select != 0), 1, 1),
            (strobe, 2 * length - 1 - (ends & early_strobe != 0), 1, 1),
            (DATA, 2 * length, 1, OPEN))


_OWN = {DMA_READ: (MREQ, RD, EARLY_MREQ, EARLY_RD), DMA_WRITE: (MREQ, WR, EARLY_MREQ, EARLY_WR),
        DMA_IN: (IORQ, RD, EARLY_IORQ, EARLY_RD), DMA_OUT: (IORQ, WR, EARLY_IORQ, EARLY_WR)}

# When /WAIT falls so that it is low at each sampling edge but the last: T2's fall, in I/O
# the automatic wait state's, in an acknowledge the second one's.
WAIT_FALLS = {IN: 4, OUT: 4, ACK: 6, DMA_IN: 4, DMA_OUT: 4}
OWN_WAITS = {ACK: 2}  # counted in the log, but not asked for by /WAIT
