"""Which instructions and source lines of the images have run, and which branches both ways."""
from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from emu.files.image import Image
from emu.files.symbols import LineSpan, SymbolTable
from emu.isa.disassembler import disassemble
from emu.machine.machine import Machine
from emu.machine.source_files import SourceFiles
from emu.usage.used import UsedMachine

ENDS = ("jump", "return", "indirect")  # behind it no instruction of an assembler's line follows
ASSEMBLY = (".s", ".asm", ".z80", ".src", ".inc", ".a80", ".mac")
BRANCHES = ("branch", "branch-call", "branch-return")

Key = tuple[int, int, int]  # slot, page (physical less 16-bit address, or -1), 16-bit address


@dataclass
class Count:
    """An instruction of a source line: how often it ran, and how often it branched."""

    line: int
    function: str
    branch: bool
    ran: int = 0
    taken: int = 0


@dataclass
class Coverage:
    """Counts by source file, in the order of their addresses.  They add up with `add`."""

    images: str  # digest of what the counts are about
    files: dict[str, dict[Key, Count]] = field(default_factory=dict)
    unlined: int = 0  # instructions that ran and belong to no source line

    def add(self, other: Coverage) -> None:
        """Add the counts of another run of the same images."""
        for file, counts in other.files.items():
            mine = self.files.setdefault(file, {})
            for key, count in counts.items():
                if key in mine:
                    mine[key].ran += count.ran
                    mine[key].taken += count.taken
                else:
                    mine[key] = count
        self.unlined = max(self.unlined, other.unlined)


def coverage(machine: UsedMachine) -> Coverage:
    """Say what has run on a machine, by the line tables of its images."""
    out = Coverage(digest_of(machine))
    for slot, table in _tables(machine):
        base = int(machine.m.mem_base[slot])
        for span in table.lines:
            rows = out.files.setdefault(span.source.file, {})
            for key, branch in _instructions(machine, slot, base, span):
                name = table.name_at(key[2], span.physical if span.physical is None
                                     else span.physical + key[2] - span.virtual) or ""
                if key not in rows or rows[key].line < span.source.line:
                    rows[key] = Count(span.source.line, name.partition("+")[0], branch)
        _count(machine, slot, base, table, out)
    return out


def digest_of(machine: Machine) -> str:
    """Name the images of a machine by their contents, in 16 hex digits or so."""
    return "-".join(image.digest[:8] for slot in machine.description.slots
                    for image in slot.images.values()) or "none"


def sources(machine: Machine) -> dict[str, Path]:
    """Find the files of the line tables, as every view does; beside the image if nowhere."""
    found, out = SourceFiles(machine.description), {}
    for image, span in _spans(machine):
        file = span.source.file
        if file not in out:
            out[file] = (found.path(file) or image.path.parent / file).absolute()
    return out


def _spans(machine: Machine) -> Iterator[tuple[Image, LineSpan]]:
    for slot in machine.description.slots:
        for image in slot.images.values():
            for span in image.symbols.lines:
                yield image, span


def _tables(machine: Machine) -> Iterator[tuple[int, SymbolTable]]:
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        for image in described.images.values():
            yield slot.number, image.symbols


def _page(virtual: int, physical: int | None) -> int:
    return -1 if physical is None else physical - virtual


def _instructions(machine: Machine, slot: int, base: int,
                  span: LineSpan) -> Iterator[tuple[Key, bool]]:
    """Decode the code of a line: its instructions, and which of them branch."""
    m = machine.m
    page = _page(span.virtual, span.physical)
    if span.physical is not None:
        start = base + span.physical
    else:
        known = int(m.read_base_true[span.virtual >> 12])
        if known < 0 or int(m.owner[span.virtual >> 12]) != slot + 1:
            return
        start = known + (span.virtual & 0xFFF)
    code = np.asarray(m.phys)[start:start + span.end - span.virtual + 4].tobytes()
    at = span.virtual
    while at < span.end:
        one = disassemble(lambda a: code[(a - span.virtual) % len(code)], at)
        yield (slot, page, at), one.flow in BRANCHES
        at += one.length
        if one.flow in ENDS and span.source.file.lower().endswith(ASSEMBLY):
            break  # what stands behind is data, which has no lines of its own


def _count(machine: UsedMachine, slot: int, base: int, table: SymbolTable,
           out: Coverage) -> None:
    """Enter what ran in a slot's memory, by the line that it was made from."""
    u = machine.usage
    size = int(machine.m.mem_size[slot])
    ran = np.asarray(u.ran)[base:base + size]
    for place in np.flatnonzero(ran).tolist():
        address = int(u.seen_at[base + place])
        span = table.span_at(address, place)
        count = None
        if span is not None:
            key = (slot, _page(span.virtual, span.physical), address)
            count = out.files.get(span.source.file, {}).get(key)
        if count is None:
            out.unlined += 1
            continue
        count.ran += int(ran[place])
        count.taken += int(u.taken[base + place])


@dataclass(frozen=True)
class Total:
    """A row of the table: things that ran, and all of them."""

    name: str
    lines: tuple[int, int]
    instructions: tuple[int, int]
    ways: tuple[int, int]  # two for each conditional instruction

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"source": self.name, "lines": self.lines, "instructions": self.instructions,
                "branch_ways": self.ways}


def totals(found: Coverage) -> list[Total]:
    """Sum up by file, in the order of the names, and all in a last row."""
    rows = [_total(file, counts.values()) for file, counts in sorted(found.files.items())]
    whole = [sum(values) for values in zip(*((*r.lines, *r.instructions, *r.ways) for r in rows),
                                           strict=True)] or [0] * 6
    return [*rows, Total("all", (whole[0], whole[1]), (whole[2], whole[3]), (whole[4], whole[5]))]


def _total(name: str, counts: Iterable[Count]) -> Total:
    lines: dict[int, int] = defaultdict(int)
    ran = every = ways = 0
    branches = 0
    for count in counts:
        lines[count.line] |= count.ran > 0
        ran += count.ran > 0
        every += 1
        if count.branch:
            branches += 2
            ways += (count.taken > 0) + (count.ran > count.taken)
    return Total(name, (sum(lines.values()), len(lines)), (ran, every), (ways, branches))


def table(found: Coverage) -> list[str]:
    """Write the totals as text."""
    rows = totals(found)
    width = max(len(row.name) for row in rows)

    def cell(pair: tuple[int, int]) -> str:
        share = f"{100 * pair[0] / pair[1]:.0f} %" if pair[1] else "-"
        return f"{pair[0]} of {pair[1]}".rjust(14) + share.rjust(6)

    head = f"{'source':{width}}  {'lines run':>20}  {'instructions run':>20}  {'branch ways':>20}"
    out = [head] + [f"{row.name:{width}}  {cell(row.lines)}  {cell(row.instructions)}  "
                    f"{cell(row.ways)}" for row in rows]
    if found.unlined:
        out.append(f"{found.unlined} instructions that ran belong to no source line.")
    if len(rows) == 1:
        out.append("The images have no source lines: give an ELF file with debug lines, or "
                   "symbols = [...] with a list that has them.")
    return out
