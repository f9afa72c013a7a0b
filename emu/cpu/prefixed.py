"""The CB and ED tables.

Each function runs what follows its prefix byte and returns the new Q: F when the
instruction wrote the flags, else 0.  Cycle splits after the CPU manual (UM0080).
"""
from __future__ import annotations

import numpy as np

from emu.bus.chain import return_from_interrupt
from emu.bus.cycles import fetch, fetch16, m1, pop, rd, wr
from emu.bus.port_cycles import inp, outp
from emu.bus.requests import begin_watched
from emu.bus.state import A, F
from emu.cpu.alu import SZP, adc16, rotate, sbc16, sub8
from emu.cpu.block import block
from emu.cpu.registers import operand_address, pair, set_af, set_pair
from emu.cpu.switch import by_opcode
from emu.native.jit import compiled, inlined


@inlined
def bit_operation(m, op, v, spare):
    """Rotate, test, clear or set a bit of a byte; the byte and the new Q."""
    y = (op >> 3) & 7
    group = op >> 6
    q = np.int64(0)
    if group == 0:
        x = rotate(y, v, m.r[F])
        v = x & 0xFF
        q = x >> 8
        m.r[F] = q
    elif group == 1:
        bit = v & (1 << y)
        q = (m.r[F] & 1) | 0x10 | (bit & 0x80) | (0x44 if bit == 0 else 0) | (spare & 0x28)
        m.r[F] = q
    elif group == 2:
        v &= ~(1 << y)
    else:
        v |= 1 << y
    return v, q


@inlined
def cb_step(m, op, xo, last_q, t, pc):
    """Run a CB instruction whose opcode has been fetched; the new Q, time and PC."""
    field = op & 7
    if field != 6:
        v, q = bit_operation(m, op, m.r[field], m.r[field])
        m.r[field] = v
        return q, t, pc
    address = m.r[4] << 8 | m.r[5]
    v, t = rd(m, t, pc, address)
    t += 1
    v, q = bit_operation(m, op, v, m.wz >> 8)
    if op >> 6 != 1:
        t = wr(m, t, pc, address, v)
    return q, t, pc


@compiled
def cb(m):
    """Run a CB instruction; the new Q."""
    op, t, pc = m1(m, m.t, m.pc)
    q, m.t, m.pc = by_opcode(cb_step, m, op, np.int64(0), np.int64(0), t, pc)
    return q


@compiled
def cb_indexed(m, xo):
    """Run a DDCB or FDCB instruction; the new Q."""
    address, t, pc = operand_address(m, m.t, m.pc, xo, 0)
    op, t, pc = fetch(m, t, pc)
    v, t = rd(m, t + 2, pc, address)
    t += 1
    v, q = bit_operation(m, op, v, m.wz >> 8)
    if op >> 6 != 1:
        t = wr(m, t, pc, address, v)
        if (op & 7) != 6:
            m.r[op & 7] = v
    m.t = t
    m.pc = pc
    return q


@compiled
def rrd_rld(m, left):
    """Rotate decimal digits between A and (HL)."""
    address = pair(m, 2, 0)
    v, t = rd(m, m.t, m.pc, address)
    a = m.r[A]
    if left:
        m.t = wr(m, t + 4, m.pc, address, ((v << 4) | (a & 15)) & 0xFF)
        a = (a & 0xF0) | (v >> 4)
    else:
        m.t = wr(m, t + 4, m.pc, address, ((a & 15) << 4) | (v >> 4))
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
            m.refresh_high = m.i << 8 | (m.refresh_high & 0x80)
        elif y == 1:
            m.refresh = m.r[A]
            m.refresh_high = m.i << 8 | (m.r[A] & 0x80)
        else:
            v = m.i if y == 2 else (m.refresh_high & 0x80) | (m.refresh & 0x7F)
            m.r[A] = v
            q = (m.r[F] & 1) | (np.int64(SZP[v]) & 0xF8) | (4 if m.iff2 != 0 else 0)
            m.r[F] = q
            m.after_ld_air = 1
            m.next_event = 0
    elif y < 6:
        q = rrd_rld(m, y == 5)
    return q


