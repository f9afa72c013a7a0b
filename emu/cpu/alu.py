"""Arithmetic and flags: pure functions; a result with its flags comes as one number.

8-bit results carry F in bits 8-15, 16-bit results in bits 16-23.  Flag bits: S 80h,
Z 40h, Y 20h (copy of bit 5), H 10h, X 08h (copy of bit 3), P/V 04h, N 02h, C 01h.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined


def _tables() -> tuple[np.ndarray, np.ndarray]:
    """Make S, Z, Y, X of each byte, without and with even parity in P/V."""
    plain = np.zeros(256, np.uint8)
    parity = np.zeros(256, np.uint8)
    for byte in range(256):
        plain[byte] = (byte & 0xA8) | (0x40 if byte == 0 else 0)
        parity[byte] = plain[byte] | (0 if byte.bit_count() & 1 else 4)
    return plain, parity


SZ, SZP = _tables()


@inlined
def add8(a, v, c):
    """Add two bytes and a carry."""
    s = a + v + c
    r = s & 0xFF
    return r | (np.int64(SZ[r]) | (s >> 8) | ((a ^ v ^ s) & 0x10)
                | (((a ^ s) & (v ^ s) & 0x80) >> 5)) << 8


@inlined
def sub8(a, v, c):
    """Take a byte and a borrow from a byte."""
    s = a - v - c
    r = s & 0xFF
    return r | (np.int64(SZ[r]) | 2 | ((s >> 8) & 1) | ((a ^ v ^ s) & 0x10)
                | (((a ^ v) & (a ^ s) & 0x80) >> 5)) << 8


@inlined
def compare(a, v):
    """Compare: A stays, flags of the difference, Y and X from the operand."""
    flags = sub8(a, v, 0) >> 8
    return a | ((flags & ~0x28) | (v & 0x28)) << 8


@inlined
def alu(a, f, y, v):
    """Run ADD ADC SUB SBC AND XOR OR CP, by the opcode's field y."""
    if y == 0:
        return add8(a, v, 0)
    if y == 1:
        return add8(a, v, f & 1)
    if y == 2:
        return sub8(a, v, 0)
    if y == 3:
        return sub8(a, v, f & 1)
    if y == 4:
        r = a & v
        return r | (np.int64(SZP[r]) | 0x10) << 8
    if y == 5:
        r = a ^ v
        return r | np.int64(SZP[r]) << 8
    if y == 6:
        r = a | v
        return r | np.int64(SZP[r]) << 8
    return compare(a, v)


@inlined
def inc8(v, f):
    """Add one; C stays."""
    r = (v + 1) & 0xFF
    return r | ((f & 1) | np.int64(SZ[r]) | (0x10 if (r & 15) == 0 else 0)
                | (4 if r == 0x80 else 0)) << 8


@inlined
def dec8(v, f):
    """Take one; C stays."""
    r = (v - 1) & 0xFF
    return r | ((f & 1) | np.int64(SZ[r]) | 2 | (0x10 if (v & 15) == 0 else 0)
                | (4 if v == 0x80 else 0)) << 8


@inlined
def add16(a, b, f):
    """ADD HL,ss: S, Z and P/V stay."""
    s = a + b
    return (s & 0xFFFF) | ((f & 0xC4) | ((s >> 8) & 0x28) | (s >> 16)
                           | (((a ^ b ^ s) >> 8) & 0x10)) << 16


@inlined
def adc16(a, b, c):
    """ADC HL,ss."""
    s = a + b + c
    r = s & 0xFFFF
    return r | (((r >> 8) & 0xA8) | (0x40 if r == 0 else 0) | (s >> 16)
                | (((a ^ b ^ s) >> 8) & 0x10) | (((a ^ s) & (b ^ s) & 0x8000) >> 13)) << 16


@inlined
def sbc16(a, b, c):
    """SBC HL,ss."""
    s = a - b - c
    r = s & 0xFFFF
    return r | (((r >> 8) & 0xA8) | (0x40 if r == 0 else 0) | 2 | ((s >> 16) & 1)
                | (((a ^ b ^ s) >> 8) & 0x10) | (((a ^ b) & (a ^ s) & 0x8000) >> 13)) << 16


@inlined
def rotate(y, v, f):
    """Run RLC RRC RL RR SLA SRA SLL SRL, by the opcode's field y."""
    if y == 0:
        c = v >> 7
        r = ((v << 1) | c) & 0xFF
    elif y == 1:
        c = v & 1
        r = (v >> 1) | (c << 7)
    elif y == 2:
        c = v >> 7
        r = ((v << 1) | (f & 1)) & 0xFF
    elif y == 3:
        c = v & 1
        r = (v >> 1) | ((f & 1) << 7)
    elif y == 4:
        c = v >> 7
        r = (v << 1) & 0xFF
    elif y == 5:
        c = v & 1
        r = (v >> 1) | (v & 0x80)
    elif y == 6:
        c = v >> 7
        r = ((v << 1) | 1) & 0xFF
    else:
        c = v & 1
        r = v >> 1
    return r | (np.int64(SZP[r]) | c) << 8


@inlined
def rotate_a(y, a, f):
    """RLCA RRCA RLA RRA: as rotate, but S, Z and P/V stay."""
    x = rotate(y, a, f)
    r = x & 0xFF
    return r | ((f & 0xC4) | (r & 0x28) | ((x >> 8) & 1)) << 8


@compiled
def daa(a, f):
    """Correct A after decimal arithmetic."""
    carry = f & 1
    amount = 0
    if (f & 0x10) != 0 or (a & 15) > 9:
        amount = 6
    if carry == 1 or a > 0x99:
        amount |= 0x60
        carry = 1
    r = (a - amount) & 0xFF if (f & 2) != 0 else (a + amount) & 0xFF
    return r | (np.int64(SZP[r]) | carry | (f & 2) | ((a ^ r) & 0x10)) << 8


@inlined
def condition(y, f):
    """Tell whether NZ Z NC C PO PE P M holds, by the opcode's field y."""
    k = y >> 1
    if k == 0:
        bit = (f >> 6) & 1
    elif k == 1:
        bit = f & 1
    elif k == 2:
        bit = (f >> 2) & 1
    else:
        bit = f >> 7
    return bit == (y & 1)
