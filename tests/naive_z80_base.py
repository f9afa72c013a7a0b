"""Unprefixed instructions of the naive Z80 twin; with DD or FD in force HL is IX or IY."""

from collections.abc import Callable

from naive_z80_flags import (
    C,
    P,
    S,
    X,
    Y,
    Z,
    add16,
    alu8,
    daa,
    dec8,
    inc8,
    make_flags,
    rotate_accumulator,
)
from naive_z80_machine import REGISTER_CODES, Machine
from naive_z80_patterns import Row

MEMORY = 6  # the register code that means (HL)


# --- loads and exchanges ---

def nop(m: Machine) -> None:
    """Do nothing."""


def ld_r_r(m: Machine, d: int, s: int) -> None:
    # With (IX+d) as one side, H and L on the other side are the plain ones.
    if s == MEMORY:
        m.put(REGISTER_CODES[d], m.read(m.memory_operand()))
    elif d == MEMORY:
        m.write(m.memory_operand(), m.get(REGISTER_CODES[s]))
    else:
        m.put(m.register_name(d), m.get(m.register_name(s)))


def ld_r_n(m: Machine, d: int) -> None:
    m.put(m.register_name(d), m.operand8())


def ld_mem_n(m: Machine) -> None:
    if m.index == "hl":
        address, value = m.get("hl"), m.operand8()
    else:  # the sum IX+d is made while n is read: 3 T for d, 5 T for n
        address = m.indexed(m.operand8())
        value = m.operand8()
        m.idle(2)
    m.write(address, value)


def ld_pair_nn(m: Machine, p: int) -> None:
    m.put(m.pair_name(p, "sp"), m.operand16())


def ld_at_pair_a(m: Machine, p: int) -> None:
    address, a = m.get(("bc", "de")[p]), m.get("a")
    m.write(address, a)
    m.put("wz", a * 256 + (address + 1) % 256)


def ld_a_at_pair(m: Machine, p: int) -> None:
    address = m.get(("bc", "de")[p])
    m.put("a", m.read(address))
    m.put("wz", (address + 1) % 65536)


def ld_at_nn_hl(m: Machine) -> None:
    address = m.operand16()
    m.write16(address, m.get(m.index))
    m.put("wz", (address + 1) % 65536)


def ld_hl_at_nn(m: Machine) -> None:
    address = m.operand16()
    m.put(m.index, m.read16(address))
    m.put("wz", (address + 1) % 65536)


def ld_at_nn_a(m: Machine) -> None:
    address, a = m.operand16(), m.get("a")
    m.write(address, a)
    m.put("wz", a * 256 + (address + 1) % 256)


def ld_a_at_nn(m: Machine) -> None:
    address = m.operand16()
    m.put("a", m.read(address))
    m.put("wz", (address + 1) % 65536)


def ld_sp_hl(m: Machine) -> None:
    m.idle(2)
    m.put("sp", m.get(m.index))


def push(m: Machine, q: int) -> None:
    m.idle(1)
    m.push(m.get(m.pair_name(q, "af")))


def pop(m: Machine, q: int) -> None:
    m.put(m.pair_name(q, "af"), m.pop())


def exchange(m: Machine, one: str, other: str) -> None:
    first, second = m.get(one), m.get(other)
    m.put(one, second)
    m.put(other, first)


def ex_af(m: Machine) -> None:
    exchange(m, "af", "af_")


def exx(m: Machine) -> None:
    for pair in ("bc", "de", "hl"):
        exchange(m, pair, pair + "_")


def ex_de_hl(m: Machine) -> None:
    exchange(m, "de", "hl")  # a prefix does not reach this one


