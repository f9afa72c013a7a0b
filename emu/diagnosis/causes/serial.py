"""Causes at the serial cards: the rate."""
from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.trials.whatif import (
    readable,
)
from emu.diagnosis.verdict import HUNG, TRIED, WAITING, Finding

WRONG_BAUD = Cause(
    "wrong-baud", "The card's bit time is not the terminal's",
    "Garbage of a steady pattern, every second character, or keys that nobody understands.",
    "The bit time measured on the card's line differs from the terminal's by more than a "
    "receiver can stand; the ratio is often 2, 4, 3/2 or 4/3.",
    "Check oscillator, divider and the chip's clock factor (x1, x16, x64), or set the terminal "
    "to the rate.", ("S1",))
ALLOWED = Fraction(4, 100)  # difference of bit times that a receiver stands
GARBLED = 4  # characters
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


def garbles(case: Case) -> bool:
    """Tell whether some card sends in another bit time than its terminal's, time and again."""
    return any((ratio := bit_ratio(line)) is not None and abs(ratio - 1) > ALLOWED
               and int(line.shown_in) >= GARBLED for _, _, line in _lines(case))


CHECKS = (
    Check(wrong_baud, WRONG_BAUD, when=(*FAILED, WAITS), trial=True),
)
