"""ED group of the naive Z80 twin: block, input/output, 16-bit and interrupt-mode instructions.

Flags of the block input/output group and of a repeating pass are undocumented in UM0080; they
follow published hardware studies (from memory) and are held against the single-step vectors.
"""

from collections.abc import Callable

from naive_z80_base import MEMORY, nop, ret
from naive_z80_flags import C, H, N, P, S, X, Y, Z, adc16, even_parity, make_flags, sbc16, sub8
from naive_z80_machine import REGISTER_CODES, Machine
from naive_z80_patterns import Row

Block = Callable[[Machine, int, bool], None]


def pair(code: int) -> str:
    return ("bc", "de", "hl", "sp")[code]


# --- input and output through C ---

def in_r_c(m: Machine, d: int) -> None:
    port, f = m.get("bc"), m.get("f")
    value = m.port_read(port)
    m.put("wz", (port + 1) % 65536)
    if d != MEMORY:  # code 6 only sets flags
        m.put(REGISTER_CODES[d], value)
    m.set_flags(make_flags(
        s=value >= 128, z=value == 0, p=even_parity(value), c=f & C, y=value & Y, x=value & X))


def out_c_r(m: Machine, s: int) -> None:
    port = m.get("bc")
    undefined = 0xFF if m.cmos else 0x00  # code 6: NMOS parts drive 0, CMOS parts FFh
    m.port_write(port, undefined if s == MEMORY else m.get(REGISTER_CODES[s]))
    m.put("wz", (port + 1) % 65536)


# --- 16-bit arithmetic and loads ---

def with_hl(m: Machine, p: int, operation: Callable[[int, int, int], tuple[int, int]]) -> None:
    m.idle(7)
    hl = m.get("hl")
    result, f = operation(hl, m.get(pair(p)), m.get("f"))
    m.put("wz", (hl + 1) % 65536)
    m.put("hl", result)
    m.set_flags(f)


def sbc_hl(m: Machine, p: int) -> None:
    with_hl(m, p, sbc16)


def adc_hl(m: Machine, p: int) -> None:
    with_hl(m, p, adc16)


def ld_at_nn_pair(m: Machine, p: int) -> None:
    address = m.operand16()
    m.write16(address, m.get(pair(p)))
    m.put("wz", (address + 1) % 65536)


def ld_pair_at_nn(m: Machine, p: int) -> None:
    address = m.operand16()
    m.put(pair(p), m.read16(address))
    m.put("wz", (address + 1) % 65536)


# --- accumulator ---

def neg(m: Machine) -> None:
    a, f = sub8(0, m.get("a"))
    m.put("a", a)
    m.set_flags(f)


def ld_i_a(m: Machine) -> None:
    m.idle(1)
    m.put("i", m.get("a"))


def ld_r_a(m: Machine) -> None:
    m.idle(1)
    m.put("r", m.get("a"))


def ld_a_from(m: Machine, name: str) -> None:
    """LD A,I and LD A,R: P/V takes IFF2 (UM0080 p.92)."""
    m.idle(1)
    a, f = m.get(name), m.get("f")
    m.put("a", a)
    m.put("p", 1)
    m.set_flags(make_flags(
        s=a >= 128, z=a == 0, p=m.get("iff2"), c=f & C, y=a & Y, x=a & X))


def ld_a_i(m: Machine) -> None:
    ld_a_from(m, "i")


def ld_a_r(m: Machine) -> None:
    ld_a_from(m, "r")


def rotate_digits(m: Machine, to_left: bool) -> None:
    """RLD and RRD: turn the three digits A low, (HL) high, (HL) low by one place."""
    hl, a, f = m.get("hl"), m.get("a"), m.get("f")
    high, low = divmod(m.read(hl), 16)
    m.idle(4)
    kept, digit = divmod(a, 16)
    if to_left:
        digit, high, low = high, low, digit
    else:
        digit, high, low = low, digit, high
    m.write(hl, high * 16 + low)
    a = kept * 16 + digit
    m.put("a", a)
    m.put("wz", (hl + 1) % 65536)
    m.set_flags(make_flags(
        s=a >= 128, z=a == 0, p=even_parity(a), c=f & C, y=a & Y, x=a & X))


def rld(m: Machine) -> None:
    rotate_digits(m, to_left=True)


def rrd(m: Machine) -> None:
    rotate_digits(m, to_left=False)


# --- interrupts ---

def retn(m: Machine) -> None:
    ret(m)
    m.put("iff1", m.get("iff2"))


def im(m: Machine, v: int) -> None:
    m.put("im", (0, 0, 1, 2)[v % 4])


# --- blocks: opcode bit 3 is the direction, bit 4 repeats ---

def step_pair(m: Machine, name: str, direction: int) -> None:
    m.put(name, (m.get(name) + direction) % 65536)


