"""The same run on a machine with one thing changed: does it get further?

A remedy that makes the same image speak is the best proof there is.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from emu.backplane.description import Description, SlotDescription
from emu.backplane.jumpers import settle
from emu.backplane.port_rows import PortRow
from emu.card.contract import Card
from emu.diagnosis.case import Case
from emu.diagnosis.trials.moments import Again
from emu.machine.machine import Machine

MORE = 4  # characters that make a text


def text_of(session: object) -> bytes:
    """Give all that the terminals have shown."""
    return b"".join(bytes(c.text) for c in session.console.channels.values())  # type: ignore[attr-defined]


def readable(text: bytes) -> int:
    """Count the characters of a text that a person can read; 0 when the rest outweighs them."""
    good = sum(0x20 <= c < 0x7F or c in b"\r\n\t\b" for c in text)
    return good if good * 10 >= len(text) * 9 else 0


def with_slot(description: Description, slot: SlotDescription) -> Description:
    """Put another card, or other ports, into the slot of that name."""
    slots = tuple(slot if s.name == slot.name else s for s in description.slots)
    return replace(description, slots=slots)


def run_with(case: Case, description: Description) -> Again:
    """Repeat the whole run on another machine."""
    again = Again(case, Machine(description, case.machine.seed))
    again.to(int(case.m.t))
    return again


def speaks(case: Case, again: Again) -> bool:
    """Tell whether the changed machine shows more readable text than this run did."""
    return readable(text_of(again.session)) >= readable(text_of(case.session)) + MORE


def first_line(text: bytes) -> str:
    """Give the first line of a text that is not empty."""
    lines = text.decode("latin-1").replace("\r", "\n").split("\n")
    return next((line for line in lines if line.strip()), "")


def says(again: Again) -> str:
    """Quote the first line of what the changed machine showed."""
    return repr(first_line(text_of(again.session)))


def moved(slot: SlotDescription, base: int) -> SlotDescription:
    """Give a slot whose lowest port stands at another base."""
    now = min(row.port for row in slot.ports)
    return replace(slot, ports=tuple(replace(row, port=row.port - now + base)
                                     for row in slot.ports))


def reordered(slot: SlotDescription, registers: Sequence[int]) -> SlotDescription:
    """Give a slot whose ports, from the lowest up, hold these registers."""
    rows = sorted(slot.ports, key=lambda row: row.port)
    ports = tuple(PortRow(register, row.port, row.mask)
                  for register, row in zip(registers, rows, strict=False))
    return replace(slot, ports=ports)


def other_chip(slot: SlotDescription, card: Card, registers: Sequence[int]) -> SlotDescription:
    """Give a slot with another serial card at the same ports, fed by the same clock."""
    now = {kind: next((slot.settings[j.name] for j in slot.card.jumpers
                       if j.kind == kind and slot.settings.get(j.name)), None)
           for kind in ("clock", "terminal")}
    terminals = {j.name: now["terminal"] for j in card.jumpers
                 if j.kind == "terminal" and now["terminal"]}
    settings = dict(settle(card, terminals, slot.place))
    settings.update({j.name: now["clock"] for j in card.jumpers
                     if j.kind == "clock" and now["clock"]})
    base, mask = min(row.port for row in slot.ports), slot.ports[0].mask
    ports = tuple(PortRow(register, base + k, mask) for k, register in enumerate(registers))
    return replace(slot, card=card, settings=settings, ports=ports, images={})
