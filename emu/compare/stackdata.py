"""Tell which bus cycles of a run push to the stack or take from it.

What lies on the stack depends on where an interrupt came; so after one has come elsewhere,
another byte there is a consequence of that, and no difference of its own.
"""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, READ, WRITE
from emu.isa.opcodes import ED, ED_RETURNS, EX_SP_HL, POPS, PUSHES

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
    extended = (before == ED) & (last > 0) & (kinds[last - 1] == FETCH)
    response = seen & (kinds[last] == ACK)
    both = opcode == EX_SP_HL
    taken = np.where(extended, ED_RETURNS[opcode], (POPS[opcode] | both) & ~response)
    pushed = response | ((PUSHES[opcode] | both) & ~extended)
    return np.asarray(seen & (((kinds == READ) & taken) | ((kinds == WRITE) & pushed)))