def repeat(m: Machine) -> None:
    """Put PC back on the ED byte: 5 T; MEMPTR is PC+1, and Y and X come from PC's high byte."""
    m.idle(5)
    pc = m.instruction_address
    m.put("pc", pc)
    m.put("wz", (pc + 1) % 65536)
    f = m.get("f")
    m.set_flags(f - (f & (Y | X)) + ((pc // 256) & (Y | X)))


def block_load(m: Machine, direction: int, repeats: bool) -> None:
    value = m.read(m.get("hl"))
    m.write(m.get("de"), value)
    m.idle(2)
    step_pair(m, "hl", direction)
    step_pair(m, "de", direction)
    step_pair(m, "bc", -1)
    f, more, total = m.get("f"), m.get("bc") != 0, value + m.get("a")
    m.set_flags(make_flags(
        s=f & S, z=f & Z, p=more, c=f & C, y=total & 0x02, x=total & 0x08))
    if repeats and more:
        repeat(m)


def block_compare(m: Machine, direction: int, repeats: bool) -> None:
    a, f = m.get("a"), m.get("f")
    value = m.read(m.get("hl"))
    m.idle(5)
    step_pair(m, "hl", direction)
    step_pair(m, "bc", -1)
    step_pair(m, "wz", direction)
    more = m.get("bc") != 0
    result, compared = sub8(a, value)
    half = bool(compared & H)
    shown = result - half  # Y and X: bits 1 and 3 of A - (HL) - H
    m.set_flags(make_flags(
        s=result >= 128, z=result == 0, h=half, p=more, n=1, c=f & C,
        y=shown & 0x02, x=shown & 0x08))
    if repeats and more and result != 0:
        repeat(m)


def block_io_flags(m: Machine, value: int, total: int) -> None:
    """Give INI/OUTI flags: `total` is the byte plus C+-1 (input) or the new L (output)."""
    b = m.get("b")
    over = total > 255
    m.set_flags(make_flags(
        s=b >= 128, z=b == 0, h=over, p=even_parity((total % 8) ^ b), n=value >= 128, c=over,
        y=b & Y, x=b & X))


def repeat_io(m: Machine) -> None:
    """Repeat an input or output pass: H and P/V are altered once more, from B, C and N."""
    repeat(m)
    b, f = m.get("b"), m.get("f")
    half = False
    if f & C and f & N:
        seen, half = (b - 1) % 8, b % 16 == 0
    elif f & C:
        seen, half = (b + 1) % 8, b % 16 == 15
    else:
        seen = b % 8
    parity = bool(f & P) == even_parity(seen)
    m.set_flags(make_flags(
        s=f & S, z=f & Z, y=f & Y, x=f & X, n=f & N, c=f & C, h=half, p=parity))


def block_input(m: Machine, direction: int, repeats: bool) -> None:
    m.idle(1)
    port = m.get("bc")
    value = m.port_read(port)
    m.put("wz", (port + direction) % 65536)
    m.put("b", (m.get("b") - 1) % 256)
    m.write(m.get("hl"), value)
    step_pair(m, "hl", direction)
    block_io_flags(m, value, value + (m.get("c") + direction) % 256)
    if repeats and m.get("b") != 0:
        repeat_io(m)


def block_output(m: Machine, direction: int, repeats: bool) -> None:
    m.idle(1)
    value = m.read(m.get("hl"))
    m.put("b", (m.get("b") - 1) % 256)
    port = m.get("bc")
    m.port_write(port, value)
    m.put("wz", (port + direction) % 65536)
    step_pair(m, "hl", direction)
    block_io_flags(m, value, value + m.get("l"))
    if repeats and m.get("b") != 0:
        repeat_io(m)


def block_rows() -> tuple[Row, ...]:
    """Write out the sixteen block instructions: 101RD0oo, R repeats, D downwards."""
    kinds = (("00", "LD", block_load), ("01", "CP", block_compare),
             ("10", "IN", block_input), ("11", "OT", block_output))
    rows = []
    for low_bits, name, handler in kinds:
        for repeats in (False, True):
            for direction in (1, -1):
                pattern = f"101{int(repeats)}{int(direction < 0)}0{low_bits}"
                stem = "OUT" if name == "OT" and not repeats else name
                letters = ("I" if direction > 0 else "D") + ("R" if repeats else "")
                rows.append((pattern, stem + letters, bind(handler, direction, repeats)))
    return tuple(rows)


def bind(handler: Block, direction: int, repeats: bool) -> Callable[[Machine], None]:
    return lambda m: handler(m, direction, repeats)


ROWS: tuple[Row, ...] = (
    ("01ddd000", "IN {d},(C)", in_r_c),
    ("01sss001", "OUT (C),{s}", out_c_r),
    ("01pp0010", "SBC HL,{p}", sbc_hl),
    ("01pp1010", "ADC HL,{p}", adc_hl),
    ("01pp0011", "LD (nn),{p}", ld_at_nn_pair),
    ("01pp1011", "LD {p},(nn)", ld_pair_at_nn),
    ("01xxx100", "NEG", neg),
    ("01001101", "RETI", retn),
    ("01xxx101", "RETN", retn),
    ("01vvv110", "IM {v}", im),
    ("01000111", "LD I,A", ld_i_a),
    ("01001111", "LD R,A", ld_r_a),
    ("01010111", "LD A,I", ld_a_i),
    ("01011111", "LD A,R", ld_a_r),
    ("01100111", "RRD", rrd),
    ("01101111", "RLD", rld),
    *block_rows(),
    ("xxxxxxxx", "no operation", nop),
)
