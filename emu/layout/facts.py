"""What a description says of a machine, as plain facts: slots, ports, memory, clocks, chain.

Nothing is run and no image need exist.  Whatever depends on the place of the files or on the
time is left out, so that the page made of it is the same everywhere.
"""
from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.description import Description, SlotDescription
from emu.backplane.finding import Finding
from emu.backplane.port_rows import PortRow, apart
from emu.backplane.rate_search import reach, verdict
from emu.backplane.wiring_check import check
from emu.bus.state import CHAINED_INTERRUPT, PLAIN_INTERRUPT
from emu.card.rate_ways import BAUD, TICK, hertz_words
from emu.card.roles import ROM_AREA, VECTOR, MemoryArea, PageRange

USUAL_TICK = 100  # interrupts a second that a timer is asked for
FILES = ("file", "files", "medium", "drive")  # kinds of jumper that name files


@dataclass(frozen=True)
class SlotFact:
    """A card in its place; ``jumpers`` are those that the file sets, as text."""

    slot: str
    card: str
    summary: str
    jumpers: dict[str, str]
    waits: dict[str, int]  # added wait states, where there are any


@dataclass(frozen=True)
class PortFact:
    """A register and the ports at which it answers; ``width`` address lines are decoded."""

    port: int
    slot: str
    register: str
    kinds: tuple[str, ...]
    mirrors: tuple[int, ...]
    width: int
    clashes: tuple[str, ...]  # "slot.register" of others that answer at one of its ports


@dataclass(frozen=True)
class AreaFact:
    """Addresses at which a card's memory answers; ``port`` of the register that switches it."""

    start: int
    end: int  # the last address
    slot: str
    what: str
    register: str
    port: int | None
    words: str


@dataclass(frozen=True)
class PagesFact:
    """Pages of a card's memory; ``holds``: those of them that the image fills."""

    first: int
    last: int
    slot: str
    what: str
    size: int  # bytes of a page
    holds: tuple[int, ...]


@dataclass(frozen=True)
class ClockFact:
    """A clock, or a rate that is reached from one; ``error`` is relative, None: out of reach."""

    slot: str
    what: str
    want: str
    reached: str
    error: float | None
    how: str


@dataclass(frozen=True)
class InterruptFact:
    """A card that interrupts; ``place`` in the chain from 1, None outside of it."""

    place: int | None
    slot: str
    gives: str
    vector_at: tuple[int, ...]  # ports where its vector is written


@dataclass(frozen=True)
class Layout:
    """A machine on one page."""

    name: str
    file: str
    cpu_hz: Fraction
    floating: str
    slots: list[SlotFact]
    ports: list[PortFact]
    areas: list[AreaFact]
    pages: list[PagesFact]
    clocks: list[ClockFact]
    wires: list[tuple[str, str]]
    chain: list[str] | None
    look_ahead: bool
    interrupts: list[InterruptFact]
    findings: list[Finding] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {**asdict(self), "cpu_hz": float(self.cpu_hz)}


def layout(d: Description) -> Layout:
    """Work a machine's layout out."""
    return Layout(
        d.name, d.path.name, d.cpu_hz, d.floating, [_slot(s) for s in d.slots], _ports(d),
        sorted((a for s in d.slots for a in _areas(s)), key=lambda a: (a.start, a.end)),
        [p for s in d.slots for p in _pages(s)], list(_clocks(d)), _wires(d),
        None if d.chain is None else list(d.chain), d.look_ahead, _interrupts(d), check(d))


def _slot(slot: SlotDescription) -> SlotFact:
    kinds = {jumper.name: jumper.kind for jumper in slot.card.jumpers}
    waits = {"waits-io": slot.waits_io, "waits-mem": slot.waits_mem, "waits-m1": slot.waits_m1}
    return SlotFact(
        slot.name, slot.card.name, slot.card.summary,
        {name: _setting(kinds[name], slot.settings[name]) for name in kinds if name in slot.given},
        {name: states for name, states in waits.items() if states})


def _setting(kind: str, value: Any) -> str:
    """Write a setting; of files the names alone, and a terminal in words."""
    if isinstance(value, Fraction):
        return hertz_words(value)
    if kind == "terminal":
        return f"{value['baud']} baud {value['format']}" + (
            "" if value["flow"] == "none" else f" {value['flow']}")
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_setting('file' if key == 'medium' else kind, each)}"
                         for key, each in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    if kind in FILES and isinstance(value, str):
        return Path(value).name
    if isinstance(value, int) and value > 9 and not isinstance(value, bool):
        return f"{value} ({value:X}h)"
    return json.dumps(list(value)) if isinstance(value, tuple | list) else str(value)


def answers_at(row: PortRow) -> list[int]:
    """List the ports at which a register answers: 8-bit ones, or with A15-A8 when they count."""
    wide = row.mask & 0xFF00 != 0
    free = [bit for bit in range(16 if wide else 8) if not row.mask >> bit & 1]
    ports = [row.port]
    for bit in free:
        ports += [port | 1 << bit for port in ports]
    return sorted(ports)


