"""Flag definitions of the naive Z80 twin, one flag at a time.

Every function is pure: bytes (or 16-bit words) and the old F go in, the result and the new F
come out. Definitions after UM0080, chapter "Z80 Status Indicator Flags" (S, Z, H, P/V, N, C);
bits 5 (Y) and 3 (X) and their sources are undocumented there and are held against the published
single-step vectors by test_naive_z80.py. Nothing here is fast, on purpose.
"""

S, Z, Y, H, X, P, N, C = 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01


def make_flags(s: int = 0, z: int = 0, y: int = 0, h: int = 0,
               x: int = 0, p: int = 0, n: int = 0, c: int = 0) -> int:
    """Assemble F from eight truth values."""
    bits = ((s, S), (z, Z), (y, Y), (h, H), (x, X), (p, P), (n, N), (c, C))
    return sum(mask for value, mask in bits if value)


def even_parity(byte: int) -> bool:
    """Say whether the number of one bits is even."""
    return sum((byte >> bit) & 1 for bit in range(8)) % 2 == 0


def signed8(byte: int) -> int:
    """Read a byte as two's complement."""
    return byte - 256 if byte >= 128 else byte


def signed16(word: int) -> int:
    """Read a 16-bit word as two's complement."""
    return word - 65536 if word >= 32768 else word


def add8(a: int, b: int, carry: int = 0) -> tuple[int, int]:
    """Add with carry: H is the carry from bit 3, P/V signed overflow, C the carry from bit 7."""
    total = a + b + carry
    result = total % 256
    signed_total = signed8(a) + signed8(b) + carry
    flags = make_flags(
        s=result >= 128, z=result == 0, y=result & Y, x=result & X,
        h=(a % 16) + (b % 16) + carry > 15,
        p=not -128 <= signed_total <= 127,
        n=0, c=total > 255)
    return result, flags


def sub8(a: int, b: int, borrow: int = 0) -> tuple[int, int]:
    """Subtract with borrow: H is the borrow from bit 4, P/V signed overflow, C the final borrow."""
    result = (a - b - borrow) % 256
    signed_total = signed8(a) - signed8(b) - borrow
    flags = make_flags(
        s=result >= 128, z=result == 0, y=result & Y, x=result & X,
        h=(a % 16) - (b % 16) - borrow < 0,
        p=not -128 <= signed_total <= 127,
        n=1, c=a - b - borrow < 0)
    return result, flags


def compare8(a: int, b: int) -> int:
    """Give the F of CP: that of a subtraction, but Y and X come from the operand."""
    _, flags = sub8(a, b)
    return flags - (flags & (Y | X)) + (b & (Y | X))


def logic8(result: int, half: int) -> tuple[int, int]:
    """Give the F of AND (half = 1), OR and XOR (half = 0): P/V is parity, N and C are 0."""
    flags = make_flags(
        s=result >= 128, z=result == 0, y=result & Y, x=result & X,
        h=half, p=even_parity(result))
    return result, flags


ALU_NAMES = ("ADD A,", "ADC A,", "SUB ", "SBC A,", "AND ", "XOR ", "OR ", "CP ")


def alu8(operation: int, a: int, b: int, f: int) -> tuple[int, int]:
    """Do one of the eight accumulator operations, numbered as in opcode bits 5-3."""
    carry = f & C
    if operation == 0:
        return add8(a, b)
    if operation == 1:
        return add8(a, b, carry)
    if operation == 2:
        return sub8(a, b)
    if operation == 3:
        return sub8(a, b, carry)
    if operation == 4:
        return logic8(a & b, half=1)
    if operation == 5:
        return logic8(a ^ b, half=0)
    if operation == 6:
        return logic8(a | b, half=0)
    return a, compare8(a, b)


def inc8(value: int, f: int) -> tuple[int, int]:
    """Add one; every flag but C as in ADD (UM0080, INC r: overflow when it was 7Fh)."""
    result, flags = add8(value, 1)
    return result, flags - (flags & C) + (f & C)


def dec8(value: int, f: int) -> tuple[int, int]:
    """Subtract one; every flag but C as in SUB (UM0080, DEC m: overflow when it was 80h)."""
    result, flags = sub8(value, 1)
    return result, flags - (flags & C) + (f & C)


