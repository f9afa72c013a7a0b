"""Causes at the serial cards: rate, order of registers, the wrong chip."""
from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import permutations
from typing import Any

from emu.backplane.card_catalogue import cards
from emu.backplane.description import SlotDescription
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.card.contract import Card
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.trials.whatif import (
    other_chip,
    readable,
    reordered,
    run_with,
    says,
    speaks,
    text_of,
    with_slot,
)
from emu.diagnosis.verdict import HUNG, TRIED, WAITING, Finding

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
MOST_REGISTERS = 4  # of a chip that is tried at another one's ports
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
    return readable(text_of(case.session)) < 4


def _serial_slots(case: Case) -> Iterator[tuple[int, SlotDescription]]:
    """List the serial cards that the program has used."""
    m = case.m
    for number, slot in enumerate(case.machine.description.slots):
        if slot.card.channels and int(m.slot_reads[number] + m.slot_writes[number]):
            yield number, slot


def _orders(count: int) -> Iterator[tuple[int, ...]]:
    """List the orders of registers that exchanged C/D and B/A lines give."""
    if count == 2:
        yield (1, 0)
    elif count == 4:
        for order in permutations(range(4)):
            if order != (0, 1, 2, 3) and order[0] ^ order[3] == 3 == order[1] ^ order[2]:
                yield order


def register_order(case: Case) -> Finding | None:
    """Check whether the image speaks once a card's registers stand in another order."""
    if not _mute(case):
        return None
    for number, slot in _serial_slots(case):
        rows = sorted(slot.ports, key=lambda row: row.port)
        now = [row.register for row in rows]
        for order in _orders(len(rows)):
            registers = [sorted(now)[k] for k in order]
            if registers == now or case.budget.left() <= 0:
                continue
            again = run_with(case, with_slot(case.machine.description,
                                             reordered(slot, registers)))
            if speaks(case, again):
                return _order_finding(case, number, slot, now, registers, says(again))
    return None


def _order_finding(case: Case, number: int, slot: SlotDescription, now: list[int],
                   wanted: list[int], said: str) -> Finding:
    names = slot.card.registers
    base = min(row.port for row in slot.ports)
    order = ", ".join(f'"{names[k]}"' for k in wanted)
    who = case.slot_words(number)
    return Finding(
        REGISTER_ORDER, HUNG, f"{who} has its registers in another order than the program "
        f"expects.",
        [f"From port {base:02X}h up stand {', '.join(names[k] for k in now)}; the program wrote "
         f"{int(case.m.slot_writes[number])} and read {int(case.m.slot_reads[number])} bytes "
         f"there and was not understood.",
         f"With {order} in that order the same image shows {said}."],
        [f"Set order = [{order}] in slot.{slot.name} (exchange the lines to C/D and B/A), or "
         f"change the port numbers in the program."],
        {"slot": slot.name, "order": [names[k] for k in wanted]}, TRIED)


def _other_chips(slot: SlotDescription) -> Iterator[tuple[Card, tuple[int, ...]]]:
    """List other serial chips for a slot's ports, with the orders of their registers.

    A chip of more registers than a program of the other kind could reach is no candidate.
    """
    for card in cards().values():
        count = len(card.registers)
        if card.channels and card.functions != slot.card.functions and count <= MOST_REGISTERS:
            for order in (tuple(range(count)), *_orders(count)):
                yield card, order


def wrong_chip(case: Case) -> Finding | None:
    """Check whether the image speaks with another serial chip at the same ports."""
    if not _mute(case):
        return None
    for number, slot in _serial_slots(case):
        for other, order in _other_chips(slot):
            if case.budget.left() <= 0:
                return None
            again = run_with(case, with_slot(case.machine.description,
                                             other_chip(slot, other, order)))
            if speaks(case, again):
                return Finding(
                    WRONG_CHIP, HUNG,
                    f"the image drives the chip of the card {other.name}, and "
                    f"{case.slot_words(number)} stands there.",
                    [f"The program wrote {int(case.m.slot_writes[number])} bytes to the ports of "
                     f"{case.slot_words(number)} and got nowhere.",
                     f"With the card {other.name} at the same ports the same image shows "
                     f"{says(again)}."],
                    [f'Fit the card {other.name} in slot {slot.name} (card = "{other.name}"), or '
                     f"build the image for the {slot.card.name}."],
                    {"slot": slot.name, "card": other.name}, TRIED)
    return None


CHECKS = (
    Check(register_order, REGISTER_ORDER, when=FAILED, trial=True),
    Check(wrong_chip, WRONG_CHIP, when=FAILED, trial=True),
    Check(wrong_baud, WRONG_BAUD, when=(*FAILED, WAITS), trial=True),
)
