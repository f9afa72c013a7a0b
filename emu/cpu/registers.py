"""Register pairs over the machine record."""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import fetch
from emu.bus.state import A, F
from emu.native.jit import inlined


@inlined
def pair(m, p, xo):
    """Read BC DE HL SP by field p; ``xo`` 4 or 6 puts IX or IY in HL's place."""
    if p == 3:
        return m.sp
    k = p * 2 + (xo if p == 2 else 0)
    return m.r[k & 15] << 8 | m.r[(k + 1) & 15]


@inlined
def set_pair(m, p, xo, value):
    """Write BC DE HL SP by field p."""
    if p == 3:
        m.sp = value
    else:
        k = p * 2 + (xo if p == 2 else 0)
        m.r[k & 15] = value >> 8
        m.r[(k + 1) & 15] = value & 0xFF


@inlined
def set_af(m, value):
    """Put a result with its flags (F in bits 8-15) into A and F; give F."""
    flags = (value >> 8) & 0xFF
    m.r[A] = value & 0xFF
    m.r[F] = flags
    return flags


@inlined
def operand_address(m, t, pc, xo, idle):
    """Give (HL), or (IX+d) and (IY+d) with the displacement read and ``idle`` T-states;
    then the time and PC after it."""
    address = m.r[(4 + xo) & 15] << 8 | m.r[(5 + xo) & 15]
    if xo != 0:
        d, t, pc = fetch(m, t, pc)
        t += idle
        address = (address + d - ((d & 0x80) << 1)) & 0xFFFF
        m.wz = address
    return address, t, pc


@inlined
def signed(d):
    """Read a byte as -128 to 127."""
    return np.int64(d) - ((np.int64(d) & 0x80) << 1)
