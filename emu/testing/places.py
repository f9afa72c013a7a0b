"""Addresses of symbols in a running machine, and memory by symbol, page map or chip."""
from __future__ import annotations

from dataclasses import dataclass

from emu.errors import InputError
from emu.files.symbols import SymbolTable
from emu.machine.address_names import Names
from emu.machine.machine import Machine


@dataclass(frozen=True)
class Spot:
    """A place: its 16-bit address, and the slot and place in its memory when fixed."""

    address: int
    slot: int | None = None
    physical: int | None = None


class Places:
    """Symbols of a machine's images, and what lies at them."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.names = Names(machine)
        self._tables: list[tuple[int, SymbolTable]] = [
            (slot.number, image.symbols)
            for slot, described in zip(machine.slots, machine.description.slots, strict=True)
            for image in described.images.values()]

    def spot(self, where: str | int) -> Spot:
        """Find a symbol, "symbol+4", "file.s:12" or an address; InputError for an unknown one."""
        if isinstance(where, int):
            return Spot(where & 0xFFFF)
        refusal: InputError | None = None
        for slot, table in self._tables:
            try:
                place = table.places(where)[0]
            except InputError as error:
                refusal = refusal or error
                continue
            return Spot(place.virtual, slot, place.physical)
        raise refusal or InputError(f"{where}: no image has symbols; give an address.")

    def read(self, where: str | int, size: int) -> bytes:
        """Read memory: a symbol's own page when it is fixed, else what the CPU sees now."""
        spot = self.spot(where)
        phys = self.machine.m.phys
        return bytes(0xFF if at is None else int(phys[at]) for at in self._cells(spot, size))

    def write(self, where: str | int, data: bytes) -> None:
        """Write memory, ROM too; InputError where no plain memory answers."""
        for place, octets in self.pieces(where, data):
            self.machine.m.phys[place:place + len(octets)] = list(octets)

    def pieces(self, where: str | int, data: bytes) -> list[tuple[int, bytes]]:
        """Cut what is to be written into pieces of physical memory: place and bytes.

        InputError where no plain memory answers.
        """
        spot = self.spot(where)
        out: list[tuple[int, bytes]] = []
        for at, byte in zip(self._cells(spot, len(data)), data, strict=True):
            if at is None:
                raise InputError(f"{spot.address:04X}h: no memory answers here, so nothing can be "
                                 f"written.")
            if out and at == out[-1][0] + len(out[-1][1]):
                out[-1] = out[-1][0], out[-1][1] + bytes([byte])
            else:
                out.append((at, bytes([byte])))
        return out

    def _cells(self, spot: Spot, size: int) -> list[int | None]:
        m = self.machine.m
        if spot.slot is not None and spot.physical is not None:
            start = int(m.mem_base[spot.slot]) + spot.physical
            return list(range(start, start + size))
        cells: list[int | None] = []
        for at in range(spot.address, spot.address + size):
            base = int(m.read_base_true[at >> 12 & 15])
            cells.append(base + (at & 0xFFF) if base >= 0 else None)
        return cells
