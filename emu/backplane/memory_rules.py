"""Rules of the wiring check on memory: is there any, who else stands there, can it be reached."""
from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from emu.backplane.description import Description, SlotDescription
from emu.backplane.finding import ERROR, NOTE, WARNING, Finding
from emu.card.roles import NEVER, RAM_AREA, WINDOW, MemoryArea


def _areas(d: Description) -> list[tuple[SlotDescription, MemoryArea]]:
    return [(slot, area) for slot in d.slots for area in slot.card.areas(slot.settings)]


def _span(area: MemoryArea) -> str:
    return f"{area.start:04X}h-{area.start + area.size - 1:04X}h"


def none_at_all(d: Description) -> Iterator[Finding]:
    """Find a machine with nothing to run, or nothing to run in."""
    fitted = [s for s in d.slots if s.card.memory_size(s.settings)]
    if not fitted:
        yield Finding(ERROR, "no-memory", "", "", "no memory card is fitted.",
                      "Fit one, such as plain-memory.")
        return
    told = [[part.what for part in s.card.areas(s.settings)]
            + [part.what for part in s.card.pages(s.settings)] for s in fitted]
    if all(told) and not any(RAM_AREA in kinds for kinds in told):
        yield Finding(
            WARNING, "no-ram", fitted[0].name, "", "no card has RAM: a CALL, an interrupt and a "
            "variable have no place.", "Fit RAM, such as ram-size of plain-memory.")


def twice(d: Description) -> Iterator[Finding]:
    """Find addresses at which two cards' memory answers."""
    for (a, here), (b, there) in combinations(_areas(d), 2):
        start = max(here.start, there.start)
        size = min(here.start + here.size, there.start + there.size) - start
        if a.name == b.name or size <= 0:
            continue
        switched = bool(here.register or there.register) or WINDOW in (here.what, there.what)
        yield Finding(
            WARNING if switched else ERROR, "memory-clash", b.name, "",
            f"{a.name} ({here.what}) and {b.name} ({there.what}) both answer at "
            f"{_span(MemoryArea(start, size, here.what))}"
            + (" until one is switched away." if switched else "."),
            f"Let them decode other addresses: see preburn cards {b.card.name}.")


def hidden(d: Description) -> Iterator[Finding]:
    """Note RAM that a ROM of its own card covers for good."""
    for slot, area in _areas(d):
        if area.under == NEVER:
            yield Finding(
                NOTE, "ram-hidden", slot.name, "",
                f"the RAM of {slot.name} at {_span(area)} lies under its ROM and is never seen.",
                "Start the RAM behind the ROM, or let the ROM be switched off.")


def unswitchable(d: Description) -> Iterator[Finding]:
    """Find memory whose register no port leads to."""
    seen = set()
    for slot, area in _areas(d):
        decoded = {slot.card.registers[row.register] for row in slot.ports}
        if area.register and area.register not in decoded and \
                (slot.name, area.register) not in seen:
            seen.add((slot.name, area.register))
            yield Finding(
                WARNING, "no-port", slot.name, "base",
                f"{area.register} of {slot.name} switches the memory at {_span(area)}, and no "
                f"port leads to it.", f"Set base in slot.{slot.name}.")


MEMORY_RULES = (none_at_all, twice, hidden, unswitchable)
