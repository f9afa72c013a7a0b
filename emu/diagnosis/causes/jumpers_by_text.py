"""Jumpers with which the text comes that is missing: one changed, the whole run done again."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from emu.backplane.description import SlotDescription
from emu.bus.state import NO_INTERRUPT
from emu.card.cause import Cause
from emu.card.contract import Jumper
from emu.card.roles import CTS_INACTIVE, DCD_INACTIVE, NO_CLOCK
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import INT_NOT_WIRED, RECEIVER_OFF
from emu.diagnosis.causes.judging import FAILED, ended, healthy
from emu.diagnosis.causes.kept_bytes import BLOCKED_TRANSMITTER
from emu.diagnosis.causes.stacks import ROM_SHADOW
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.sources import state_words
from emu.diagnosis.trials.mending import further
from emu.diagnosis.trials.whatif import with_slot
from emu.diagnosis.verdict import TRIED, Finding
from emu.errors import InputError
from emu.machine.machine import Machine

BY_COMPLAINT = {CTS_INACTIVE: BLOCKED_TRANSMITTER, DCD_INACTIVE: RECEIVER_OFF,
                NO_CLOCK: BLOCKED_TRANSMITTER}
FEW = 8  # values of a jumper that are all tried
MOST = 24  # runs of one explanation


@dataclass(frozen=True)
class Other:
    """A jumper of a slot at another value."""

    slot: SlotDescription
    number: int
    jumper: str
    value: Any
    cause: Cause | None = None  # None: how the changed run differs tells


def jumper_by_text(case: Case) -> Finding | None:
    """Check for a jumper that keeps a text from coming."""
    if not case.text_wanted or healthy(case):
        return None
    for count, other in enumerate(_others(case)):
        if count >= MOST or case.budget.left() <= 0:
            return None
        changed = replace(other.slot, settings={**other.slot.settings, other.jumper: other.value})
        try:
            machine = Machine(with_slot(case.machine.description, changed), case.machine.seed)
        except InputError:
            continue
        words = further(case, machine)
        if words is None:
            continue
        cause = other.cause or _cause(case, other, machine)
        if cause is not None:
            return _finding(case, other, cause, words)
    return None


def _cause(case: Case, other: Other, machine: Machine) -> Cause | None:
    """Name what a jumper of a card did that is set otherwise in a run that reached its text."""
    if "memory" in other.slot.card.functions:
        return ROM_SHADOW
    answered, before = machine.m.int_count[other.number], case.m.int_count[other.number]
    if int(answered) > int(before) == 0 or int(machine.m.ack_count) > int(case.m.ack_count) == 0:
        return INT_NOT_WIRED
    return None


def _others(case: Case) -> Iterator[Other]:
    """List the jumpers that cards complain of, then those of the cards that the program drives,
    and of the memory."""
    slots = case.machine.description.slots
    for number, slot in enumerate(slots):
        placed = case.machine.slots[number]
        for c in slot.card.complaints(case.m, placed.state):
            if c.code in BY_COMPLAINT and isinstance(c.mend, str) and c.jumper in slot.settings:
                yield Other(slot, number, c.jumper, c.mend, BY_COMPLAINT[c.code])
    for number, slot in enumerate(slots):
        if int(case.m.slot_writes[number]) and slot.card.interrupt != NO_INTERRUPT \
                and "memory" not in slot.card.functions:
            for jumper, value in _few(slot):
                yield Other(slot, number, jumper.name, value)
    for number, slot in enumerate(slots):
        if "memory" in slot.card.functions:
            for jumper, value in _few(slot):
                if jumper.counts_with is not None and jumper.kind == "int":  # a bit that switches
                    yield Other(slot, number, jumper.name, value)


def _few(slot: SlotDescription) -> Iterator[tuple[Jumper, Any]]:
    """List the other values of a card's jumpers that have but few."""
    for jumper in slot.card.jumpers:
        now = slot.settings.get(jumper.name)
        if jumper.counts_with and slot.settings.get(jumper.counts_with[0]) \
                not in jumper.counts_with[1]:
            continue
        values: tuple[Any, ...] = ()
        if jumper.kind == "flag":
            values = (not now,)
        elif jumper.kind == "choice":
            values = jumper.choices
        elif jumper.kind == "int" and jumper.high - jumper.low < FEW:
            values = tuple(range(jumper.low, jumper.high + 1))
        yield from ((jumper, value) for value in values if value != now)


def _finding(case: Case, other: Other, cause: Cause, words: str) -> Finding:
    name = other.slot.name
    value = f'"{other.value}"' if isinstance(other.value, str) else str(other.value).lower()
    now = other.slot.settings[other.jumper]
    return Finding(
        cause, ended(case), f"{case.slot_words(other.number)} has its jumper {other.jumper} "
        f"at {now}, and with it the text does not come.",
        [f"{name}: {line}." for line in state_words(case.machine, other.number)],
        [f"Tried: with {other.jumper} = {value} in slot.{name}, {words}.",
         f"Set {other.jumper} = {value} in slot.{name}, or change the program to what it is."],
        {"slot": name, "jumper": other.jumper}, TRIED)


CHECKS = (Check(jumper_by_text, BLOCKED_TRANSMITTER, FAILED, trial=True,
                others=(RECEIVER_OFF, ROM_SHADOW, INT_NOT_WIRED)),)
