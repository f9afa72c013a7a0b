"""Classes of opcodes, once for all who look at what the CPU fetched.

Source: UM0080, the tables of opcodes; the mirrors behind ED are undocumented and common
knowledge.  The tables have a row a byte of an opcode, for numpy's look-ups as for single ones.
"""
from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

CB, DD, ED, FD = 0xCB, 0xDD, 0xED, 0xFD
PREFIXES = (CB, DD, ED, FD)

RET, CALL, JP, HALT, DI, EI, NOP = 0xC9, 0xCD, 0xC3, 0x76, 0xF3, 0xFB, 0x00
JR, EX_SP_HL, JP_HL, LD_SP_HL, LD_SP_NN = 0x18, 0xE3, 0xE9, 0xF9, 0x31
JR_BACK_TO_HALT = (0x18, 0xFD)  # JR to the byte before it
LD_NN_A, LD_NN_HL, EX_AF, EXX = 0x32, 0x22, 0x08, 0xD9
OUT_N_A, IN_A_N = 0xD3, 0xDB
PUSH = (0xC5, 0xD5, 0xE5, 0xF5)
LD_RR_NN = (0x01, 0x11, 0x21)
# Behind ED.
RETI = 0x4D
LD_A_I, LD_A_R = 0x57, 0x5F
ED_LD_SP_FROM_NN, ED_LD_NN_FROM_SP = 0x7B, 0x73
ED_LD_NN_FROM_RR = (0x43, 0x53, 0x63, 0x73)
IM_0_AND_1 = (0x46, 0x4E, 0x66, 0x6E, 0x56, 0x76)
OUT_C_R = tuple(range(0x41, 0x80, 8))
OUT_BLOCK = (0xA3, 0xB3, 0xAB, 0xBB)  # OUTI, OTIR, OUTD, OTDR
RELATIVE = (0x10, 0x18, 0x20, 0x28, 0x30, 0x38)  # DJNZ, JR, JR cc
REPEATS = (0xB0, 0xB1, 0xB2, 0xB3, 0xB8, 0xB9, 0xBA, 0xBB)


def _table(codes: Iterable[int]) -> NDArray[np.bool_]:
    table = np.zeros(256, bool)
    table[list(codes)] = True
    return table


RETURNS = _table([RET, *range(0xC0, 0x100, 8)])  # RET and RET cc
POPS = _table([*np.nonzero(RETURNS)[0], *range(0xC1, 0x100, 0x10)])
CALLS = _table([CALL, *range(0xC4, 0x100, 8), *range(0xC7, 0x100, 8)])  # CALL cc and RST too
CALLS_NN = _table([CALL, *range(0xC4, 0x100, 8)])
PUSHES = _table([*np.nonzero(CALLS)[0], *PUSH])
BRANCHES = _table([0x10, 0x20, 0x28, 0x30, 0x38,  # DJNZ, JR cc, RET cc, JP cc, CALL cc
                   *(0xC0 | cc << 3 | kind for cc in range(8) for kind in (0, 2, 4))])
ED_RETURNS = _table(range(0x45, 0x80, 8))  # RETN, RETI and their mirrors
ED_REPEATS = _table(REPEATS)
