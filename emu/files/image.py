"""Load what a builder wants to run: raw binary, Intel HEX, S-record or ELF."""

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from emu.errors import InputError
from emu.files.hexfile import read_hex, read_srec
from emu.files.inputfile import is_elf, is_text, read_limited
from emu.files.segment import Segment
from emu.files.symbol_loading import load_symbols
from emu.files.symbols import SymbolTable

__all__ = ["KINDS", "Image", "Segment", "load_image", "with_symbols"]

COFF = b"\x5a\x80"  # common practice, no source: what GNU as for z80-unknown-coff writes

KINDS = {"raw": "raw binary", "ihex": "Intel HEX", "srec": "S-record", "elf": "ELF"}
SUFFIXES = {  # also what a written image is taken for, when it is read back
    ".hex": "ihex", ".ihx": "ihex", ".ihex": "ihex", ".h80": "ihex",
    ".s19": "srec", ".s28": "srec", ".s37": "srec", ".srec": "srec", ".mot": "srec",
    ".elf": "elf",
}  # fmt: skip


@dataclass(frozen=True)
class Image:
    """The content of an image file.

    ``kind`` is a key of KINDS; ``entry`` the start address, when the file tells one;
    ``digest`` the SHA-256 of the file in hex.
    """

    path: Path
    kind: str
    segments: tuple[Segment, ...]
    symbols: SymbolTable
    entry: int | None
    digest: str

    def flatten(self, size: int, fill: int = 0xFF) -> bytes:
        """Lay the segments into a chip of ``size`` bytes at their physical addresses.

        Bytes that no segment covers become ``fill``. Raises InputError when a segment
        lies outside the chip, or two put different bytes at one address.
        """
        chip, owner = bytearray([fill]) * size, bytearray(size)
        for segment in self.segments:
            start, end = segment.physical, segment.end
            if end > size:
                raise InputError(self._outside(segment, size))
            for at, byte in enumerate(segment.data, start) if any(owner[start:end]) else ():
                if owner[at] and chip[at] != byte:
                    raise InputError(
                        f"{self.path}: two segments put different bytes ({chip[at]:02X}h and "
                        f"{byte:02X}h) at {at:04X}h; link them to addresses of their own."
                    )
            chip[start:end] = segment.data
            owner[start:end] = b"\x01" * len(segment.data)
        return bytes(chip)

    def _outside(self, segment: Segment, size: int) -> str:
        holds = f"{self.path}: holds {len(segment.data)} bytes at {segment.physical:04X}h"
        if size == 0:
            return f"{holds}, but the chip has no bytes; give its size."
        ends = f"{holds}, but the chip ends at {size - 1:04X}h"
        return f"{ends}; link the code lower or fit a larger chip."


def load_image(path: Path, kind: str | None = None, base: int = 0) -> Image:
    """Load an image file.

    ``kind`` is "raw", "ihex", "srec" or "elf"; without it the content tells. ``base`` is
    the address of the first byte of a raw binary. Raises InputError with the file, the
    line where there is one, and the mend.
    """
    data = read_limited(path, "image")
    chosen = kind or _detect(path, data)
    if chosen not in KINDS:
        raise InputError(f"{path}: unknown image kind {kind!r}; use one of {', '.join(KINDS)}.")
    if base and chosen != "raw":
        raise InputError(
            f"{path}: an {KINDS[chosen]} file carries its own addresses; "
            "leave the base address out."
        )
    if base < 0:
        raise InputError(f"{path}: base address {base} is below zero; give 0 or more.")
    segments, symbols, entry = _read(path, data, chosen, base)
    if not segments:
        raise InputError(f"{path}: holds no data, only records around it; build the image again.")
    return Image(path, chosen, segments, symbols, entry, hashlib.sha256(data).hexdigest())


def with_symbols(image: Image, files: Iterable[Path]) -> Image:
    """Add the names and lines of symbol files; InputError names the file and line."""
    table = image.symbols
    for path in files:
        table = table.merge(load_symbols(path))
    return replace(image, symbols=table)


@lru_cache(maxsize=8)  # a sweep describes one image in many machines
def _read(
    path: Path, data: bytes, kind: str, base: int
) -> tuple[tuple[Segment, ...], SymbolTable, int | None]:
    if kind == "elf":
        if not is_elf(data):
            raise InputError(f"{path}: is no ELF file; name its kind ({', '.join(KINDS)}).")
        from emu.files.elf import read_elf

        return read_elf(path, data)
    if kind == "raw":
        return (Segment(base, base, data),), SymbolTable(), None
    segments, entry = read_hex(path, data) if kind == "ihex" else read_srec(path, data)
    return segments, SymbolTable(), entry


def _is_coff(data: bytes) -> bool:
    """Tell a COFF file of the GNU tools for the Z80: its magic, and sections that it holds."""
    sections = int.from_bytes(data[2:4], "little")
    optional = int.from_bytes(data[16:18], "little")
    names = data[20 + optional : 20 + optional + 8]
    return data[:2] == COFF and 0 < sections < 100 and names[:1] == b"."


def _detect(path: Path, data: bytes) -> str:
    """Tell the kind from the content, and where that leaves it open from the suffix."""
    if is_elf(data):
        return "elf"
    if _is_coff(data):
        raise InputError(
            f"{path}: is a COFF file, which is not read; turn it into Intel HEX "
            "(objcopy -O ihex), or link for ELF to keep its symbols."
        )
    if is_text(data):
        if re.match(rb"\s*:[0-9A-Fa-f]{2}", data):
            return "ihex"
        if re.match(rb"\s*S[0-9][0-9A-Fa-f]{2}", data):
            return "srec"
    return SUFFIXES.get(path.suffix.lower(), "raw")
