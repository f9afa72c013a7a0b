"""A sector image in memory: the bytes of a disk, by block or by cylinder, head and sector."""
from __future__ import annotations

from dataclasses import dataclass, field

from emu.errors import InputError
from emu.media.geometry import FORMATS, Geometry


@dataclass
class SectorImage:
    """A disk's sectors in the order cylinder, head, number; ``place`` names it in messages."""

    geometry: Geometry
    data: bytearray
    place: str
    unreadable: dict[int, str] = field(default_factory=dict)  # block: what keeps it from being read
    written: set[int] = field(default_factory=set)  # blocks that have been put

    @property
    def count(self) -> int:
        """Sectors on the whole disk."""
        return self.geometry.size // self.geometry.sector_size

    def block(self, number: int) -> bytes:
        """Give the bytes of a block; InputError beyond the end or when it cannot be read."""
        at = self._at(number)
        if number in self.unreadable:
            cylinder, head, sector = self.where(number)
            raise InputError(f"{self.place}: cylinder {cylinder}, head {head}, sector {sector} "
                             f"cannot be read: {self.unreadable[number]}; take a copy, or make "
                             f"the disk anew.")
        return bytes(self.data[at:at + self.geometry.sector_size])

    def put(self, number: int, data: bytes) -> None:
        """Write a block; what is short of a sector is filled with 00."""
        at, size = self._at(number), self.geometry.sector_size
        if len(data) > size:
            raise ValueError(f"{len(data)} bytes do not fit a sector of {size}")
        self.data[at:at + size] = data.ljust(size, b"\0")
        self.written.add(number)

    def blocks(self, first: int, count: int) -> bytes:
        """Give the bytes of consecutive blocks."""
        return b"".join(self.block(number) for number in range(first, first + count))

    def number(self, cylinder: int, head: int, sector: int) -> int:
        """Give the block of a sector; InputError when the geometry has none such."""
        g = self.geometry
        for what, value, low, count in (("cylinder", cylinder, 0, g.cylinders),
                                        ("head", head, 0, g.heads),
                                        ("sector", sector, g.first_sector, g.sectors)):
            if not low <= value < low + count:
                raise InputError(f"{self.place}: there is no {what} {value}; they run from {low} "
                                 f"to {low + count - 1}.")
        return (cylinder * g.heads + head) * g.sectors + sector - g.first_sector

    def where(self, block: int) -> tuple[int, int, int]:
        """Give cylinder, head and sector number of a block."""
        track, sector = divmod(block, self.geometry.sectors)
        return (*divmod(track, self.geometry.heads), sector + self.geometry.first_sector)

    def _at(self, number: int) -> int:
        if not 0 <= number < self.count:
            raise InputError(f"{self.place}: there is no sector {number}; the last one is "
                             f"{self.count - 1}.")
        return number * self.geometry.sector_size


def filled(geometry: Geometry, fill: int, place: str) -> SectorImage:
    """Make a disk whose sectors all hold one byte."""
    return SectorImage(geometry, bytearray([fill]) * geometry.size, place)


def format_name(geometry: Geometry) -> str:
    """Name a geometry: its usual name, or its numbers."""
    g = geometry
    for name, usual in FORMATS.items():
        if (g.cylinders, g.heads, g.sectors, g.sector_size) == (
                usual.cylinders, usual.heads, usual.sectors, usual.sector_size):
            return name
    return f"{g.cylinders}x{g.heads}x{g.sectors}x{g.sector_size}"