@inlined
def ed_port(m, op):
    """Run IN r,(C) and OUT (C),r."""
    if m.wait_wires != 0 and m.bus_watch == 0 and m.ack_bytes == 0:
        begin_watched(m, np.int64(2))
        return np.int64(0)
    y = (op >> 3) & 7
    port = pair(m, 0, 0)
    m.wz = (port + 1) & 0xFFFF
    if (op & 1) == 0:
        v = inp(m, port)
        if y != 6:
            m.r[y] = v
        q = (m.r[F] & 1) | np.int64(SZP[v])
        m.r[F] = q
        return q
    v = m.r[y]
    if y == 6:
        v = np.int64(0xFF) if m.cmos == 1 else np.int64(0)
    outp(m, port, v)
    return np.int64(0)


@inlined
def ed_sum(m, op):
    """Run ADC HL,ss and SBC HL,ss."""
    hl = pair(m, 2, 0)
    m.wz = (hl + 1) & 0xFFFF
    other = pair(m, (op >> 4) & 3, 0)
    if (op & 8) != 0:
        x = adc16(hl, other, m.r[F] & 1)
    else:
        x = sbc16(hl, other, m.r[F] & 1)
    set_pair(m, 2, 0, x & 0xFFFF)
    m.r[F] = x >> 16
    return x >> 16


@inlined
def ed_load(m, op, t, pc):
    """Run LD ss,(nn) and LD (nn),ss; the time and PC after it."""
    p = (op >> 4) & 3
    address, t, pc = fetch16(m, t, pc)
    m.wz = (address + 1) & 0xFFFF
    if (op & 8) != 0:
        low, t = rd(m, t, pc, address)
        high, t = rd(m, t, pc, m.wz)
        set_pair(m, p, 0, low | high << 8)
    else:
        v = pair(m, p, 0)
        t = wr(m, t, pc, address, v & 0xFF)
        t = wr(m, t, pc, m.wz, v >> 8)
    return t, pc


@inlined
def ed_step(m, op, xo, last_q, t, pc):
    """Run an ED instruction whose opcode has been fetched; the new Q, time and PC.

    What the tables leave empty does nothing for 8 T-states.
    """
    group = op >> 6
    y = (op >> 3) & 7
    z = op & 7
    q = np.int64(0)
    if group == 2 and y >= 4 and z < 4:
        m.t = t
        m.pc = pc
        q = block(m, op)
        return q, m.t, m.pc
    if group != 1:
        return q, t, pc
    if z < 2:
        m.t = t
        m.pc = pc
        q = ed_port(m, op)
        t = m.t
        pc = m.pc
    elif z == 2:
        q = ed_sum(m, op)
        t += 7
    elif z == 3:
        t, pc = ed_load(m, op, t, pc)
    elif z == 4:
        q = set_af(m, sub8(np.int64(0), m.r[A], 0))
    elif z == 5:
        pc, t = pop(m, t, pc)
        m.wz = pc
        m.iff1 = m.iff2
        m.next_event = 0
        if op == 0x4D and m.void == 0 and m.ack_bytes == 0:  # chips watch fetches from memory
            m.t = t
            return_from_interrupt(m)
    elif z == 6:
        k = y & 3
        m.im = k - 1 if k >= 2 else 0
    else:
        m.t = t
        m.pc = pc
        q = ed_last_column(m, y)
        t = m.t
    return q, t, pc


@compiled
def ed(m):
    """Run an ED instruction; the new Q."""
    op, t, pc = m1(m, m.t, m.pc)
    q, m.t, m.pc = by_opcode(ed_step, m, op, np.int64(0), np.int64(0), t, pc)
    return q
