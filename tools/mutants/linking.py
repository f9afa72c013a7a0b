"""Operators for the link map: where code, data and tables stand."""
from __future__ import annotations

import re
from collections.abc import Iterable

from mutants.kernel import Kernel
from mutants.model import LINK, Edit, Mutant, Registry
from mutants.places import spread

REGISTRY = Registry(LINK, 2)
REGION = re.compile(r"^\s*(\w+)\s*(\([^)]*\))?\s*:\s*(?:ORIGIN|org|o)\s*=\s*(\w+)\s*,\s*"
                    r"(?:LENGTH|len|l)\s*=\s*(\w+)", re.M)
ALIGN = re.compile(r"\bALIGN\s*\(\s*(\w+)\s*\)")
LOADED = re.compile(r">\s*(\w+)\s+(AT\s*>\s*\w+)")


def _script(kernel: Kernel) -> tuple[str, str]:
    name = kernel.image.get("script", "")
    return name, kernel.texts.get(name, "")


def _regions(kernel: Kernel) -> list[tuple[str, int, int, re.Match[str]]]:
    """Give name, origin, length and place of each region of the linker script."""
    out = []
    for found in REGION.finditer(_script(kernel)[1]):
        origin, length = kernel.port(found[3]), kernel.port(found[4])
        if origin is not None and length is not None:
            out.append((found[1], origin, length, found))
    return out


def _ram(kernel: Kernel) -> list[tuple[str, int, int, re.Match[str]]]:
    return [row for row in _regions(kernel)
            if "w" in (row[3][2] or "").lower() or "ram" in row[0].lower()]


def _moved(kernel: Kernel, name: str, rows: Iterable[tuple[str, int, int, re.Match[str]]],
           to: int, why: str, names: Iterable[str]) -> list[Mutant]:
    file = _script(kernel)[0]
    return spread(Mutant(kernel.name, name, region, LINK,
                         (f"@{to:#06x}-{to + min(length, 0x800) - 1:#06x}", f"{origin:#06x}",
                          *names), why=why,
                         hints=("stack", "RAM", "ROM"),
                         edits=(Edit(file, found.start(3), found.end(3), f"{to:#06x}"),))
                  for region, origin, length, found in rows)


def _data(kernel: Kernel, name: str, to: int, why: str) -> list[Mutant]:
    """Move the variables of a program in C."""
    text = (kernel.folder / "build.toml").read_text()
    found = re.search(rf'name\s*=\s*"{re.escape(kernel.image["name"])}"[^\[]*(?:\[[^\]]*\][^\[]*?)*'
                      r"^data\s*=\s*(\w+)", text, re.M)
    if not found:
        return []
    return [Mutant(kernel.name, name, "data", LINK, (f"{to:#06x}", *_variables(kernel)),
                   why=why, hints=("stack", "RAM", "ROM"),
                   edits=(Edit("build.toml", found.start(1), found.end(1), f"{to:#06x}"),))]


def _variables(kernel: Kernel) -> list[str]:
    """Name what is declared below .bss and .data, and the variables of C."""
    out, section = [], ""
    for line in kernel.lines:
        if line.op in (".section", ".area", ".bss", ".data", ".text", ".lcomm", ".comm"):
            section = f"{line.op} {line.args}".lower()
        if line.label and ("bss" in section or "data" in section or "ram" in section):
            out.append(line.label)
    for file, text in kernel.texts.items():
        if file.endswith(".c"):
            out += re.findall(r"^(?:static\s+|volatile\s+|unsigned\s+|struct\s+)*\w+\s+\**(\w+)"
                              r"(?:\[[^\]]*\])*\s*(?:=[^;]*)?;", text, re.M)
    return [name for name in dict.fromkeys(out) if len(name) > 1]


@REGISTRY.add("variables-in-rom")
def in_rom(kernel: Kernel) -> list[Mutant]:
    """The variables are linked over the ROM."""
    slot = kernel.slots[kernel.memory]
    if slot["card"] != "plain-memory":
        return []
    to = slot.get("rom-size", 32768) // 2
    why = "nothing that is written there stays"
    return _moved(kernel, "variables-in-rom", _ram(kernel)[-1:], to, why, _variables(kernel)) + \
        _data(kernel, "variables-in-rom", to, why)


@REGISTRY.add("variables-beyond-ram")
def beyond(kernel: Kernel) -> list[Mutant]:
    """The variables are linked where no chip stands."""
    slot = kernel.slots[kernel.memory]
    if slot["card"] != "plain-memory":
        return []
    first, size = slot.get("ram-start", 32768), slot.get("ram-size", 32768)
    rom = slot.get("rom-start", 0) + slot.get("rom-size", 32768)
    if first + size <= 0xF000:
        to = first + size
    elif rom + 0x800 <= first:
        to = rom
    else:
        return []
    why = "reads there give what the bus floats at"
    return _moved(kernel, "variables-beyond-ram", _ram(kernel)[-1:], to, why,
                  _variables(kernel)) + _data(kernel, "variables-beyond-ram", to, why)


@REGISTRY.add("linked-elsewhere")
def elsewhere(kernel: Kernel) -> list[Mutant]:
    """The program is linked 256 bytes higher than the CPU starts."""
    rows = [row for row in _regions(kernel) if row[1] == 0 and row[2] > 0x400][:1]
    return _moved(kernel, "linked-elsewhere", rows, 0x100, "the CPU starts in empty room",
                  ("0x0000", "blank", "FFh", "burned", "image"))


@REGISTRY.add("section-unaligned")
def unaligned(kernel: Kernel) -> list[Mutant]:
    """The alignment of a section is left out."""
    file, text = _script(kernel)
    out = []
    for number, found in enumerate(ALIGN.finditer(text)):
        if (kernel.port(found[1]) or 0) >= 16:
            out.append(Mutant(kernel.name, "section-unaligned", f"{file}:{number}", LINK,
                              ("I", "vector", "table", *_variables(kernel)),
                              why="a table does not begin where the code counts on",
                              edits=(Edit(file, found.start(1), found.end(1), "1"),)))
    return spread(out)


@REGISTRY.add("data-load-address")
def load(kernel: Kernel) -> list[Mutant]:
    """Initialised data are linked where they run and not behind the code."""
    file, text = _script(kernel)
    places = {name: f"@{origin:#06x}-{origin + length - 1:#06x}"
              for name, origin, length, _ in _regions(kernel)}
    return spread(Mutant(kernel.name, "data-load-address", f"{file}:{found[1]}", LINK,
                         (*_variables(kernel), found[1], *filter(None, [places.get(found[1])])),
                         why="the copy takes them from empty room",
                         edits=(Edit(file, found.start(2), found.end(2), ""),))
                  for found in LOADED.finditer(text))
