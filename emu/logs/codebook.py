"""Disassemble the instructions of a chunk, each different one once for the whole run.

An instruction is known by its address, the page it lies in and the bytes that the bus
carried; a run of ten million instructions has some thousands of these.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emu.files.symbols import SymbolTable
from emu.isa.disassembler import disassemble
from emu.isa.opcodes import RELATIVE
from emu.logs import codekeys
from emu.logs.codekeys import OTHER_KIND, STRAY
from emu.logs.kinds import BEGUN, CONTINUED, DMA, IDLE, INTERRUPT, NMI
from emu.logs.records import Chunk
from emu.logs.seen import root_over

NOWHERE = 1023  # page number of code that no plain memory holds, see emu/bus/rows.py
CUT_WORDS = {DMA: "dma", BEGUN: "(begun)", CONTINUED: "(goes on)"}
PENDING = {2: b"\xdd", 3: b"\xfd"}  # half of m.prefix


class Code(NamedTuple):
    """One instruction in words; ``size`` counts its bytes in bus cycles."""

    address: int
    data: bytes
    text: str
    symbol: str  # "boot+4", or ""
    source: str  # "boot.s:12", or ""
    size: int


@dataclass(frozen=True)
class Codes:
    """The instructions of a chunk: record k is ``table[index[k]]``.

    The table is the book's own, and grows with it.
    """

    table: list[Code]
    index: NDArray[np.int64]


class CodeBook:
    """Texts of instructions, kept for the whole run.

    ``tables`` are the symbols by slot number; ``bases`` the places of the slots' memory
    in physical memory.
    """

    def __init__(self, tables: Mapping[int, SymbolTable], bases: Mapping[int, int]) -> None:
        self._tables = dict(tables)
        self._bases = dict(bases)
        self._codes: list[Code] = []
        self._table = np.zeros((codekeys.PLACES, 3), np.int64)
        self._record = np.zeros(1, codekeys.BOOK)
        self._number: Callable[..., int] | None = None

    def look_up(self, chunk: Chunk) -> Codes:
        """Find the instruction of every record.  Raises CompileError."""
        if self._number is None:
            self._number = root_over(codekeys.number, [self._record],
                                     "row", "word", "index", "table")
        b = self._record[0]
        index = np.empty(len(chunk), np.int64)
        start = 0
        while start < len(chunk):
            b["mask"] = len(self._table) - 1
            start = self._number(chunk.rows, chunk.words, index, self._table, start, len(chunk))
            if start < len(chunk):
                self._codes.append(self._read(int(b["key"]), int(b["other"])))
                self._table[int(b["place"])] = b["key"], b["other"], len(self._codes)
                if 2 * len(self._codes) > len(self._table):
                    self._grow()
        return Codes(self._codes, index)

    def _grow(self) -> None:
        """Make the table twice as large."""
        old = self._table[self._table[:, 2] != 0]
        self._table = np.zeros((2 * len(self._table), 3), np.int64)
        mask = len(self._table) - 1
        for row in old.tolist():
            place = codekeys.place_for(row[0], row[1], mask)
            while self._table[place, 2]:
                place = place + 1 & mask
            self._table[place] = row

    def _read(self, key: int, other: int) -> Code:
        address, page = key & 0xFFFF, key >> 16 & 0x3FF
        count, mark = (key >> 58 & 3) + 1, key >> 60 & 3
        data = bytes(key >> shift & 0xFF for shift in (26, 34, 42, 50))
        data = data[:1] + b"\xed" + data[1:count] if mark == STRAY else data[:count]
        slot, place = self._place(address, page)
        symbol, source = self.symbol(address, slot, place), self.line(address, slot, place)
        text, size = "", 1
        if key >> 62:
            text, size = self._text(address, PENDING.get(mark, b""), data, slot, place)
            data = data[:size]
        plain = Code(address, data, text, symbol, source, size)
        return _special(plain, other) if other else plain

    def _text(self, address: int, pending: bytes, data: bytes, slot: int,
              place: int | None) -> tuple[str, int]:
        """Disassemble; prefixes that come to nothing belong to the instruction behind."""
        whole = pending + data
        start = 0
        while start < len(whole) - 1 and _is_index(whole[start]) and _is_index(whole[start + 1]):
            start += 1
        if start == len(whole) - 1 and _is_index(whole[start]):
            return "db " + ", ".join(f"{byte:#04x}" for byte in data), len(data)
        origin = address - len(pending)
        away = None if place is None else place - address

        def fetch(at: int) -> int:
            offset = (at - origin) & 0xFFFF
            return whole[offset] if offset < len(whole) else 0

        def name(number: int) -> str | None:
            return self._exact(number, slot, away)

        code = disassemble(fetch, origin + start, name)
        if code.note == "stray prefix":
            start += 1
            code = disassemble(fetch, origin + start, name)
        return code.text, start + code.length - len(pending)

    def _place(self, address: int, page: int) -> tuple[int, int | None]:
        """Give the slot whose memory holds a page of phys, and the address in that memory."""
        if page == NOWHERE:
            return -1, None
        at = page << 12 | address & 0xFFF
        slot = max((s for s, base in self._bases.items() if base <= at),
                   key=lambda s: self._bases[s], default=-1)
        return slot, at - self._bases.get(slot, 0)

    def _tables_for(self, slot: int) -> list[SymbolTable]:
        return [table for number, table in self._tables.items() if slot in (number, -1)]

    def symbol(self, address: int, slot: int, place: int | None) -> str:
        """Name an address as "symbol+4"; "" when no symbol is near."""
        names = (table.name_at(address, place) for table in self._tables_for(slot))
        return next((name for name in names if name), "")

    def line(self, address: int, slot: int, place: int | None) -> str:
        """Give the source line of an address as "file:line", or ""."""
        lines = (table.line_at(address, place) for table in self._tables_for(slot))
        return next((str(line) for line in lines if line), "")

    def _exact(self, number: int, slot: int, away: int | None) -> str | None:
        """Name an operand, when a symbol stands just there: in the same page first."""
        for place in ((number + away, None) if away is not None else (None,)):
            for table in self._tables_for(slot):
                found = table.symbol_at(number, place)
                if found is not None and found.value == number:
                    return found.name
        return None


def _special(plain: Code, other: int) -> Code:
    """Put words where no instruction stands: responses, and fetches in HALT."""
    kind, more = other >> OTHER_KIND, other & (1 << OTHER_KIND) - 1
    data, size = b"", plain.size
    if kind == INTERRUPT:
        mode, vector = more & 3, more >> 8
        text = f"int mode {mode}"
        text += {0: f": {_given(plain)}", 2: f", vector {vector:02X}h"}.get(mode, "")
        data = plain.data if mode == 0 else b""
    elif kind == NMI:
        text = "nmi"
    elif kind == IDLE:
        text = f"halted, {more} fetch{'es' if more > 1 else ''}"
    else:
        text = CUT_WORDS[kind]
        data = bytes([more]) if kind == BEGUN else b""
        size = 1 if kind == BEGUN else 0
    return plain._replace(text=text, data=data, size=size)


def _given(code: Code) -> str:
    """Write an instruction that came with an acknowledge in mode 0: its jumps count from PC."""
    if code.data[0] not in RELATIVE:
        return code.text
    return disassemble(lambda at: code.data[(at - code.address) % len(code.data)], code.address,
                       standing=True).text


def _is_index(byte: int) -> bool:
    return byte & 0xDF == 0xDD
