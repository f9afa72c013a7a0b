"""How a compiled function takes its arguments and gives its result.

After the SDCC manual, chapter on the Z80's calling conventions (``__sdcccall(0)`` and
``__sdcccall(1)``), and checked against the code that SDCC 4.2 makes.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from emu.errors import InputError

REGISTERS, STACK = "registers", "stack"  # __sdcccall(1), __sdcccall(0)
SIZES = {"u8": 1, "u16": 2, "u32": 4}
RESULTS = {  # where a result of so many bytes stands, high part first
    REGISTERS: {1: ("a",), 2: ("de",), 4: ("hl", "de")},
    STACK: {1: ("l",), 2: ("hl",), 4: ("de", "hl")},
}


class Sized(int):
    """A number with a size in bytes; make one with u8, u16 or u32."""

    size = 2

    def __new__(cls, value: int) -> Sized:
        """Take a number, negative ones as two's complement; ValueError when it does not fit."""
        bits = 8 * cls.size
        if not -(1 << (bits - 1)) <= value < 1 << bits:
            raise ValueError(f"{value} does not fit into {cls.size} bytes")
        return super().__new__(cls, value & (1 << bits) - 1)


class u8(Sized):
    """An 8-bit argument."""

    size = 1


class u16(Sized):
    """A 16-bit argument; a plain int is taken as one."""


class u32(Sized):
    """A 32-bit argument."""

    size = 4


@dataclass
class Frame:
    """What a call begins with: register values by name, and bytes above the return address."""

    registers: dict[str, int] = field(default_factory=dict)
    stack: bytes = b""


def frame(arguments: Sequence[int], named: Mapping[str, int], convention: str) -> Frame:
    """Place arguments; ``named`` are registers for functions in assembly.

    Raises InputError for an unknown convention, ValueError for a number that does not fit.
    """
    if convention not in RESULTS:
        raise InputError(f'convention is "{REGISTERS}" or "{STACK}", not {convention!r}.')
    sized = [a if isinstance(a, Sized) else u16(a) for a in arguments]
    start = Frame(dict(named))
    rest = sized if convention == STACK else _in_registers(sized, start.registers)
    start.stack = b"".join(int(a).to_bytes(a.size, "little") for a in rest)
    return start


def _in_registers(sized: list[Sized], registers: dict[str, int]) -> list[Sized]:
    """Put the first two arguments where __sdcccall(1) has them; give those left over."""
    if not sized:
        return []
    first = sized[0]
    if first.size == 4:
        registers["hl"], registers["de"] = first >> 16, first & 0xFFFF
        return sized[1:]
    registers["a" if first.size == 1 else "hl"] = int(first)
    if len(sized) > 1:
        place = {(1, 1): "l", (1, 2): "de", (2, 2): "de"}.get((first.size, sized[1].size))
        if place is not None:
            registers[place] = int(sized[1])
            return sized[2:]
    return sized[1:]


def result(registers: Mapping[str, int], returns: str | None, convention: str) -> int | None:
    """Read a function's result; ``returns`` is "u8", "u16", "u32" or None for nothing."""
    if returns is None:
        return None
    if returns not in SIZES:
        raise InputError(f"returns is one of {', '.join(SIZES)} or None, not {returns!r}.")
    value = 0
    for name in RESULTS[convention][SIZES[returns]]:
        value = value << 16 | registers[name]
    return value
