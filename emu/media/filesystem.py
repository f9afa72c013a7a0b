"""What the file systems of floppies have in common, and which one a disk holds."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from emu.errors import InputError
from emu.media.image import SectorImage, format_name


@dataclass(frozen=True)
class Entry:
    """A file as a directory lists it; ``when`` is its date in words, or empty."""

    name: str
    length: int
    first: int  # its first block
    when: str = ""
    folder: bool = False


class FileSystem(Protocol):
    """Files on a sector image; nothing is written to the user's file here."""

    @property
    def kind(self) -> str:
        """fat12 or tidewater."""

    @property
    def label(self) -> str:
        """The volume's name, or empty."""

    def entries(self) -> list[Entry]:
        """List the files in the order of the directory."""

    def read(self, name: str) -> bytes:
        """Give a file's bytes; InputError when there is none of that name, or it is damaged."""

    def write(self, name: str, data: bytes, seconds: int = 0) -> None:
        """Add a file, dated in seconds since 1970 UTC (0: undated)."""

    def remove(self, name: str) -> None:
        """Take a file out of the directory and free its room."""

    def blocks_of(self, name: str) -> list[int]:
        """List the blocks of a file in order."""

    def free(self) -> int:
        """Give the free bytes."""

    def bad_blocks(self) -> list[int]:
        """List the blocks that are marked as bad and kept out of use."""

    def problems(self) -> list[str]:
        """Say what is wrong with the file system, a line each."""


KINDS = ("fat12", "tidewater")


def mount(image: SectorImage) -> FileSystem | None:
    """Find the file system on a disk; None when there is none that we know."""
    from emu.media.fat12 import Fat12
    from emu.media.harbour import Harbour

    if image.geometry.sector_size != 512 or 0 in image.unreadable:
        return None
    first = image.block(0)
    if first[:4] == Harbour.MAGIC:
        return Harbour(image)
    if Fat12.plausible(first):
        return Fat12(image)
    return None


def make(image: SectorImage, kind: str, label: str = "") -> FileSystem:
    """Put an empty file system of a kind on a disk."""
    from emu.media.fat12 import Fat12
    from emu.media.harbour import Harbour

    if kind not in KINDS:
        raise InputError(f"there is no file system {kind!r}; known are {', '.join(KINDS)}.")
    if image.geometry.sector_size != 512:
        raise InputError(f"{image.place}: {kind} needs sectors of 512 bytes, and geometry "
                         f"{format_name(image.geometry)} has {image.geometry.sector_size}.")
    if 0 in image.unreadable:
        raise InputError(f"{image.place}: is not formatted; format it in a machine, or make it "
                         f"anew with `preburn medium create`.")
    return Fat12.make(image, label) if kind == "fat12" else Harbour.make(image, label)


def need(image: SectorImage) -> FileSystem:
    """Find the file system; InputError when there is none."""
    found = mount(image)
    if found is None:
        raise InputError(f"{image.place}: holds no file system of {' or '.join(KINDS)}; make one "
                         f"with `preburn medium format`.")
    return found
