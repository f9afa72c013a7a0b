"""The run loop: fetch, decode, execute.

Decoding is by the opcode's bit fields (x = bits 7-6, y = 5-3, z = 2-0), inside this
one function; a function an instruction would cost three times the time.  The prefixes
DD and FD put IX or IY in HL's place by an offset into the register file (``xo``), and
every instruction that has no use for them runs as without.
"""
from __future__ import annotations

import numpy as np

from emu.bus import fetch, fetch16, inp, m1, outp, pop, push, rd, wr
from emu.cpu.alu import add16, alu, condition, daa, dec8, inc8, rotate_a
from emu.cpu.interrupts import count_rst38, service
from emu.cpu.prefixed import cb, ed
from emu.cpu.registers import operand_address, pair, set_af, set_pair, signed
from emu.jit import INT, root
from emu.state import MACHINE, A, F


@root(MACHINE, INT)
def run(m, t_stop):
    """Run until ``t_stop`` or until something asks to leave; the number of instructions."""
    m.t_stop = t_stop
    m.next_event = 0
    m.exit_reason = 0
    count = np.int64(0)
    q = m.q
    while True:
        xo = np.int64(0)
        if m.t >= m.next_event:
            m.q = q
            op = service(m)
            if op < 0:
                break
            q = m.q
            xo = m.prefix
            m.prefix = 0
        else:
            op = m1(m)
        if (op & 0xDF) == 0xDD:
            xo = np.int64(4) if op == 0xDD else np.int64(6)
            op = m1(m)
            if (op & 0xDF) == 0xDD:  # a run of prefixes: the last one counts
                m.prefix = np.int64(4) if op == 0xDD else np.int64(6)
                m.next_event = 0
                continue
        last_q = q
        q = np.int64(0)
        x = op >> 6
        y = (op >> 3) & 7
        z = op & 7
        if x == 1:
            if op == 0x76:
                m.halted = 1
                m.next_event = 0
            elif z == 6:
                address = operand_address(m, xo, 5)
                m.r[y] = rd(m, address)
            elif y == 6:
                address = operand_address(m, xo, 5)
                wr(m, address, m.r[z])
            else:
                to = y + xo if (y & 6) == 4 else y
                come = z + xo if (z & 6) == 4 else z
                m.r[to & 15] = m.r[come & 15]
        elif x == 2:
            if z == 6:
                v = rd(m, operand_address(m, xo, 5))
            else:
                come = z + xo if (z & 6) == 4 else z
                v = m.r[come & 15]
            q = set_af(m, alu(m.r[A], m.r[F], y, v))
        elif x == 0:
            p = y >> 1
            if z == 0:
                if y == 1:
                    v = m.r[A]
                    m.r[A] = m.alt[A]
                    m.alt[A] = v
                    v = m.r[F]
                    m.r[F] = m.alt[F]
                    m.alt[F] = v
                elif y >= 2:
                    taken = True
                    if y == 2:
                        m.t += 1
                        v = (m.r[0] - 1) & 0xFF
                        m.r[0] = v
                        taken = v != 0
                    elif y >= 4:
                        taken = condition(y - 4, m.r[F])
                    d = fetch(m)
                    if taken:
                        m.t += 5
                        m.pc = (m.pc + signed(d)) & 0xFFFF
                        m.wz = m.pc
            elif z == 1:
                if y & 1:
                    v = pair(m, 2, xo)
                    m.t += 7
                    m.wz = (v + 1) & 0xFFFF
                    v = add16(v, pair(m, p, xo), m.r[F])
                    set_pair(m, 2, xo, v & 0xFFFF)
                    q = v >> 16
                    m.r[F] = q
                else:
                    set_pair(m, p, xo, fetch16(m))
            elif z == 2:
                if y < 4:
                    address = pair(m, p, 0)
                    if y & 1:
                        m.r[A] = rd(m, address)
                        m.wz = (address + 1) & 0xFFFF
                    else:
                        wr(m, address, m.r[A])
                        m.wz = ((address + 1) & 0xFF) | m.r[A] << 8
                else:
                    address = fetch16(m)
                    m.wz = (address + 1) & 0xFFFF
                    if y == 4:
                        v = pair(m, 2, xo)
                        wr(m, address, v & 0xFF)
                        wr(m, m.wz, v >> 8)
                    elif y == 5:
                        v = rd(m, address)
                        v |= rd(m, m.wz) << 8
                        set_pair(m, 2, xo, v)
                    elif y == 6:
                        wr(m, address, m.r[A])
                        m.wz = ((address + 1) & 0xFF) | m.r[A] << 8
                    else:
                        m.r[A] = rd(m, address)
            elif z == 3:
                m.t += 2
                step = -1 if (y & 1) else 1
                set_pair(m, p, xo, (pair(m, p, xo) + step) & 0xFFFF)
            elif z == 4 or z == 5:
                if y == 6:
                    address = operand_address(m, xo, 5)
                    v = rd(m, address)
                    m.t += 1
                    v = inc8(v, m.r[F]) if z == 4 else dec8(v, m.r[F])
                    wr(m, address, v & 0xFF)
                else:
                    to = (y + xo if (y & 6) == 4 else y) & 15
                    v = inc8(m.r[to], m.r[F]) if z == 4 else dec8(m.r[to], m.r[F])
                    m.r[to] = v & 0xFF
                q = v >> 8
                m.r[F] = q
            elif z == 6:
                if y == 6:
                    address = operand_address(m, xo, 0)
                    v = fetch(m)
                    if xo != 0:
                        m.t += 2
                    wr(m, address, v)
                else:
                    to = (y + xo if (y & 6) == 4 else y) & 15
                    m.r[to] = fetch(m)
            else:
                a = m.r[A]
                f = m.r[F]
                if y < 4:
                    q = set_af(m, rotate_a(y, a, f))
                elif y == 4:
                    q = set_af(m, daa(a, f))
                elif y == 5:
                    a ^= 0xFF
                    m.r[A] = a
                    q = (f & 0xC5) | 0x12 | (a & 0x28)
                    m.r[F] = q
                else:
                    spare = ((last_q ^ f) | a) & 0x28
                    if y == 6:
                        q = (f & 0xC4) | 1 | spare
                    else:
                        q = (f & 0xC4) | ((f & 1) ^ 1) | ((f & 1) << 4) | spare
                    m.r[F] = q
        elif z == 0:
            m.t += 1
            if condition(y, m.r[F]):
                m.pc = pop(m)
                m.wz = m.pc
        elif z == 1:
            p = y >> 1
            if (y & 1) == 0:
                v = pop(m)
                if p == 3:
                    m.r[A] = v >> 8
                    m.r[F] = v & 0xFF
                else:
                    set_pair(m, p, xo, v)
            elif p == 0:
                m.pc = pop(m)
                m.wz = m.pc
            elif p == 1:
                for k in range(6):
                    v = m.r[k]
                    m.r[k] = m.alt[k]
                    m.alt[k] = v
            elif p == 2:
                m.pc = pair(m, 2, xo)
            else:
                m.t += 2
                m.sp = pair(m, 2, xo)
        elif z == 2:
            m.wz = fetch16(m)
            if condition(y, m.r[F]):
                m.pc = m.wz
        elif z == 3:
            if y == 0:
                m.wz = fetch16(m)
                m.pc = m.wz
            elif y == 1:
                q = cb(m, xo)
            elif y == 2:
                v = fetch(m)
                m.wz = ((v + 1) & 0xFF) | m.r[A] << 8
                outp(m, m.r[A] << 8 | v, m.r[A])
            elif y == 3:
                address = m.r[A] << 8 | fetch(m)
                m.wz = (address + 1) & 0xFFFF
                m.r[A] = inp(m, address)
            elif y == 4:
                v = rd(m, m.sp)
                v |= rd(m, (m.sp + 1) & 0xFFFF) << 8
                m.t += 1
                old = pair(m, 2, xo)
                wr(m, (m.sp + 1) & 0xFFFF, old >> 8)
                wr(m, m.sp, old & 0xFF)
                m.t += 2
                m.wz = v
                set_pair(m, 2, xo, v)
            elif y == 5:
                for k in range(2):
                    v = m.r[2 + k]
                    m.r[2 + k] = m.r[4 + k]
                    m.r[4 + k] = v
            elif y == 6:
                m.iff1 = 0
                m.iff2 = 0
            else:
                m.iff1 = 1
                m.iff2 = 1
                m.after_ei = 1
                m.next_event = 0
        elif z == 4:
            m.wz = fetch16(m)
            if condition(y, m.r[F]):
                m.t += 1
                push(m, m.pc)
                m.pc = m.wz
        elif z == 5:
            p = y >> 1
            if (y & 1) == 0:
                m.t += 1
                if p == 3:
                    push(m, m.r[A] << 8 | m.r[F])
                else:
                    push(m, pair(m, p, xo))
            elif p == 0:
                m.wz = fetch16(m)
                m.t += 1
                push(m, m.pc)
                m.pc = m.wz
            elif p == 2:
                q = ed(m)
        elif z == 6:
            q = set_af(m, alu(m.r[A], m.r[F], y, fetch(m)))
        else:
            m.t += 1
            if y == 7:
                count_rst38(m)
            push(m, m.pc)
            m.pc = y * 8
            m.wz = m.pc
        count += 1
    m.q = q
    m.instructions += count
    return count
