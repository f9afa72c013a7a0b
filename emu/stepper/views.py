"""What can be seen of a machine that stands still: registers, code, stack, map, chain, cards.

Each view is plain data, for the stepper's text and for other front ends.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from emu.bus.state import BUS_GIVEN, CALL, FAR, LOG, NO_INTERRUPT, NOT_MINE, PAGES, ROM, SEVERAL
from emu.bus.waiting import held_until
from emu.isa.disassembler import Instruction
from emu.logs.cycles import CYCLE, Cycles, read_ring
from emu.logs.edges import chained
from emu.run.player import Spot
from emu.stepper.lookup import Lookup
from emu.stepper.stepper import Stepper

LONGEST_CYCLE = 40  # T-states between two bus cycles, generously


@dataclass(frozen=True)
class CodeLine:
    """An instruction as it stands in memory: ``label`` when a symbol stands there."""

    code: Instruction
    label: str
    source: str
    here: bool


@dataclass(frozen=True)
class PageLine:
    """Neighbouring pages of the address space that one card answers: first and last address."""

    low: int
    high: int
    words: str


@dataclass(frozen=True)
class Link:
    """A card that can interrupt: pending and serviced sources (bits), IEI and IEO."""

    name: str
    pending: int
    service: int
    iei: int
    ieo: int
    chained: bool


def code(stepper: Stepper, address: int, count: int) -> list[CodeLine]:
    """Disassemble ``count`` instructions from an address on."""
    book, lines = stepper.book, []
    for _ in range(count):
        found = stepper.instruction(address)
        line = book.line(address)
        lines.append(CodeLine(found, book.exact(address) or "", str(line) if line else "",
                              address == int(stepper.m.pc)))
        address = address + found.length & 0xFFFF
    return lines


def _page_words(book: Lookup, page: int) -> str:
    m = book.machine.m
    names = [slot.name for slot in book.machine.slots]
    owner = int(m.owner[page]) - 1
    base, writes = int(m.read_base_true[page]), int(m.write_base_true[page])
    if SEVERAL in (base, writes):
        return "several cards"
    if owner < 0 or (base == NOT_MINE and writes == NOT_MINE):
        return "nobody"
    kind = "read only" if writes in (ROM, NOT_MINE) else "asked each time" if base == CALL else (
        "flash" if writes == CALL else "RAM")
    return f"{names[owner]}, {kind}"


def pages(stepper: Stepper) -> list[PageLine]:
    """Give the page map: runs of pages that lie together in one card's memory."""
    m, book = stepper.m, stepper.book
    out: list[PageLine] = []
    last_base = FAR
    for page in range(PAGES):
        words, base = _page_words(book, page), int(m.read_base_true[page])
        if out and out[-1].words.split(" from")[0] == words and (
                base == last_base + 4096 or (base < 0 and base == last_base)):
            out[-1] = PageLine(out[-1].low, page << 12 | 0xFFF, out[-1].words)
        else:
            inside = "" if base < 0 else (
                f" from {base - int(m.mem_base[int(m.owner[page]) - 1]):05X}h")
            out.append(PageLine(page << 12, page << 12 | 0xFFF, words + inside))
        last_base = base
    return out


def chain(stepper: Stepper) -> list[Link]:
    """Give the cards that can interrupt, the first of the chain first."""
    m = stepper.m
    order = chained(m)
    numbers = [*order, *(n for n in range(int(m.slots))
                         if n not in order and int(m.int_kind[n]) != NO_INTERRUPT)]
    in_chain = {int(n) for n in m.chain[:int(m.chain_len)]}
    return [Link(stepper.machine.slots[n].name, int(m.ip[n]), int(m.ius[n]), int(m.iei[n]),
                 int(m.ieo[n]), n in in_chain) for n in numbers]


def cards(stepper: Stepper, name: str = "") -> dict[str, list[str]]:
    """Give each card's state in words, or one card's."""
    slots = [stepper.machine.slot(name)] if name else stepper.machine.slots
    return {slot.name: slot.card.describe(stepper.m, slot.state) for slot in slots}


def cycles(stepper: Stepper, count: int) -> Cycles:
    """Give the last ``count`` bus cycles before now, oldest first (CYCLE rows)."""
    spot = stepper.spot
    count = min(count, LOG // 2)
    start = Spot(max(spot.t - count * LONGEST_CYCLE, 0), spot.inputs)
    player = stepper.history.bring(stepper.history.spare, start)
    return _logged(player, spot)[-count:]


def _logged(player, spot: Spot) -> Cycles:  # type: ignore[no-untyped-def]
    """Play on to a spot with the bus log on, and give what it holds."""
    machine = player.machine
    machine.log(True)
    player.run_to(spot.t, spot.inputs)
    end = int(machine.m.log_pos)
    found = read_ring(machine.m, max(end - LOG, 0), end)
    machine.log(False)
    return found


def next_cycles(stepper: Stepper) -> tuple[Cycles, int]:
    """Give the bus cycles of the instruction at PC, played ahead, and the T-state after it.

    While a card has the bus: its next step; BUS_GIVEN comes first if it begins without a cycle.
    """
    spot = stepper.spot
    player = stepper.history.bring(stepper.history.spare, spot)
    owner = int(player.m.bus_owner)
    player.machine.log(True)
    player.leg(spot.t + 1)
    while (wait_ends := held_until(player.m)) < FAR:
        player.leg(wait_ends)
    end = int(player.m.log_pos)
    found = read_ring(player.m, max(end - LOG, 0), end)
    after = int(player.m.t)
    player.machine.log(False)
    if not len(found) and int(player.m.wait_state):
        found = np.zeros(1, CYCLE)
        found["t"], found["kind"] = spot.t, int(player.m.wait_kind)
        found["address"] = int(player.m.wait_address) & 0xFFFF
    if owner and not (len(found) and int(found["t"][0]) <= spot.t):
        waits = np.zeros(1, CYCLE)
        waits["t"], waits["kind"], waits["driver"] = spot.t, BUS_GIVEN, owner
        found = np.concatenate([waits, found])
    return found, after
