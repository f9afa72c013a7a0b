"""The symbols of a machine's images, entered by their places in physical memory."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.files.symbols import Symbol
from emu.machine.machine import Machine, Slot
from emu.usage.record import LABELS


@dataclass(frozen=True)
class Label:
    """A symbol of code, and the slot whose memory it stands in."""

    slot: str
    name: str
    address: int  # 16 bits
    place: int
    own: bool  # a function from the start; others belong to the one before, until called


def enter_labels(machine: Machine, u: Any) -> list[Label]:
    """Enter the labels in a record; what is listed has the numbers of the record's functions.

    Of several symbols at a place the one that is shown stands for all.
    """
    best: dict[int, tuple[Symbol, Slot]] = {}
    for slot, symbol, place in _symbols(machine):
        known = best.get(place)
        if known is None or known[0].rank < symbol.rank:
            best[place] = symbol, slot
    places = sorted(best)[:LABELS]
    labels = [Label(best[p][1].name, best[p][0].name, best[p][0].value, p, not best[p][0].local)
              for p in places]
    u.labels = len(labels)
    function = -1
    for number, label in enumerate(labels):
        symbol, slot = best[label.place]
        if label.own or function < 0 or labels[function].slot != label.slot:
            function = number
        u.label_place[number], u.function_of[number] = label.place, function
        end = int(machine.m.mem_base[slot.number] + machine.m.mem_size[slot.number])
        if symbol.end is not None:
            end = min(end, label.place + symbol.end - symbol.value)
        if number + 1 < len(places):
            end = min(end, places[number + 1])
        np.asarray(u.label)[label.place:end] = number
    return labels


def _symbols(machine: Machine) -> Iterator[tuple[Slot, Symbol, int]]:
    m = machine.m
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        base, size = int(m.mem_base[slot.number]), int(m.mem_size[slot.number])
        for image in described.images.values():
            placed = any(s.physical is not None for s in image.symbols.symbols)
            for symbol in image.symbols.symbols:
                if symbol.kind in ("abs", "object") or (placed and symbol.physical is None):
                    continue  # no code, or in RAM, which the map may not show yet
                at = _place(m, slot.number, symbol, base)
                if base <= at < base + size:
                    yield slot, symbol, at


def _place(m: Any, slot: int, symbol: Symbol, base: int) -> int:
    """Give a symbol's place; without a physical address the one that the map gives it now."""
    if symbol.physical is not None:
        return base + symbol.physical
    page = symbol.value >> 12
    known = int(m.read_base_true[page])
    ours = int(m.owner[page]) == slot + 1
    return known + (symbol.value & 0xFFF) if known >= 0 and ours else -1