def _ports(d: Description) -> list[PortFact]:
    rows = [(slot, row) for slot in d.slots for row in slot.ports]
    out = []
    for slot, row in rows:
        register = slot.card.registers[row.register]
        first, *mirrors = answers_at(row)
        others = [f"{s.name}.{s.card.registers[r.register]}" for s, r in rows
                  if (s, r) != (slot, row) and (r.port ^ row.port) & r.mask & row.mask == 0
                  and not apart(slot, register, s, s.card.registers[r.register])]
        out.append(PortFact(first, slot.name, register, tuple(slot.card.kinds.get(register, ())),
                            tuple(mirrors), 16 if row.mask & 0xFF00 else 8, tuple(others)))
    return sorted(out, key=lambda p: (p.port & 0xFF, p.port, p.slot, p.register))


def port_of(slot: SlotDescription, register: str) -> int | None:
    """Give the port of a register, None where none leads there."""
    if register not in slot.card.registers:
        return None
    number = slot.card.registers.index(register)
    return next((row.port for row in slot.ports if row.register == number), None)


def _areas(slot: SlotDescription) -> Iterator[AreaFact]:
    for area in slot.card.areas(slot.settings):
        yield AreaFact(area.start, area.start + area.size - 1, slot.name, area.what, area.register,
                       port_of(slot, area.register), _area_words(slot, area))


def _area_words(slot: SlotDescription, area: MemoryArea) -> str:
    holds = _filled(slot, area.start, area.size) if area.what == ROM_AREA else []
    words = [area.words] if area.words else []
    if holds:
        words.append(f"the image fills {holds[0]:04X}h-{holds[-1]:04X}h")
    return "; ".join(words)


def _filled(slot: SlotDescription, start: int, size: int) -> list[int]:
    """Give the lowest and the highest address of the image in a stretch of its chip."""
    parts = [(max(s.physical, start), min(s.end, start + size))
             for s in (slot.image.segments if slot.image is not None else ())]
    inside = [(low, high) for low, high in parts if low < high]
    return [min(low for low, _ in inside), max(high for _, high in inside) - 1] if inside else []


def _pages(slot: SlotDescription) -> Iterator[PagesFact]:
    for pages in slot.card.pages(slot.settings):
        holds = [n for n in range(pages.first, pages.first + pages.count)
                 if _filled(slot, _chip_place(pages, n), pages.size)]
        yield PagesFact(pages.first, pages.first + pages.count - 1, slot.name, pages.what,
                        pages.size, tuple(holds) if pages.what == ROM_AREA else ())


def _chip_place(pages: PageRange, number: int) -> int:
    return (number - pages.first) * pages.size


def _clocks(d: Description) -> Iterator[ClockFact]:
    wired = {(w.target, d_input(d, w.target, w.input)) for w in d.wires}
    for slot in d.slots:
        for jumper in slot.card.jumpers:
            value = slot.settings[jumper.name]
            if jumper.kind != "clock" or value == "none":
                continue
            if (slot.name, jumper.name) in wired:
                continue
            hertz = d.cpu_hz if value == "cpu" else Fraction(value)
            yield ClockFact(slot.name, jumper.name, "", hertz_words(hertz), 0.0,
                            "the CPU's clock" if value == "cpu" else "oscillator")
    for slot in d.slots:
        for channel in slot.card.channels:
            ending = f"-{channel}" if channel else ""
            if channel != slot.card.channels[0] and f"terminal{ending}" not in slot.given:
                continue
            table = slot.settings.get(f"terminal{ending}")
            if table is not None:
                yield _rate(d, slot, BAUD, Fraction(table["baud"]), f"terminal{ending}", channel)
        if slot.card.timer:
            yield _rate(d, slot, TICK, Fraction(USUAL_TICK), "tick", None)


def d_input(d: Description, slot: str, number: int) -> str:
    """Name an input of a slot's card."""
    return next(s for s in d.slots if s.name == slot).card.inputs[number]


def _rate(d: Description, slot: SlotDescription, purpose: str, want: Fraction, what: str,
          part: str | None) -> ClockFact:
    unit = "baud" if purpose == BAUD else "Hz"
    ways = [one for one in reach(d, purpose, want, slot.name)
            if part is None or one.way.part == part]
    asked = f"{float(want):g} {unit}"
    if not ways:
        return ClockFact(slot.name, what, asked, "out of reach", None, "nothing clocks it")
    best = min(ways, key=lambda one: abs(one.error))
    return ClockFact(slot.name, what, asked, f"{float(best.way.rate):.7g} {unit}, "
                     f"{verdict(purpose, best.error)}", float(best.error), best.way.words)


def _wires(d: Description) -> list[tuple[str, str]]:
    cards = {s.name: s.card for s in d.slots}
    return [(f"{w.source}.{cards[w.source].outputs[w.output]}",
             f"{w.target}.{cards[w.target].inputs[w.input]}") for w in d.wires]


def _interrupts(d: Description) -> list[InterruptFact]:
    order = [name for name in d.chain or () if name != "open"]
    out = []
    for slot in d.slots:
        wired = slot.settings.get("interrupt", True) is not False
        kind = slot.card.interrupt if wired else 0
        if kind not in (PLAIN_INTERRUPT, CHAINED_INTERRUPT):
            continue
        ports = [port for register in slot.card.registers
                 if slot.card.has_kind(register, VECTOR)
                 and (port := port_of(slot, register)) is not None]
        out.append(InterruptFact(
            order.index(slot.name) + 1 if slot.name in order else None, slot.name,
            "a vector (mode 2)" if kind == CHAINED_INTERRUPT else "no vector (mode 1: 0038h)",
            tuple(ports)))
    return sorted(out, key=lambda one: (one.place is None, one.place or 0))
