"""CB group of the naive Z80 twin, and the DDCB/FDCB group (UM0080 gives only its (IX+d) forms)."""

from collections.abc import Callable

from naive_z80_base import MEMORY
from naive_z80_flags import bit_flags, rotate8
from naive_z80_machine import REGISTER_CODES, Machine
from naive_z80_patterns import Row

ByteOperation = Callable[[int], int]


def change(m: Machine, code: int, operation: ByteOperation) -> None:
    """Apply `operation` to a register or to (HL): 4 T to read, 3 T to write."""
    if code == MEMORY:
        address = m.get("hl")
        value = operation(m.read(address))
        m.idle(1)
        m.write(address, value)
    else:
        m.put(REGISTER_CODES[code], operation(m.get(REGISTER_CODES[code])))


def rotating(m: Machine, k: int) -> ByteOperation:
    def operation(value: int) -> int:
        result, f = rotate8(k, value, m.get("f"))
        m.set_flags(f)
        return result
    return operation


def resetting(b: int) -> ByteOperation:
    return lambda value: value - (value & (1 << b))


def setting(b: int) -> ByteOperation:
    return lambda value: value | (1 << b)


def rotate_r(m: Machine, k: int, d: int) -> None:
    change(m, d, rotating(m, k))


def bit_r(m: Machine, b: int, s: int) -> None:
    if s == MEMORY:
        value = m.read(m.get("hl"))
        m.idle(1)
        yx_source = m.get("wz") // 256
    else:
        value = yx_source = m.get(REGISTER_CODES[s])
    m.set_flags(bit_flags(b, value, yx_source, m.get("f")))


def res_r(m: Machine, b: int, d: int) -> None:
    change(m, d, resetting(b))


def set_r(m: Machine, b: int, d: int) -> None:
    change(m, d, setting(b))


ROWS: tuple[Row, ...] = (
    ("00kkkddd", "{k} {d}", rotate_r),
    ("01bbbsss", "BIT {b},{s}", bit_r),
    ("10bbbddd", "RES {b},{d}", res_r),
    ("11bbbddd", "SET {b},{d}", set_r),
)


def change_indexed(m: Machine, address: int, code: int, operation: ByteOperation) -> None:
    """Apply `operation` to (IX+d); the result is also copied to the register of the code."""
    value = operation(m.read(address))
    m.idle(1)
    m.write(address, value)
    if code != MEMORY:
        m.put(REGISTER_CODES[code], value)


def rotate_indexed(m: Machine, address: int, k: int, d: int) -> None:
    change_indexed(m, address, d, rotating(m, k))


def bit_indexed(m: Machine, address: int, b: int) -> None:
    value = m.read(address)
    m.idle(1)
    m.set_flags(bit_flags(b, value, address // 256, m.get("f")))


def res_indexed(m: Machine, address: int, b: int, d: int) -> None:
    change_indexed(m, address, d, resetting(b))


def set_indexed(m: Machine, address: int, b: int, d: int) -> None:
    change_indexed(m, address, d, setting(b))


INDEXED_ROWS: tuple[Row, ...] = (
    ("00kkkddd", "{k} (IX+e),{d}", rotate_indexed),
    ("01bbbxxx", "BIT {b},(IX+e)", bit_indexed),
    ("10bbbddd", "RES {b},(IX+e),{d}", res_indexed),
    ("11bbbddd", "SET {b},(IX+e),{d}", set_indexed),
)
