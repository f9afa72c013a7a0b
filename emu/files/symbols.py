"""Names and source lines for addresses, page by page.

A Z80 sees 64 KiB, so one 16-bit (virtual) address may belong to several pages of
physical memory. A symbol that lies in a ROM page therefore also knows its physical
address; the difference of the two is the page it was linked for, and it answers only
for look-ups with that same difference. Symbols without a physical address (variables
in RAM, plain symbol lists) answer for every page.
"""

import difflib
import re
from bisect import bisect_right
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Generic, NamedTuple, Protocol, TypeVar

from emu.errors import InputError

REACH = 0x400
"""Bytes that a name without a known end speaks for; further on it would mislead."""
LOOKED_BACK = 16
"""Names below an address that are asked whether they still reach it."""


class Symbol(NamedTuple):
    """A name for an address, or for a number when ``kind`` is "abs".

    ``value`` is the 16-bit address; ``physical`` the address in physical memory, None
    when it is not fixed; ``end`` the first address the name no longer speaks for (end of
    its section), None when unknown. ``kind`` is "func", "object", "notype", "abs", or "untold":
    from a list that does not say whether it names an address or a number.
    """

    name: str
    value: int
    physical: int | None = None
    size: int = 0
    kind: str = "notype"
    section: str = ""
    local: bool = False
    end: int | None = None

    @property
    def virtual(self) -> int:
        """The 16-bit address."""
        return self.value

    @property
    def rank(self) -> tuple[object, ...]:
        """Order among symbols of one address: the last is the one to show."""
        kinds = ("abs", "untold", "notype", "object", "func")
        starts_something = self.end is None or self.end > self.value + 1
        visible = not self.local, not self.name.startswith("_")
        return starts_something, kinds.index(self.kind), *visible

    @property
    def limit(self) -> int:
        """The first address that it does not name: behind its size, its section or REACH."""
        if self.size and self.kind != "abs":
            return self.value + self.size
        return self.value + REACH if self.end is None else self.end


