"""A card at another address, in another order of registers, or of another kind than expected.

A machine is changed as its builder would change it, and the run is done again: a console that
then speaks, or a program that then goes on, shows how the program wants the card.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations

from emu.backplane.card_catalogue import cards
from emu.backplane.description import Description, SlotDescription, describe, load_tree
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.card.roles import BYTE_HELD, CTS_INACTIVE
from emu.diagnosis.case import Case
from emu.diagnosis.causes.port_waits import SILENT_PORT
from emu.diagnosis.causes.serial import garbles
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.silent_ports import silent_ports, written_words
from emu.diagnosis.trials.mending import further
from emu.diagnosis.trials.moments import Anew
from emu.diagnosis.trials.remedies import fitted
from emu.diagnosis.trials.whatif import (
    MORE,
    moved,
    other_chip,
    readable,
    reordered,
    says,
    text_of,
    with_slot,
)
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.errors import InputError
from emu.machine.machine import Machine

REGISTER_ORDER = Cause(
    "register-order", "The registers stand at each other's ports",
    "The serial card seems dead or asleep.",
    "Control bytes arrive at data registers or at the other channel; with the registers in "
    "another order of ports the same image speaks.",
    "Exchange the lines to C/D and B/A, or the port numbers in the program.", ("S4",))
WRONG_CHIP = Cause(
    "wrong-chip", "The program drives another kind of chip",
    "Nothing, or stray characters where the program sets the chip up.",
    "Set-up bytes for one chip arrive in another chip's data register; with the other chip at "
    "the same ports the same image speaks.",
    "Fit the chip that the image was built for, build the image for this one, or detect the "
    "chip by writing and reading.", ("S3",))
WRONG_BASE = Cause(
    "wrong-base", "A card at another address than the program uses",
    "Nothing appears on the terminal, though the card is sound.",
    "The program sets a chip up at ports where no card answers, and with the card moved there the "
    "same image speaks.",
    "Set the card's address jumpers to the program's ports, or the ports in the program.",
    ("D1",))
ENOUGH = 8  # that make a trial's console speak
MOST_BASES = 6  # at which a card is tried
MOST_PLACES = 48  # trials of one explanation
LONGEST = 2  # emulated seconds of a trial
STEP = 0.25  # seconds between looks at a trial's console
MOST_REGISTERS = 8  # of a chip that is tried at another one's ports
BEGIN = 12  # characters
SECONDS = 2.0  # of processor time that one search may take
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def _mute(case: Case) -> bool:
    begin = text_of(case.session)[:BEGIN]
    if len(begin) == BEGIN and readable(begin):
        return False  # it spoke well at first: the card is where it belongs
    return readable(text_of(case.session)) < MORE and not garbles(case)


def _orders(count: int) -> Iterator[tuple[int, ...]]:
    """List the orders of registers that exchanged C/D and B/A lines give, the usual first."""
    yield tuple(range(count))
    if count == 2:
        yield (1, 0)
    elif count == 4:
        for order in permutations(range(4)):
            if order != (0, 1, 2, 3) and order[0] ^ order[3] == 3 == order[1] ^ order[2]:
                yield order


@dataclass(frozen=True)
class Place:
    """A serial card as it might stand: another base, order of registers, or chip."""

    number: int
    slot: SlotDescription  # as it is
    other: SlotDescription
    base: int
    order: tuple[int, ...]
    cause: Cause


def _bases(case: Case) -> list[int]:
    """List where a chip might start among the silent ports that the program wrote to."""
    ports = sorted(silent.port for silent in silent_ports(case))
    starts = [port for port in ports if port - 1 not in ports]
    return list(dict.fromkeys(base for port in starts for base in (port, port & ~1, port & ~3)))


def _held(case: Case, number: int) -> bool:
    """Tell whether a card is set up to send, and a line keeps it: its registers are in order."""
    placed = case.machine.slots[number]
    return any(c.code in (CTS_INACTIVE, BYTE_HELD)
               for c in placed.card.complaints(case.m, placed.state))


def _places(case: Case) -> Iterator[Place]:
    """List how each serial card might stand, the smallest changes first.

    A chip of more registers than a program of the other kind could reach is no candidate.
    """
    m, bases = case.m, _bases(case)[:MOST_BASES]
    slots = [(number, slot) for number, slot in enumerate(case.machine.description.slots)
             if slot.card.channels and slot.ports]
    for number, slot in slots:
        now = tuple(row.register for row in sorted(slot.ports, key=lambda row: row.port))
        base = min(row.port for row in slot.ports)
        if int(m.slot_reads[number] + m.slot_writes[number]) and not _held(case, number):
            for order in _orders(len(now)):
                registers = tuple(sorted(now)[k] for k in order)
                if registers != now:
                    yield Place(number, slot, reordered(slot, registers), base, registers,
                                REGISTER_ORDER)
        for new in bases:
            yield Place(number, slot, moved(slot, new), new, now, WRONG_BASE)
    for number, slot in slots:
        at = min(row.port for row in slot.ports)
        touched = [at] if int(m.slot_writes[number]) and not _held(case, number) else []
        for card in cards().values():
            count = len(card.registers)
            if not card.channels or card.functions == slot.card.functions \
                    or count > MOST_REGISTERS:
                continue
            for base in (*touched, *bases):
                for order in _orders(count):
                    other = moved(other_chip(slot, card, order), base)
                    yield Place(number, slot, other, base, order, WRONG_CHIP)


def dead_console(case: Case) -> Finding | None:
    """Check whether a mute image speaks once a serial card stands as its program expects."""
    if not _mute(case):
        return None
    start = case.budget.left()
    for tried, place in enumerate(_places(case)):
        if tried >= MOST_PLACES or start - case.budget.left() > SECONDS:
            return None
        said = spoken(case, with_slot(case.machine.description, place.other))
        if said is not None:
            return _place_finding(case, place, said)
    return None


def missing_console(case: Case) -> Finding | None:
    """Check for a machine without any serial card, whose program drives one at silent ports."""
    if any(slot.card.channels for slot in case.machine.slots) or not silent_ports(case):
        return None
    start, path = case.budget.left(), case.machine.description.path
    for card in (card for card in cards().values() if card.channels):
        for base in _bases(case)[:MOST_BASES]:
            if start - case.budget.left() > SECONDS:
                return None
            try:
                tree = load_tree(path)
                fitted(card, base)(tree)
                said = spoken(case, describe(tree, path))
            except (InputError, KeyError):
                continue
            if said is not None:
                return Finding(
                    SILENT_PORT, HUNG, f"no serial card is fitted, and the program drives one at "
                    f"port {base:02X}h.", [_writes_words(case, base)],
                    [f"Tried: with a card {card.name} at base {base:02X}h the same image shows "
                     f"{said}.", f"Fit the card {card.name} at port {base:02X}h."],
                    {"port": f"{base:02X}", "card": card.name}, TRIED)
    return None


def spoken(case: Case, description: Description) -> str | None:
    """Give the first line that the image shows on a changed machine, None for nothing.

    A text that was to come counts alone.
    """
    try:
        again = Anew(case, Machine(description, case.machine.seed), case.session.until)
    except InputError:
        return None
    machine, session = again.machine, again.session
    end = min(case.end, machine.at(LONGEST))
    while int(machine.m.t) < end:
        again.to(min(int(machine.m.t) + machine.at(STEP), end))
        if session.reached or (session.until is None
                               and readable(text_of(session)) >= ENOUGH):
            return says(again)
    return says(again) if readable(text_of(session)) >= ENOUGH and (
        session.until is None or session.reached) else None


def _place_finding(case: Case, place: Place, said: str) -> Finding:
    slot, other = place.slot, place.other
    who = case.slot_words(place.number)
    now = min(row.port for row in slot.ports)
    order = [other.card.registers[k] for k in place.order]
    quoted = ", ".join(f'"{name}"' for name in order)
    facts = {"slot": slot.name, "ports": [f"{place.base:02X}"]}
    if place.cause is REGISTER_ORDER:
        rows = sorted(slot.ports, key=lambda row: row.port)
        stand = ", ".join(slot.card.registers[row.register] for row in rows)
        return Finding(
            REGISTER_ORDER, HUNG, f"{who} has its registers in another order than the program "
            f"expects.",
            [f"From port {now:02X}h up stand {stand}; the program wrote "
             f"{int(case.m.slot_writes[place.number])} and read "
             f"{int(case.m.slot_reads[place.number])} bytes there and was not understood."],
            [f"Tried: with {quoted} in that order the same image shows {said}.",
             f"Set order = [{quoted}] in slot.{slot.name} (exchange the lines to C/D and B/A), "
             f"or change the port numbers in the program."], {**facts, "order": order}, TRIED)
    if place.cause is WRONG_BASE:
        return _base_finding(case, place, f"the same image shows {said}")
    return Finding(
        WRONG_CHIP, HUNG, f"the image drives the chip of the card {other.card.name} at port "
        f"{place.base:02X}h, and {who} stands at port {now:02X}h.",
        [f"The program wrote {int(case.m.slot_writes[place.number])} bytes to the ports of {who} "
         f"and got nowhere.", *([_writes_words(case, place.base)] if place.base != now else [])],
        [f"Tried: with the card {other.card.name} at base {place.base:02X}h, its registers in "
         f"the order {', '.join(order)}, the same image shows {said}.",
         f'Fit the card {other.card.name} in slot {slot.name} (card = "{other.card.name}"), or '
         f"build the image for the {slot.card.name}."],
        {**facts, "card": other.card.name}, TRIED)


def _base_finding(case: Case, place: Place, words: str) -> Finding:
    slot, who = place.slot, case.slot_words(place.number)
    now = min(row.port for row in slot.ports)
    return Finding(
        WRONG_BASE, HUNG, f"{who} stands at port {now:02X}h, and the program drives such a "
        f"chip at port {place.base:02X}h, where no card answers.",
        [_writes_words(case, place.base),
         f"{who} was written {int(case.m.slot_writes[place.number])} and read "
         f"{int(case.m.slot_reads[place.number])} times."],
        [f"Tried: with {who} at base {place.base:02X}h, {words}.",
         f"Set base = 0x{place.base:02x} in slot.{slot.name} (its address jumpers), or build "
         f"the image for port {now:02X}h."],
        {"slot": slot.name, "ports": [f"{place.base:02X}"]}, TRIED)


def _writes_words(case: Case, base: int) -> str:
    near = [silent for silent in silent_ports(case) if base <= silent.port < base + 8]
    if not near:
        return f"Nothing answers at port {base:02X}h."
    return written_words(case, near[0])


def misplaced_card(case: Case) -> Finding | None:
    """Check for a card that nobody spoke to, while the program drives ports where none stands."""
    m, start = case.m, case.budget.left()
    if case.condition == WAITS and case.session.until is None or chronicle(case).of(*ASTRAY):
        return None
    for number, slot in enumerate(case.machine.description.slots):
        if not slot.ports or int(m.slot_writes[number]):
            continue
        for base in _bases(case)[:MOST_BASES]:
            if start - case.budget.left() > SECONDS:
                return None
            other = moved(slot, base)
            if any(row.port > 0xFF for row in other.ports):
                continue
            try:
                machine = Machine(with_slot(case.machine.description, other), case.machine.seed)
            except InputError:
                continue
            words = further(case, machine)
            if words is not None:
                place = Place(number, slot, other, base, (), WRONG_BASE)
                return _base_finding(case, place, words)
    return None


CHECKS = (
    Check(missing_console, SILENT_PORT, when=FAILED, trial=True),
    Check(dead_console, WRONG_BASE, when=(*FAILED, WAITS), trial=True,
          others=(REGISTER_ORDER, WRONG_CHIP)),
)
LATE_CHECKS = (Check(misplaced_card, WRONG_BASE, when=(*FAILED, WAITS), trial=True),)
