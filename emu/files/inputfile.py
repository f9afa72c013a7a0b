"""Read a builder's file whole, within a limit."""

import os
import stat
from pathlib import Path
from typing import BinaryIO

from emu.errors import InputError

PIECE = 1 << 20  # bytes read at a time
LIMIT = 16 << 20
"""Bytes: no file of a backplane's ROMs or symbols comes near it."""


def read_limited(path: Path, what: str, limit: int = LIMIT, empty: bool = False) -> bytes:
    """Read all bytes of a regular file; ``what`` names its part ("image") in messages.

    Raises InputError when it is missing, no regular file, unreadable, longer than ``limit``
    bytes, or (unless ``empty`` is allowed) empty.
    """
    size, data = _take(path, what, limit)
    if size > limit or len(data) > limit:
        raise InputError(
            f"{path}: is longer than {limit >> 20} MiB, too long for this {what}; check the path."
        )
    if not data and not empty:
        raise InputError(f"{path}: is empty; build the {what} again.")
    return data


def exists(path: Path) -> bool:
    """Say whether something stands at a path; a path that cannot be is told by who reads it."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return True


def _take(path: Path, what: str, limit: int) -> tuple[int, bytes]:
    try:
        mode = path.stat().st_mode
        if stat.S_ISREG(mode):
            with path.open("rb") as file:
                size = os.fstat(file.fileno()).st_size
                return size, b"" if size > limit else _all(file, limit)
    except FileNotFoundError:
        built = "build it, or " if what == "image" else ""
        raise InputError(f"{path}: no such file; {built}check the {what} path.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read: {reason}; check the {what} path.") from None
    if stat.S_ISDIR(mode):
        raise InputError(f"{path}: is a folder; name the {_file(what)} in it.")
    raise InputError(f"{path}: is a device or pipe; name an ordinary "
                     f"{_file(what)}.")


def _all(file: BinaryIO, limit: int) -> bytes:
    """Read piece by piece: asked for a whole limit at once, the system would be asked for that
    much memory."""
    pieces, length = [], 0
    while length <= limit and (piece := file.read(PIECE)):
        pieces.append(piece)
        length += len(piece)
    return b"".join(pieces)


def _file(what: str) -> str:
    return what if "file" in what else f"{what} file"


def is_text(data: bytes) -> bool:
    """Say whether the first KiB is plain text of one line or more."""
    return all(32 <= byte < 127 or byte in b"\t\r\n\x1a" for byte in data[:1024])


def is_elf(data: bytes) -> bool:
    """Say whether a file starts as ELF files do."""
    return data.startswith(b"\x7fELF")
