"""An image laid into its chip: bytes, what is covered, pages, and the numbers users give."""
from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from emu.errors import InputError
from emu.files.image import Image
from emu.files.symbols import parse_number

LARGEST = 16 << 20  # bytes of a chip
PAGE = 16 << 10  # bytes of a page, unless the user says otherwise


def size_in_bytes(text: str, option: str) -> int:
    """Read a size such as "512K", "0x4000" or "16384"; InputError names the option."""
    match = re.fullmatch(r"\s*(\d+)\s*([KkMm])\s*", text)
    value = (int(match[1]) << (10 if match[2] in "kK" else 20)) if match else parse_number(text)
    if value is None or not 1 <= value <= LARGEST:
        raise InputError(f"{option} takes a size such as 512K or 0x4000, up to 16M, not {text!r}.")
    return value


def address_of(text: str, option: str) -> int:
    """Read an address such as "0x100", "4000h" or "256"; InputError names the option."""
    value = parse_number(text)
    if value is None or not 0 <= value < LARGEST:
        raise InputError(f"{option} takes an address such as 0x100 or 4000h, not {text!r}.")
    return value


def byte_of(text: str, option: str) -> int:
    """Read a byte such as "0xFF", "76h" or "255"; InputError names the option."""
    value = parse_number(text)
    if value is None or value > 0xFF:
        raise InputError(f"{option} takes a byte such as 0x76, 0 to FFh, not {text!r}.")
    return value


def bytes_words(count: int) -> str:
    """Say a size as a user would: 512 KiB, or 400 bytes."""
    return f"{count >> 10} KiB" if count and not count & 1023 else f"{count} bytes"


def next_chip(size: int) -> int:
    """Give the smallest size of a memory chip, a power of two from 8 KiB, that holds it."""
    chip = 8 << 10
    while chip < size:
        chip <<= 1
    return chip


@dataclass(frozen=True)
class Chip:
    """An image in a chip of ``size`` bytes, looked at in pages of ``page`` bytes."""

    image: Image
    size: int
    page: int = PAGE
    fill: int = 0xFF

    @cached_property
    def data(self) -> bytes:
        """All bytes of the chip; what the file does not cover is ``fill``."""
        return self.image.flatten(self.size, self.fill)

    @cached_property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """The ranges (start, end) that the file covers, joined and in order."""
        runs: list[tuple[int, int]] = []
        for start, end in sorted((s.physical, s.end) for s in self.image.segments):
            if runs and start <= runs[-1][1]:
                runs[-1] = runs[-1][0], max(runs[-1][1], end)
            else:
                runs.append((start, end))
        return tuple(runs)

    def covered(self, start: int, end: int) -> int:
        """Count the bytes from ``start`` to ``end`` that the file covers."""
        return sum(max(0, min(end, b) - max(start, a)) for a, b in self.spans)

    def pages(self) -> list[tuple[int, int, bytes]]:
        """List the pages that the file touches: number, address, bytes."""
        return [(number, at, self.data[at:at + self.page])
                for number, at in enumerate(range(0, self.size, self.page))
                if self.covered(at, at + self.page)]


def end_of(image: Image) -> int:
    """Give the address behind the last byte of an image."""
    return max(segment.end for segment in image.segments)


def lay_out(image: Image, size: int | None = None, page: int = PAGE, fill: int = 0xFF) -> Chip:
    """Lay an image into a chip of ``size`` bytes, or the smallest that holds it.

    Raises InputError when it does not fit.
    """
    needed = end_of(image)
    if needed > LARGEST:
        raise InputError(f"{image.path}: holds bytes at {needed - 1:X}h, beyond the 16 MiB of the "
                         f"largest chip; link it lower.")
    chip = Chip(image, next_chip(needed) if size is None else size, page, fill)
    _ = chip.data  # refuse at once what does not fit
    return chip
