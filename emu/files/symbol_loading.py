"""Names and lines from any file that has them: an ELF file or a symbol list."""

from dataclasses import replace
from pathlib import Path

from emu.files import symbolfiles
from emu.files.inputfile import is_elf, read_limited
from emu.files.symbols import SymbolTable


def load_symbols(path: Path) -> SymbolTable:
    """Read the names and lines of an ELF file or of a symbol list.

    Lists may be SDCC's .noi, .map and .cdb, the output of GNU nm, a GNU ld map, or plain
    lines such as "name = 0x1234" and "1234 name". Sources are told from the file's folder too.
    Raises InputError naming the line.
    """
    data = read_limited(path, "symbol list")
    if is_elf(data):
        from emu.files.elf import read_elf

        table = read_elf(path, data).symbols
    else:
        table = symbolfiles.read_symbols(path, data)
    return replace(table, folders=(*table.folders, str(path.parent)))