def ex_at_sp_hl(m: Machine) -> None:
    sp = m.get("sp")
    old = m.get(m.index)
    word = m.read16(sp)
    m.idle(1)
    m.write((sp + 1) % 65536, old // 256)
    m.write(sp, old % 256)
    m.idle(2)
    m.put(m.index, word)
    m.put("wz", word)


# --- arithmetic ---

def alu(m: Machine, o: int, value: int) -> None:
    a, f = alu8(o, m.get("a"), value, m.get("f"))
    m.put("a", a)
    m.set_flags(f)


def alu_r(m: Machine, o: int, s: int) -> None:
    value = m.read(m.memory_operand()) if s == MEMORY else m.get(m.register_name(s))
    alu(m, o, value)


def alu_n(m: Machine, o: int) -> None:
    alu(m, o, m.operand8())


def step_r(m: Machine, d: int, operation: Callable[[int, int], tuple[int, int]]) -> None:
    if d == MEMORY:
        address = m.memory_operand()
        value, f = operation(m.read(address), m.get("f"))
        m.idle(1)
        m.write(address, value)
    else:
        name = m.register_name(d)
        value, f = operation(m.get(name), m.get("f"))
        m.put(name, value)
    m.set_flags(f)


def inc_r(m: Machine, d: int) -> None:
    step_r(m, d, inc8)


def dec_r(m: Machine, d: int) -> None:
    step_r(m, d, dec8)


def inc_pair(m: Machine, p: int) -> None:
    m.idle(2)
    name = m.pair_name(p, "sp")
    m.put(name, (m.get(name) + 1) % 65536)


def dec_pair(m: Machine, p: int) -> None:
    m.idle(2)
    name = m.pair_name(p, "sp")
    m.put(name, (m.get(name) - 1) % 65536)


def add_hl_pair(m: Machine, p: int) -> None:
    m.idle(7)
    old = m.get(m.index)
    result, f = add16(old, m.get(m.pair_name(p, "sp")), m.get("f"))
    m.put("wz", (old + 1) % 65536)
    m.put(m.index, result)
    m.set_flags(f)


def rotate_a(m: Machine, k: int) -> None:
    a, f = rotate_accumulator(k, m.get("a"), m.get("f"))
    m.put("a", a)
    m.set_flags(f)


def decimal_adjust(m: Machine) -> None:
    a, f = daa(m.get("a"), m.get("f"))
    m.put("a", a)
    m.set_flags(f)


def cpl(m: Machine) -> None:
    a, f = 255 - m.get("a"), m.get("f")
    m.put("a", a)
    m.set_flags(make_flags(s=f & S, z=f & Z, p=f & P, c=f & C, h=1, n=1, y=a & Y, x=a & X))


def carry_yx(m: Machine) -> int:
    """Give Y and X of SCF/CCF: A alone after an instruction that set flags, else A or F."""
    if m.previous_q:
        return m.get("a")
    return m.get("a") | m.get("f")


def scf(m: Machine) -> None:
    f, yx = m.get("f"), carry_yx(m)
    m.set_flags(make_flags(s=f & S, z=f & Z, p=f & P, c=1, y=yx & Y, x=yx & X))


def ccf(m: Machine) -> None:
    f, yx = m.get("f"), carry_yx(m)
    m.set_flags(make_flags(
        s=f & S, z=f & Z, p=f & P, h=f & C, c=not f & C, y=yx & Y, x=yx & X))


# --- jumps, calls, the rest ---

def jump_relative(m: Machine, taken: bool) -> None:
    displacement = m.operand8()
    if taken:
        m.idle(5)
        signed = displacement - 256 if displacement >= 128 else displacement
        target = (m.get("pc") + signed) % 65536
        m.put("pc", target)
        m.put("wz", target)


def djnz(m: Machine) -> None:
    m.idle(1)
    b = (m.get("b") - 1) % 256
    m.put("b", b)
    jump_relative(m, b != 0)


def jr(m: Machine) -> None:
    jump_relative(m, True)


def jr_cc(m: Machine, c: int) -> None:
    jump_relative(m, m.condition(c))


def jump_absolute(m: Machine, taken: bool) -> None:
    target = m.operand16()
    m.put("wz", target)
    if taken:
        m.put("pc", target)


def jp(m: Machine) -> None:
    jump_absolute(m, True)


def jp_cc(m: Machine, c: int) -> None:
    jump_absolute(m, m.condition(c))


def jp_hl(m: Machine) -> None:
    m.put("pc", m.get(m.index))


def call_absolute(m: Machine, taken: bool) -> None:
    target = m.operand16()
    m.put("wz", target)
    if taken:
        m.idle(1)
        m.push(m.get("pc"))
        m.put("pc", target)


def call(m: Machine) -> None:
    call_absolute(m, True)


def call_cc(m: Machine, c: int) -> None:
    call_absolute(m, m.condition(c))


def ret(m: Machine) -> None:
    target = m.pop()
    m.put("pc", target)
    m.put("wz", target)


def ret_cc(m: Machine, c: int) -> None:
    m.idle(1)
    if m.condition(c):
        ret(m)


def rst(m: Machine, t: int) -> None:
    m.idle(1)
    m.push(m.get("pc"))
    m.put("pc", t * 8)
    m.put("wz", t * 8)


def di(m: Machine) -> None:
    m.put("iff1", 0)
    m.put("iff2", 0)


def ei(m: Machine) -> None:
    m.put("iff1", 1)
    m.put("iff2", 1)
    m.put("ei", 1)


def in_a_n(m: Machine) -> None:
    port = m.get("a") * 256 + m.operand8()
    m.put("a", m.port_read(port))
    m.put("wz", (port + 1) % 65536)


def out_n_a(m: Machine) -> None:
    a, low = m.get("a"), m.operand8()
    m.port_write(a * 256 + low, a)
    m.put("wz", a * 256 + (low + 1) % 256)


ROWS: tuple[Row, ...] = (
    ("00000000", "NOP", nop),
    ("00001000", "EX AF,AF'", ex_af),
    ("00010000", "DJNZ e", djnz),
    ("00011000", "JR e", jr),
    ("001cc000", "JR {c},e", jr_cc),
    ("00pp0001", "LD {p},nn", ld_pair_nn),
    ("00pp1001", "ADD HL,{p}", add_hl_pair),
    ("00100010", "LD (nn),HL", ld_at_nn_hl),
    ("00101010", "LD HL,(nn)", ld_hl_at_nn),
    ("00110010", "LD (nn),A", ld_at_nn_a),
    ("00111010", "LD A,(nn)", ld_a_at_nn),
    ("00pp0010", "LD ({p}),A", ld_at_pair_a),
    ("00pp1010", "LD A,({p})", ld_a_at_pair),
    ("00pp0011", "INC {p}", inc_pair),
    ("00pp1011", "DEC {p}", dec_pair),
    ("00ddd100", "INC {d}", inc_r),
    ("00ddd101", "DEC {d}", dec_r),
    ("00110110", "LD (HL),n", ld_mem_n),
    ("00ddd110", "LD {d},n", ld_r_n),
    ("000kk111", "{k}A", rotate_a),
    ("00100111", "DAA", decimal_adjust),
    ("00101111", "CPL", cpl),
    ("00110111", "SCF", scf),
    ("00111111", "CCF", ccf),
    ("01110110", "HALT", nop),  # the vectors leave PC after HALT; the halt state is not an opcode
    ("01dddsss", "LD {d},{s}", ld_r_r),
    ("10ooosss", "{o}{s}", alu_r),
    ("11ccc000", "RET {c}", ret_cc),
    ("11qq0001", "POP {q}", pop),
    ("11001001", "RET", ret),
    ("11011001", "EXX", exx),
    ("11101001", "JP (HL)", jp_hl),
    ("11111001", "LD SP,HL", ld_sp_hl),
    ("11ccc010", "JP {c},nn", jp_cc),
    ("11000011", "JP nn", jp),
    ("11010011", "OUT (n),A", out_n_a),
    ("11011011", "IN A,(n)", in_a_n),
    ("11100011", "EX (SP),HL", ex_at_sp_hl),
    ("11101011", "EX DE,HL", ex_de_hl),
    ("11110011", "DI", di),
    ("11111011", "EI", ei),
    ("11ccc100", "CALL {c},nn", call_cc),
    ("11qq0101", "PUSH {q}", push),
    ("11001101", "CALL nn", call),
    ("11ooo110", "{o}n", alu_n),
    ("11ttt111", "RST {t}", rst),
    ("11xxx011", "prefix", nop),  # CB: taken before decoding
    ("11xxx101", "prefix", nop),  # DD, ED, FD: taken before decoding
)
