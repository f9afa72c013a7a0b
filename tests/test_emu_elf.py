"""ELF files of the Z80: segments, names by page, source lines, and refusals."""

import struct
from pathlib import Path

import pytest
from elftools.dwarf.structs import DWARFStructs

from emu.errors import InputError
from emu.files import elflines
from emu.files.elf import read_elf
from emu.files.segment import Segment
from emu.files.symbols import SourceLine

IMAGES = Path(__file__).parent / "data/images"
ROM = Path("rom.elf")


def fixture(name: str) -> bytes:
    return (IMAGES / name).read_bytes()


def with_bytes(name: str, offset: int, new: bytes) -> bytes:
    data = bytearray(fixture(name))
    data[offset : offset + len(new)] = new
    return bytes(data)


def refusal(data: bytes) -> str:
    with pytest.raises(InputError) as caught:
        read_elf(ROM, data)
    return str(caught.value)


def test_initialised_data_lies_behind_the_code_in_rom_and_is_linked_for_ram():
    elf = read_elf(ROM, fixture("gauge-dwarf4.elf"))
    code, data = elf.segments
    assert (code.physical, code.virtual, len(code.data)) == (0, 0, 0x29)
    assert data == Segment(0x29, 0x8000, bytes([7, 8, 9]))
    assert code.data == fixture("gauge.bin")  # GNU objcopy -O binary -j .text
    assert elf.entry == 0


def test_the_heads_of_the_file_are_no_code():
    """A linker without -n puts them into the first segment; GNU objcopy leaves them out."""
    data = fixture("gauge-dwarf4.elf")
    (head,) = struct.unpack_from("<I", data, 28)
    kind, offset, _, _, size = struct.unpack_from("<5I", data, head)
    assert (kind, data[offset:offset + size]) == (1, fixture("gauge.bin"))
    begin = 0x4000 - offset
    moved = with_bytes("gauge-dwarf4.elf", head, struct.pack(
        "<5I", kind, 0, begin, begin, offset + size))
    assert read_elf(ROM, moved).segments[0] == Segment(0x4000, 0x4000, fixture("gauge.bin"))


def test_symbols_come_with_kind_size_section_and_scope():
    table = read_elf(ROM, fixture("gauge-dwarf4.elf")).symbols
    start, level, port = table.find("start"), table.find("level"), table.find("CONSOLE")
    assert (start.value, start.physical, start.size, start.kind) == (0, 0, 22, "func")
    assert (start.section, start.local, start.end) == (".text", False, 0x29)
    assert (level.value, level.physical, level.size, level.kind) == (0x8000, None, 3, "object")
    assert (port.value, port.kind, port.local) == (0x20, "abs", True)
    assert table.find("read_level").kind == "notype"


def test_made_up_names_are_dropped():
    names = {symbol.name for symbol in read_elf(ROM, fixture("gauge-dwarf4.elf")).symbols.symbols}
    assert names == {
        "CONSOLE", "console_init", "count", "level", "level_rom", "level_size", "read_level",
        "stack_top", "start",
    }  # fmt: skip


@pytest.mark.parametrize("version", [2, 3, 4, 5])
def test_lines_of_every_dwarf_version(version):
    table = read_elf(ROM, fixture(f"gauge-dwarf{version}.elf")).symbols
    assert table.line_at(0x0000) == SourceLine("gauge.s", 6)
    assert table.line_at(0x000D) == SourceLine("gauge.s", 10)
    assert table.line_at(0x0016, 0x0016) == SourceLine("gauge.s", 19)
    assert table.line_at(0x0028) == SourceLine("gauge.s", 31)
    assert table.line_at(0x0029) is None
    assert len(table.lines) == 18


def test_a_label_behind_the_last_byte_names_that_address_alone():
    table = read_elf(ROM, fixture("gauge-dwarf4.elf")).symbols
    assert table.name_at(0x8025) == "stack_top"
    assert table.name_at(0x8026) is None


