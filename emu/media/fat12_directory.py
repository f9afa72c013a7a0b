"""FAT directory entries: names, dates, places (ECMA-107)."""
from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field
from datetime import UTC, datetime

from emu.errors import InputError
from emu.media.image import SectorImage

ENTRY = struct.Struct("<11sB10sHHHI")  # name, attributes, unused, time, date, cluster, length
FOLDER, LONG_NAME, ARCHIVE, LABEL = 0x10, 0x0F, 0x20, 0x08
SHORT = re.compile(r"([A-Z0-9!#$%&'()@^_`{}~-]{1,8})(?:\.([A-Z0-9!#$%&'()@^_`{}~-]{1,3}))?$")


@dataclass
class Slot:
    """A directory entry and where it lies: block, byte."""

    block: int
    at: int
    raw: bytes
    long_name: list[Slot] = field(default_factory=list)  # the entries that hold its long name

    @property
    def cluster(self) -> int:
        """Its first cluster, 0 for none."""
        return int(ENTRY.unpack(self.raw)[5])

    @property
    def length(self) -> int:
        """Its bytes."""
        return int(ENTRY.unpack(self.raw)[6])

    def when(self) -> str:
        """Give date and time of the last change, or an empty text."""
        time, date = ENTRY.unpack(self.raw)[3:5]
        if not date:
            return ""
        return (f"{1980 + (date >> 9)}-{date >> 5 & 15:02}-{date & 31:02} "
                f"{time >> 11:02}:{time >> 5 & 63:02}:{(time & 31) * 2:02}")

    def put(self, image: SectorImage, raw: bytes) -> None:
        """Write other bytes in its place."""
        whole = bytearray(image.block(self.block))
        whole[self.at:self.at + 32] = raw
        image.put(self.block, bytes(whole))
        self.raw = raw


def slots(image: SectorImage, blocks: list[int], every: bool = False) -> list[Slot]:
    """Read a directory's entries up to its end; with ``every`` the unused ones too."""
    out: list[Slot] = []
    long_name: list[Slot] = []
    for block in blocks:
        data = image.block(block)
        for at in range(0, 512, 32):
            slot = Slot(block, at, data[at:at + 32])
            if every:
                out.append(slot)
            elif slot.raw[0] == 0:
                return out
            elif slot.raw[0] == 0xE5:
                long_name = []
            elif slot.raw[11] & 0x3F == LONG_NAME:
                long_name.append(slot)
            else:
                slot.long_name, long_name = long_name, []
                out.append(slot)
    return out


def join_name(raw: bytes) -> str:
    """Write the 11 bytes of a name as NAME.EXT."""
    stem = (b"\xe5" + raw[1:8] if raw[0] == 5 else raw[:8]).decode("cp437").rstrip()
    extension = raw[8:11].decode("cp437").rstrip()
    return f"{stem}.{extension}" if extension else stem


def split_name(name: str, place: str) -> bytes:
    """Turn a name into its 11 bytes; InputError when it is no short name."""
    match = SHORT.match(name.upper())
    if match is None:
        raise InputError(f"{place}: {name!r} is no FAT12 name; it takes 8 letters or digits, a "
                         f"dot and 3 more (give it one with --as).")
    return (match[1].ljust(8) + (match[2] or "").ljust(3)).encode()


def new_entry(raw: bytes, cluster: int, length: int, seconds: int) -> bytes:
    """Build a file's entry; ``seconds`` since 1970 UTC, 0 for no date."""
    date = time = 0
    if seconds:
        when = datetime.fromtimestamp(seconds, UTC)
        year = min(max(when.year, 1980), 2107)
        date = (year - 1980) << 9 | when.month << 5 | when.day
        time = when.hour << 11 | when.minute << 5 | when.second // 2
    return ENTRY.pack(raw, ARCHIVE, bytes(10), time, date, cluster, length)


def label_entry(label: str, place: str) -> bytes:
    """Build the entry that names the volume."""
    if not re.match(r"[A-Z0-9!#$%&'()@^_`{}~ -]{1,11}$", label.upper()):
        raise InputError(f"{place}: {label!r} is no FAT12 label; it takes 1 to 11 letters or "
                         f"digits.")
    return ENTRY.pack(label.upper().ljust(11).encode(), LABEL, bytes(10), 0, 0x21, 0, 0)
