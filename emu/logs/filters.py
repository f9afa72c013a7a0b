"""Choose what of a trace is shown: ranges of addresses, symbols, ports, cards, kinds.

A filter chooses bus cycles; an instruction is shown when one of its cycles is chosen.

    8000h-80FFh, 0x8000    memory cycles at these addresses (fetch, read, write)
    console_put            memory cycles from a symbol up to the next one
    port:20h, port:20h-27h I/O at these ports
    sio                    what a card drives onto the bus, and I/O at its ports
    read, write, in, ...   one kind of bus cycle

A name that is a kind, a card and a symbol is taken for the first of these; "card:name",
"symbol:name" and "kind:name" say which is meant.
"""
from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import get_close_matches

import numpy as np

from emu.bus.state import BUS_BACK, BUS_GIVEN, DMA_IN, DMA_OUT, FETCH, IN, KIND_NAMES, OUT
from emu.errors import InputError
from emu.files.symbols import REACH, Place, Symbol, SymbolTable, parse_number
from emu.logs.records import Chunk, Flags
from emu.logs.setting import Setting
from emu.logs.when import in_page, number, places

Filter = Callable[[Chunk], Flags]
"""Tells for each bus cycle of a chunk whether it is chosen."""

KINDS = KIND_NAMES[1:]


def parse(texts: Sequence[str], setting: Setting) -> Filter | None:
    """Read the filters of ``--only``: any of them may choose; None when there is none.

    Raises InputError with the nearest known names.
    """
    filters = [_one(text, setting) for text in texts]
    if not filters:
        return None
    return lambda chunk: np.logical_or.reduce([chosen(chunk) for chosen in filters])


def _one(text: str, setting: Setting) -> Filter:
    head, colon, rest = text.partition(":")
    if colon and head == "port":
        low, high = _range(text, rest, 0xFFFF)
        return _ports(low, high)
    if colon and head in ("card", "kind", "symbol"):
        known = {"card": list(setting.slots), "kind": list(KINDS)}.get(head, [])
        if head != "symbol" and rest not in known:
            raise InputError(f"--only {text}: there is no such {head}; known are "
                             f"{', '.join(known)}.")
        return {"card": _card, "kind": _kind, "symbol": _symbol}[head](rest, setting)
    if text in KINDS:
        return _kind(text, setting)
    if text in setting.slots:
        return _card(text, setting)
    if parse_number(text.partition("-")[0]) is not None:
        low, high = _range(text, text, 0xFFFF)
        return _addresses(low, high)
    return _symbol(text, setting)


def _range(text: str, numbers: str, limit: int) -> tuple[int, int]:
    first, dash, second = (part.strip() for part in numbers.partition("-"))
    low = number(first)
    high = number(second) if dash else low
    if low is None or high is None or not low <= high <= limit:
        raise InputError(f"--only {text}: write a number or a range such as 20h-27h, the lower "
                         f"end first, up to {limit:X}h.")
    return low, high


def _is_io(chunk: Chunk) -> Flags:
    kinds = chunk.cycles["kind"]
    found: Flags = np.isin(kinds, (IN, OUT, DMA_IN, DMA_OUT))
    return found


def _ports(low: int, high: int) -> Filter:
    mask = 0xFF if high < 0x100 else 0xFFFF

    def chosen(chunk: Chunk) -> Flags:
        port = chunk.cycles["address"] & mask
        return np.asarray(_is_io(chunk) & (port >= low) & (port <= high))

    return chosen


def _addresses(low: int, high: int) -> Filter:
    def chosen(chunk: Chunk) -> Flags:
        address = chunk.cycles["address"]
        moment = np.isin(chunk.cycles["kind"], (BUS_GIVEN, BUS_BACK))
        return np.asarray(~_is_io(chunk) & ~moment & (address >= low) & (address <= high))

    return chosen


def _kind(name: str, _: Setting) -> Filter:
    number = KIND_NAMES.index(name)
    return lambda chunk: np.asarray(chunk.cycles["kind"] == number)


def _card(name: str, setting: Setting) -> Filter:
    rows, driver = setting.ports[name], setting.slots[name] + 1

    def chosen(chunk: Chunk) -> Flags:
        address = chunk.cycles["address"].astype(np.int64)
        own = np.zeros(len(address), bool)
        for mask, value in rows:
            own |= (address & mask) == value
        return np.asarray((chunk.cycles["driver"] == driver) | (own & _is_io(chunk)))

    return chosen


def _symbol(name: str, setting: Setting) -> Filter:
    try:
        found = places("--only", name, setting)
    except InputError as error:
        close = get_close_matches(name, [*KINDS, *setting.slots], 2)
        mend = f"did you mean {' or '.join(close)}? " if close else ""
        raise InputError(f"{error} {mend}--only also takes addresses, port:, cards "
                         f"({', '.join(setting.slots)}) and kinds ({', '.join(KINDS)}).") from None
    filters = [_code(slot, place, _end(setting.symbols[slot], place), setting)
               for slot, place in found]
    return lambda chunk: np.logical_or.reduce([chosen(chunk) for chosen in filters])


def _end(table: SymbolTable, place: Place) -> int:
    """Give the first address that no longer belongs to what stands at a place."""
    symbol = table.symbol_at(place.virtual, place.physical)
    if symbol is not None and symbol.size and place.virtual < symbol.value + symbol.size:
        return symbol.value + symbol.size
    limit = place.virtual + REACH
    if symbol is not None and symbol.end is not None:
        limit = min(limit, symbol.end)
    behind = [other.value for other in table.symbols
              if other.kind != "abs" and place.virtual < other.value < limit
              and _same_page(other, place)]
    return max(min(behind, default=limit), place.virtual + 1)


def _same_page(other: Symbol, place: Place) -> bool:
    if other.physical is None or place.physical is None:
        return other.physical is None and place.physical is None
    return other.physical - other.value == place.physical - place.virtual


def _code(slot: int, place: Place, end: int, setting: Setting) -> Filter:
    addresses = _addresses(place.virtual, end - 1)

    def chosen(chunk: Chunk) -> Flags:
        found = addresses(chunk)
        if place.physical is None or not found.any():
            return found
        here = in_page(chunk, setting, slot, place.physical - place.virtual)
        return np.asarray(found & (here[chunk.cycle_record] | (chunk.cycles["kind"] != FETCH)))

    return chosen
