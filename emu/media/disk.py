"""A user's floppy image, opened to look into it or to change it."""
from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from emu.atomic import write_atomic
from emu.errors import InputError
from emu.media.files import open_floppy
from emu.media.geometry import FORMATS, RATES, Geometry, parse
from emu.media.image import SectorImage
from emu.media.track import OVERHEAD, Sector, lay, sectors

NAMES = ("cylinders", "heads", "sectors", "sector-size")


def geometry_of(text: str | None, interleave: int = 1, skew: int = 0) -> Geometry | None:
    """Read --geometry: a format's name, or numbers such as 80x2x9x512; None for None.

    Numbers get the slowest rate at which a track fits, at 300 rpm.
    """
    if text is None:
        return None
    order = {"interleave": interleave, "skew": skew}
    parts = text.split("x")
    if len(parts) == 1:
        return parse({"format": text.upper(), **order}, "--geometry")
    if len(parts) != 4 or not all(part.isascii() and part.isdigit() for part in parts):
        raise InputError(f"--geometry takes a format such as 720K, or "
                         f"CYLINDERSxHEADSxSECTORSxBYTES such as 80x2x9x512, not {text!r}.")
    numbers = tuple(map(int, parts))
    for name, usual in FORMATS.items():
        if numbers == (usual.cylinders, usual.heads, usual.sectors, usual.sector_size):
            return parse({"format": name, **order}, "--geometry")
    table = {**dict(zip(NAMES, numbers, strict=True)), **order}
    return parse({**table, **_recording(table["sectors"], table["sector-size"])}, "--geometry")


def _recording(count: int, size: int) -> dict[str, int]:
    """Choose rate and gap 3 for some sectors a track: the slowest rate that fits."""
    for rate in RATES:
        if rate == 300:  # a makeshift of 360 rpm drives, nobody's choice
            continue
        spare = rate * 25 - 146 - count * (size + OVERHEAD["mfm"])  # bytes a turn of 200 ms
        if spare >= 10 * (count + 1):
            return {"rate": rate, "gap3": min(spare // (count + 1), 0x74)}
    return {"rate": 500, "gap3": 10}


@dataclass
class Disk:
    """An image file in memory."""

    path: Path
    image: SectorImage

    @classmethod
    def open(cls, path: Path, geometry: str | None) -> Disk:
        """Read an image whole; InputError when it is missing or its size does not fit."""
        found = open_floppy(path, geometry_of(geometry))
        assert found.geometry is not None
        return cls(path, SectorImage(found.geometry, bytearray(found.data), str(path)))

    def track(self, cylinder: int, head: int) -> list[Sector]:
        """List the sectors of a track in the order in which they pass the head."""
        geometry = self.image.geometry
        first = self.image.number(cylinder, head, geometry.first_sector)
        content = self.image.blocks(first, geometry.sectors)
        return sectors(lay(geometry, cylinder, head, content))

    def save(self) -> None:
        """Put the image into its file, whole or not at all."""
        write_atomic(self.path, bytes(self.image.data), "medium")
