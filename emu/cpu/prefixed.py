"""The CB and ED tables.

Each function runs what follows its prefix byte and returns the new Q: F when the
instruction wrote the flags, else 0.  Cycle splits after the CPU manual (UM0080).
"""
from __future__ import annotations

import numpy as np

from emu.bus import fetch, fetch16, inp, m1, outp, pop, rd, wr
from emu.chain import return_from_interrupt
from emu.cpu.alu import SZP, adc16, rotate, sbc16, sub8
from emu.cpu.block import block
from emu.cpu.registers import operand_address, pair, set_af, set_pair
from emu.jit import compiled
from emu.state import A, F


@compiled
def cb(m, xo):
    """Run a CB instruction; DDCB and FDCB come with ``xo`` 4 and 6."""
    if xo != 0:
        address = operand_address(m, xo, 0)
        op = fetch(m)
        m.t += 2
        field = 6
    else:
        op = m1(m)
        field = op & 7
        address = m.r[4] << 8 | m.r[5]
    y = (op >> 3) & 7
    if field == 6:
        v = rd(m, address)
        m.t += 1
    else:
        v = m.r[field]
    q = np.int64(0)
    group = op >> 6
    if group == 1:
        bit = v & (1 << y)
        spare = v
        if field == 6:
            spare = m.wz >> 8
        q = ((m.r[F] & 1) | 0x10 | (bit & 0x80) | (0x44 if bit == 0 else 0) | (spare & 0x28))
        m.r[F] = q
        return q
    if group == 0:
        x = rotate(y, v, m.r[F])
        v = x & 0xFF
        q = x >> 8
        m.r[F] = q
    elif group == 2:
        v &= ~(1 << y)
    else:
        v |= 1 << y
    if field == 6:
        wr(m, address, v)
        if xo != 0 and (op & 7) != 6:
            m.r[op & 7] = v
    else:
        m.r[field] = v
    return q


@compiled
def rrd_rld(m, left):
    """Rotate decimal digits between A and (HL)."""
    address = pair(m, 2, 0)
    v = rd(m, address)
    m.t += 4
    a = m.r[A]
    if left:
        wr(m, address, ((v << 4) | (a & 15)) & 0xFF)
        a = (a & 0xF0) | (v >> 4)
    else:
        wr(m, address, ((a & 15) << 4) | (v >> 4))
        a = (a & 0xF0) | (v & 15)
    m.r[A] = a
    m.wz = (address + 1) & 0xFFFF
    q = (m.r[F] & 1) | np.int64(SZP[a])
    m.r[F] = q
    return q


@compiled
def ed_last_column(m, y):
    """Run ED x7: LD I,A  LD R,A  LD A,I  LD A,R  RRD  RLD."""
    q = np.int64(0)
    if y < 4:
        m.t += 1
        if y == 0:
            m.i = m.r[A]
        elif y == 1:
            m.refresh = m.r[A]
        else:
            v = m.i if y == 2 else m.refresh
            m.r[A] = v
            q = (m.r[F] & 1) | (np.int64(SZP[v]) & 0xF8) | (4 if m.iff2 != 0 else 0)
            m.r[F] = q
            m.after_ld_air = 1
            m.next_event = 0
    elif y < 6:
        q = rrd_rld(m, y == 5)
    return q


@compiled
def ed(m):
    """Run an ED instruction; what the tables leave empty does nothing for 8 T-states."""
    op = m1(m)
    group = op >> 6
    y = (op >> 3) & 7
    z = op & 7
    q = np.int64(0)
    if group == 2 and y >= 4 and z < 4:
        return block(m, op)
    if group != 1:
        return q
    p = y >> 1
    if z == 0:
        port = pair(m, 0, 0)
        v = inp(m, port)
        m.wz = (port + 1) & 0xFFFF
        if y != 6:
            m.r[y] = v
        q = (m.r[F] & 1) | np.int64(SZP[v])
        m.r[F] = q
    elif z == 1:
        port = pair(m, 0, 0)
        v = m.r[y]
        if y == 6:
            v = np.int64(0xFF) if m.cmos == 1 else np.int64(0)
        outp(m, port, v)
        m.wz = (port + 1) & 0xFFFF
    elif z == 2:
        hl = pair(m, 2, 0)
        m.t += 7
        m.wz = (hl + 1) & 0xFFFF
        if y & 1:
            x = adc16(hl, pair(m, p, 0), m.r[F] & 1)
        else:
            x = sbc16(hl, pair(m, p, 0), m.r[F] & 1)
        set_pair(m, 2, 0, x & 0xFFFF)
        q = x >> 16
        m.r[F] = q
    elif z == 3:
        address = fetch16(m)
        m.wz = (address + 1) & 0xFFFF
        if y & 1:
            v = rd(m, address)
            v |= rd(m, m.wz) << 8
            set_pair(m, p, 0, v)
        else:
            v = pair(m, p, 0)
            wr(m, address, v & 0xFF)
            wr(m, m.wz, v >> 8)
    elif z == 4:
        q = set_af(m, sub8(np.int64(0), m.r[A], 0))
    elif z == 5:
        m.pc = pop(m)
        m.wz = m.pc
        m.iff1 = m.iff2
        if op == 0x4D:
            return_from_interrupt(m)
        m.next_event = 0
    elif z == 6:
        k = y & 3
        m.im = k - 1 if k >= 2 else 0
    else:
        q = ed_last_column(m, y)
    return q
