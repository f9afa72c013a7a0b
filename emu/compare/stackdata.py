"""Tell which bus cycles of a run push to the stack or take from it.

What lies on the stack depends on where an interrupt came; so after one has come elsewhere,
another byte there is a consequence of that, and no difference of its own.
"""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, READ, WRITE

# Opcodes, UM0080: POP, RET, RET cc; PUSH, CALL, CALL cc, RST; EX (SP),HL does both.
TAKES = np.zeros(256, bool)
PUSHES = np.zeros(256, bool)
TAKES[[0xC9, 0xE3, *range(0xC1, 0x100, 0x10), *range(0xC0, 0x100, 8)]] = True
PUSHES[[0xCD, 0xE3, *range(0xC5, 0x100, 0x10), *range(0xC4, 0x100, 8),
        *range(0xC7, 0x100, 8)]] = True
RETURNS = np.zeros(256, bool)  # behind ED: RETN, RETI and their mirrors
RETURNS[range(0x45, 0x80, 8)] = True
ALONE = -1  # no opcode has been seen yet


def on_stack(cycles: np.ndarray) -> NDArray[np.bool_]:
    """Mark the reads and writes of stack instructions and of interrupts' responses."""
    kinds = cycles["kind"]
    data = cycles["data"].astype(np.int64)
    opens = (kinds == FETCH) | (kinds == ACK)
    last = np.maximum.accumulate(np.where(opens, np.arange(len(cycles)), ALONE))
    seen = last >= 0
    opcode = np.where(seen, data[last], 0)
    before = np.where(last > 0, data[last - 1], 0)
    extended = (before == 0xED) & (last > 0) & (kinds[last - 1] == FETCH)
    response = seen & (kinds[last] == ACK)
    taken = np.where(extended, RETURNS[opcode], TAKES[opcode] & ~response)
    pushed = response | (PUSHES[opcode] & ~extended)
    return np.asarray(seen & (((kinds == READ) & taken) | ((kinds == WRITE) & pushed)))
