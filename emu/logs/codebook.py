"""Disassemble the instructions of a chunk, each different one once for the whole run.

An instruction is known by its address, the page it lies in and the bytes that the bus
carried; a run of ten million instructions has some thousands of these.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import FETCH, READ
from emu.files.symbols import SymbolTable
from emu.isa.disassembler import disassemble
from emu.isa.opcodes import DD, ED, RELATIVE
from emu.logs.records import (
    BEGUN,
    CONTINUED,
    DMA,
    INSTRUCTION,
    INTERRUPT,
    NMI,
    Chunk,
    fetches,
)
from emu.logs.sampler import PREFIX_SHIFT

NOWHERE = 1023  # page number of code that no plain memory holds, see sampler.place_of
BYTES = 4  # of an instruction, at most
STRAY = 1
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
    """The instructions of a chunk: record k is ``table[index[k]]``."""

    table: list[Code]
    index: NDArray[np.int64]

    @property
    def sizes(self) -> NDArray[np.int64]:
        """Bytes of code of each record."""
        found = np.array([code.size for code in self.table] or [0], np.int64)
        return found[self.index]


class CodeBook:
    """Texts of instructions, kept for the whole run.

    ``tables`` are the symbols by slot number; ``bases`` the places of the slots' memory
    in physical memory.
    """

    def __init__(self, tables: Mapping[int, SymbolTable], bases: Mapping[int, int]) -> None:
        self._tables = dict(tables)
        self._bases = dict(bases)
        self._known: dict[int, Code] = {}

    def look_up(self, chunk: Chunk) -> Codes:
        """Find the instruction of every record."""
        if not len(chunk):
            return Codes([], np.zeros(0, np.int64))
        keys, index = np.unique(_keys(chunk), return_inverse=True)
        table = []
        for key in keys.tolist():
            code = self._known.get(key)
            if code is None:
                code = self._known[key] = self._read(key)
            table.append(code)
        return _special(chunk, Codes(table, index))

    def _read(self, key: int) -> Code:
        address, page = key & 0xFFFF, key >> 16 & 0x3FF
        count, mark = (key >> 58 & 3) + 1, key >> 60 & 3
        data = bytes(key >> shift & 0xFF for shift in (26, 34, 42, 50))
        data = data[:1] + b"\xed" + data[1:count] if mark == STRAY else data[:count]
        slot, place = self._place(address, page)
        symbol, source = self.symbol(address, slot, place), self.line(address, slot, place)
        if not key >> 62:
            return Code(address, data[:1], "", symbol, source, 1)
        text, size = self._text(address, PENDING.get(mark, b""), data, slot, place)
        return Code(address, data[:size], text, symbol, source, size)

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


def _special(chunk: Chunk, codes: Codes) -> Codes:
    """Put words where no instruction stands: responses, and fetches in HALT."""
    table, index = list(codes.table), codes.index.copy()
    known: dict[tuple[int, str, bytes], int] = {}
    for record in np.flatnonzero(chunk.kind != INSTRUCTION):
        plain = table[codes.index[record]]
        kind, mode = int(chunk.kind[record]), int(chunk.control[record] >> 16 & 3)
        if kind == INTERRUPT:
            text = f"int mode {mode}"
            vector = int(chunk.cycles["data"][chunk.first[record]])
            text += {0: f": {_given(plain)}", 2: f", vector {vector:02X}h"}.get(mode, "")
        elif kind == NMI:
            text = "nmi"
        elif kind in CUT_WORDS:
            text = CUT_WORDS[kind]
        else:
            count = fetches(chunk, int(record))
            text = f"halted, {count} fetch{'es' if count > 1 else ''}"
        data = plain.data if kind == INTERRUPT and mode == 0 else b""
        if kind == BEGUN:
            data = bytes(chunk.cycles["data"][chunk.first[record]:chunk.first[record] + 1])
        key = int(codes.index[record]), text, data
        if key not in known:
            known[key] = len(table)
            size = 0 if kind in (DMA, CONTINUED) else plain.size
            table.append(plain._replace(text=text, data=data, size=size))
        index[record] = known[key]
    return Codes(table, index)


def _given(code: Code) -> str:
    """Write an instruction that came with an acknowledge in mode 0: its jumps count from PC."""
    if code.data[0] not in RELATIVE:
        return code.text
    return disassemble(lambda at: code.data[(at - code.address) % len(code.data)], code.address,
                       standing=True).text


def _is_index(byte: int) -> bool:
    return byte & 0xDF == 0xDD


def _keys(chunk: Chunk) -> NDArray[np.int64]:
    """Pack what tells instructions apart into one number a record.

    Address (16 bits), page (10), four bytes (32), their number - 1 (2), a mark (2), 1 for
    code.  The mark is PENDING's or STRAY: a prefix before ED, which is then left out of
    the four bytes.
    """
    first, count = chunk.first[:-1], np.diff(chunk.first)
    control = chunk.control[:-1]
    mode0 = (chunk.kind == INTERRUPT) & (control >> 16 & 3 == 0)
    code = (chunk.kind == INSTRUCTION) | mode0
    kinds, addresses = chunk.cycles["kind"], chunk.cycles["address"]
    data = chunk.cycles["data"].astype(np.int64)
    start, last = chunk.address, len(data) - 1
    second = np.minimum(first + 1, last)
    stray = code & (count > 1) & (data[first] & 0xDF == DD) & (data[second] == ED)
    key = start.astype(np.int64) | (chunk.place >> 8) << 16 | data[first] * code << 26
    going = code
    taken = np.zeros(len(chunk), np.int64)
    for byte in range(1, BYTES):
        at = np.minimum(first + byte + stray, last)
        going = going & (byte + stray < count) & ((kinds[at] == READ) | (kinds[at] == FETCH))
        going &= mode0 | (addresses[at] == start + np.uint16(1) * (byte + stray).astype(np.uint16))
        key |= data[at] * going << (26 + 8 * byte)
        taken += going
    mark = np.where(stray, STRAY, control >> PREFIX_SHIFT + 1 & 3)
    key |= taken << 58 | mark * code << 60 | code.astype(np.int64) << 62
    return np.asarray(key, np.int64)