def test_names_of_two_pages_at_one_address_are_told_apart():
    table = read_elf(ROM, fixture("paged.elf")).symbols
    assert table.name_at(0x4001, 0x4001) == "show_tide+1"
    assert table.name_at(0x4001, 0x8001) == "show_clock+1"
    assert table.name_at(0x4001, 0xC001) in ("show_tide+1", "show_clock+1")  # a copy in RAM
    assert table.name_at(0x4001, 0x0001) is None  # the wrong page of this very file
    assert table.name_at(0x8000, 0x20000) == "tide"


def test_lines_of_pages_need_the_relocations_and_are_left_out_without():
    without, kept = (read_elf(ROM, fixture(n)).symbols for n in ("paged.elf", "paged-relocs.elf"))
    assert str(without.line_at(0x0004, 0x0004)) == "paged.s:6"
    assert without.line_at(0x4001, 0x4001) is None
    assert str(kept.line_at(0x0004, 0x0004)) == "paged.s:6"
    assert str(kept.line_at(0x4001, 0x4001)) == "paged.s:15"
    assert str(kept.line_at(0x4001, 0x8001)) == "paged.s:25"


def test_a_library_that_changed_its_private_names_costs_only_the_lines(monkeypatch):
    monkeypatch.setattr(elflines.Z80Structs, "_create_initial_length", None)
    monkeypatch.setattr(DWARFStructs, "_structs_cache", {})
    elf = read_elf(ROM, fixture("gauge-dwarf4.elf"))
    assert elf.symbols.lines == ()
    assert elf.symbols.name_at(0x0017) == "console_init+1"
    monkeypatch.delattr(DWARFStructs, "_structs_cache")
    assert read_elf(ROM, fixture("gauge-dwarf4.elf")).symbols.lines == ()


def test_the_library_still_has_the_private_names_we_lean_on():
    elflines.teach_two_byte_addresses()
    for version in elflines.VERSIONS:
        structs = DWARFStructs(True, 32, 2, version)
        assert isinstance(structs, elflines.Z80Structs)
        assert structs.the_Dwarf_target_addr.parse(b"\x34\x12") == 0x1234


def test_an_absurd_count_in_the_line_table_ends_at_once():
    data = fixture("gauge-dwarf5.elf")
    head = data.index(bytes([13, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1]))  # opcode_base, lengths
    bad = with_bytes("gauge-dwarf5.elf", head + 13, b"\x00\xff\xff\xff\xff\x7f")
    assert read_elf(ROM, bad).symbols.lines == ()


@pytest.mark.parametrize(
    ("offset", "new", "text"),
    [
        (4, b"\x02", "rom.elf: is a 64-bit ELF file; link it for the Z80 (ELF32)."),
        (5, b"\x02", "rom.elf: is a big-endian ELF file; link it for the Z80 (little-endian)."),
        (18, b"\x03\x00", ("rom.elf: is an ELF file for machine 3, not the Z80 (220); "
         "link it with a Z80 linker.")),
        (44, b"\x00\x00", ("rom.elf: holds nothing to load; link it, or give the linked file "
         "instead of an object file.")),
    ],
)  # fmt: skip
def test_files_for_something_else_are_refused(offset, new, text):
    assert refusal(with_bytes("gauge-dwarf4.elf", offset, new)) == text


def test_truncated_files_are_refused():
    data = fixture("gauge-dwarf4.elf")
    assert refusal(data[:40]) == "rom.elf: is a truncated ELF file of 40 bytes; link it again."
    assert refusal(data[:-40]).startswith("rom.elf: is a damaged or truncated ELF file (")
    longer = struct.pack("<I", 0x5000)
    assert refusal(with_bytes("gauge-dwarf4.elf", 52 + 16, longer)) == (
        f"rom.elf: is truncated: it says it holds 20480 bytes at file offset 116, "
        f"but ends at {len(data)}; link it again."
    )