def daa(a: int, f: int) -> tuple[int, int]:
    """Correct A to packed decimal after an addition (N = 0) or a subtraction (N = 1)."""
    low_digit = a % 16
    fix_low = bool(f & H) or low_digit > 9
    fix_high = bool(f & C) or a > 0x99
    correction = 0x06 * fix_low + 0x60 * fix_high
    if f & N:
        result = (a - correction) % 256
        half = bool(f & H) and low_digit < 6
    else:
        result = (a + correction) % 256
        half = low_digit > 9
    flags = make_flags(
        s=result >= 128, z=result == 0, y=result & Y, x=result & X,
        h=half, p=even_parity(result), n=f & N, c=fix_high)
    return result, flags


ROTATE_NAMES = ("RLC", "RRC", "RL", "RR", "SLA", "SRA", "SLL", "SRL")


def rotate_bits(operation: int, value: int, carry: int) -> tuple[int, int]:
    """Shift one place, numbered as in opcode bits 5-3 of the CB group; give (result, bit out)."""
    top, bottom = value // 128, value % 2
    left, right = value * 2 % 256, value // 2
    if operation == 0:
        return left + top, top
    if operation == 1:
        return right + 128 * bottom, bottom
    if operation == 2:
        return left + carry, top
    if operation == 3:
        return right + 128 * carry, bottom
    if operation == 4:
        return left, top
    if operation == 5:
        return right + 128 * top, bottom
    if operation == 6:
        return left + 1, top
    return right, bottom


def rotate8(operation: int, value: int, f: int) -> tuple[int, int]:
    """Do a CB-group rotate or shift: P/V is parity, H and N are 0, C is the bit shifted out."""
    result, bit_out = rotate_bits(operation, value, f & C)
    flags = make_flags(
        s=result >= 128, z=result == 0, y=result & Y, x=result & X,
        p=even_parity(result), c=bit_out)
    return result, flags


def rotate_accumulator(operation: int, a: int, f: int) -> tuple[int, int]:
    """Do RLCA, RRCA, RLA or RRA: S, Z and P/V are kept, H and N are 0."""
    result, bit_out = rotate_bits(operation, a, f & C)
    flags = make_flags(
        s=f & S, z=f & Z, p=f & P, y=result & Y, x=result & X, c=bit_out)
    return result, flags


def bit_flags(bit: int, value: int, yx_source: int, f: int) -> int:
    """Give the F of BIT: Z and P/V when the bit is 0, S only for a set bit 7; C is kept."""
    is_set = (value >> bit) & 1
    return make_flags(
        s=bit == 7 and is_set, z=not is_set, h=1, p=not is_set,
        y=yx_source & Y, x=yx_source & X, c=f & C)


def add16(a: int, b: int, f: int) -> tuple[int, int]:
    """Do ADD HL,ss: H is the carry out of bit 11; S, Z and P/V are kept."""
    total = a + b
    result = total % 65536
    high = result // 256
    flags = make_flags(
        s=f & S, z=f & Z, p=f & P, y=high & Y, x=high & X,
        h=(a % 4096) + (b % 4096) > 4095, c=total > 65535)
    return result, flags


def adc16(a: int, b: int, f: int) -> tuple[int, int]:
    """Do ADC HL,ss: every flag is set from the 16-bit sum."""
    carry = f & C
    total = a + b + carry
    result = total % 65536
    high = result // 256
    signed_total = signed16(a) + signed16(b) + carry
    flags = make_flags(
        s=result >= 32768, z=result == 0, y=high & Y, x=high & X,
        h=(a % 4096) + (b % 4096) + carry > 4095,
        p=not -32768 <= signed_total <= 32767, c=total > 65535)
    return result, flags


def sbc16(a: int, b: int, f: int) -> tuple[int, int]:
    """Do SBC HL,ss: every flag is set from the 16-bit difference."""
    borrow = f & C
    result = (a - b - borrow) % 65536
    high = result // 256
    signed_total = signed16(a) - signed16(b) - borrow
    flags = make_flags(
        s=result >= 32768, z=result == 0, y=high & Y, x=high & X,
        h=(a % 4096) - (b % 4096) - borrow < 0,
        p=not -32768 <= signed_total <= 32767, n=1, c=a - b - borrow < 0)
    return result, flags
