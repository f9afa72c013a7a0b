"""Read symbol lists: SDCC's .noi, .map and .cdb, GNU nm and ld maps, and plain lists.

SDCC writes its debug names into all three of its files: ``G$name$..`` and
``Fmodule$name$..`` for C names, ``C$file$line$..`` and ``A$module$line`` for lines, and
``XG$name$..`` for a function's last instruction. Addresses above FFFFh are physical;
their low 16 bits are where the page is seen.
"""

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from emu.errors import InputError, printable
from emu.files.symbols import LineSpan, SourceLine, Symbol, SymbolTable, parse_number

LINE_REACH = 0x40
"""Bytes that the last line before unknown code speaks for."""

SDCC_NAME = re.compile(r"(X?)(G|[FL][^$]*)\$([^$]+)\$[^$]*\$[^$]*")
C_LINE = re.compile(r"C\$(.+)\$([0-9]{1,9})\$[^$]*\$[^$]*")
ASSEMBLER_LINE = re.compile(r"A\$(.+)\$([0-9]{1,9})")
MAP_AREA = re.compile(r"(\S+) +[0-9A-F]{4,8} +[0-9A-F]{4,8} = +\d+\. bytes \((\w+)")
MAP_SYMBOL = re.compile(r" +([0-9A-F]{4,8}) {2}(\S+)( +\S+)?")
GNU_MAP_SYMBOL = re.compile(r" {16}0x([0-9a-f]{8,16}) {16}([A-Za-z_.$][\w.$]*)")
NAME = r"[A-Za-z_.?@$][\w.?@$]*"
NUMBER = r"(?:0[xX][0-9A-Fa-f]+|\$[0-9A-Fa-f]+|[0-9][0-9A-Fa-f]*[hH]?)"
ASSIGNED = re.compile(rf"({NAME})\s*:?\s*(?:=|:=|\.?equ\b|\.?EQU\b)\s*({NUMBER})")
NM_LINE = re.compile(rf"([0-9A-Fa-f]{{4,16}}) ([A-Za-z?]) ({NAME})")
NUMBER_FIRST = re.compile(rf"(?:0[xX]|\$)?([0-9A-Fa-f]{{4,8}})[hH]?\s+({NAME})")
NAME_FIRST = re.compile(rf"({NAME})\s+(?:0[xX]|\$)?([0-9A-Fa-f]{{4,8}})[hH]?")
NM_KINDS = {"a": "abs", "n": "abs", "b": "object", "d": "object"}


class Found:
    """Gather names and lines while reading; the table comes last."""

    def __init__(self) -> None:
        self.symbols: dict[tuple[str, int], Symbol] = {}
        self.lines: dict[str, list[tuple[int, str, int]]] = {"C": [], "A": []}
        self.ends: list[int] = []

    def name(self, name: str, address: int, kind: str = "notype", local: bool = False) -> None:
        """Take a name as it stands in a list, or what an SDCC debug name stands for."""
        if match := C_LINE.fullmatch(name):
            self.lines["C"].append((address, match[1], int(match[2])))
        elif match := ASSEMBLER_LINE.fullmatch(name):
            self.lines["A"].append((address, f"{match[1]}.asm", int(match[2])))
        elif match := SDCC_NAME.fullmatch(name):
            if match[1]:
                self.ends.append(address + 1)
            else:
                self._add(match[3], address, kind, match[2] != "G")
        elif not name.startswith("."):
            of_linker = name.startswith(("l__", "s__"))
            self._add(name, address, "abs" if of_linker else kind, local)

    def _add(self, name: str, address: int, kind: str, local: bool) -> None:
        value = address if kind == "abs" else address & 0xFFFF
        physical = address if address > 0xFFFF and kind != "abs" else None
        self.symbols[name, address] = Symbol(printable(name), value, physical, 0, kind, "", local)

    def table(self) -> SymbolTable:
        """Build the table; a C line hides the assembler lines made from it."""
        modules = {Path(file).stem for _, file, _ in self.lines["C"]}
        rows = [row for row in self.lines["A"] if Path(row[1]).stem not in modules]
        rows += self.lines["C"]
        stops = sorted({address for address, _, _ in rows} | set(self.ends))
        after = dict(pairwise(stops))
        spans = tuple(_span(address, file, line, after) for address, file, line in rows)
        return SymbolTable(tuple(self.symbols.values()), spans)


def _span(address: int, file: str, line: int, after: dict[int, int]) -> LineSpan:
    end = min(after.get(address, address + LINE_REACH), address + LINE_REACH * 4)
    virtual, physical = address & 0xFFFF, address if address > 0xFFFF else None
    return LineSpan(virtual, physical, virtual + end - address, SourceLine(printable(file), line))


