"""Open media read-only, and write them back only when that is asked for.

Writing back makes a new file beside the old one, syncs it to the disk, and renames it over
the old one; whatever goes wrong, one of the two stands there whole.
"""
from __future__ import annotations

import mmap
import os
import stat
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from emu.errors import InputError
from emu.files.atomic import permissions, replace_file, write_atomic
from emu.files.inputfile import read_limited
from emu.media import trackfile
from emu.media.bay import BLOCK, SIDES, Bay, Original
from emu.media.geometry import Geometry, of_size
from emu.media.track import Track, sectors

FLOPPY_LIMIT = 4 << 20  # bytes of a floppy image
BLOCKS_LIMIT = 8 << 30  # bytes of a memory card image


def _stamp(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def open_floppy(path: Path, geometry: Geometry | None, protected: bool = False,
                blank: bool = False) -> Original:
    """Open a floppy's image: raw sectors, or tracks (emu/media/trackfile.py).

    Without a geometry the size tells the format.  ``blank``: a file that is not there yet is
    an unformatted disk.  Raises InputError when the file cannot be read or its size is wrong.
    """
    if blank and not path.exists():
        return Original(path, b"", geometry, protected, formatted=False)
    data = read_limited(path, "floppy image", FLOPPY_LIMIT)
    if data.startswith(trackfile.MAGIC):
        own, tracks = trackfile.unpack(data, path)
        return Original(path, b"", geometry or own, protected, False, _stamp(path), tracks)
    if geometry is None:
        geometry = of_size(len(data), path)
    if len(data) != geometry.size:
        short = "is short: " if len(data) < geometry.size else ""
        raise InputError(f"{path}: {short}{len(data)} bytes, but {geometry.cylinders} cylinders x "
                         f"{geometry.heads} heads x {geometry.sectors} sectors of "
                         f"{geometry.sector_size} bytes make {geometry.size}; make the image "
                         f"whole, or mend the geometry.")
    return Original(path, data, geometry, protected, stamp=_stamp(path))


def open_blocks(path: Path, protected: bool = False, blank: int = 0) -> Original:
    """Open a memory card's image: sectors of 512 bytes, mapped, not read.

    ``blank``: a file that is not there yet is a card of so many sectors, all zeros.  Raises
    InputError when the file cannot be read or its size is wrong.
    """
    if blank and not path.exists():
        return Original(path, bytearray(blank * BLOCK), None, protected)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # opening a pipe would wait for its writer
            raise InputError(f"{path}: is no ordinary file; name a card image.")
        with path.open("rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise InputError(f"{path}: is no ordinary file; name a card image.")
            size = status.st_size
            if size == 0 or size % BLOCK or size > BLOCKS_LIMIT:
                raise InputError(f"{path}: {size} bytes are no card image, which holds 1 or more "
                                 f"whole sectors of {BLOCK} bytes, {BLOCKS_LIMIT >> 30} GiB at "
                                 f"most; make the image whole.")
            data = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read: {reason}; check the medium's path.") from None
    return Original(path, data, None, protected, stamp=(size, status.st_mtime_ns))


# --- writing back -------------------------------------------------------------------------
def flat_floppy(bay: Bay) -> bytes:
    """Give a floppy as a raw sector image; InputError when an image cannot hold what is on it."""
    original = bay.original
    if original is None or original.geometry is None:
        raise InputError(f"{bay.name}: the disk has no geometry, so no image can be made of it; "
                         f"give the drive a geometry.")
    geometry = original.geometry
    image = bytearray(original.data.ljust(geometry.size, b"\0"))
    for number in range(geometry.cylinders * geometry.heads):
        cylinder, head = divmod(number, geometry.heads)
        track = bay.get(cylinder * SIDES + head)
        if track is None and original.formatted:
            continue
        at = number * geometry.track_bytes
        image[at:at + geometry.track_bytes] = _flat_track(bay, geometry, cylinder, head, track)
    for number, track in bay.pieces.items():
        cylinder, head = divmod(number, SIDES)
        if (cylinder >= geometry.cylinders or head >= geometry.heads) and sectors(track):
            raise InputError(f"{bay.name}: cylinder {cylinder}, head {head} holds sectors, but the "
                             f"image has {geometry.cylinders} cylinders and {geometry.heads} "
                             f"heads; give the drive a geometry that holds them. Nothing was "
                             f"written.")
    return bytes(image)


def _flat_track(bay: Bay, geometry: Geometry, cylinder: int, head: int,
                track: Track | None) -> bytes:
    found = {} if track is None else {s.number: s for s in sectors(track) if s.id_good}
    out = b""
    for wanted in range(geometry.first_sector, geometry.first_sector + geometry.sectors):
        sector = found.get(wanted & 0xFF)
        trouble = ("is missing" if sector is None
                   else "has no data field" if sector.data is None
                   else f"has {len(sector.data)} bytes instead of {geometry.sector_size}"
                   if len(sector.data) != geometry.sector_size
                   else "has a deleted mark" if sector.deleted
                   else "has a bad CRC" if not sector.data_good else "")
        if sector is None or sector.data is None or trouble:
            raise InputError(f"{bay.name}: a raw image cannot hold this disk: cylinder "
                             f"{cylinder}, head {head}: sector {wanted} {trouble}; format it "
                             f"whole before --keep, or name a medium that ends in "
                             f"{trackfile.SUFFIX}. Nothing was written.")
        out += sector.data
    return out


def _fill_blocks(bay: Bay, original: Original, file: BinaryIO) -> None:
    for at in range(0, len(original.data), 1 << 20):
        file.write(original.data[at:at + (1 << 20)])
    for number, piece in bay.pieces.items():
        file.seek(number * BLOCK)
        file.write(piece)


def check_keep(bays: Iterable[Bay]) -> None:
    """Refuse --keep, before the run, where writing back could not work."""
    for bay in bays:
        original = bay.original
        if original is None or original.protected:
            continue
        if original.path is None:
            raise InputError(f"{bay.name}: --keep has no file to write the disk to; give the "
                             f"drive a medium.")
        if isinstance(original.data, bytes) and original.geometry is None \
                and not _in_tracks(original):
            raise InputError(f"{bay.name}: --keep cannot tell how large the image of a blank disk "
                             f"becomes; give the drive a geometry.")
        permissions(original.path.resolve(), "medium")
        folder = original.path.resolve().parent
        if not os.access(folder, os.W_OK):
            raise InputError(f"{folder}: is a read-only folder, so --keep cannot write "
                             f"{original.path.name} back; make it writable.")


def _in_tracks(original: Original) -> bool:
    """Tell whether a medium is kept as a track image: it is one, or is to become one."""
    return original.tracks is not None or (
        not original.formatted and original.path is not None
        and original.path.suffix == trackfile.SUFFIX)


def keep(bay: Bay) -> bool:
    """Write a bay's medium back; tell whether there was anything to write.

    Raises InputError, with the old file untouched, when it cannot be done.
    """
    original = bay.original
    if original is None or original.path is None or not bay.pieces:
        return False
    path = original.path.resolve()
    if path.exists() and _stamp(path) != original.stamp:
        raise InputError(f"{path}: has been changed by another program since it was opened; "
                         f"--keep leaves it alone. Boot again.")
    flat = None
    if _in_tracks(original):
        flat = trackfile.pack(original.geometry, {**(original.tracks or {}), **bay.pieces})
    elif isinstance(original.data, bytes):
        flat = flat_floppy(bay)
    if flat is None:
        replace_file(path, lambda file: _fill_blocks(bay, original, file), "medium")
    else:
        write_atomic(path, flat, "medium")
    bay.original = replace(original, stamp=_stamp(path))
    return True
