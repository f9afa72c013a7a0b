"""What a builder calls things: symbols, source lines, slots, ports, and places in memory."""
from __future__ import annotations

from dataclasses import dataclass

from emu.errors import InputError
from emu.files.symbols import SymbolTable
from emu.logs.setting import setting_of
from emu.logs.when import places
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.machine.source_files import SourceFiles
from emu.stepper.expression import Node, Parser, Scene, evaluate


@dataclass(frozen=True)
class Target:
    """An address that was named: 16-bit, and where in physical memory it must lie.

    ``place`` None: whatever is mapped there; ``slot`` is the card whose image named it, -1
    when nothing but the number is known.
    """

    address: int
    place: int | None = None
    slot: int = -1


def read_byte(m: object, address: int) -> int:
    """Read memory through the page map, without a bus cycle; FFh where it is not plain."""
    base = int(m.read_base_true[(address >> 12) & 15])  # type: ignore[attr-defined]
    return int(m.phys[base + (address & 0xFFF)]) if base >= 0 else 0xFF  # type: ignore[attr-defined]


class Lookup(Names):
    """Names of one machine: what `Names` tells, and what a builder asks for by name."""

    def __init__(self, machine: Machine) -> None:
        super().__init__(machine)
        self.machine = machine
        self.setting = setting_of(machine)
        self.sources = SourceFiles(machine.description)

    @property
    def tables(self) -> dict[int, SymbolTable]:
        """Symbols by slot number."""
        return self._tables

    def source_named(self, path: str) -> str:
        """Give the source file at a path as the debug data names it."""
        files = {span.source.file for table in self._tables.values() for span in table.lines}
        return self.sources.name(path, files)

    def symbol_names(self) -> list[str]:
        """List all symbols, each once."""
        return sorted({s.name for table in self._tables.values() for s in table.symbols})

    def value(self, name: str) -> int | None:
        """Give what a symbol stands for; what other files can see goes first."""
        found = [s for table in self._tables.values() for s in table.find_all(name)]
        return max(found, key=lambda s: not s.local).value if found else None

    def expression(self, text: str) -> Node:
        """Read an expression; InputError says what is wrong in it."""
        return Parser(text, self.value, self.symbol_names).whole()

    def byte(self, address: int) -> int:
        """Read memory as the CPU sees it now, without a bus cycle."""
        return read_byte(self.machine.m, address)

    def add(self, slot: int, table: SymbolTable) -> None:
        """Take more names for a slot's memory."""
        self._tables[slot] = self._tables.get(slot, SymbolTable()).merge(table)
        self.setting.symbols[slot] = self._tables[slot]

    def work_out(self, text: str) -> int:
        """Give what an expression is worth now."""
        return evaluate(self.expression(text), self.scene({}))

    def scene(self, facts: dict[str, int]) -> Scene:
        """Give what an expression is evaluated over."""
        m = self.machine.m
        return Scene(m, lambda address: read_byte(m, address), {"t": int(m.t), **facts})

    def targets(self, text: str) -> list[Target]:
        """Find what a symbol, "symbol+4", "file.s:12", number or expression names.

        InputError when nothing is found, or an expression gives no address.
        """
        try:
            named = places("", text, self.setting)
        except InputError as error:
            try:
                return [Target(self.work_out(text) & 0xFFFF)]
            except InputError:
                raise InputError(str(error).strip()) from None
        out = []
        for slot, place in named:
            base = self.setting.bases.get(slot)
            lies = base is not None and place.physical is not None
            out.append(Target(place.virtual,
                              base + place.physical if lies else None, slot))  # type: ignore[operator]
        return out

    def address(self, text: str) -> int:
        """Give the one address that a text names."""
        return self.targets(text)[0].address

    def place(self, address: int) -> int | None:
        """Give where an address lies in physical memory now; None: not in plain memory."""
        base = int(self._m.read_base_true[(address >> 12) & 15])
        return base + (address & 0xFFF) if base >= 0 else None

    def name_of_place(self, place: int) -> str:
        """Name a place in physical memory by the address at which it is mapped now."""
        for page in range(16):
            base = int(self._m.read_base_true[page])
            if 0 <= base <= place < base + 0x1000:
                return self.data(page << 12 | place - base)
        return f"{place:05X}h of physical memory"

    def page_condition(self, target: Target) -> Node | None:
        """Make the condition that a target is what the map shows: its page, or a copy elsewhere.

        A copy lies outside what its image fills.  None: any page will do.
        """
        if target.place is None:
            return None
        here = Node("place", number=target.address)

        def holds(op: str, value: int) -> Node:
            return Node(op, (here, Node("number", number=value)))

        found = holds("=", target.place)
        base, outside = self.setting.bases[target.slot], holds(">=", 0)
        for start, end in self._tables[target.slot].extents:
            apart = Node("or", (holds("<", base + start), holds(">=", base + end)))
            outside = Node("and", (outside, apart))
        return Node("or", (found, outside))

    def exact(self, address: int) -> str | None:
        """Name an address when a symbol stands just there, as the map is now."""
        name = self.symbol(address)
        return name if name and "+" not in name else None

    def length(self, text: str) -> int:
        """Give the bytes that a symbol's size covers, at least 1."""
        found = [s for table in self._tables.values() for s in table.find_all(text)]
        return max([s.size for s in found], default=1) or 1
