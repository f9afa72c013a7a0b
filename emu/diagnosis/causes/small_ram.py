"""RAM that stands at several addresses at once: its chip is smaller than what it decodes."""
from __future__ import annotations

from dataclasses import replace

from emu.card.cause import Cause
from emu.card.roles import RAM_REPEATS
from emu.diagnosis.case import Case
from emu.diagnosis.causes.judging import FAILED, ended, healthy
from emu.diagnosis.check import Check
from emu.diagnosis.trials.mending import further
from emu.diagnosis.trials.whatif import with_slot
from emu.diagnosis.verdict import TRIED, Finding
from emu.errors import InputError
from emu.machine.machine import Machine

REPEATS = Cause(
    "ram-repeats", "RAM that repeats in its addresses",
    "It runs until the stack, a buffer or a second task grows; then variables change by "
    "themselves.",
    "The RAM chip is smaller than the addresses that it answers at, so one byte stands at several "
    "of them; with a chip of the full size the same image goes on as it should.",
    "Fit the chip that the program was written for, or keep everything within the small one.",
    ("B4",))


def repeating_ram(case: Case) -> Finding | None:
    """Check for a RAM chip whose repeats the program takes for more RAM."""
    if healthy(case):
        return None
    for number, slot in enumerate(case.machine.description.slots):
        placed = case.machine.slots[number]
        for c in slot.card.complaints(case.m, placed.state):
            if c.code != RAM_REPEATS or case.budget.left() <= 0:
                continue
            full = replace(slot, settings={**slot.settings, c.jumper: c.mend})
            try:
                machine = Machine(with_slot(case.machine.description, full), case.machine.seed)
            except InputError:
                continue
            words = further(case, machine)
            if words is not None:
                return _finding(case, number, c.count, words)
    return None


def _finding(case: Case, number: int, size: int, words: str) -> Finding:
    who = case.slot_words(number)
    return Finding(
        REPEATS, ended(case), f"the RAM chip of {who} has {size} bytes and repeats in the "
        f"addresses that it answers at: the program uses more.",
        [f"Each byte of it stands at several addresses, {size:X}h apart, so a stack or a buffer "
         f"writes over what stands {size:X}h away."],
        [f"Tried: with a chip of the full size, {words}.",
         f"Fit the larger RAM chip, or link the program so that it stays within {size} bytes."],
        {"slot": case.machine.slots[number].name, "bytes": size}, TRIED, 0)


CHECKS = (Check(repeating_ram, REPEATS, FAILED, first=True),)
