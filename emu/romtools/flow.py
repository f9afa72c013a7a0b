"""Disassemble from entry points, following the flow of the program through its pages."""
from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from emu.errors import InputError
from emu.files.image import Image
from emu.files.segment import Segment
from emu.files.symbols import Place
from emu.isa.disassembler import Instruction, disassemble

MOST = 100_000  # instructions followed
FILLS = (b"\x76", b"\xff")  # two HALT or RST 38h in a row are unused room
GOES_ON = ("next", "branch", "call", "branch-call", "branch-return", "restart", "halt")


@dataclass(frozen=True)
class Line:
    """An instruction found: where it lies in the chip, and how it was reached."""

    physical: int
    instruction: Instruction
    label: str | None
    source: str | None


@dataclass(frozen=True)
class PageMap:
    """What the CPU sees: segments, each at its 16-bit address; earlier ones first.

    ``extra`` are mappings (address, physical, bytes) the user gave: they come before the
    addresses that the file carries.
    """

    image: Image
    extra: tuple[tuple[int, int, int], ...] = ()

    def segments(self) -> list[Segment]:
        """List the segments in the order in which they answer for an address."""
        return [*self.mapped, *self.image.segments]

    @cached_property
    def mapped(self) -> tuple[Segment, ...]:
        """The pages that the user mapped."""
        moved = []
        for address, physical, size in self.extra:
            for s in self.image.segments:
                start, end = max(s.physical, physical), min(s.end, physical + size)
                if start < end:
                    data = s.data[start - s.physical:end - s.physical]
                    moved.append(Segment(start, address + start - physical, data))
        return tuple(moved)

    def find(self, virtual: int, home: Segment | None = None) -> Segment | None:
        """Find the segment that holds an address: a page that the user mapped, the one we come
        from before others; then, of the file's own, again the one we come from."""
        near = [] if home is None else [home]
        order = [*near, *self.segments()] if home in self.mapped else [*self.mapped, *near,
                                                                      *self.segments()]
        return next((s for s in order
                     if s.virtual <= virtual < s.virtual + len(s.data)), None)

    def at(self, place: Place) -> Segment | None:
        """Find the segment of an entry point, by its physical address when it has one."""
        if place.physical is None:
            return self.find(place.virtual)
        return next((s for s in self.segments() if s.physical <= place.physical < s.end
                     and s.virtual - s.physical == place.virtual - place.physical), None)


def entries(image: Image, wanted: Iterable[str]) -> list[Place]:
    """Find the entry points by name or number; without any, the file's own, or 0."""
    named = [place for text in wanted for place in image.symbols.places(text)]
    if named:
        return named
    return [Place(0 if image.entry is None else image.entry & 0xFFFF)]


def follow(pages: PageMap, starts: Iterable[Place]) -> list[Line]:
    """Follow the program from its entry points; give the lines in order of physical address.

    Only what the flow reaches is decoded: jumps through registers and what a return comes
    back to by a changed stack are not seen.  Raises InputError for an entry point that the
    image does not hold.
    """
    found: dict[int, Line] = {}
    todo: list[tuple[int, Segment]] = []
    for place in starts:
        segment = pages.at(place)
        if segment is None:
            raise InputError(f"{pages.image.path}: holds no byte at the entry point "
                             f"{place.virtual:04X}h; name another with --from, or say with --map "
                             f"where the page lies.")
        todo.append((place.virtual, segment))
    while todo and len(found) < MOST:
        virtual, segment = todo.pop()
        physical = segment.physical + virtual - segment.virtual
        if physical in found:
            continue
        one = _decode(pages, segment, virtual)
        found[physical] = Line(physical, one, _label(pages.image, virtual, physical),
                               _source(pages.image, virtual, physical))
        for target in _after(pages, segment, one):
            after = pages.find(target, segment)
            if after is not None:
                todo.append((target, after))
    return [found[at] for at in sorted(found)]


def _decode(pages: PageMap, segment: Segment, virtual: int) -> Instruction:
    def fetch(address: int) -> int:
        home = pages.find(address, segment)
        return home.data[address - home.virtual] if home else 0xFF

    def name(address: int) -> str | None:
        home = pages.find(address, segment)
        physical = None if home is None else home.physical + address - home.virtual
        return pages.image.symbols.name_at(address, physical)

    return disassemble(fetch, virtual, name)


def _after(pages: PageMap, segment: Segment, one: Instruction) -> list[int]:
    after = [] if one.target is None else [one.target]
    behind = (one.address + one.length) & 0xFFFF
    home = pages.find(behind, segment)
    fill = one.data in FILLS and home is not None and home.data[
        behind - home.virtual:][:1] == one.data
    if one.flow in GOES_ON and not fill:
        after.append(behind)
    return after


def _label(image: Image, virtual: int, physical: int) -> str | None:
    symbol = image.symbols.symbol_at(virtual, physical)
    return symbol.name if symbol is not None and symbol.value == virtual else None


def _source(image: Image, virtual: int, physical: int) -> str | None:
    line = image.symbols.line_at(virtual, physical)
    return None if line is None else str(line)
