"""What a drive or socket holds: an original that is never changed, and what was written.

The overlay is a mapping from piece numbers to immutable pieces.  What a piece is, the card
says: a track of a floppy, a sector of a memory card.  A version of a bay is taken in no time
and stays as it was, so a machine's snapshot holds one of each bay.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emu.media.geometry import Geometry

BLOCK = 512  # bytes of a memory card's sector
SIDES = 2  # a floppy's track has piece number cylinder * SIDES + head


@dataclass(frozen=True, eq=False)
class Original:
    """A medium as it came: its file's bytes, or no file for an unformatted disk."""

    path: Path | None
    data: Any  # bytes, or a read-only map of the file
    geometry: Geometry | None = None  # of a floppy
    protected: bool = False  # takes no writing
    formatted: bool = True  # False: blank from the shop
    stamp: tuple[int, int] | None = None  # size and time of the file when it was opened
    tracks: Mapping[int, Any] | None = None  # of a track image, by piece number; ``data`` is empty

    def block(self, number: int) -> bytes:
        """Give a memory card's sector; beyond the end zeros."""
        return bytes(self.data[number * BLOCK:(number + 1) * BLOCK]).ljust(BLOCK, b"\0")


@dataclass(frozen=True)
class Version:
    """What a bay held at one time."""

    original: Original | None
    pieces: dict[int, Any]  # never changed once it is here
    inserts: int
    shelf: Mapping[Path, Version]


class Bay:
    """A drive or socket of one machine."""

    def __init__(self, name: str, original: Original | None) -> None:
        self.name = name  # "slot.drive", for messages
        self.original = original
        self.inserts = 0  # how often the medium has been changed
        self._shelf: Mapping[Path, Version] = {}  # media taken out after they were written to
        self._pieces: dict[int, Any] = {}
        self._shared = False  # a version holds the mapping: copy before writing

    @property
    def pieces(self) -> Mapping[int, Any]:
        """What has been written, by piece number."""
        return self._pieces

    def get(self, number: int) -> Any | None:
        """Give a piece that has been written, or a track image's; None: the raw image counts."""
        piece = self._pieces.get(number)
        if piece is None and self.original is not None and self.original.tracks is not None:
            return self.original.tracks.get(number)
        return piece

    def put(self, number: int, piece: Any) -> None:
        """Write a piece; it must not be changed afterwards."""
        if self._shared:
            self._pieces, self._shared = dict(self._pieces), False
        self._pieces[number] = piece

    def block(self, number: int) -> bytes:
        """Give a memory card's sector as it is now."""
        piece = self._pieces.get(number)
        if piece is not None:
            return bytes(piece)
        return self.original.block(number) if self.original else bytes(BLOCK)

    def insert(self, original: Original | None) -> None:
        """Put another medium in, or take it out; one that comes back holds what was written."""
        shelf = dict(self._shelf)
        if self._pieces and self.original is not None and self.original.path is not None:
            shelf[self.original.path] = self.version()
        back = shelf.pop(original.path, None) if original and original.path else None
        self.original, self._pieces, self._shared = original, {}, False
        if back is not None:
            self.original, self._pieces, self._shared = back.original, back.pieces, True
        self._shelf = shelf
        self.inserts += 1

    def shelved(self) -> list[Bay]:
        """Give the media that were taken out after they had been written to, each in a bay."""
        out = []
        for version in self._shelf.values():
            bay = Bay(self.name, None)
            bay.restore(version)
            out.append(bay)
        return out

    def version(self) -> Version:
        """Take what it holds now."""
        self._shared = True
        return Version(self.original, self._pieces, self.inserts, self._shelf)

    def restore(self, version: Version) -> None:
        """Bring a version back, of this bay or of one built alike."""
        self.original, self._shared = version.original, True
        self._pieces, self.inserts = version.pieces, version.inserts
        self._shelf = version.shelf
