"""Registers and flags by the names a builder writes, over the machine record."""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from emu.bus.state import IXH, IXL, IYH, IYL, A, B, C, D, E, F, H, L

FLAGS = {"sign": 7, "zero": 6, "half": 4, "parity": 2, "subtract": 1, "carry": 0}
FLAG_LETTERS = "SZYHXPNC"
HALVES = {"a": A, "f": F, "b": B, "c": C, "d": D, "e": E, "h": H, "l": L,
          "ixh": IXH, "ixl": IXL, "iyh": IYH, "iyl": IYL}
PAIRS = {"af": (A, F), "bc": (B, C), "de": (D, E), "hl": (H, L), "ix": (IXH, IXL),
         "iy": (IYH, IYL)}
FIELDS = {"pc": 16, "sp": 16, "i": 8, "im": 2, "iff1": 1, "iff2": 1, "wz": 16}
SHOWN = ("af", "bc", "de", "hl", "ix", "iy", "sp", "pc", "af'", "bc'", "de'", "hl'", "i", "r",
         "im", "iff1", "iff2", "wz")


@dataclass(frozen=True)
class Register:
    """One register: bits, how to read it and how to set it."""

    bits: int
    get: Callable[[Any], int]
    put: Callable[[Any, int], None]


def _half(array: str, k: int) -> Register:
    def put(m: Any, value: int) -> None:
        m[array][k] = value

    return Register(8, lambda m: int(m[array][k]), put)


def _pair(array: str, high: int, low: int) -> Register:
    def put(m: Any, value: int) -> None:
        m[array][high], m[array][low] = value >> 8, value & 0xFF

    return Register(16, lambda m: int(m[array][high]) << 8 | int(m[array][low]), put)


def _field(name: str, bits: int) -> Register:
    def put(m: Any, value: int) -> None:
        m[name] = value

    return Register(bits, lambda m: int(m[name]), put)


def _flag(bit: int) -> Register:
    def put(m: Any, value: int) -> None:
        m.r[F] = int(m.r[F]) & ~(1 << bit) | value << bit

    return Register(1, lambda m: int(m.r[F]) >> bit & 1, put)


def _put_pc(m: Any, value: int) -> None:
    """Set PC; a halted CPU goes on there."""
    m.pc = value
    m.halted = 0


REGISTERS: Mapping[str, Register] = {
    **{name: _half("r", k) for name, k in HALVES.items()},
    **{f"{name}'": _half("alt", HALVES[name]) for name in "afbcdehl"},
    **{name: _pair("r", *pair) for name, pair in PAIRS.items()},
    **{f"{name}'": _pair("alt", *PAIRS[name]) for name in ("af", "bc", "de", "hl")},
    **{name: _field(name, bits) for name, bits in FIELDS.items()},
    "pc": Register(16, lambda m: int(m.pc), _put_pc),
    "r": _field("refresh", 8),
    **{name: _flag(bit) for name, bit in FLAGS.items()},
}


def snapshot(m: Any) -> dict[str, int]:
    """Give the registers that are shown, by name."""
    return {name: REGISTERS[name].get(m) for name in SHOWN}


def flag_letters(f: int) -> str:
    """Write F by letter, a dot for a flag that is 0: ``.Z...P..``."""
    return "".join(letter if f >> (7 - k) & 1 else "." for k, letter in enumerate(FLAG_LETTERS))
