"""FAT12 as floppies carry it (ECMA-107): volume, allocation table, files by name.

Long names are not written; a file that has one is shown by its short name.
"""
from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import ClassVar

from emu.errors import InputError
from emu.media.fat12_directory import (
    FOLDER,
    Slot,
    join_name,
    label_entry,
    new_entry,
    slots,
    split_name,
)
from emu.media.filesystem import Entry
from emu.media.image import SectorImage, format_name

BOOT = struct.Struct("<3s8sHBHBHHBHHHII")
LAST, BAD = 0xFF8, 0xFF7
MOST_CLUSTERS = 4084
DEEPEST = 8  # folders within folders
DESCRIPTORS = {"360K": 0xFD, "720K": 0xF9, "1.2M": 0xF9, "1.44M": 0xF0}  # from memory


@dataclass
class Fat12:
    """The file system on a sector image."""

    image: SectorImage
    kind: ClassVar[str] = "fat12"

    def __post_init__(self) -> None:
        (_, _, size, self.cluster, self.reserved, self.fats, self.roots, total, self.descriptor,
         self.fat_blocks, track, heads, _, _) = BOOT.unpack_from(self.image.block(0))
        geometry = self.image.geometry
        if total != self.image.count or track != geometry.sectors or heads != geometry.heads:
            raise InputError(f"{self.image.place}: its FAT12 volume has {total} sectors, {track} a "
                             f"track and {heads} heads, which is not {format_name(geometry)}; "
                             f"name the right geometry or format it again.")
        self.root = self.reserved + self.fats * self.fat_blocks
        self.first = self.root + -(-self.roots * 32 // size)
        self.clusters = (total - self.first) // self.cluster
        if not 1 <= self.clusters <= MOST_CLUSTERS or \
                self.fat_blocks * 512 * 2 // 3 < self.clusters + 2:
            raise InputError(f"{self.image.place}: its FAT12 volume sector does not add up "
                             f"({self.clusters} clusters, {self.fat_blocks} sectors of table); "
                             f"format it again.")
        self._fat = bytearray(self.image.blocks(self.reserved, self.fat_blocks))

    @staticmethod
    def plausible(first: bytes) -> bool:
        """Tell whether a first sector looks like a FAT volume's."""
        _, _, size, cluster, reserved, fats, roots, *_ = BOOT.unpack_from(first)
        return (size == 512 and cluster in (1, 2, 4, 8, 16, 32, 64, 128) and reserved > 0
                and fats in (1, 2) and roots > 0 and first[510:512] == b"\x55\xaa")

    @classmethod
    def make(cls, image: SectorImage, label: str = "") -> Fat12:
        """Write an empty volume with two tables, as common disks of this size have it."""
        g = image.geometry
        if image.count > 0xFFFF:
            raise InputError(f"{image.place}: {image.count} sectors are too many for FAT12.")
        cluster, roots = (2, 112) if image.count <= 1440 else (1, 224)
        while (image.count - roots // 16) // cluster > MOST_CLUSTERS:
            cluster *= 2
        fat = _table_size(image.count - 1 - roots // 16, cluster)
        if image.count < 2 * fat + roots // 16 + 10:
            raise InputError(f"{image.place}: {image.count} sectors are too few for FAT12; take a "
                             f"larger geometry.")
        descriptor = DESCRIPTORS.get(format_name(g), 0xF8 if g.cylinders > 80 else 0xF9)
        shown = label_entry(label, image.place) if label else None
        serial = zlib.crc32(f"{format_name(g)} {label}".encode())
        boot = bytearray(512)
        BOOT.pack_into(boot, 0, b"\xeb\x3c\x90", b"PREBURN ", 512, cluster, 1, 2, roots,
                       image.count, descriptor, fat, g.sectors, g.heads, 0, 0)
        struct.pack_into("<BBBI11s8s", boot, 36, 0, 0, 0x29, serial,
                         shown[:11] if shown else b"NO NAME    ", b"FAT12   ")
        boot[62:64] = b"\xf4\xf4"  # nothing to boot: the jump leads to HLT
        boot[510:] = b"\x55\xaa"
        image.put(0, bytes(boot))
        for block in range(1, 1 + 2 * fat + roots // 16):
            image.put(block, b"")
        for copy in range(2):
            image.put(1 + copy * fat, bytes([descriptor, 0xFF, 0xFF]))
        if shown:
            image.put(1 + 2 * fat, shown)
        return cls(image)

    @property
    def label(self) -> str:
        """The volume's name from the root folder, or empty."""
        return next((join_name(slot.raw).replace(".", "") for slot in self._root_slots()
                     if slot.raw[11] & 0x08), "")

    # --- the table ---

    def _next(self, cluster: int) -> int:
        pair = self._fat[cluster * 3 // 2] | self._fat[cluster * 3 // 2 + 1] << 8
        return pair >> 4 if cluster & 1 else pair & 0xFFF

    def _set(self, cluster: int, value: int) -> None:
        at = cluster * 3 // 2
        pair = self._fat[at] | self._fat[at + 1] << 8
        pair = (pair & 0x000F) | value << 4 if cluster & 1 else (pair & 0xF000) | value
        self._fat[at:at + 2] = pair.to_bytes(2, "little")

    def _store_table(self) -> None:
        for copy in range(self.fats):
            for k in range(self.fat_blocks):
                self.image.put(self.reserved + copy * self.fat_blocks + k,
                               bytes(self._fat[512 * k:512 * k + 512]))

    def _chain(self, cluster: int, name: str) -> list[int]:
        """Follow a chain from its first cluster; InputError when it leads nowhere."""
        seen: list[int] = []
        while cluster and cluster < LAST:
            if not 2 <= cluster < self.clusters + 2 or len(seen) > self.clusters:
                raise InputError(f"{self.image.place}: the chain of clusters of {name!r} is "
                                 f"broken at {cluster}; the disk is damaged, take the file from "
                                 f"a copy.")
            seen.append(cluster)
            cluster = self._next(cluster)
        return seen

    def _blocks(self, chain: list[int]) -> list[int]:
        return [self.first + (cluster - 2) * self.cluster + k
                for cluster in chain for k in range(self.cluster)]

    # --- folders ---

    def _root_slots(self) -> list[Slot]:
        return slots(self.image, list(range(self.root, self.first)))

    def _walk(self, where: list[Slot], prefix: str, depth: int,
              seen: set[int] | None = None) -> list[tuple[str, Slot]]:
        """List what is in a folder and in those in it; each folder of a disk counts once, also
        when a damaged one leads back to itself."""
        out = []
        seen = {0} if seen is None else seen
        for slot in where:
            if slot.raw[11] & 0x08 or slot.raw[0] == ord("."):
                continue
            path = prefix + join_name(slot.raw)
            out.append((path, slot))
            if slot.raw[11] & FOLDER and depth and slot.cluster not in seen:
                seen.add(slot.cluster)
                inner = slots(self.image, self._blocks(self._chain(slot.cluster, path)))
                out.extend(self._walk(inner, path + "/", depth - 1, seen))
        return out

    def _find(self, name: str) -> Slot:
        for path, slot in self._walk(self._root_slots(), "", DEEPEST):
            if path == name.upper() and not slot.raw[11] & FOLDER:
                return slot
        raise InputError(f"{self.image.place}: there is no file {name!r}; `preburn medium list` "
                         f"shows what there is.")

    # --- what FileSystem promises ---

    def entries(self) -> list[Entry]:
        """List the files, folders before what is in them."""
        return [Entry(path, slot.length, self._blocks([slot.cluster])[0] if slot.cluster else 0,
                      slot.when(), bool(slot.raw[11] & FOLDER))
                for path, slot in self._walk(self._root_slots(), "", DEEPEST)]

    def blocks_of(self, name: str) -> list[int]:
        """List the blocks of a file in order."""
        slot = self._find(name)
        return self._blocks(self._chain(slot.cluster, name))[:-(-slot.length // 512)]

    def read(self, name: str) -> bytes:
        """Give a file's bytes."""
        slot = self._find(name)
        blocks = self.blocks_of(name)
        if len(blocks) * 512 < slot.length:
            raise InputError(f"{self.image.place}: {name!r} has {slot.length} bytes and its chain "
                             f"ends after {len(blocks)} sectors; take it from a copy.")
        return b"".join(self.image.block(block) for block in blocks)[:slot.length]

    def write(self, name: str, data: bytes, seconds: int = 0) -> None:
        """Write a file into the root folder: its clusters first, then the table and the entry."""
        raw = split_name(name, self.image.place)
        if any(slot.raw[:11] == raw for slot in self._root_slots()):
            raise InputError(f"{self.image.place}: {name!r} is there already; say --replace, or "
                             f"give it another name.")
        free = [c for c in range(2, self.clusters + 2) if self._next(c) == 0]
        need = -(-len(data) // (512 * self.cluster))
        if need > len(free):
            raise InputError(f"{self.image.place}: {name!r} needs {len(data)} bytes and "
                             f"{self.free()} are free; remove a file first.")
        place = self._free_slot()
        chain = free[:need]
        for k, block in enumerate(self._blocks(chain)):
            self.image.put(block, data[512 * k:512 * k + 512])
        for cluster, after in zip(chain, [*chain[1:], 0xFFF], strict=False):
            self._set(cluster, after)
        self._store_table()
        place.put(self.image, new_entry(raw, chain[0] if chain else 0, len(data), seconds))

    def _free_slot(self) -> Slot:
        for slot in slots(self.image, list(range(self.root, self.first)), every=True):
            if slot.raw[0] in (0x00, 0xE5):
                return slot
        raise InputError(f"{self.image.place}: its root folder of {self.roots} entries is full; "
                         f"remove a file first.")

    def remove(self, name: str) -> None:
        """Free a file's clusters and its entry, with the long name in front of it."""
        slot = self._find(name)
        for cluster in self._chain(slot.cluster, name):
            self._set(cluster, 0)
        self._store_table()
        for part in (*slot.long_name, slot):
            part.put(self.image, b"\xe5" + part.raw[1:])

    def free(self) -> int:
        """Give the free bytes, whole clusters."""
        free = [c for c in range(2, self.clusters + 2) if self._next(c) == 0]
        return len(self._blocks(free)) * 512

    def bad_blocks(self) -> list[int]:
        """List the blocks that the table keeps out of use as bad."""
        return self._blocks([c for c in range(2, self.clusters + 2) if self._next(c) == BAD])

    def problems(self) -> list[str]:
        """Say what is wrong: broken or crossing chains, short ones, tables that differ."""
        found, taken = [], dict[int, str]()
        first, *others = (self.image.blocks(self.reserved + k * self.fat_blocks, self.fat_blocks)
                          for k in range(self.fats))
        found += [f"table {k} differs from table 1" for k, o in enumerate(others, 2) if o != first]
        for path, slot in self._walk(self._root_slots(), "", DEEPEST):
            try:
                chain = self._chain(slot.cluster, path)
            except InputError:
                found.append(f"{path}: its chain of clusters is broken")
                continue
            found += [f"{path}: shares clusters with {other}"
                      for other in sorted({taken[c] for c in chain if c in taken})]
            taken.update(dict.fromkeys(chain, path))
            if not slot.raw[11] & FOLDER and len(chain) * self.cluster * 512 < slot.length:
                found.append(f"{path}: its chain is shorter than its {slot.length} bytes")
        return found


def _table_size(blocks: int, cluster: int) -> int:
    """Give the sectors of one table when two of them and the clusters share some blocks."""
    for size in range(1, 13):
        clusters = (blocks - 2 * size) // cluster
        if size * 512 * 2 >= (clusters + 2) * 3:
            return size
    return 12
