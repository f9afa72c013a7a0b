"""Whether a program has ever used a card's data register."""
from __future__ import annotations

from emu.card.roles import DATA
from emu.diagnosis.case import Case
from emu.machine.machine import Slot


def slot_of(case: Case, channel: str) -> tuple[Slot, str]:
    """Give the slot of a channel such as "sio.a", and the part of its card ("a")."""
    name, _, part = channel.partition(".")
    return next(slot for slot in case.machine.slots if slot.name == name), part


def touched(case: Case, slot: Slot, part: str, written: bool) -> int:
    """Count the reads, or the writes, of the data register of a part of a card, in the whole run.

    ``part`` is what its registers' names begin with; empty: all of the card's.
    """
    counts, found = (case.m.port_writes if written else case.m.port_reads), 0
    for row in case.machine.description.slots[slot.number].ports:
        register = slot.card.registers[row.register]
        if slot.card.has_kind(register, DATA) and (not part or register.startswith(part)):
            found += sum(int(counts[p]) for p in range(256)
                         if p & row.mask & 0xFF == row.port & row.mask & 0xFF)
    return found
