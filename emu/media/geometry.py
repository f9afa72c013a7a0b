"""How the sectors of a raw floppy image lie on the disk.

A raw image holds the sectors in the order cylinder, head, sector number, and nothing else;
so its size alone has to tell how it was recorded, or the backplane file says it.
Sizes and sectors of the four usual formats: gap table of a Super-I/O data sheet
(FDC37N769, table 44), and arithmetic.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from emu.errors import InputError, nearest
from emu.media.track_layout import OVERHEAD

ENCODINGS = ("mfm", "fm")
RATES = (250, 300, 500)  # kbit/s in MFM; in FM a byte takes twice as long
SECTOR_SIZES = (128, 256, 512, 1024, 2048, 4096, 8192)


@dataclass(frozen=True)
class Geometry:
    """Where sectors lie: counts, numbering, order on the track, and how they are recorded."""

    cylinders: int
    heads: int
    sectors: int  # a track
    sector_size: int = 512  # bytes
    rate: int = 250  # kbit/s in MFM, at ``rpm``; FM has half of it
    rpm: int = 300
    gap3: int = 0x54  # bytes between sectors, as FORMAT wrote them
    first_sector: int = 1
    interleave: int = 1  # the next number stands this many places on
    skew: int = 0  # places that numbering starts later on each further track
    encoding: str = "mfm"

    @property
    def track_bytes(self) -> int:
        """Bytes of sectors on one side of one cylinder."""
        return self.sectors * self.sector_size

    @property
    def size(self) -> int:
        """Bytes of the raw image."""
        return self.cylinders * self.heads * self.track_bytes

    @property
    def turn_bytes(self) -> int:
        """Bytes that pass the head in one turn: gaps, marks and all (FM: half of it)."""
        return self.rate * 1000 * 60 // (self.rpm * 8)

    def order(self, track: int) -> list[int]:
        """Give the sector numbers of a track, from the index on; tracks count through."""
        places: list[int | None] = [None] * self.sectors
        at = track * self.skew % self.sectors
        for number in range(self.sectors):
            while places[at] is not None:
                at = (at + 1) % self.sectors
            places[at] = self.first_sector + number
            at = (at + self.interleave) % self.sectors
        return [place for place in places if place is not None]


FORMATS = {
    "360K": Geometry(40, 2, 9, gap3=0x50),
    "720K": Geometry(80, 2, 9),
    "1.2M": Geometry(80, 2, 15, rate=500, rpm=360),
    "1.44M": Geometry(80, 2, 18, rate=500, gap3=0x6C),
}

_LIMITS: Mapping[str, tuple[int, int]] = {
    "cylinders": (1, 85), "heads": (1, 2), "sectors": (1, 64), "gap3": (1, 255),
    "first-sector": (0, 255), "interleave": (1, 63), "skew": (0, 63),
}
_CHOICES: Mapping[str, tuple[Any, ...]] = {
    "sector-size": SECTOR_SIZES, "rate": RATES, "rpm": (300, 360), "encoding": ENCODINGS,
}
KEYS = ("format", *(f.name.replace("_", "-") for f in fields(Geometry)))


def _checked(key: str, value: Any, place: str) -> Any:
    if key in _CHOICES:
        if type(value) not in (int, str) or value not in _CHOICES[key]:
            choices = ", ".join(str(c) for c in _CHOICES[key])
            raise InputError(f"{place}: {key} takes {choices}, not {value!r}.")
        return value
    low, high = _LIMITS[key]
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise InputError(f"{place}: {key} takes a whole number from {low} to {high}, not "
                         f"{value!r}.")
    return value


def parse(value: Any, place: str) -> Geometry:
    """Read a geometry: a format's name, or a table that may start from one.

    Raises InputError on unknown keys, values out of range, and tracks that overflow.
    """
    table = {"format": value} if isinstance(value, str) else value
    if not isinstance(table, Mapping):
        raise InputError(f'{place} takes a format such as "1.44M" or a table such as '
                         f"{{ cylinders = 80, heads = 2, sectors = 9 }}, not {value!r}.")
    for key in table:
        if key not in KEYS:
            raise InputError(f"{place}: unknown key {key!r}; {nearest(key, KEYS)}")
    name = table.get("format")
    if name is not None and (not isinstance(name, str) or name not in FORMATS):
        raise InputError(f"{place}: format takes {', '.join(FORMATS)}, not {name!r}.")
    if name is None and not {"cylinders", "heads", "sectors"} <= set(table):
        raise InputError(f"{place} needs cylinders, heads and sectors, or a format.")
    given = {key.replace("-", "_"): _checked(key, v, place) for key, v in table.items()
             if key != "format"}
    geometry = replace(FORMATS[name], **given) if name else Geometry(**given)
    _check_fit(geometry, place)
    return geometry


def _check_fit(geometry: Geometry, place: str) -> None:
    """Refuse sectors that one turn cannot hold even without gaps between them."""
    turn = geometry.turn_bytes // (2 if geometry.encoding == "fm" else 1)
    need = geometry.sectors * (geometry.sector_size + OVERHEAD[geometry.encoding])
    if need > turn:
        raise InputError(f"{place}: {geometry.sectors} sectors of {geometry.sector_size} bytes "
                         f"need {need} bytes a turn with their marks, but {turn} pass the head; "
                         f"take fewer or a higher rate.")


def of_size(size: int, path: Path) -> Geometry:
    """Find the format that an image's size tells; InputError when none does."""
    for geometry in FORMATS.values():
        if geometry.size == size:
            return geometry
    known = ", ".join(f"{name} ({g.size} bytes)" for name, g in FORMATS.items())
    raise InputError(f"{path}: {size} bytes fit no format: {known}; make the image whole, or give "
                     f"the drive a geometry.")
