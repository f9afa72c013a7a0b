"""A user's floppy image, opened to look into it or to change it."""
from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from emu.errors import InputError
from emu.files.atomic import write_atomic
from emu.media import trackfile
from emu.media.bay import SIDES
from emu.media.files import open_floppy
from emu.media.geometry import FORMATS, RATES, Geometry, parse
from emu.media.image import SectorImage
from emu.media.track import Sector, Track, lay, sectors
from emu.media.track_layout import OVERHEAD

MISSING = "it is missing"
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


def trouble_of(sector: Sector) -> str:
    """Say what keeps a sector from being read, or an empty text."""
    if not sector.id_good:
        return "its ID has a bad CRC"
    if sector.data is None:
        return "no data mark follows its ID"
    return "" if sector.data_good else "its data have a bad CRC"


@dataclass
class Disk:
    """An image file in memory: raw sectors, or tracks by number (cylinder * 2 + head)."""

    path: Path
    image: SectorImage
    tracks: dict[int, Track] | None = None

    @classmethod
    def open(cls, path: Path, geometry: str | None) -> Disk:
        """Read an image whole; InputError when it is missing or its size does not fit."""
        found = open_floppy(path, geometry_of(geometry))
        if found.geometry is None:
            raise InputError(f"{path}: this track image does not say its geometry; name one with "
                             f"--geometry.")
        if found.tracks is None:
            return cls(path, SectorImage(found.geometry, bytearray(found.data), str(path)))
        return cls.of_tracks(path, found.geometry, dict(found.tracks))

    @classmethod
    def of_tracks(cls, path: Path, geometry: Geometry, tracks: dict[int, Track]) -> Disk:
        """Gather the sectors of some tracks; what cannot be read stays 00 and is noted."""
        image = SectorImage(geometry, bytearray(geometry.size), str(path))
        disk = cls(path, image, tracks)
        for block in range(0, image.count, geometry.sectors):
            cylinder, head, _ = image.where(block)
            found = {s.number: s for s in disk.track(cylinder, head) if s.cylinder == cylinder}
            for k in range(geometry.sectors):
                disk._take(block + k, found.get(geometry.first_sector + k))
        return disk

    def _take(self, block: int, sector: Sector | None) -> None:
        size = self.image.geometry.sector_size
        trouble = trouble_of(sector) if sector else MISSING
        if sector and sector.data is not None and len(sector.data) != size:
            trouble = f"it has {len(sector.data)} bytes"
        elif sector and sector.data is not None and sector.id_good:
            self.image.data[block * size:(block + 1) * size] = sector.data
        if trouble:
            self.image.unreadable[block] = trouble

    def track(self, cylinder: int, head: int) -> list[Sector]:
        """List the sectors of a track in the order in which they pass the head."""
        geometry = self.image.geometry
        first = self.image.number(cylinder, head, geometry.first_sector)
        if self.tracks is not None:
            held = self.tracks.get(cylinder * SIDES + head)
            return [] if held is None else sectors(held)
        at, size = first * geometry.sector_size, geometry.track_bytes
        return sectors(lay(geometry, cylinder, head, bytes(self.image.data[at:at + size])))

    def save(self) -> None:
        """Put the image into its file, whole or not at all."""
        if self.tracks is None:
            write_atomic(self.path, bytes(self.image.data), "medium")
            return
        for block in sorted(self.image.written):
            self._store(block)
        self.image.written.clear()
        write_atomic(self.path, trackfile.pack(self.image.geometry, self.tracks), "medium")

    def laid(self) -> dict[int, Track]:
        """Give the disk as tracks, laid out as its geometry says."""
        if self.tracks is not None:
            return self.tracks
        g, out = self.image.geometry, {}
        for number in range(g.cylinders * g.heads):
            cylinder, head = divmod(number, g.heads)
            at = number * g.track_bytes
            out[cylinder * SIDES + head] = lay(g, cylinder, head,
                                               bytes(self.image.data[at:at + g.track_bytes]))
        return out

    def spoil(self, cylinder: int, head: int, number: int, trouble: str) -> None:
        """Make a sector unreadable: "data", "id" or "missing"; only a track image can hold it."""
        self.image.number(cylinder, head, number)
        assert self.tracks is not None
        key = cylinder * SIDES + head
        for sector in self.track(cylinder, head):
            if sector.number == number:
                self.tracks[key] = trackfile.spoiled(self.tracks[key], sector, trouble)

    def _store(self, block: int) -> None:
        """Write a block into its track; InputError when there is no field for it."""
        cylinder, head, number = self.image.where(block)
        assert self.tracks is not None
        key = cylinder * SIDES + head
        held = self.tracks.get(key)
        size = self.image.geometry.sector_size
        for sector in self.track(cylinder, head):
            if held and sector.number == number and sector.id_good and sector.data is not None \
                    and len(sector.data) == size:
                content = bytes(self.image.data[block * size:(block + 1) * size])
                self.tracks[key] = trackfile.with_data(held, sector, content)
                return
        raise InputError(f"{self.path}: cylinder {cylinder}, head {head}, sector {number} cannot "
                         f"be written: it is missing; nothing was changed.")
