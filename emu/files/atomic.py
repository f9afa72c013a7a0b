"""Replace a user's file whole or not at all."""
from __future__ import annotations

import contextlib
import errno
import fcntl
import glob
import os
import stat
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from emu.errors import InputError

GZIP = b"\x1f\x8b"  # what such a file begins with (RFC 1952, section 2.3.1)
MARK = ".preburn-"  # behind a file's name in its draft's; eight characters follow
LEFT = 10.0  # seconds after which a draft that nobody holds was left by a killed process


def write_atomic(path: Path, data: bytes, what: str = "file") -> None:
    """Put ``data`` into a file, as `replace_file` does."""
    replace_file(path, lambda file: file.write(data), what)


def replace_file(path: Path, fill: Callable[[BinaryIO], object], what: str = "file") -> None:
    """Let ``fill`` write a new file beside the old one, flush it to the disk, rename it over.

    A link is followed; the old file's permissions stay.  Raises InputError, with the old file
    untouched, when it is read-only or no regular file, or when the disk is full.
    """
    path = Path(os.path.realpath(path))
    mode = permissions(path, what)
    draft = ""
    try:
        _clear(path)
        handle, draft = tempfile.mkstemp(prefix=f".{path.name}{MARK}", dir=path.parent)
        with open(handle, "wb") as file:
            _hold(file.fileno())
            fill(file)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(draft, mode)
        os.replace(draft, path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            os.unlink(draft)
        if not isinstance(error, OSError):
            raise
        kept = f"; the {what} stays as it was" if path.exists() else ""
        raise InputError(f"{path}: cannot be written: {_reason(error, path)}{kept}.") from None
    _flush_folder(path.parent)


def _hold(handle: int) -> bool:
    """Take a draft for this process, as long as it is open; False when another has it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # a file system without locks
    return True


def _clear(path: Path) -> None:
    """Remove the drafts of a file that killed processes have left."""
    for draft in path.parent.glob(f".{glob.escape(path.name + MARK)}????????"):
        with contextlib.suppress(OSError):
            handle = os.open(draft, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            try:
                status = os.fstat(handle)
                left = status.st_uid == os.getuid() and time.time() - status.st_mtime > LEFT
                if left and stat.S_ISREG(status.st_mode) and _hold(handle):
                    os.unlink(draft)
            finally:
                os.close(handle)


def check_output(path: Path, what: str, mark: bytes) -> None:
    """Look, before a long run, whether ``what`` may be written there; InputError if not.

    A file that is there already must be ``what`` too, with ``mark`` in its first KiB (behind
    gzip, too), or empty: others are never written over.  A device or a pipe may be written to.
    """
    path = Path(os.path.realpath(path))
    if not path.parent.is_dir():
        raise InputError(f"{path}: cannot be written: {_no_folder(path)}.")
    if path.exists() and not path.is_file() and not path.is_dir():
        return
    permissions(path, what)
    head = b""
    with contextlib.suppress(OSError), path.open("rb") as file:
        head = file.read(1024)
    if head.startswith(GZIP):
        with contextlib.suppress(zlib.error):
            head = zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(head, 1024)
    if head and mark not in head:
        raise InputError(f"{path}: is there already and is no {what}; name another file for the "
                         f"{what}, or remove that one.")


def permissions(path: Path, what: str) -> int:
    """Give the permissions that a new file takes; InputError when it may not be replaced."""
    try:
        found = path.stat().st_mode
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}; check the path.") from None
    if stat.S_ISDIR(found):
        raise InputError(f"{path}: is a folder; name a file in it for the {what}.")
    if not stat.S_ISREG(found):
        raise InputError(f"{path}: is no regular file; name an ordinary {what}.")
    if not found & 0o222 or not os.access(path, os.W_OK):
        raise InputError(f"{path}: is read-only; make it writable (chmod u+w) or name another "
                         f"{what}.")
    return stat.S_IMODE(found)


def _reason(error: OSError, path: Path) -> str:
    """Say why a file cannot be written, and the mend."""
    if error.errno == errno.ENOENT and not path.parent.exists():
        return _no_folder(path)
    return reason(error)


def reason(error: OSError) -> str:
    """Say why nothing can be written, and the mend."""
    if error.errno == errno.ENOSPC:
        return "the disk is full; make room, or name another place"
    return f"{str(error.strerror or error).lower()}; name another place"


def _no_folder(path: Path) -> str:
    return f"there is no folder {path.parent}; make it, or name another"


def _flush_folder(folder: Path) -> None:
    """Make the rename last through a power failure, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
