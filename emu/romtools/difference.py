"""Where two images differ, by page, with names."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.romtools.chip import Chip

NEAR = 8  # equal bytes between two differences that still make one range


@dataclass(frozen=True)
class Range:
    """Bytes from ``start`` up to ``end`` of the chip that differ, ``count`` of them."""

    start: int
    end: int
    count: int


def ranges(a: bytes, b: bytes, page: int | None = None) -> list[Range]:
    """List where two chips differ, each range in one page; what one lacks is different."""
    size = max(len(a), len(b))
    wide = np.full((2, size), 256, np.int16)
    wide[0, :len(a)] = np.frombuffer(a, np.uint8)
    wide[1, :len(b)] = np.frombuffer(b, np.uint8)
    places = np.flatnonzero(wide[0] != wide[1])
    if not len(places):
        return []
    apart = np.diff(places) > NEAR
    if page is not None:
        apart |= np.diff(places // page) > 0
    groups = np.split(places, np.flatnonzero(apart) + 1)
    return [Range(int(g[0]), int(g[-1]) + 1, len(g)) for g in groups]


def compare(a: Chip, b: Chip) -> dict[str, Any]:
    """Compare two chips page by page (of ``a``'s page size), as plain data."""
    found = ranges(a.data, b.data, a.page)
    pages: dict[int, list[dict[str, Any]]] = {}
    for one in found:
        pages.setdefault(one.start // a.page, []).append({
            "physical": one.start, "end": one.end, "differing": one.count,
            "a": _first(a, one), "b": _first(b, one),
            "name_a": name_of(a, one.start), "name_b": name_of(b, one.start)})
    return {"a": str(a.image.path), "b": str(b.image.path),
            "differing": sum(one.count for one in found),
            "pages": [{"page": page, "ranges": rows} for page, rows in sorted(pages.items())]}


def _first(chip: Chip, one: Range) -> str:
    return chip.data[one.start:one.end][:8].hex(" ")


def name_of(chip: Chip, physical: int) -> str | None:
    """Name a byte of the chip by the symbols of its segment."""
    for segment in chip.image.segments:
        if segment.physical <= physical < segment.end:
            virtual = segment.virtual + physical - segment.physical
            return chip.image.symbols.name_at(virtual, physical)
    return None
