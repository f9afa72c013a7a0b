"""Registers of a machine by name: "a", "hl", "sp", "iff1" ..."""
from __future__ import annotations

from typing import Any

from emu.errors import InputError
from emu.state import IXH, IXL, IYH, IYL, A, B, C, D, E, F, H, L

SINGLE = {"a": A, "f": F, "b": B, "c": C, "d": D, "e": E, "h": H, "l": L,
          "ixh": IXH, "ixl": IXL, "iyh": IYH, "iyl": IYL}
DOUBLE = {"af": (A, F), "bc": (B, C), "de": (D, E), "hl": (H, L), "ix": (IXH, IXL),
          "iy": (IYH, IYL)}
FIELDS = {"pc": 0xFFFF, "sp": 0xFFFF, "i": 0xFF, "iff1": 1, "iff2": 1, "im": 3}


def read(m: Any, name: str) -> int:
    """Read a register; InputError for an unknown name."""
    if name in SINGLE:
        return int(m.r[SINGLE[name]])
    if name in DOUBLE:
        high, low = DOUBLE[name]
        return int(m.r[high]) << 8 | int(m.r[low])
    if name in FIELDS:
        return int(m[name])
    raise _unknown(name)


def write(m: Any, name: str, value: int) -> None:
    """Set a register; InputError for an unknown name or a value that does not fit."""
    limit = 0xFF if name in SINGLE else 0xFFFF if name in DOUBLE else FIELDS.get(name)
    if limit is None:
        raise _unknown(name)
    if not 0 <= value <= limit:
        raise InputError(f"{name} takes 0 to {limit:X}h, not {value}.")
    if name in SINGLE:
        m.r[SINGLE[name]] = value
    elif name in DOUBLE:
        high, low = DOUBLE[name]
        m.r[high], m.r[low] = value >> 8, value & 0xFF
    else:
        m[name] = value


def read_all(m: Any) -> dict[str, int]:
    """Read every register that has a name."""
    return {name: read(m, name) for name in (*SINGLE, *DOUBLE, *FIELDS)}


def _unknown(name: str) -> InputError:
    known = ", ".join((*SINGLE, *DOUBLE, *FIELDS))
    return InputError(f"there is no register {name!r}; known are {known}.")
