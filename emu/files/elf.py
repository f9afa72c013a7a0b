"""Read ELF files of the Z80: what to load, names with their pages, source lines.

The number of the machine comes from the Z80 ELF psABI as GNU binutils
has it (include/elf/z80.h): EM_Z80 is 220.
"""

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from elftools.common.exceptions import DWARFError, ELFError
from elftools.construct import ConstructError
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import Section as ElfSection
from elftools.elf.sections import Symbol as ElfSymbol
from elftools.elf.sections import SymbolTableSection
from elftools.elf.segments import Segment as LoadSegment

from emu.errors import InputError, printable
from emu.files import elflines
from emu.files.elflines import Region
from emu.files.segment import Segment
from emu.files.symbols import LineSpan, Symbol, SymbolTable

EM_Z80 = 220
SHF_WRITE, SHF_ALLOC = 1, 2
TEMPORARY = re.compile(r"\.?L\d|\.L|.*[\x00-\x1f]")
"""Labels that the assembler or a compiler made up."""

KINDS = {"STT_FUNC": "func", "STT_OBJECT": "object", "STT_NOTYPE": "notype"}
DAMAGED = (
    ELFError, DWARFError, ConstructError, AssertionError, AttributeError, IndexError, KeyError,
    TypeError, UnicodeError, ValueError, ArithmeticError, OSError, NotImplementedError,
)  # fmt: skip
"""What the ELF library raises on damaged files; none of it has its own kind of error."""


class Elf(NamedTuple):
    """What an ELF file holds."""

    segments: tuple[Segment, ...]
    symbols: SymbolTable
    entry: int


def read_elf(path: Path, data: bytes) -> Elf:
    """Read the bytes of an ELF file; debug data that cannot be read gives no lines.

    Raises InputError when it is not a whole, linked ELF32 file for the Z80.
    """
    _check_header(path, data)
    try:
        file = ELFFile(io.BytesIO(data))
        segments = tuple(_segments(path, file, data))
        regions = _regions(file)
        symbols = tuple(_symbols(file, regions))
    except InputError:
        raise
    except DAMAGED as error:
        raise InputError(
            f"{path}: is a damaged or truncated ELF file ({_reason(error)}); link it again."
        ) from None
    if not segments:
        raise InputError(
            f"{path}: holds nothing to load; link it, or give the linked file "
            "instead of an object file."
        )
    extents = tuple((segment.physical, segment.end) for segment in segments)
    lines, folders = _lines(file, regions)
    return Elf(segments, SymbolTable(symbols, lines, extents, folders), file.header["e_entry"])


def _check_header(path: Path, data: bytes) -> None:
    if len(data) < 52:
        raise InputError(f"{path}: is a truncated ELF file of {len(data)} bytes; link it again.")
    if data[4] != 1:
        raise InputError(f"{path}: is a 64-bit ELF file; link it for the Z80 (ELF32).")
    if data[5] != 1:
        raise InputError(f"{path}: is a big-endian ELF file; link it for the Z80 (little-endian).")
    machine = int.from_bytes(data[18:20], "little")
    if machine != EM_Z80:
        raise InputError(
            f"{path}: is an ELF file for machine {machine}, not the Z80 ({EM_Z80}); "
            "link it with a Z80 linker."
        )


def _reason(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text[:80] if text else type(error).__name__


def _segments(path: Path, file: ELFFile, data: bytes) -> Iterator[Segment]:
    for segment in file.iter_segments("PT_LOAD"):
        offset, size = segment["p_offset"], segment["p_filesz"]
        if size == 0:
            continue
        if offset + size > len(data):
            raise InputError(
                f"{path}: is truncated: it says it holds {size} bytes at file offset {offset}, "
                f"but ends at {len(data)}; link it again."
            )
        heads = _heads(file, offset, size)
        content = data[offset + heads : offset + size]
        yield Segment(segment["p_paddr"] + heads, segment["p_vaddr"] + heads, content)


def _heads(file: ELFFile, offset: int, size: int) -> int:
    """Count the bytes in front of a segment's first section that are the file's own heads.

    A linker without -n loads them; objcopy, which makes what is burned, leaves them out.
    """
    if offset >= file.header["e_ehsize"]:
        return 0
    begins = [s["sh_offset"] for s in file.iter_sections() if s["sh_flags"] & SHF_ALLOC
              and s["sh_type"] != "SHT_NOBITS" and s["sh_size"]]
    return min((at - offset for at in begins if offset <= at < offset + size), default=0)


def _regions(file: ELFFile) -> list[Region | None]:
    """The loaded sections by their index; None for others."""
    loads = list(file.iter_segments("PT_LOAD"))
    return [_region(section, loads) for section in file.iter_sections()]


def _region(section: ElfSection, loads: list[LoadSegment]) -> Region | None:
    flags, address, size = section["sh_flags"], section["sh_addr"], section["sh_size"]
    if not flags & SHF_ALLOC:
        return None
    start = address & 0xFFFF
    page = None
    if not flags & SHF_WRITE and section["sh_type"] != "SHT_NOBITS":
        page = _physical(section, loads, start)
    return Region(section.name, start, start + size, page)


def _physical(section: ElfSection, loads: list[LoadSegment], start: int) -> int | None:
    offset = section["sh_offset"]
    for load in loads:
        if load["p_offset"] <= offset < load["p_offset"] + load["p_filesz"]:
            return int(load["p_paddr"] + offset - load["p_offset"] - start)
    return None


def _symbols(file: ELFFile, regions: list[Region | None]) -> Iterator[Symbol]:
    for table in file.iter_sections("SHT_SYMTAB"):
        if not isinstance(table, SymbolTableSection):
            continue
        for symbol in table.iter_symbols():
            kind = KINDS.get(symbol["st_info"]["type"])
            if kind and symbol.name and not TEMPORARY.match(symbol.name):
                yield from _symbol(symbol, kind, regions)


def _symbol(symbol: ElfSymbol, kind: str, regions: list[Region | None]) -> Iterator[Symbol]:
    index, value, size = symbol["st_shndx"], symbol["st_value"], symbol["st_size"]
    local = symbol["st_info"]["bind"] == "STB_LOCAL"
    if index == "SHN_ABS":
        yield Symbol(printable(symbol.name), value, None, size, "abs", "", local)
    elif isinstance(index, int) and index < len(regions) and (region := regions[index]):
        virtual = value & 0xFFFF
        physical = None if region.page is None else virtual + region.page
        end = max(region.end, virtual + 1)  # a label behind the last byte, such as a stack's top
        yield Symbol(printable(symbol.name), virtual, physical, size, kind, region.name, local, end)


def _lines(file: ELFFile, regions: list[Region | None]
           ) -> tuple[tuple[LineSpan, ...], tuple[str, ...]]:
    """Read the source lines, and the folders that their files are told from; none when the debug
    data or the library is not as expected."""
    try:
        return tuple(elflines.read_lines(file, regions)), elflines.read_folders(file)
    except DAMAGED:
        return (), ()
