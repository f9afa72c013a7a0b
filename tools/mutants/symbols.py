"""Where a program's names stand, so that an answer without symbols can be held to them."""
from __future__ import annotations

import bisect
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

NOI = re.compile(r"^DEF\s+(\S+)\s+0x([0-9A-Fa-f]+)")
LINE = re.compile(r"^[AC]\$|^X")  # the debugger's own: lines, ends of functions
CLOSE = 16  # bytes around an address that belongs to no name


@dataclass(frozen=True)
class Symbols:
    """Names and their addresses; a name reaches up to the next one."""

    at: dict[str, int]
    starts: tuple[int, ...]

    @classmethod
    def of(cls, elf: Path, noi: Path) -> Symbols:
        """Read the names of an ELF file, or SDCC's list; none of both is no name."""
        at = _elf(elf) if elf.exists() else _noi(noi) if noi.exists() else {}
        return cls(at, tuple(sorted(set(at.values()))))

    def reach(self, name: str) -> tuple[int, int] | None:
        """Give first and last address of what a name stands for."""
        for form in (name, f"_{name}"):
            if form in self.at:
                return self.around(self.at[form])
        return None

    def around(self, address: int) -> tuple[int, int]:
        """Give first and last address of the named stretch that an address lies in."""
        after = bisect.bisect_right(self.starts, address)
        if not after:
            return address - CLOSE, address + CLOSE
        last = self.starts[after] - 1 if after < len(self.starts) else address + CLOSE
        return self.starts[after - 1], last


def _elf(path: Path) -> dict[str, int]:
    with path.open("rb") as stream:
        table: Any = ELFFile(stream).get_section_by_name(".symtab")
        return {symbol.name: symbol["st_value"] & 0xFFFF
                for symbol in (table.iter_symbols() if table else ())
                if symbol.name and symbol["st_shndx"] not in ("SHN_ABS", "SHN_UNDEF")
                and symbol["st_info"]["type"] not in ("STT_FILE", "STT_SECTION")}


def _noi(path: Path) -> dict[str, int]:
    out = {}
    for row in path.read_text().splitlines():
        found = NOI.match(row)
        if not found or LINE.match(found[1]) or re.match(r"[ls]__|\.__", found[1]):
            continue
        name = found[1]
        if "$" in name:  # G$name$0$0, or Fmodule$name$0$0
            if name.count("$") != 3 or name[0] not in "GF":
                continue
            name = "_" + name.split("$")[1]
        out[name] = int(found[2], 16) & 0xFFFF
    return out
