"""The run loop: fetch, decode, execute.

Decoding is by the opcode's bit fields (x = bits 7-6, y = 5-3, z = 2-0).  The prefixes
DD and FD put IX or IY in HL's place by an offset into the register file (``xo``), and
every instruction that has no use for them runs as without.

While an instruction runs, the time and PC are local variables, ``t`` and ``pc``, handed
to the bus cycles and back: kept in the record they made every cycle wait for the one
before.  ``m.t`` and ``m.pc`` are set before whatever looks at them is called.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import fetch, fetch16, m1, m1_first, pop, push, rd, wr
from emu.bus.port_cycles import inp, outp
from emu.bus.requests import begin_watched
from emu.bus.state import MACHINE, A, F
from emu.cpu.alu import add16, alu, condition, daa, dec8, inc8, rotate_a
from emu.cpu.interrupts import count_rst38, service
from emu.cpu.prefixed import cb, cb_indexed, ed
from emu.cpu.registers import operand_address, pair, set_af, set_pair, signed
from emu.cpu.switch import by_opcode
from emu.native.jit import INT, compiled, inlined, root


@inlined
def swap(m, j, k):
    """Exchange two registers."""
    v = m.r[j]
    m.r[j] = m.r[k]
    m.r[k] = v


@inlined
def swap_alternate(m, k):
    """Exchange a register with its alternate."""
    v = m.r[k]
    m.r[k] = m.alt[k]
    m.alt[k] = v


@inlined
def quarter_0(m, op, xo, last_q, t, pc):
    """Run opcodes 00-3F; the new Q, time and PC."""
    y = (op >> 3) & 7
    z = op & 7
    p = y >> 1
    q = np.int64(0)
    if z == 0:
        if y == 1:
            swap_alternate(m, A)
            swap_alternate(m, F)
        elif y >= 2:
            taken = True
            if y == 2:
                t += 1
                v = (m.r[0] - 1) & 0xFF
                m.r[0] = v
                taken = v != 0
            elif y >= 4:
                taken = condition(y - 4, m.r[F])
            d, t, pc = fetch(m, t, pc)
            if taken:
                t += 5
                pc = (pc + signed(d)) & 0xFFFF
                m.wz = pc
    elif z == 1:
        if y & 1:
            v = pair(m, 2, xo)
            t += 7
            m.wz = (v + 1) & 0xFFFF
            v = add16(v, pair(m, p, xo), m.r[F])
            set_pair(m, 2, xo, v & 0xFFFF)
            q = v >> 16
            m.r[F] = q
        else:
            v, t, pc = fetch16(m, t, pc)
            set_pair(m, p, xo, v)
    elif z == 2:
        t, pc = load_indirect(m, y, p, xo, t, pc)
    elif z == 3:
        t += 2
        step = -1 if (y & 1) else 1
        set_pair(m, p, xo, (pair(m, p, xo) + step) & 0xFFFF)
    elif z == 4 or z == 5:
        if y == 6:
            address, t, pc = operand_address(m, t, pc, xo, 5)
            v, t = rd(m, t, pc, address)
            v = inc8(v, m.r[F]) if z == 4 else dec8(v, m.r[F])
            t = wr(m, t + 1, pc, address, v & 0xFF)
        else:
            to = (y + xo if (y & 6) == 4 else y) & 15
            v = inc8(m.r[to], m.r[F]) if z == 4 else dec8(m.r[to], m.r[F])
            m.r[to] = v & 0xFF
        q = v >> 8
        m.r[F] = q
    elif z == 6:
        if y == 6:
            address, t, pc = operand_address(m, t, pc, xo, 0)
            v, t, pc = fetch(m, t, pc)
            if xo != 0:
                t += 2
            t = wr(m, t, pc, address, v)
        else:
            to = (y + xo if (y & 6) == 4 else y) & 15
            m.r[to], t, pc = fetch(m, t, pc)
    else:
        q = accumulator(m, y, last_q)
    return q, t, pc


@inlined
def load_indirect(m, y, p, xo, t, pc):
    """Run LD through (BC), (DE) and (nn); the time and PC after it."""
    if y < 4:
        address = pair(m, p, 0)
        if y & 1:
            m.r[A], t = rd(m, t, pc, address)
            m.wz = (address + 1) & 0xFFFF
        else:
            t = wr(m, t, pc, address, m.r[A])
            m.wz = ((address + 1) & 0xFF) | m.r[A] << 8
    else:
        address, t, pc = fetch16(m, t, pc)
        m.wz = (address + 1) & 0xFFFF
        if y == 4:
            v = pair(m, 2, xo)
            t = wr(m, t, pc, address, v & 0xFF)
            t = wr(m, t, pc, m.wz, v >> 8)
        elif y == 5:
            low, t = rd(m, t, pc, address)
            high, t = rd(m, t, pc, m.wz)
            set_pair(m, 2, xo, low | high << 8)
        elif y == 6:
            t = wr(m, t, pc, address, m.r[A])
            m.wz = ((address + 1) & 0xFF) | m.r[A] << 8
        else:
            m.r[A], t = rd(m, t, pc, address)
    return t, pc


@inlined
def accumulator(m, y, last_q):
    """Run RLCA RRCA RLA RRA DAA CPL SCF CCF; the new Q."""
    a = m.r[A]
    f = m.r[F]
    if y < 4:
        return set_af(m, rotate_a(y, a, f))
    if y == 4:
        return set_af(m, daa(a, f))
    if y == 5:
        a ^= 0xFF
        m.r[A] = a
        q = (f & 0xC5) | 0x12 | (a & 0x28)
    else:
        spare = ((last_q ^ f) | a) & 0x28
        if y == 6:
            q = (f & 0xC4) | 1 | spare
        else:
            q = (f & 0xC4) | ((f & 1) ^ 1) | ((f & 1) << 4) | spare
    m.r[F] = q
    return q


@inlined
def load(m, op, xo, t, pc):
    """Run opcodes 40-7F: LD r,r and HALT; the time and PC after it."""
    y = (op >> 3) & 7
    z = op & 7
    if op == 0x76:
        m.halted = 1
        m.next_event = 0
    elif z == 6:
        address, t, pc = operand_address(m, t, pc, xo, 5)
        m.r[y], t = rd(m, t, pc, address)
    elif y == 6:
        address, t, pc = operand_address(m, t, pc, xo, 5)
        t = wr(m, t, pc, address, m.r[z])
    else:
        to = y + xo if (y & 6) == 4 else y
        come = z + xo if (z & 6) == 4 else z
        m.r[to & 15] = m.r[come & 15]
    return t, pc


@inlined
def quarter_3(m, op, xo, t, pc):
    """Run opcodes C0-FF; the new Q, time and PC."""
    y = (op >> 3) & 7
    z = op & 7
    p = y >> 1
    q = np.int64(0)
    if z == 0:
        t += 1
        if condition(y, m.r[F]):
            pc, t = pop(m, t, pc)
            m.wz = pc
    elif z == 1:
        if (y & 1) == 0:
            v, t = pop(m, t, pc)
            if p == 3:
                m.r[A] = v >> 8
                m.r[F] = v & 0xFF
            else:
                set_pair(m, p, xo, v)
        elif p == 0:
            pc, t = pop(m, t, pc)
            m.wz = pc
        elif p == 1:
            swap_alternate(m, 0)
            swap_alternate(m, 1)
            swap_alternate(m, 2)
            swap_alternate(m, 3)
            swap_alternate(m, 4)
            swap_alternate(m, 5)
        elif p == 2:
            pc = pair(m, 2, xo)
        else:
            t += 2
            m.sp = pair(m, 2, xo)
    elif z == 2:
        address, t, pc = fetch16(m, t, pc)
        m.wz = address
        if condition(y, m.r[F]):
            pc = address
    elif z == 3:
        q, t, pc = quarter_3_column_3(m, y, xo, t, pc)
    elif z == 4:
        address, t, pc = fetch16(m, t, pc)
        m.wz = address
        if condition(y, m.r[F]):
            t = push(m, t + 1, pc, pc)
            pc = address
    elif z == 5:
        if (y & 1) == 0:
            v = m.r[A] << 8 | m.r[F] if p == 3 else pair(m, p, xo)
            t = push(m, t + 1, pc, v)
        elif p == 0:
            address, t, pc = fetch16(m, t, pc)
            m.wz = address
            t = push(m, t + 1, pc, pc)
            pc = address
        elif p == 2:
            m.t = t
            m.pc = pc
            q = ed(m)
            t = m.t
            pc = m.pc
    elif z == 6:
        v, t, pc = fetch(m, t, pc)
        q = set_af(m, alu(m.r[A], m.r[F], y, v))
    else:
        t += 1
        if y == 7:
            m.t = t
            m.pc = pc
            count_rst38(m)
        t = push(m, t, pc, pc)
        pc = y * 8
        m.wz = pc
    return q, t, pc


@inlined
def quarter_3_column_3(m, y, xo, t, pc):
    """Run opcodes C3 CB D3 DB E3 EB F3 FB; the new Q, time and PC."""
    q = np.int64(0)
    if y == 0:
        pc, t, _ = fetch16(m, t, pc)
        m.wz = pc
    elif y == 1:
        m.t = t
        m.pc = pc
        q = cb(m) if xo == 0 else cb_indexed(m, xo)
        t = m.t
        pc = m.pc
    elif (y == 2 or y == 3) and m.wait_wires != 0 and m.bus_watch == 0 and m.ack_bytes == 0:
        m.t = t
        m.pc = pc
        begin_watched(m, np.int64(1))
        t = m.t
        pc = m.pc
    elif y == 2:
        v, m.t, pc = fetch(m, t, pc)
        m.pc = pc
        m.wz = ((v + 1) & 0xFF) | m.r[A] << 8
        outp(m, m.r[A] << 8 | v, m.r[A])
        t = m.t
    elif y == 3:
        v, m.t, pc = fetch(m, t, pc)
        m.pc = pc
        address = m.r[A] << 8 | v
        m.wz = (address + 1) & 0xFFFF
        m.r[A] = inp(m, address)
        t = m.t
    elif y == 4:
        sp = m.sp
        low, t = rd(m, t, pc, sp)
        high, t = rd(m, t, pc, (sp + 1) & 0xFFFF)
        old = pair(m, 2, xo)
        t = wr(m, t + 1, pc, (sp + 1) & 0xFFFF, old >> 8)
        t = wr(m, t, pc, sp, old & 0xFF) + 2
        m.wz = low | high << 8
        set_pair(m, 2, xo, m.wz)
    elif y == 5:
        swap(m, 2, 4)
        swap(m, 3, 5)
    elif y == 6:
        m.iff1 = 0
        m.iff2 = 0
    else:
        m.iff1 = 1
        m.iff2 = 1
        m.after_ei = 1
        m.next_event = 0
    return q, t, pc


@inlined
def execute(m, op, xo, last_q, t, pc):
    """Run an instruction whose opcode has been fetched; the new Q, time and PC."""
    x = op >> 6
    q = np.int64(0)
    if x == 0:
        q, t, pc = quarter_0(m, op, xo, last_q, t, pc)
    elif x == 1:
        t, pc = load(m, op, xo, t, pc)
    elif x == 2:
        if (op & 7) == 6:
            address, t, pc = operand_address(m, t, pc, xo, 5)
            v, t = rd(m, t, pc, address)
        else:
            come = (op & 7) + xo if (op & 6) == 4 else op & 7
            v = m.r[come & 15]
        q = set_af(m, alu(m.r[A], m.r[F], (op >> 3) & 7, v))
    else:
        q, t, pc = quarter_3(m, op, xo, t, pc)
    return q, t, pc


@compiled
def indexed(m, op, xo, last_q):
    """Run what follows a DD or FD prefix, its opcode fetched; the new Q."""
    if (op & 0xDF) == 0xDD:  # a run of prefixes: the last one counts
        m.prefix = np.int64(4) if op == 0xDD else np.int64(6)
        m.next_event = 0
        m.instructions -= 1
        return last_q
    q, m.t, m.pc = by_opcode(execute, m, op, xo, last_q, m.t, m.pc)
    return q


@inlined
def step(m, op, xo, last_q, t, pc):
    """Run an instruction or prefix whose opcode has been fetched; the new Q, time and PC."""
    if (op & 0xDF) == 0xDD:
        xo = np.int64(4) if op == 0xDD else np.int64(6)
        op, m.t, m.pc = m1(m, t, pc)
        q = indexed(m, op, xo, last_q)
        return q, m.t, m.pc
    return execute(m, op, xo, last_q, t, pc)


@compiled
def after_prefix(m, op, last_q):
    """Run an opcode that was fetched after a run of prefixes; the new Q."""
    xo = m.prefix
    m.prefix = 0
    if (op & 0xDF) == 0xDD:
        xo = np.int64(4) if op == 0xDD else np.int64(6)
        op, m.t, m.pc = m1(m, m.t, m.pc)
    return indexed(m, op, xo, last_q)


@root(MACHINE, INT)
def run(m, t_stop):
    """Run until ``t_stop`` or until something asks to leave; the number of instructions."""
    m.t_stop = t_stop
    m.next_event = 0
    m.exit_reason = 0
    m.refresh_high = m.i << 8 | (m.refresh & 0x80)
    before = m.instructions
    count = np.int64(0)
    q = m.q
    t = m.t
    pc = m.pc
    while True:
        if t >= m.next_event:
            m.q = q
            m.t = t
            m.pc = pc
            op = service(m)
            q = m.q
            if op < 0:
                break
            t = m.t
            pc = m.pc
            if m.prefix != 0:
                q = after_prefix(m, op, q)
                t = m.t
                pc = m.pc
                count += 1
                continue
        else:
            op, t, pc = m1_first(m, t, pc)
            if op < 0:
                continue  # a stop has set next_event to 0
        q, t, pc = by_opcode(step, m, op, np.int64(0), q, t, pc)
        count += 1
    m.refresh = (m.refresh_high & 0x80) | (m.refresh & 0x7F)
    m.q = q
    m.instructions += count
    return m.instructions - before
