"""Decode the bus log: two words an entry become columns, one row a bus cycle.

Word 0 is the T-state of the cycle's T1.  Word 1 holds address (bits 0-15), data (16-23),
kind (24-27), added wait states (28-35), driver (36-43), and R and I as the refresh half
of an opcode fetch puts them on the address bus (44-51, 52-59); see emu/bus/cycles.py.  In a
cycle of a card that has the bus the last are its T-states (44-47) and its early ends (48-51), see
emu/bus/master_cycles.py; in BUS_GIVEN the T-states since /BUSREQ fell; BUS_GIVEN and BUS_BACK
have PC for an address and no byte.
"""
from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import (
    ACK,
    BUS_BACK,
    BUS_GIVEN,
    CONFLICT,
    CPU_DRIVES,
    DMA_IN,
    DMA_OUT,
    DMA_READ,
    DMA_WRITE,
    FETCH,
    HALTED,
    IN,
    LOG,
    NMI_FETCH,
    NOBODY,
    OUT,
    READ,
    SLOTS,
    WRITE,
)

CYCLE = np.dtype([
    ("t", np.int64),  # T-state of T1
    ("address", np.uint16),
    ("refresh", np.uint16),  # I * 256 + R, on the address bus in T3 and T4 of a fetch; or above
    ("data", np.uint8),
    ("kind", np.uint8),  # FETCH ... BUS_BACK of emu/bus/state.py
    ("waits", np.uint8),  # added wait states; of an acknowledge, its own two too
    ("driver", np.uint8),  # slot + 1, NOBODY, CPU_DRIVES or CONFLICT
])

LENGTHS = np.zeros(16, np.int64)  # T-states of a CPU's cycle without its added waits
LENGTHS[[FETCH, READ, WRITE, IN, OUT, ACK, HALTED, NMI_FETCH]] = (4, 3, 3, 4, 4, 4, 4, 5)

Cycles = NDArray[Any]
"""An array of CYCLE rows."""


def decode(words: NDArray[np.int64]) -> Cycles:
    """Make CYCLE rows of log entries: an int64 array, shape (n, 2)."""
    rows = np.empty(len(words), CYCLE)
    word = words[:, 1]
    rows["t"] = words[:, 0]
    rows["address"] = word & 0xFFFF
    rows["data"] = word >> 16 & 0xFF
    rows["kind"] = word >> 24 & 15
    rows["waits"] = word >> 28 & 0xFF
    rows["driver"] = word >> 36 & 0xFF
    rows["refresh"] = word >> 44 & 0xFFFF
    return rows


def ring_words(m: Any, first: int, end: int) -> NDArray[np.int64]:
    """Copy entries ``first`` to ``end`` - 1 of a machine record's ring: shape (n, 2).

    Raises ValueError when the ring no longer holds, or does not hold yet, all of them.
    """
    written = int(m.log_pos)
    if not max(0, written - LOG) <= first <= end <= written:
        raise ValueError(f"the ring does not hold the bus cycles {first} to {end - 1}")
    ring = m.log.reshape(LOG, 2)
    start = first & (LOG - 1)
    count = end - first
    if start + count <= LOG:
        return np.array(ring[start:start + count])
    return np.concatenate([ring[start:], ring[:start + count - LOG]])


def read_ring(m: Any, first: int, end: int) -> Cycles:
    """Decode entries ``first`` to ``end`` - 1 of a machine record's ring; see `ring_words`."""
    return decode(ring_words(m, first, end))


def lengths(cycles: Cycles) -> NDArray[np.int64]:
    """Give each cycle's T-states, waits included, without internal ones behind it."""
    found: NDArray[np.int64] = LENGTHS[cycles["kind"]] + cycles["waits"]
    return found + np.where(is_master(cycles["kind"]), cycles["refresh"] & 15, 0)


def is_master(kind: Any) -> Any:
    """Tell of a kind of cycle, or of many, whether a card that has the bus runs it."""
    return (kind >= DMA_READ) & (kind <= DMA_OUT)


_ALIKE = np.arange(16, dtype=np.uint8)
_ALIKE[[BUS_GIVEN, DMA_READ, DMA_WRITE, DMA_IN, DMA_OUT, BUS_BACK]] = (0, READ, WRITE, IN, OUT, 0)


def kinds_alike(kind: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give each cycle of a card that has the bus the kind of the CPU's like it; 0: no cycle."""
    return _ALIKE[kind]


def of_code(kind: NDArray[np.uint8], address: NDArray[Any]) -> NDArray[np.bool_]:
    """Tell of each cycle whether it brings an instruction: its opcodes and what stands behind."""
    code: NDArray[np.bool_] = kind == FETCH
    behind = np.zeros(len(kind), bool)
    behind[1:] = (kind[1:] == READ) & (address[1:] == address[:-1] + 1)
    for _ in range(3):  # operands follow their opcode, up to three of them
        code[1:] |= behind[1:] & code[:-1]
    return code


def driver_names(slots: list[str]) -> list[str]:
    """Name every driver code, 0 to 255: slot names, "cpu", "conflict", "nobody"."""
    names = ["nobody", *slots[:SLOTS]]
    names += [""] * (256 - len(names))
    names[NOBODY], names[CPU_DRIVES], names[CONFLICT] = "nobody", "cpu", "conflict"
    return names
