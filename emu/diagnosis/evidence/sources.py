"""The interrupt sources of the fitted cards: what each would answer, and what stops it.

No card is known by name: a chained card says which sources it has (`Card.requests`) and is
asked, in a fork, which vector it would give for each; what ticks, it says as well
(`Card.ticks`).  A card that takes its vector from the program and was never written has none.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT
from emu.card.plaincards import CardFault
from emu.card.roles import VECTOR, Request, Tick
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.trials.forks import read_word
from emu.machine.machine import Machine, Slot


@dataclass(frozen=True)
class Source:
    """One interrupt source of a chained card."""

    slot: int
    bit: int  # of ip and ius
    vector: int
    handler: int  # where the vector leads in mode 2, through I as it is now


def sources(machine: Machine) -> list[Source]:
    """List the sources of all cards that can give a vector, wired to the bus or not."""
    out = []
    for slot in machine.slots:
        if slot.card.interrupt != CHAINED_INTERRUPT or not set_up(machine, slot.number):
            continue
        declared = {request.bit for request in slot.card.requests(machine.m, slot.state)}
        seen = set()
        for bit in sorted(declared) or range(slot.card.sources):
            vector = _vector(machine, slot.number, bit)
            if vector is None:
                break
            if not declared and vector in seen and bit >= 4:
                break
            seen.add(vector)
            out.append(Source(slot.number, bit, vector,
                              read_word(machine, int(machine.m.i) << 8 | vector)))
    return out


def set_up(machine: Machine, number: int) -> bool:
    """Tell whether a program can have given a card its vector: noise is nobody's vector."""
    card = machine.slots[number].card
    return bool(machine.m.slot_writes[number]) or not any(
        card.has_kind(register, VECTOR) for register in card.registers)


def ticking(machine: Machine) -> list[tuple[Slot, Tick]]:
    """List the steady ticks that the fitted cards give now."""
    return [(slot, tick) for slot in machine.slots
            for tick in slot.card.ticks(machine.m, slot.state)]


def _vector(machine: Machine, number: int, bit: int) -> int | None:
    """Ask a card in a fork which vector it would give for a source; None: it knows none."""
    with forked(machine):
        machine.m.ip[number] |= 1 << bit
        try:
            return machine.call(number, "acknowledge", 1 << bit, int(machine.m.t)) & 0xFF
        except CardFault:  # a source that a card in plain Python does not have
            return None


def can_ask(machine: Machine, number: int) -> bool:
    """Tell whether a card has an interrupt output, wired to the bus or not."""
    return machine.slots[number].card.interrupt != NO_INTERRUPT


def force(source: Source) -> Callable[[Machine], bool]:
    """Make a change that lets a source ask now."""

    def change(machine: Machine) -> bool:
        machine.m.ip[source.slot] |= 1 << source.bit
        machine.m.irq_dirty = 1
        machine.m.next_event = 0
        return True

    return change


def state_words(machine: Machine, number: int) -> list[str]:
    """Give a card's own words about its state."""
    slot = machine.slots[number]
    return slot.card.describe(machine.m, slot.state)


def request_of(machine: Machine, source: Source) -> Request | None:
    """Give how a source stands, as its card tells it."""
    slot = machine.slots[source.slot]
    return next((request for request in slot.card.requests(machine.m, slot.state)
                 if request.bit == source.bit), None)


def said_of(machine: Machine, source: Source) -> str:
    """Give the card's words about one source's part, or all when it tells none apart."""
    request = request_of(machine, source)
    if request is not None and request.words:
        return request.words
    return "; ".join(state_words(machine, source.slot))


def pending_words(machine: Machine, number: int) -> list[str]:
    """Give a card's words about the parts that ask now."""
    slot = machine.slots[number]
    return list(dict.fromkeys(
        request.words for request in slot.card.requests(machine.m, slot.state)
        if request.pending and request.words))
