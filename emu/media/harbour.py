"""Tidewater's file system: a file is one run of sectors, its directory entry is written last.

docs/tidewater-disk.md describes it byte by byte; roms/tidewater/harbour.s is its other side.
"""
from __future__ import annotations

import re
import struct
from datetime import UTC, datetime, timedelta

from emu.errors import InputError
from emu.media.filesystem import Entry
from emu.media.image import SectorImage, format_name

VOLUME = struct.Struct("<4s4B3H2x12s")  # magic, version, sectors, heads, cylinders, ...
RECORD = struct.Struct("<12sBxHHIIH4x")  # name, kind, first, blocks, length, seconds, sum
FILE, BAD = 1, 2
DIRECTORY_BLOCKS = 4
PER_BLOCK = 512 // RECORD.size
EPOCH = datetime(2031, 3, 1, tzinfo=UTC)
END = int((datetime(2100, 1, 1, tzinfo=UTC) - EPOCH).total_seconds())  # from here on: before 2031
NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,11}$")


class Harbour:
    """The file system on a sector image."""

    kind = "tidewater"
    MAGIC = b"TWFD"

    def __init__(self, image: SectorImage) -> None:
        self.image = image
        (_, version, sectors, heads, cylinders, self.total, self.start, self.length,
         label) = VOLUME.unpack_from(image.block(0))
        geometry = image.geometry
        if version != 1:
            raise InputError(f"{image.place}: its Tidewater volume has version {version}, and "
                             f"only version 1 is known; format it again.")
        if (sectors, heads, cylinders) != (geometry.sectors, geometry.heads, geometry.cylinders) \
                or self.total != image.count or self.length == 0 \
                or self.start + self.length > self.total:
            raise InputError(f"{image.place}: its Tidewater volume is for {cylinders} cylinders, "
                             f"{heads} heads and {sectors} sectors, not for "
                             f"{format_name(geometry)}; name the right geometry or format it "
                             f"again.")
        self.label = label.rstrip(b"\0").decode("latin-1")

    @classmethod
    def make(cls, image: SectorImage, label: str = "") -> Harbour:
        """Write an empty volume: the volume sector, then an empty directory."""
        if label and not NAME.match(label):
            raise InputError(_bad_name(image.place, "label", label))
        g = image.geometry
        if image.count <= DIRECTORY_BLOCKS + 1:
            raise InputError(f"{image.place}: {image.count} sectors leave no room for a directory; "
                             f"take a larger geometry.")
        image.put(0, VOLUME.pack(cls.MAGIC, 1, g.sectors, g.heads, g.cylinders, image.count, 1,
                                 DIRECTORY_BLOCKS, label.encode()))
        for block in range(1, 1 + DIRECTORY_BLOCKS):
            image.put(block, b"")
        return cls(image)

    def _records(self) -> list[tuple[int, tuple[bytes, int, int, int, int, int, int]]]:
        """List the used directory entries with their numbers."""
        raw = self.image.blocks(self.start, self.length)
        rows = enumerate(RECORD.iter_unpack(raw))
        return [(number, row) for number, row in rows if row[0][0]]

    def _find(self, name: str) -> tuple[int, tuple[bytes, int, int, int, int, int, int]]:
        for number, row in self._records():
            if row[1] == FILE and _text(row[0]) == name:
                return number, row
        raise InputError(f"{self.image.place}: there is no file {name!r}; `preburn medium list` "
                         f"shows what there is.")

    def entries(self) -> list[Entry]:
        """List the files in the order of the directory."""
        return [Entry(_text(name), length, first,
                      _date(seconds) if seconds else "")
                for _, (name, kind, first, _, length, seconds, _) in self._records()
                if kind == FILE]

    def blocks_of(self, name: str) -> list[int]:
        """List the blocks of a file in order."""
        _, (_, _, first, blocks, length, _, _) = self._find(name)
        if first + blocks > self.total or length > blocks * 512:
            raise InputError(f"{self.image.place}: the directory entry of {name!r} points beyond "
                             f"its room; the disk is damaged, take the file from a copy.")
        return list(range(first, first + blocks))

    def read(self, name: str) -> bytes:
        """Give a file's bytes, held against the sum in its entry."""
        _, row = self._find(name)
        run = self.blocks_of(name)
        data = self.image.blocks(run[0], len(run))[:row[4]] if run else b""
        if sum(data) & 0xFFFF != row[6]:
            raise InputError(f"{self.image.place}: the bytes of {name!r} add up to "
                             f"{sum(data) & 0xFFFF:04X}h and its entry says {row[6]:04X}h; the "
                             f"file is damaged, take it from a copy.")
        return data

    def write(self, name: str, data: bytes, seconds: int = 0) -> None:
        """Write a file as one run into the first gap that holds it, then its entry."""
        if not NAME.match(name):
            raise InputError(_bad_name(self.image.place, "name", name))
        if any(entry.name == name for entry in self.entries()):
            raise InputError(f"{self.image.place}: {name!r} is there already; say --replace, or "
                             f"give it another name.")
        need = -(-len(data) // 512)
        first = self._room(need)
        free = set(range(self.length * PER_BLOCK)) - {number for number, _ in self._records()}
        if not free:
            raise InputError(f"{self.image.place}: its directory of "
                             f"{self.length * PER_BLOCK} entries is full; remove a file first.")
        for k in range(need):
            self.image.put(first + k, data[512 * k:512 * k + 512])
        since = int(seconds - EPOCH.timestamp()) & 0xFFFFFFFF if seconds else 0
        self._put(min(free), RECORD.pack(name.encode(), FILE, first, need, len(data), since,
                                         sum(data) & 0xFFFF))

    def remove(self, name: str) -> None:
        """Clear a file's directory entry."""
        self._put(self._find(name)[0], bytes(RECORD.size))

    def _put(self, number: int, record: bytes) -> None:
        block, at = divmod(number, PER_BLOCK)
        raw = bytearray(self.image.block(self.start + block))
        raw[at * RECORD.size:(at + 1) * RECORD.size] = record
        self.image.put(self.start + block, bytes(raw))

    def _gaps(self) -> list[tuple[int, int]]:
        """List the free runs as first block and length."""
        gaps, at = [], self.start + self.length
        taken = sorted((row[2], row[3]) for _, row in self._records())
        for first, blocks in [*taken, (self.total, 0)]:
            if first > at:
                gaps.append((at, first - at))
            at = max(at, first + blocks)
        return gaps

    def _room(self, need: int) -> int:
        for first, length in self._gaps():
            if length >= need:
                return first
        longest = max((length for _, length in self._gaps()), default=0)
        raise InputError(f"{self.image.place}: the file needs a run of {need} sectors and the "
                         f"longest free one has {longest}; remove a file first.")

    def free(self) -> int:
        """Give the free bytes, in however many runs."""
        return sum(length for _, length in self._gaps()) * 512

    def bad_blocks(self) -> list[int]:
        """List the blocks that the directory keeps out of use as bad."""
        return [block for _, row in self._records() if row[1] == BAD
                for block in range(row[2], row[2] + row[3])]

    def problems(self) -> list[str]:
        """Say what is wrong: runs that leave the disk or overlap, sums that differ."""
        found, taken = [], dict.fromkeys(range(self.start + self.length), "the directory")
        for _, (name, kind, first, blocks, length, _, _) in self._records():
            text = _text(name)
            if kind not in (FILE, BAD):
                found.append(f"{text}: unknown kind {kind}")
            if first + blocks > self.total or length > blocks * 512:
                found.append(f"{text}: points beyond its room")
                continue
            over = {taken[block] for block in range(first, first + blocks) if block in taken}
            found.extend(f"{text}: shares sectors with {other}" for other in sorted(over))
            taken.update(dict.fromkeys(range(first, first + blocks), text))
            if kind == FILE:
                try:
                    self.read(text)
                except InputError:
                    found.append(f"{text}: its sum differs")
        return found


def _text(name: bytes) -> str:
    return name.rstrip(b"\0").decode("latin-1")


def _date(seconds: int) -> str:
    """Give the date of seconds since 2031, modulo 2^32."""
    return str(EPOCH + timedelta(seconds=seconds - (2**32 if seconds >= END else 0)))[:19]


def _bad_name(place: str, what: str, name: str) -> str:
    return (f"{place}: {name!r} is no {what} for Tidewater; it takes 1 to 12 of a-z 0-9 . _ -, "
            f"the first a letter or digit.")
