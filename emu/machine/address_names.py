"""Names for addresses of a running machine: symbol, source line, slot and page."""
from __future__ import annotations

from emu.files.symbols import SourceLine, SymbolTable
from emu.machine.machine import Machine


class Names:
    """Symbols of all images in a machine, looked up through its page map as it is now."""

    def __init__(self, machine: Machine) -> None:
        self._m = machine.m
        self._tables: dict[int, SymbolTable] = {}
        for slot, described in zip(machine.slots, machine.description.slots, strict=True):
            for image in described.images.values():
                known = self._tables.get(slot.number)
                self._tables[slot.number] = (
                    image.symbols if known is None else known.merge(image.symbols))

    def physical(self, address: int) -> tuple[int, int | None]:
        """Give the slot that answers at an address (-1: none) and the place in its memory."""
        page = (address >> 12) & 15
        slot = int(self._m.owner[page]) - 1
        base = int(self._m.read_base_true[page])
        if slot < 0 or base < 0:
            return slot, None
        return slot, base + (address & 0xFFF) - int(self._m.mem_base[slot])

    def symbol(self, address: int) -> str | None:
        """Give "symbol" or "symbol+4" at or below an address."""
        slot, place = self.physical(address)
        for number, table in self._tables.items():
            if number == slot or slot < 0:
                name = table.name_at(address, place)
                if name:
                    return name
        return None

    def line(self, address: int) -> SourceLine | None:
        """Give the source line of an address."""
        slot, place = self.physical(address)
        table = self._tables.get(slot)
        return table.line_at(address, place) if table else None

    def known(self, address: int) -> bool:
        """Tell whether some image has a symbol near the address."""
        return self.symbol(address) is not None

    def at(self, address: int) -> str:
        """Describe a code address: "1234h, sched_idle+2 (sched.s:40)"."""
        name, line = self.symbol(address), self.line(address)
        text = f"{address:04X}h"
        if name:
            text += f", {name}"
        return text + (f" ({line})" if line else "")

    def data(self, address: int) -> str:
        """Describe a data address: "ticks (8123h)", or "8123h"."""
        name = self.symbol(address)
        return f"{name} ({address:04X}h)" if name else f"{address:04X}h"
