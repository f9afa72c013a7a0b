"""Every instruction's effect as numbers, so that compiled code can follow data through it.

Made from emu/isa/effects.py.  An opcode's row is ``group * 256 + byte``; a place (a register, a
flag, a byte of memory or of a port that the instruction moves) is a bit of a word.
"""
from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from emu.isa.effects import Effect, effect

# The order is that of the machine's ``r`` (emu/bus/state.py) for the first twelve.
PLACES = ("B", "C", "D", "E", "H", "L", "F", "A", "IXH", "IXL", "IYH", "IYL", "FC", "FZ", "SP",
          "I", "R", "B'", "C'", "D'", "E'", "H'", "L'", "A'", "FC'", "FZ'",
          "M0", "M1", "P", "W0", "W1", "O")
PLACE = {name: number for number, name in enumerate(PLACES)}
M0, M1, P, W0, W1, OUT_BYTE = (PLACE[name] for name in ("M0", "M1", "P", "W0", "W1", "O"))
LASTING = (1 << M0) - 1  # the places that an instruction leaves behind it

PLAIN, CB, ED, DD, FD, DDCB, FDCB = range(7)
GROUPS = ((0, 0), (0xCB, 0), (0xED, 0), (0xDD, 0), (0xFD, 0), (0xDD, 0xCB), (0xFD, 0xCB))
ROWS = len(GROUPS) * 256
MOVES = 12

# Bits of a row's flow.
JUMPS, CALLS, RETURNS, INDIRECT, PUSHES, POPS, HALTS, ASKS, LOADS_SP, EXCHANGES = (
    1 << bit for bit in range(10))

FLOW = np.dtype([
    ("count", np.int64), ("target", np.int64, (MOVES,)), ("source", np.int64, (MOVES,)),
    ("pointer", np.int64), ("asks", np.int64), ("operands", np.int64),
    ("flow", np.int64)])


def mask(names: tuple[str, ...]) -> int:
    """Give the bits of places; F stands for both of its parts."""
    return sum(1 << PLACE[name] for name in set(names))


def _flow(group: int, code: int, found: Effect) -> int:
    bits = {"jump": JUMPS, "call": CALLS, "return": RETURNS, "indirect": INDIRECT,
            "halt": HALTS}.get(found.flow, 0)
    stack = "SP" in found.pointer
    writes = any(target == "W0" for target, _ in found.moves)
    reads = any("M0" in sources for _, sources in found.moves)
    if stack and writes and not found.flow:
        bits |= EXCHANGES if reads else PUSHES
    if stack and reads and not writes:
        bits |= POPS
    if found.asks:
        bits |= ASKS
    if any(target == "SP" for target, _ in found.moves) or (
            code == 0x31 and group in (PLAIN, DD, FD)):
        bits |= LOADS_SP
    return bits


@cache
def flow_table() -> NDArray[np.void]:
    """Give the rows of all opcodes, dtype FLOW."""
    table = np.zeros(ROWS, FLOW)
    for group, (prefix, second) in enumerate(GROUPS):
        for code in range(256):
            found = effect(prefix, second, code)
            row = table[group * 256 + code]
            row["count"] = len(found.moves)
            for k, (target, sources) in enumerate(found.moves):
                row["target"][k] = PLACE[target]
                row["source"][k] = mask(sources)
            row["pointer"], row["asks"] = mask(found.pointer), mask(found.asks)
            row["operands"] = found.length - (1 if group == PLAIN else 2)
            row["flow"] = _flow(group, code, found)
    return table
