"""Causes at the serial cards: rate, order of registers, the wrong chip."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import permutations
from typing import Any

from emu.backplane.card_catalogue import cards
from emu.backplane.description import Description, SlotDescription
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.silent_ports import silent_ports
from emu.diagnosis.trials.moments import Again
from emu.diagnosis.trials.whatif import (
    other_chip,
    readable,
    reordered,
    says,
    text_of,
    with_slot,
)
from emu.diagnosis.verdict import HUNG, TRIED, WAITING, Finding
from emu.errors import InputError
from emu.machine.machine import Machine

WRONG_BAUD = Cause(
    "wrong-baud", "The card's bit time is not the terminal's",
    "Garbage of a steady pattern, every second character, or keys that nobody understands.",
    "The bit time measured on the card's line differs from the terminal's by more than a "
    "receiver can stand; the ratio is often 2, 4, 3/2 or 4/3.",
    "Check oscillator, divider and the chip's clock factor (x1, x16, x64), or set the terminal "
    "to the rate.", ("S1",))
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
MORE = 4  # readable characters that make a console speak
ENOUGH = 8  # that make a trial's console speak
MOST_BASES = 6  # at which a card is tried
MOST_PLACES = 72  # trials of one explanation
LONGEST = 4  # emulated seconds of a trial
STEP = 0.25  # seconds between looks at a trial's console
MOST_REGISTERS = 8  # of a chip that is tried at another one's ports
WRONG_BASE = Cause(
    "wrong-base", "A card at another address than the program uses",
    "Nothing appears on the terminal, though the card is sound.",
    "The program sets a chip up at ports where no card answers, and with the card moved there the "
    "same image speaks.",
    "Set the card's address jumpers to the program's ports, or the ports in the program.",
    ("D1",))
ALLOWED = Fraction(4, 100)  # difference of bit times that a receiver stands
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def _lines(case: Case) -> Iterator[tuple[Any, str, Any]]:
    """List the serial lines: slot, channel's name, line record."""
    for slot in case.machine.slots:
        for name in slot.card.channels:
            full = f"{slot.name}.{name}" if name else slot.name
            yield slot, full, getattr(slot.state, "line_" + name if name else "line")


def bit_ratio(line: Any) -> Fraction | None:
    """Give the card's bit time over the terminal's, None when the card has no clock."""
    if not (int(line.running) and int(line.ratio) and int(line.clock.den)
            and int(line.term_num)):
        return None
    card = Fraction(int(line.clock.num) * int(line.ratio), int(line.clock.den))
    return card / Fraction(int(line.term_num), int(line.term_den))


def wrong_baud(case: Case) -> Finding | None:
    """Check for a card whose bits are not as long as its terminal's."""
    for slot, name, line in _lines(case):
        ratio = bit_ratio(line)
        used = int(line.shown_in) or int(line.typed_out)
        if ratio is None or not used or abs(ratio - 1) <= ALLOWED:
            continue
        bad = int(line.term_framing_errors) + int(line.term_breaks)
        text = bytes(case.session.console.channels[name].text)
        if readable(text) > 0 and not bad and not int(line.typed_out):
            continue
        card_baud = round(int(line.term_baud) / ratio)
        nearest = ratio.limit_denominator(16)
        return Finding(
            WRONG_BAUD, WAITING if case.condition == WAITS else HUNG,
            f"{case.slot_words(slot.number)} sends and receives at {card_baud} baud, its "
            f"terminal at {int(line.term_baud)}.",
            [f"A bit on {name} lasts {float(ratio):.3g} times as long as the terminal's (about "
             f"{nearest.numerator}/{nearest.denominator}).",
             f"The terminal has seen {int(line.shown_in)} characters, {bad} of them with a "
             f"broken frame; it shows {text[:24].decode('latin-1')!r}."],
            [f"Set the clock of slot {slot.name} (its clock jumper or wire) to "
             f"{float(ratio):.4g} times what it is, change the divider the program writes, or "
             f"set the terminal to {card_baud} baud."],
            {"ratio": str(nearest), "baud": card_baud}, TRIED, None)
    return None


def _mute(case: Case) -> bool:
    return readable(text_of(case.session)) < MORE


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
        if int(m.slot_reads[number] + m.slot_writes[number]):
            for order in _orders(len(now)):
                registers = tuple(sorted(now)[k] for k in order)
                if registers != now:
                    yield Place(number, slot, reordered(slot, registers), base, registers,
                                REGISTER_ORDER)
        for new in bases:
            moved = tuple(replace(row, port=row.port - base + new) for row in slot.ports)
            yield Place(number, slot, replace(slot, ports=moved), new, now, WRONG_BASE)
    for number, slot in slots:
        at = min(row.port for row in slot.ports)
        touched = [at] if int(m.slot_writes[number]) else []
        for card in cards().values():
            count = len(card.registers)
            if not card.channels or card.functions == slot.card.functions \
                    or count > MOST_REGISTERS:
                continue
            for base in (*touched, *bases):
                for order in _orders(count):
                    other = other_chip(slot, card, order)
                    moved = tuple(replace(row, port=row.port - at + base) for row in other.ports)
                    yield Place(number, slot, replace(other, ports=moved), base, order,
                                WRONG_CHIP)


def dead_console(case: Case) -> Finding | None:
    """Check whether a mute image speaks once a serial card stands as its program expects."""
    if not _mute(case):
        return None
    for tried, place in enumerate(_places(case)):
        if tried >= MOST_PLACES or case.budget.left() <= 0:
            return None
        said = spoken(case, with_slot(case.machine.description, place.other))
        if said is not None:
            return _place_finding(case, place, said)
    return None


def spoken(case: Case, description: Description) -> str | None:
    """Give the first line that the image shows on a changed machine, None for nothing.

    A text that was to come counts alone.
    """
    try:
        again = Again(case, Machine(description, case.machine.seed), case.session.until)
    except InputError:
        return None
    machine, session = again.machine, again.session
    end = min(int(case.m.t), machine.at(LONGEST))
    while int(machine.m.t) < end:
        again.to(min(int(machine.m.t) + machine.at(STEP), end))
        session.look_for_text()
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
        return Finding(
            WRONG_BASE, HUNG, f"{who} stands at port {now:02X}h, and the program drives such a "
            f"chip at port {place.base:02X}h, where no card answers.",
            [_writes_words(case, place.base),
             f"{who} was written {int(case.m.slot_writes[place.number])} and read "
             f"{int(case.m.slot_reads[place.number])} times."],
            [f"Tried: with {who} at base {place.base:02X}h the same image shows {said}.",
             f"Set base = 0x{place.base:02x} in slot.{slot.name} (its address jumpers), or build "
             f"the image for port {now:02X}h."], facts, TRIED)
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


def _writes_words(case: Case, base: int) -> str:
    near = [silent for silent in silent_ports(case) if base <= silent.port < base + 8]
    if not near:
        return f"Nothing answers at port {base:02X}h."
    _, pc, _ = near[0].writes[0]
    octets = " ".join(f"{byte:02X}" for _, _, byte in near[0].writes[:6])
    return (f"Port {near[0].port:02X}h, where no card stands, was written {octets} by "
            f"{case.names.at((pc - 2) & 0xFFFF)}.")


CHECKS = (
    Check(dead_console, WRONG_BASE, when=(*FAILED, WAITS), first=True,
          others=(REGISTER_ORDER, WRONG_CHIP)),
    Check(wrong_baud, WRONG_BAUD, when=(*FAILED, WAITS), trial=True),
)
