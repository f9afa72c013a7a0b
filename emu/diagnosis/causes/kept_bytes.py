"""What keeps a serial card from sending, in the card's own words."""
from __future__ import annotations

from dataclasses import dataclass

from emu.card.cause import Cause
from emu.card.roles import (
    BYTE_HELD,
    CTS_INACTIVE,
    HELD_IN_RESET,
    LOOPED_BACK,
    NO_CLOCK,
    SENDER_OFF,
)
from emu.diagnosis.case import Case
from emu.machine.machine import Slot

BLOCKED_TRANSMITTER = Cause(
    "blocked-transmitter", "A transmitter that is never ready",
    "Nothing is shown at all, or the text stops.",
    "A loop waits for the chip to take a byte, and its status bit stays 0: CTS is not active, "
    "the transmitter was never enabled, or its clock does not come.",
    "Tie CTS low or wire it to a terminal that drives it; enable the transmitter.", ("S2",))
KEEPS = {SENDER_OFF: "its transmitter is off", CTS_INACTIVE: "its CTS is not active",
         NO_CLOCK: "no clock comes to it", HELD_IN_RESET: "it was never taken out of reset",
         LOOPED_BACK: "it is looped back to its own receiver",
         BYTE_HELD: "a byte stands in it and does not leave"}


@dataclass(frozen=True)
class Kept:
    """Why a transmitter does not send, and what to look at."""

    words: str
    remedy: str


def keeps(case: Case, slot: Slot, part: str) -> Kept | None:
    """Say what keeps a part of a card from sending; None: it complains of nothing."""
    found = [c for c in slot.card.complaints(case.m, slot.state)
             if c.code in KEEPS and c.part.endswith(part)]
    if not found:
        return None
    why = min(found, key=lambda c: list(KEEPS).index(c.code))
    words = KEEPS[why.code]
    remedy = f"Enable and clock the transmitter of {slot.name}, with its CTS active."
    source = _wired_from(case, slot, why.jumper)
    if source:
        remedy = (f"{why.jumper} of slot.{slot.name} is wired to {source}, which gives none: set "
                  f"{source} up, or wire {why.jumper} to an output that is.")
    elif why.jumper:
        remedy = f"Look at {why.jumper} in slot.{slot.name}" + (
            f': "{why.mend}" would let it send.' if why.mend else f": {words}.")
    return Kept(words, remedy)


def _wired_from(case: Case, slot: Slot, pin: str) -> str:
    """Name the output that a wire leads from to an input of a slot; empty: none."""
    for wire in case.machine.description.wires:
        if wire.target == slot.name and slot.card.inputs[wire.input] == pin:
            return f"{wire.source}.{case.machine.slot(wire.source).card.outputs[wire.output]}"
    return ""
