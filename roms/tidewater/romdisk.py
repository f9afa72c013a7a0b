"""Pack a folder into a Tidewater ROM disk: a small read-only directory and its files.

Layout, all numbers little-endian, offsets counted from the start of the disk:

    0   4 bytes   magic "TWRD"
    4   1 byte    number of files (0 to 255)
    5   11 bytes  zero
    16  one 16-byte entry a file, sorted by name:
        0   9 bytes  name, NUL-padded (one NUL at least)
        9   3 bytes  offset of the first byte of the file
        12  2 bytes  length in bytes
        14  2 bytes  sum of all bytes, modulo 65536

The kernel reads the disk through one 8 KiB window: the header is as long as an entry so that
no entry straddles a page.

    python3 romdisk.py FOLDER DISK
"""

import struct
import sys
from pathlib import Path

MAGIC = b"TWRD"
HEADER = 16
ENTRY = struct.Struct("<9s3sHH")
NAME_LIMIT = 8


class RomDiskError(ValueError):
    """Say which file of the folder cannot go on the disk, and why."""


def pack(folder: Path) -> bytes:
    """Return the disk image holding every file of ``folder`` (sub-folders are refused)."""
    files = sorted(folder.iterdir(), key=lambda path: path.name)
    if len(files) > 255:
        raise RomDiskError(f"{folder} holds {len(files)} files; a ROM disk holds 255 at most.")
    directory = bytearray(MAGIC + bytes([len(files)])).ljust(HEADER, b"\0")
    body = bytearray()
    start = HEADER + ENTRY.size * len(files)
    for path in files:
        data = _read(path)
        offset = (start + len(body)).to_bytes(3, "little")
        directory += ENTRY.pack(path.name.encode(), offset, len(data), sum(data) & 0xFFFF)
        body += data
    return bytes(directory + body)


def _read(path: Path) -> bytes:
    if not path.is_file():
        raise RomDiskError(f"{path} is not a plain file; a ROM disk has no folders.")
    if not path.name.isascii() or len(path.name) > NAME_LIMIT:
        raise RomDiskError(
            f"{path}: a name on the ROM disk is ASCII, {NAME_LIMIT} letters at most."
        )
    data = path.read_bytes()
    if len(data) > 0xFFFF:
        raise RomDiskError(
            f"{path} has {len(data)} bytes; a file on the ROM disk has 65535 at most."
        )
    return data


def unpack(image: bytes) -> dict[str, bytes]:
    """Return name -> content of a disk image, checking every sum."""
    if image[:4] != MAGIC:
        raise RomDiskError(f"The disk starts with {image[:4]!r}, not with {MAGIC!r}.")
    files = {}
    for number in range(image[4]):
        raw = ENTRY.unpack_from(image, HEADER + ENTRY.size * number)
        name = raw[0].rstrip(b"\0").decode("ascii")
        offset = int.from_bytes(raw[1], "little")
        data = image[offset : offset + raw[2]]
        if len(data) != raw[2] or sum(data) & 0xFFFF != raw[3]:
            raise RomDiskError(f"{name} on the ROM disk is damaged: length or sum is wrong.")
        files[name] = data
    return files


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(pack(Path(sys.argv[1])))
