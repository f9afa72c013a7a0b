"""Which column of a capture is which line of the bus."""
from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from emu.errors import InputError, nearest

# Bits of a captured state.
ADDRESS_AT = 8
STROBES = {"M1": 24, "RD": 25, "WR": 26, "MREQ": 27, "IORQ": 28}
DATA = {f"D{k}": k for k in range(8)}
ADDRESS = {f"A{k}": ADDRESS_AT + k for k in range(16)}
LINES = {**DATA, **ADDRESS, **STROBES}
BUSES = {"D": (0, 8), "A": (ADDRESS_AT, 16)}  # several lines in one column: bit, width
TIME = ("TIME", "TIMES", "TIMENS", "TIMEUS", "TIMEMS", "TIMEPS", "T")
UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
NEEDED = (*DATA, *STROBES)


def plain(name: str) -> str:
    """Write a line's name as the manual does, without bar, scope and unit: "bus.nM1 [V]"."""
    word = re.sub(r"\[[^\]]*\]|\([^)]*\)", "", name).split(".")[-1]
    word = re.sub(r"[^A-Za-z0-9]", "", word).upper()
    for known in STROBES:
        if word in (known, f"N{known}", f"{known}N", f"{known}B", f"{known}BAR"):
            return known
    for head in ("ADDR", "ADR", "DATA"):
        if re.fullmatch(head + r"\d*", word):
            return word[0] + word[len(head):]
    return word


def column_map(text: str) -> dict[str, str]:
    """Read --columns "D0=ch0,M1=ch8,time=Time": line -> column; InputError."""
    out: dict[str, str] = {}
    known = (*LINES, *BUSES, "TIME")
    for part in filter(None, (word.strip() for word in text.split(","))):
        line, equals, column = (word.strip() for word in part.partition("="))
        line = "TIME" if line.upper() in TIME else plain(line)
        if not equals or not column or line not in known:
            raise InputError(f"--columns {part}: write LINE=COLUMN such as M1=ch8; lines are "
                             f"D0-D7, A0-A15, D, A, {', '.join(STROBES)} and time.")
        if line in out:
            raise InputError(f"--columns {part}: {line} has the column {out[line]} already.")
        out[line] = column
    return out


def assign(columns: Iterable[str], asked: Mapping[str, str], path: Path) -> dict[str, str]:
    """Give for each column that is used the line (or bus) it shows, or "TIME".

    Raises InputError when a named column is missing or too few lines are captured.
    """
    have = list(columns)
    out: dict[str, str] = {}
    for line, column in asked.items():
        if column not in have:
            raise InputError(f"{path}: has no column {column!r} for {line}; "
                             f"{nearest(column, have)}")
        out[column] = line
    for column in have:
        line = plain(column)
        line = "TIME" if line in TIME else line
        if column not in out and line not in out.values() and (
                line in LINES or line in BUSES or line == "TIME"):
            out[column] = line
    _check(out, have, path)
    return out


def _check(out: Mapping[str, str], have: list[str], path: Path) -> None:
    lines = set(out.values())
    missing = [line for line in NEEDED if line not in lines
               and not (line in DATA and "D" in lines)]
    if missing:
        shown = ", ".join(have[:20]) + (" ..." if len(have) > 20 else "")
        verb = "is" if len(missing) == 1 else "are"
        raise InputError(f"{path}: shows too few lines: {', '.join(missing)} {verb} missing; its "
                         f"columns are {shown}; say which is which with --columns "
                         f"{missing[0]}=NAME,...")


def address_mask(lines: Iterable[str]) -> int:
    """Give the address bits that are captured."""
    names = set(lines)
    if "A" in names:
        return 0xFFFF
    return sum(1 << k for k in range(16) if f"A{k}" in names)