class SourceLine(NamedTuple):
    """A line of a source file."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


class LineSpan(NamedTuple):
    """The code of one source line: addresses from ``virtual`` up to ``end``."""

    virtual: int
    physical: int | None
    end: int
    source: SourceLine

    @property
    def rank(self) -> tuple[object, ...]:
        """Order among lines of one address: the last one, where a statement starts."""
        return (self.source.line,)

    @property
    def limit(self) -> int:
        """The first address behind its code."""
        return self.end

    @property
    def size(self) -> int:
        """Its bytes."""
        return self.end - self.virtual


class Place(NamedTuple):
    """An address of code: 16-bit, and in physical memory when that is fixed."""

    virtual: int
    physical: int | None = None


class _Placed(Protocol):
    @property
    def virtual(self) -> int: ...
    @property
    def physical(self) -> int | None: ...
    @property
    def end(self) -> int | None: ...
    @property
    def rank(self) -> tuple[object, ...]: ...
    @property
    def limit(self) -> int: ...
    @property
    def size(self) -> int: ...


T = TypeVar("T", bound=_Placed)


class _Index(Generic[T]):
    """Things sorted by address within each page difference (None: every page)."""

    def __init__(self, things: Iterable[T]) -> None:
        pages: dict[int | None, list[T]] = {}
        for thing in things:
            if thing.end is None or thing.end > thing.virtual:
                pages.setdefault(_page(thing.virtual, thing.physical), []).append(thing)
        self.pages = {
            page: sorted(found, key=lambda thing: (thing.virtual, thing.rank))
            for page, found in pages.items()
        }
        self.starts = {page: [t.virtual for t in found] for page, found in self.pages.items()}

    def nearest(self, virtual: int, pages: Iterable[int | None]) -> T | None:
        """Find the last thing at or below an address that still speaks for it."""
        found = [thing for page in pages if (thing := self._in_page(virtual, page)) is not None]
        return max(found, key=lambda thing: thing.virtual, default=None)

    def _in_page(self, virtual: int, page: int | None) -> T | None:
        """Find it in one page: the last one, or one before it whose known size reaches so far."""
        place = bisect_right(self.starts.get(page, ()), virtual) - 1
        for back in range(place, max(place - LOOKED_BACK, -1), -1):
            thing = self.pages[page][back]
            if virtual < thing.limit and (back == place or thing.size):
                return thing
        return None


def _page(virtual: int, physical: int | None) -> int | None:
    return None if physical is None else physical - virtual


@dataclass(frozen=True)
class SymbolTable:
    """All names and lines known of one image, or of several merged.

    ``extents`` are the physical ranges (start, end) that the images fill. Code found at a
    physical address outside them was copied there, so its 16-bit address alone counts.
    ``folders`` are those that the lines' files are told from: where the compiler ran.
    """

    symbols: tuple[Symbol, ...] = ()
    lines: tuple[LineSpan, ...] = ()
    extents: tuple[tuple[int, int], ...] = ()
    folders: tuple[str, ...] = ()

    @cached_property
    def _symbol_index(self) -> _Index[Symbol]:
        return _Index(symbol for symbol in self.symbols if symbol.kind != "abs")

    @cached_property
    def _line_index(self) -> _Index[LineSpan]:
        return _Index(self.lines)

    @cached_property
    def _by_name(self) -> dict[str, list[Symbol]]:
        names: dict[str, list[Symbol]] = {}
        for symbol in self.symbols:
            names.setdefault(symbol.name, []).append(symbol)
        return names

    def symbol_at(self, virtual: int, physical: int | None = None) -> Symbol | None:
        """Find the nearest symbol at or below an address."""
        return self._nearest(self._symbol_index, virtual, physical)

    def name_at(self, virtual: int, physical: int | None = None) -> str | None:
        """Name an address as "console_init" or "console_init+4", offsets from 10 on in hex."""
        symbol = self.symbol_at(virtual, physical)
        if symbol is None:
            return None
        return symbol.name + _offset(virtual - symbol.value)

    def span_at(self, virtual: int, physical: int | None = None) -> LineSpan | None:
        """Find the code of the source line that an address belongs to."""
        return self._nearest(self._line_index, virtual, physical)

    def line_at(self, virtual: int, physical: int | None = None) -> SourceLine | None:
        """Find the source line that an address was made from."""
        span = self.span_at(virtual, physical)
        return None if span is None else span.source

    def _nearest(self, index: _Index[T], virtual: int, physical: int | None) -> T | None:
        if physical is None:
            return index.nearest(virtual, index.pages)
        found = index.nearest(virtual, (None, physical - virtual))
        if found is None and self._copied(physical):
            return index.nearest(virtual, index.pages)
        return found

    def _copied(self, physical: int) -> bool:
        outside = not any(start <= physical < end for start, end in self.extents)
        return bool(self.extents) and outside

    def find(self, name: str) -> Symbol | None:
        """Find a symbol by its name; of several, one that other files can see."""
        return max(self.find_all(name), key=lambda symbol: not symbol.local, default=None)

    def find_all(self, name: str) -> tuple[Symbol, ...]:
        """Find every symbol of that name: pages and files may each have one."""
        return tuple(self._by_name.get(name, ()))

    def places(self, text: str) -> tuple[Place, ...]:
        """Find the addresses of "symbol", "symbol+4", "file.s:12" or a number "0x1234".

        A line without code stands for the next one in its file that has some. Raises
        InputError when nothing is found.
        """
        if match := re.fullmatch(r"(.+):([0-9]{1,9})", text):
            return self._line_places(match[1], int(match[2]))
        number = None if text in self._by_name else parse_number(text)
        if number is not None:
            if number > 0xFFFF:
                raise InputError(f"{text}: an address of the CPU ends at FFFFh; give one up to it.")
            return (Place(number),)
        name, plus, offset = (part.strip() for part in text.partition("+"))
        symbols, step = self.find_all(name), parse_number(offset) if plus else 0
        if not symbols or step is None:
            raise InputError(self._unknown(text, name, self._by_name))
        return tuple(_stepped(symbol, step) for symbol in symbols)

    def _line_places(self, file: str, line: int) -> tuple[Place, ...]:
        spans = [span for span in self.lines if _same_file(span.source.file, file)]
        if not spans:
            raise InputError(self._unknown(file, file, {span.source.file for span in self.lines}))
        later = [span.source.line for span in spans if span.source.line >= line]
        if not later:
            last = max(span.source.line for span in spans)
            raise InputError(
                f"{file}:{line}: no code from here on; its last line of code is {last}; "
                "name one up to it."
            )
        chosen = [span for span in spans if span.source.line == min(later)]
        ends = {(_page(span.virtual, span.physical), span.end) for span in chosen}
        starts = {
            Place(span.virtual, span.physical)
            for span in chosen
            if (_page(span.virtual, span.physical), span.virtual) not in ends
        }
        return tuple(sorted(starts, key=lambda place: (place.virtual, place.physical or 0)))

    def _unknown(self, text: str, name: str, known: Iterable[str]) -> str:
        close = difflib.get_close_matches(name, sorted(known), 3)
        mend = f"did you mean {' or '.join(close)}?" if close else "see the names in the image."
        return f"{text}: no such symbol or source file in the images; {mend}"

    def merge(self, other: "SymbolTable") -> "SymbolTable":
        """Join two tables into a new one."""
        return SymbolTable(
            self.symbols + other.symbols,
            self.lines + other.lines,
            self.extents + other.extents,
            tuple(dict.fromkeys(self.folders + other.folders)),
        )

    def shifted(self, offset: int) -> "SymbolTable":
        """Move all physical addresses, for an image burned ``offset`` bytes further up."""
        return SymbolTable(
            _shifted(self.symbols, offset),
            _shifted(self.lines, offset),
            tuple((start + offset, end + offset) for start, end in self.extents),
            self.folders,
        )

    def without_ports(self, ports: Container[int]) -> "SymbolTable":
        """Take names that may be numbers for ports where they have one's; else for addresses.

        The restart addresses share their values with ports: a name that says so stays one.
        """
        if not any(symbol.kind == "untold" for symbol in self.symbols):
            return self
        return replace(self, symbols=tuple(
            symbol if symbol.kind != "untold" else
            symbol._replace(kind="abs" if symbol.value in ports
                    and "rst" not in symbol.name.lower() else "notype")
            for symbol in self.symbols))


def parse_number(text: str) -> int | None:
    """Read "0x1F", "$1f", "1Fh", "FEF8h" or decimal "31"; None when the text is no number."""
    if match := re.fullmatch(r"0[xX]([0-9a-fA-F]+)|\$([0-9a-fA-F]+)|([0-9a-fA-F]+)[hH]", text):
        return int(match[1] or match[2] or match[3], 16)
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text) else None


S = TypeVar("S", Symbol, LineSpan)


def _shifted(things: Sequence[S], offset: int) -> tuple[S, ...]:
    return tuple(
        thing if thing.physical is None else thing._replace(physical=thing.physical + offset)
        for thing in things
    )


def _stepped(symbol: Symbol, step: int) -> Place:
    physical = None if symbol.physical is None else symbol.physical + step
    return Place((symbol.value + step) & 0xFFFF, physical)


def _offset(offset: int) -> str:
    return "" if offset == 0 else f"+{offset}" if offset < 10 else f"+{offset:#x}"


def _same_file(known: str, asked: str) -> bool:
    """Compare from the file name backwards: "main.s" is "src/main.s" too."""
    ours, theirs = Path(known).parts, Path(asked).parts
    return ours[-len(theirs) :] == theirs
