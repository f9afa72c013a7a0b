"""Block transfer, search, input and output: ED A0-A3, A8-AB, B0-B3, B8-BB.

A repeated instruction puts PC back and spends 5 T-states; MEMPTR and the spare flags
then come from PC, and block I/O changes H and P/V again.  The manual is silent on
this; it is common knowledge from measurements, held against published vectors.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import rd, wr
from emu.bus.port_cycles import inp, outp
from emu.bus.requests import begin_watched
from emu.bus.state import A, B, F
from emu.cpu.alu import SZ, SZP
from emu.cpu.registers import pair, set_pair
from emu.native.jit import compiled, inlined


@inlined
def again(m):
    """Put PC back for another pass; give the spare flag bits of such a pass."""
    m.t += 5
    m.pc = (m.pc - 2) & 0xFFFF
    m.wz = (m.pc + 1) & 0xFFFF
    return (m.pc >> 8) & 0x28


@inlined
def transfer(m, step):
    """LDI LDD."""
    hl = pair(m, 2, 0)
    de = pair(m, 1, 0)
    bc = (pair(m, 0, 0) - 1) & 0xFFFF
    v, t = rd(m, m.t, m.pc, hl)
    m.t = wr(m, t, m.pc, de, v) + 2
    set_pair(m, 1, 0, (de + step) & 0xFFFF)
    set_pair(m, 2, 0, (hl + step) & 0xFFFF)
    set_pair(m, 0, 0, bc)
    n = (v + m.r[A]) & 0xFF
    q = (m.r[F] & 0xC1) | (n & 8) | ((n << 4) & 0x20) | (4 if bc != 0 else 0)
    m.r[F] = q
    return q


@compiled
def repeat_transfer(m, op, step):
    """Run LDIR or LDDR as long as nothing has to be looked at; the new Q.

    Between two passes it does what the run loop would: the event test, and the fetch of the
    same two bytes, as long as they lie in plain memory and still stand there.  That made
    block copies 2.6 times as fast.
    """
    t = m.t
    pc = m.pc
    hl = pair(m, 2, 0)
    de = pair(m, 1, 0)
    bc = pair(m, 0, 0)
    place = (pc - 2) & 0xFFFF
    again = np.int64(0)
    while True:
        v, t = rd(m, t, pc, hl)
        t = wr(m, t, pc, de, v) + 2
        hl = (hl + step) & 0xFFFF
        de = (de + step) & 0xFFFF
        bc = (bc - 1) & 0xFFFF
        if bc == 0:
            break
        t += 5
        again = 1
        base = m.read_base[place >> 12]
        at = base + (place & 0xFFF)
        if (t >= m.next_event or base < 0 or (place & 0xFFF) == 0xFFF
                or m.phys[np.uint64(at)] != 0xED or m.phys[np.uint64(at + 1)] != op):
            pc = place
            break
        t += 8 + 2 * m.wait_m1[place >> 12]
        m.refresh += 2
        m.instructions += 1
    set_pair(m, 2, 0, hl)
    set_pair(m, 1, 0, de)
    set_pair(m, 0, 0, bc)
    n = (v + m.r[A]) & 0xFF
    q = (m.r[F] & 0xC1) | (n & 8) | ((n << 4) & 0x20) | (4 if bc != 0 else 0)
    if again == 1:
        m.wz = (place + 1) & 0xFFFF
    if bc != 0:
        q = (q & ~0x28) | ((place >> 8) & 0x28)
    m.r[F] = q
    m.t = t
    m.pc = pc
    return q


@inlined
def search(m, step, repeat):
    """CPI CPD CPIR CPDR."""
    hl = pair(m, 2, 0)
    bc = (pair(m, 0, 0) - 1) & 0xFFFF
    v, t = rd(m, m.t, m.pc, hl)
    m.t = t + 5
    a = m.r[A]
    r = (a - v) & 0xFF
    half = ((a ^ v ^ r) >> 4) & 1
    n = (r - half) & 0xFF
    q = ((m.r[F] & 1) | (np.int64(SZ[r]) & 0xC0) | half << 4 | 2 | (n & 8)
         | ((n << 4) & 0x20) | (4 if bc != 0 else 0))
    m.wz = (m.wz + step) & 0xFFFF
    set_pair(m, 2, 0, (hl + step) & 0xFFFF)
    set_pair(m, 0, 0, bc)
    if repeat and bc != 0 and r != 0:
        q = (q & ~0x28) | again(m)
    m.r[F] = q
    return q


@compiled
def repeat_io_flags(m, q, v):
    """Change H and P/V of a block I/O pass that will be repeated."""
    b = m.r[B]
    spare = again(m)
    q = (q & ~0x28) | spare
    if (q & 1) == 0:
        return q ^ ((np.int64(SZP[b & 7]) ^ 4) & 4)
    q &= ~0x10
    if (v & 0x80) != 0:
        q ^= (np.int64(SZP[(b - 1) & 7]) ^ 4) & 4
        if (b & 15) == 0:
            q |= 0x10
    else:
        q ^= (np.int64(SZP[(b + 1) & 7]) ^ 4) & 4
        if (b & 15) == 15:
            q |= 0x10
    return q


@compiled
def block_io(m, step, repeat, output):
    """INI IND INIR INDR OUTI OUTD OTIR OTDR."""
    if m.bus_armed != 0 and m.bus_watch == 0:
        begin_watched(m, np.int64(2))
        return np.int64(0)
    hl = pair(m, 2, 0)
    bc = pair(m, 0, 0)
    m.t += 1
    if output:
        v, m.t = rd(m, m.t, m.pc, hl)
        bc = (bc - 0x100) & 0xFFFF
        outp(m, bc, v)
        m.wz = (bc + step) & 0xFFFF
        k = v + ((hl + step) & 0xFF)
    else:
        v = inp(m, bc)
        m.wz = (bc + step) & 0xFFFF
        bc = (bc - 0x100) & 0xFFFF
        m.t = wr(m, m.t, m.pc, hl, v)
        k = v + (((bc & 0xFF) + step) & 0xFF)
    b = bc >> 8
    m.r[B] = b
    set_pair(m, 2, 0, (hl + step) & 0xFFFF)
    q = (np.int64(SZ[b]) | ((v >> 6) & 2) | (0x11 if k > 255 else 0)
         | (np.int64(SZP[(k & 7) ^ b]) & 4))
    if repeat and b != 0:
        q = repeat_io_flags(m, q, v)
    m.r[F] = q
    return q


@inlined
def block(m, op):
    """Run a block instruction by its opcode."""
    step = -1 if (op & 8) != 0 else 1
    repeat = (op & 0x10) != 0
    kind = op & 3
    if kind == 0:
        return repeat_transfer(m, op, step) if repeat else transfer(m, step)
    if kind == 1:
        return search(m, step, repeat)
    return block_io(m, step, repeat, kind == 3)
