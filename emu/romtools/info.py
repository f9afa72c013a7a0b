"""What an image holds: pages with their sums, vectors, strings, symbols."""
from __future__ import annotations

import re
import zlib
from collections import Counter
from typing import Any

from emu.files.image import KINDS
from emu.files.symbols import Symbol
from emu.isa.disassembler import disassemble
from emu.romtools.chip import Chip

RESTARTS = tuple(range(0, 0x40, 8))
NMI = 0x66
SHORTEST = 6  # characters of a string worth showing
LONG = 64  # bytes of a run of one byte worth showing
FILL = re.compile(rb"(.)\1{%d,}" % (LONG - 1), re.DOTALL)
STRING = re.compile(rb"[\x20-\x7e]{%d,}" % SHORTEST)


def sum16(data: bytes) -> int:
    """Add all bytes modulo 65,536, as a ROM's own check does (common practice, no source)."""
    return sum(data) & 0xFFFF


def describe(chip: Chip) -> dict[str, Any]:
    """Describe an image as plain data: see `preburn image info --json`."""
    image = chip.image
    return {
        "file": str(image.path), "kind": KINDS[image.kind], "sha256": image.digest,
        "chip_bytes": chip.size, "page_bytes": chip.page,
        "covered_bytes": chip.covered(0, chip.size),
        "sum16": sum16(chip.data), "crc32": zlib.crc32(chip.data),
        "entry": image.entry,
        "segments": [{"physical": s.physical, "address": s.virtual, "bytes": len(s.data)}
                     for s in image.segments],
        "pages": [_page(chip, number, at, data) for number, at, data in chip.pages()],
        "vectors": _vectors(chip),
        "strings": _strings(chip),
        "symbols": len(image.symbols.symbols),
        "fills": fills(chip),
    }


def _page(chip: Chip, number: int, at: int, data: bytes) -> dict[str, Any]:
    common, count = Counter(data).most_common(1)[0]
    return {"page": number, "physical": at, "covered_bytes": chip.covered(at, at + len(data)),
            "sum16": sum16(data), "crc32": zlib.crc32(data),
            "most_common_byte": common, "most_common_count": count,
            "tail": _tail(data), "largest": _largest(chip, at, at + len(data))}


def _tail(data: bytes) -> int:
    """Count the bytes at the end of a page that all hold its last byte."""
    return len(data) - len(data.rstrip(data[-1:])) if data else 0


def _largest(chip: Chip, start: int, end: int) -> list[str]:
    """Name the largest things that the symbols place in a range, up to four."""
    placed = [(at, s) for s in chip.image.symbols.symbols
              if s.kind != "abs" and start <= (at := _place(chip, s)) < end]
    placed.sort(key=lambda pair: pair[0])
    sizes = [(_reach(placed, k, end), s) for k, (_, s) in enumerate(placed) if not s.local]
    sizes.sort(key=lambda pair: (-pair[0], pair[1].value))
    return [s.name for size, s in sizes[:4] if size > 0]


def _place(chip: Chip, symbol: Symbol) -> int:
    """Give a symbol's place in the chip, -1 when it has none there."""
    if symbol.physical is not None:
        return symbol.physical
    flat = any(s.virtual == s.physical <= symbol.value < s.end for s in chip.image.segments)
    return symbol.value if flat else -1


def _reach(placed: list[tuple[int, Symbol]], k: int, end: int) -> int:
    at, symbol = placed[k]
    return symbol.size or next((other for other, _ in placed[k + 1:] if other > at), end) - at


def _vectors(chip: Chip) -> list[dict[str, Any]]:
    """Decode the first instruction of RESET, each restart and NMI where the file covers it."""
    found = []
    for address in (*RESTARTS, NMI):
        if not chip.covered(address, address + 1):
            continue
        one = disassemble(lambda at: chip.data[at % chip.size], address,
                          lambda at: chip.image.symbols.name_at(at))
        name = "reset" if address == 0 else "nmi" if address == NMI else f"rst {address:02X}h"
        found.append({"name": name, "address": address, "instruction": one.text,
                      "target": one.target})
    return found


def _strings(chip: Chip) -> list[dict[str, Any]]:
    found = []
    for start, end in chip.spans:
        for match in STRING.finditer(chip.data[start:end]):
            found.append({"physical": start + match.start(), "text": match[0].decode("ascii")})
    return found


def fills(chip: Chip) -> list[dict[str, Any]]:
    """List the long runs of one byte: unused room, and what fills it."""
    return [{"physical": match.start(), "bytes": len(match[0]), "byte": match[0][0]}
            for match in FILL.finditer(chip.data)]