def read_symbols(path: Path, data: bytes) -> SymbolTable:
    """Read a symbol list of any known form from the bytes of a file.

    Raises InputError naming the file, the line and the mend.
    """
    try:
        lines = data.decode("utf-8").splitlines()
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: is no text (byte {error.start}); give a symbol list or an ELF file."
        ) from None
    found = Found()
    _reader(path, lines)(path, lines, found)
    if not found.symbols and not any(found.lines.values()):
        raise InputError(f"{path}: holds no symbols; link again with the symbol list turned on.")
    return found.table()


def _reader(path: Path, lines: list[str]) -> Callable[[Path, list[str], Found], None]:
    head = "\n".join(lines[:400])
    if "ASxxxx Linker" in head:
        return _sdcc_map
    if "Linker script and memory map" in head:
        return _gnu_map
    if path.suffix.lower() == ".cdb" or re.match(r"M:\w", head):
        return _cdb
    return _noi if path.suffix.lower() == ".noi" or head.startswith("DEF ") else _plain


def _sdcc_map(path: Path, lines: list[str], found: Found) -> None:
    kind = "notype"
    for line in lines:
        if area := MAP_AREA.search(line):
            kind = "abs" if area[2] == "ABS" else "notype"
        elif match := MAP_SYMBOL.fullmatch(line.rstrip()):
            found.name(match[2], int(match[1], 16), kind)


def _gnu_map(path: Path, lines: list[str], found: Found) -> None:
    for line in lines:
        if match := GNU_MAP_SYMBOL.fullmatch(line.rstrip()):
            found.name(match[2], int(match[1], 16))


def _cdb(path: Path, lines: list[str], found: Found) -> None:
    kinds = _cdb_kinds(lines)
    for number, line in enumerate(lines, 1):
        if not re.match(r"[MFSTL]:", line) and line.strip():
            raise _bad(path, number, line, "a .cdb line starts with M:, F:, S:, T: or L:")
        if line.startswith("L:"):
            name, _, address = line[2:].rpartition(":")
            if not name or not re.fullmatch(r"[0-9A-Fa-f]{1,8}", address.strip()):
                raise _bad(path, number, line, 'it should read "L:name:address"')
            kind = kinds.get(tuple(name.split("$")[:2]), "notype")
            found.name(name, int(address, 16), kind)


def _cdb_kinds(lines: list[str]) -> dict[tuple[str, ...], str]:
    """What the S: lines say of a scope and name: function, variable, or port (space I, J)."""
    kinds: dict[tuple[str, ...], str] = {}
    for line in lines:
        if match := re.match(r"S:([^(]+)\(\{[0-9]+\}(\w\w).*\),(\w),", line):
            variable = "abs" if match[3] in "IJ" else "object"
            kinds[tuple(match[1].split("$")[:2])] = "func" if match[2] == "DF" else variable
    return kinds


def _noi(path: Path, lines: list[str], found: Found) -> None:
    for number, line in enumerate(lines, 1):
        if match := re.fullmatch(r"DEF (\S+) 0x([0-9A-Fa-f]{1,8})\s*", line):
            found.name(match[1], int(match[2], 16), "untold")
        elif line.startswith("DEF "):
            raise _bad(path, number, line, 'it should read "DEF name 0x1234"')


def _plain(path: Path, lines: list[str], found: Found) -> None:
    for number, line in enumerate(lines, 1):
        text = re.split(r"\s*[;#]", line, maxsplit=1)[0].strip()
        if text:
            name, address, kind, local = _plain_line(path, number, text)
            found.name(name, address, kind, local)


def _plain_line(path: Path, number: int, text: str) -> tuple[str, int, str, bool]:
    if match := ASSIGNED.fullmatch(text):
        value = parse_number(match[2])
        if value is not None and value <= 0xFFFFFFFF:
            return match[1], value, "untold", False
    elif match := NM_LINE.fullmatch(text):
        kind = NM_KINDS.get(match[2].lower(), "notype")
        return match[3], int(match[1], 16), kind, match[2].islower()
    else:
        first, second = NUMBER_FIRST.fullmatch(text), NAME_FIRST.fullmatch(text)
        if first and second:
            raise _bad(path, number, text, "either word may be the number; put 0x before it")
        if first:
            return first[2], int(first[1], 16), "untold", False
        if second:
            return second[1], int(second[2], 16), "untold", False
    raise _bad(path, number, text, 'write "name = 0x1234" or "1234 name"')


def _bad(path: Path, number: int, line: str, mend: str) -> InputError:
    return InputError(f'{path}:{number}: cannot read "{line.strip()[:60]}" as a symbol; {mend}.')
