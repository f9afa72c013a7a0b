"""Put several files into one chip, and cut a chip into parts."""
from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from emu.errors import InputError
from emu.files.atomic import write_atomic
from emu.files.image import KINDS, SUFFIXES, load_image
from emu.romtools.chip import address_of
from emu.romtools.info import sum16


@dataclass(frozen=True)
class Part:
    """A file's place in the chip: ``start`` up to ``end``."""

    path: Path
    start: int
    end: int


@dataclass(frozen=True)
class Packed:
    """A chip's bytes and the map of what lies where; ``checksum`` is (address, word) or None."""

    data: bytes
    parts: tuple[Part, ...]
    checksum: tuple[int, int] | None


def pack(files: list[str], size: int, fill: int = 0xFF, align: int = 1,
         checksum_at: int | None = None) -> Packed:
    """Lay files into a chip of ``size`` bytes.

    A file is "FILE" or "FILE@ADDRESS".  The address is where a raw binary goes; what carries
    addresses of its own is moved up by as much.  Without one such a file stays at its own
    addresses, and a raw binary goes behind what is there so far, at a multiple of ``align``.
    The checksum is the 16-bit sum of all other bytes, low byte first.  Raises InputError
    naming the file and the place of what overlaps or does not fit.
    """
    chip = bytearray([fill]) * size
    owner: list[Part] = []
    for text in files:
        for part, data in _pieces(text, max((p.end for p in owner), default=0), align):
            _check(part, owner, size)
            chip[part.start:part.end] = data
            owner.append(part)
    checksum = None
    if checksum_at is not None:
        checksum = _checksum(chip, checksum_at, owner)
    return Packed(bytes(chip), tuple(sorted(owner, key=lambda p: p.start)), checksum)


def _pieces(text: str, behind: int, align: int) -> list[tuple[Part, bytes]]:
    whole = Path(text).is_file()  # a path that has an "@" itself
    name, at, place = ("", "", "") if whole else text.rpartition("@")
    path = Path(name if at else text)
    image = load_image(path)
    if at:
        shift = address_of(place, f"{path}@")
    else:
        shift = -(-behind // align) * align if image.kind == "raw" else 0
    return [(Part(path, s.physical + shift, s.end + shift), s.data) for s in image.segments]


def _check(part: Part, owner: list[Part], size: int) -> None:
    if part.end > size:
        raise InputError(f"{part.path}: reaches {part.end - 1:X}h, but the chip ends at "
                         f"{size - 1:X}h; give a larger --size or another place.")
    for other in owner:
        if part.start < other.end and other.start < part.end:
            raise InputError(f"{part.path}: overlaps {other.path} at "
                             f"{max(part.start, other.start):X}h; place it with FILE@ADDRESS.")


def _checksum(chip: bytearray, at: int, owner: list[Part]) -> tuple[int, int]:
    if at + 2 > len(chip):
        raise InputError(f"--checksum {at:X}h: a word there would reach beyond the chip, which "
                         f"ends at {len(chip) - 1:X}h; give {len(chip) - 2:X}h or less.")
    for other in owner:
        if at < other.end and other.start < at + 2:
            raise InputError(f"--checksum {at:X}h lies inside {other.path}; leave two bytes "
                             f"free for it.")
    word = sum16(bytes(chip[:at]) + bytes(chip[at + 2:]))
    chip[at:at + 2] = word.to_bytes(2, "little")
    return at, word


def split(data: bytes, size: int) -> list[bytes]:
    """Cut a chip's bytes into parts of ``size`` bytes; the last may be shorter."""
    return [data[at:at + size] for at in range(0, len(data), size)]


def write_new(images: list[tuple[Path, bytes]], replace: bool = False) -> None:
    """Write images, each whole or not at all: Intel HEX by its suffixes, else raw bytes.

    Raises InputError when one exists and ``replace`` is not set, when its suffix is that of a
    kind that is not written, or when it cannot be written; new files before it are taken
    away again.
    """
    for path, _ in images:
        if path.is_dir() or not path.name:
            raise InputError(f"{path}: is a folder; name a file in it.")
        kind = SUFFIXES.get(path.suffix.lower(), "raw")
        if kind not in ("raw", "ihex"):
            raise InputError(f"{path}: an image is written as raw binary or Intel HEX, not as "
                             f"{KINDS[kind]}; let its name end in .bin or .hex.")
        if path.exists() and not replace:
            raise InputError(f"{path}: is there already; name another file, or add --replace.")
    fresh = [path for path, _ in images if not path.exists()]
    try:
        for path, data in images:
            write_atomic(path, _content(path, data), "image")
    except BaseException:
        for path in fresh:
            path.unlink(missing_ok=True)
        raise


def _content(path: Path, data: bytes) -> bytes:
    return _hex(data) if SUFFIXES.get(path.suffix.lower()) == "ihex" else data


def _hex(data: bytes) -> bytes:
    from intelhex import IntelHex

    out = IntelHex()
    out.frombytes(data)
    text = io.StringIO()
    out.write_hex_file(text)
    return text.getvalue().encode("ascii")
