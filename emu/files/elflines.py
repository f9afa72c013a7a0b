"""Source lines from DWARF 2 to 5 with 2-byte addresses.

pyelftools knows only 4- and 8-byte target addresses, so its table of parsers is filled
here with ones for 2 bytes. That leans on private names of the pinned version: a test
watches it, and a reader that meets an error goes on without lines.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple, Self

from elftools.common.construct_utils import ULEB128
from elftools.construct import ULInt16, Validator
from elftools.dwarf.compileunit import CompileUnit
from elftools.dwarf.dwarfinfo import DWARFInfo
from elftools.dwarf.lineprogram import LineProgram
from elftools.dwarf.structs import DWARFStructs
from elftools.elf.elffile import ELFFile
from elftools.elf.relocation import RelocationSection
from elftools.elf.sections import SymbolTableSection

from emu.errors import printable
from emu.files.symbols import LineSpan, SourceLine

WORD_RELOCATION = 4  # a 16-bit address in the Z80 ELF psABI (binutils, include/elf/z80.h)
VERSIONS = (2, 3, 4, 5)
COUNT_LIMIT = 1 << 16
"""Files or folders of one source file; a damaged count must not make us loop."""


class Bounded(Validator):
    """Refuse a count past the limit."""

    def _validate(self, obj: Any, context: Any) -> bool:
        return bool(obj < COUNT_LIMIT)


def _bounded(name: str) -> Bounded:
    return Bounded(ULEB128(name))


class Z80Structs(DWARFStructs):
    """Parsers of one DWARF version, little-endian, for 2-byte addresses."""

    def __new__(cls, version: int) -> Self:
        self = object.__new__(cls)
        self.little_endian, self.dwarf_format = True, 32
        self.address_size, self.dwarf_version = 2, version
        self._create_structs()
        return self

    def _create_initial_length(self) -> None:
        # the first hook after the parent has chosen its 4- or 8-byte address
        self.Dwarf_target_addr = ULInt16
        self.the_Dwarf_target_addr = ULInt16("")
        super()._create_initial_length()

    def _create_lineprog_header(self) -> None:
        unbounded = self.Dwarf_uleb128
        if self.dwarf_version >= 5:
            self.Dwarf_uleb128 = _bounded  # type: ignore[assignment]
        super()._create_lineprog_header()
        self.Dwarf_uleb128 = unbounded


def teach_two_byte_addresses() -> None:
    """Put the parsers where the library looks for them."""
    for version in VERSIONS:
        key = (True, 32, 2, version)
        if key not in DWARFStructs._structs_cache:
            DWARFStructs._structs_cache[key] = Z80Structs(version)


class Region(NamedTuple):
    """A loaded section: 16-bit address range, and its page (physical minus virtual).

    ``page`` is None for memory that is written to: it lives in RAM, wherever that is.
    """

    name: str
    start: int
    end: int
    page: int | None


def read_lines(file: ELFFile, regions: Sequence[Region | None]) -> Iterator[LineSpan]:
    """Read the lines of all compile units, each placed in the section it belongs to.

    Code of several pages may share 16-bit addresses; a stretch that fits more than one
    section is placed by the linker's relocations (``ld -q`` keeps them), else left out.
    """
    if not file.has_dwarf_info(strict=True):
        return
    teach_two_byte_addresses()
    info = file.get_dwarf_info(relocate_dwarf_sections=False, follow_links=False)
    homes = _homes(file)
    seen: set[int] = set()
    for unit in info.iter_CUs():
        offset = _line_table(info, unit)
        if offset is not None and offset not in seen:
            seen.add(offset)
            yield from _program_lines(info.line_program_for_CU(unit), regions, homes)


def read_folders(file: ELFFile) -> tuple[str, ...]:
    """Read the folders in which the compile units were made, each once."""
    if not file.has_dwarf_info(strict=True):
        return ()
    teach_two_byte_addresses()
    info = file.get_dwarf_info(relocate_dwarf_sections=False, follow_links=False)
    named = (unit.get_top_DIE().attributes.get("DW_AT_comp_dir") for unit in info.iter_CUs())
    return tuple(dict.fromkeys(_text(one.value) for one in named if one is not None))


def _line_table(info: DWARFInfo, unit: CompileUnit) -> int | None:
    """Offset of a unit's line table; None for a DWARF 5 table of an older unit.

    Counts are bounded only in the parsers of version 5.
    """
    attribute = unit.get_top_DIE().attributes.get("DW_AT_stmt_list")
    if attribute is None or info.debug_line_sec is None:
        return None
    stream = info.debug_line_sec.stream
    stream.seek(attribute.value + 4)
    version = int.from_bytes(stream.read(2), "little")
    return attribute.value if version < 5 or unit.structs.dwarf_version >= 5 else None


def _homes(file: ELFFile) -> list[tuple[int, int]]:
    """(offset in the line table, section index) of each address the linker filled in."""
    found = []
    table = file.get_section_by_name(".rela.debug_line")
    symbols = file.get_section_by_name(".symtab")
    if isinstance(table, RelocationSection) and isinstance(symbols, SymbolTableSection):
        for entry in table.iter_relocations():
            if entry["r_info_type"] == WORD_RELOCATION:
                index = symbols.get_symbol(entry["r_info_sym"])["st_shndx"]
                found.append((entry["r_offset"], index if isinstance(index, int) else 0))
    return sorted(found)


def _program_lines(
    program: LineProgram | None, regions: Sequence[Region | None], homes: list[tuple[int, int]]
) -> Iterator[LineSpan]:
    if program is None:
        return
    start, end = program.program_start_offset, program.program_end_offset
    marks = [index for offset, index in homes if start <= offset < end]
    sequences = list(_sequences(program))
    if len(marks) != len(sequences):
        marks = [0] * len(sequences)
    for states, mark in zip(sequences, marks, strict=True):
        region = _region(states, regions, mark)
        if region is None:
            continue
        for here, after in pairwise(states):
            if here.address < after.address and here.line > 0:
                yield _span(program, here, after.address, region.page)


def _sequences(program: LineProgram) -> Iterator[list[Any]]:
    """Stretches of line-table states with rising addresses, each with its end state."""
    states: list[Any] = []
    for entry in program.get_entries():
        if entry.state is not None:
            states.append(entry.state)
            if entry.state.end_sequence:
                yield states
                states = []


def _region(states: list[Any], regions: Sequence[Region | None], mark: int) -> Region | None:
    first, last = states[0].address, states[-1].address
    fits = [region for region in regions if region and region.start <= first and last <= region.end]
    marked = regions[mark] if mark < len(regions) else None
    if marked in fits:
        return marked
    return fits[0] if len(fits) == 1 else None


def _span(program: LineProgram, state: Any, end: int, page: int | None) -> LineSpan:
    physical = None if page is None else state.address + page
    source = SourceLine(_file_name(program, state.file), state.line)
    return LineSpan(state.address, physical, end, source)


def _file_name(program: LineProgram, number: int) -> str:
    """Name a file as the compiler was given it: its folder unless that is where it ran.

    DWARF 5 counts files from 0 and has the working folder first (section 6.2.4); before
    that files count from 1 and the working folder is not listed.
    """
    five = program["version"] >= 5
    entry = program["file_entry"][number if five else number - 1]
    folder = entry.dir_index - (0 if five else 1)
    name = _text(entry.name)
    if entry.dir_index == 0 or name.startswith("/"):
        return name
    return f"{_text(program['include_directory'][folder])}/{name}"


def _text(value: bytes) -> str:
    return printable(value.decode("utf-8", "replace"))
