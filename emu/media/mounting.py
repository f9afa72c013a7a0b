"""Which file system a disk holds, and a new one on it."""
from __future__ import annotations

from emu.errors import InputError
from emu.media.fat12 import Fat12
from emu.media.filesystem import FileSystem
from emu.media.harbour import Harbour
from emu.media.image import SectorImage, format_name

KINDS = ("fat12", "tidewater")


def mount(image: SectorImage) -> FileSystem | None:
    """Find the file system on a disk; None when there is none that we know."""
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
