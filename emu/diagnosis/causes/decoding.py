"""Causes in the port decode: two cards, mirrors, sixteen lines, a card that does not answer."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from emu.backplane.description import SlotDescription
from emu.backplane.port_rows import PortRow
from emu.bus.state import CONFLICT, IN
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.trials.whatif import run_with, says, speaks, with_slot
from emu.diagnosis.verdict import HUNG, SHOWN, TRIED, WAITING, Finding

PORT_CLASH = Cause(
    "port-clash", "Two cards at one port", "Status bits that cannot be trusted; a hang at start.",
    "Two cards drive the bus in one read; the CPU takes the AND of their bytes.",
    "Move one of the cards to other ports.", ("D2",))
PORT_MIRROR = Cause(
    "port-mirror", "The same card answers at several ports",
    "A second card is found that is the first again; setting it up spoils the first.",
    "A card that does not decode all of A7-A0 is used at two of its addresses; with a full "
    "decode the same image works.",
    "Decode all lines, or keep the program away from the mirrors; to tell cards apart, write to "
    "one and read at the other.", ("D3",))
WIDE_DECODE = Cause(
    "wide-decode", "A card that decodes A15-A8 too",
    "It works from one instruction and not from another.",
    "IN A,(n) and OUT (n),A put A on A15-A8; a card that decodes sixteen lines answers only "
    "while A happens to be its high byte.",
    "Use IN r,(C) and OUT (C),r with B set, or let the card decode A7-A0 only.", ("D4",))
SILENT_CARD = Cause(
    "silent-card", "A fitted card that does not answer",
    "The machine hangs while it waits for a card that is there.",
    "The card decodes the port that is read, and nobody drives the bus.",
    "Check the card's supply, chip select, data buffer and socket; swap the chip.",
    ("W2", "W5"))

ENOUGH = 8  # reads of a port in 20 ms that make a poll
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def _polled(case: Case, driver: int) -> int | None:
    """Give the port that the machine now polls and that this driver answers."""
    window = case.last
    ins = window.where(IN)
    ins = ins[window.driver[ins] == driver]
    if len(ins) < ENOUGH:
        return None
    return int(np.bincount(window.address[ins] & 0xFF, minlength=256).argmax())


def silent_card(case: Case) -> Finding | None:
    """Check for ports that a fitted card decodes and that nobody answers."""
    m = case.m
    for number, slot in enumerate(case.machine.description.slots):
        dead = sorted(port for port in _used(case, slot) if int(m.port_slot[port]) == -1)
        if not dead:
            continue
        shown = ", ".join(f"{port:02X}h" for port in dead[:4])
        counts = [(int(m.port_reads[port]), int(m.port_writes[port])) for port in dead]
        who = case.slot_words(number)
        return Finding(
            SILENT_CARD, _ending(case), f"{who} does not answer at {shown}, which it decodes.",
            [f"The program wrote {sum(w for _, w in counts)} and read {sum(r for r, _ in counts)} "
             f"bytes at {shown}; nobody drove the bus."],
            [f"Check supply, chip select, data buffer and socket of slot {slot.name}; swap the "
             f"chip."],
            {"slot": slot.name, "port": f"{dead[0]:02X}", "ports": [f"{p:02X}" for p in dead]},
            SHOWN, None)
    return None


def _ending(case: Case) -> str:
    return WAITING if case.condition == WAITS else HUNG


def port_clash(case: Case) -> Finding | None:
    """Check for a poll that two cards answer."""
    m = case.m
    port = _polled(case, CONFLICT)
    if port is None:
        if not int(m.conflict_first_t):
            return None
        port = int(m.conflict_port) & 0xFF
    both = [k for k, slot in enumerate(case.machine.description.slots)
            if any(row.port & 0xFF == port & row.mask & 0xFF for row in slot.ports)]
    if len(both) < 2:
        return None
    who = " and ".join(case.slot_words(k) for k in both)
    return Finding(
        PORT_CLASH, _ending(case), f"{who} both drive port {port:02X}h.",
        [f"At {case.time(int(m.conflict_first_t))} {who} drove the bus in one read of port "
         f"{port:02X}h; the CPU takes the AND of their bytes, last "
         f"{int(m.port_in_last[port]):02X}h.",
         f"{int(m.conflicts)} reads of this run went that way."],
        [f"Give slot {case.machine.slots[both[-1]].name} another base, away from {port:02X}h."],
        {"port": f"{port:02X}", "slots": [case.machine.slots[k].name for k in both]}, SHOWN,
        int(m.conflict_first_t))


def _used(case: Case, slot: SlotDescription) -> set[int]:
    """Give the ports at which the program used a card."""
    m = case.m
    return {port for port in range(256) if int(m.port_reads[port] + m.port_writes[port])
            and any(row.port & 0xFF == port & row.mask & 0xFF for row in slot.ports)}


def port_mirror(case: Case) -> Finding | None:
    """Check whether a full decode lets a card be itself only once."""
    for number, slot in enumerate(case.machine.description.slots):
        if not any(row.mask & 0xFF != 0xFF for row in slot.ports) or case.budget.left() <= 0:
            continue
        own = {row.port & 0xFF for row in slot.ports}
        used = _used(case, slot)
        mirrors = sorted(used - own)
        if not mirrors or not used & own:
            continue
        full = replace(slot, ports=tuple(PortRow(r.register, r.port, r.mask | 0xFF)
                                         for r in slot.ports))
        again = run_with(case, with_slot(case.machine.description, full))
        if not speaks(case, again):
            continue
        shown = ", ".join(f"{p:02X}h" for p in mirrors[:4])
        who = case.slot_words(number)
        return Finding(
            PORT_MIRROR, _ending(case), f"what the program takes for another card at {shown} is "
            f"{who} again.",
            [f"{who} answers at {', '.join(f'{p:02X}h' for p in sorted(own))} and, as it does "
             f"not decode all lines, at {shown}; the program used both.",
             f"With all of A7-A0 decoded the same image shows {says(again)}."],
            [f"Set mirrors = 0 in slot.{slot.name} (decode all lines), or take the second card's "
             f"driver out of the program."], {"slot": slot.name}, TRIED)
    return None


def wide_decode(case: Case) -> Finding | None:
    """Check whether a card that decodes eight lines only would be heard."""
    for number, slot in enumerate(case.machine.description.slots):
        if not any(row.mask & 0xFF00 for row in slot.ports):
            continue
        missed = sorted(_used(case, slot))
        if not missed or case.budget.left() <= 0:
            continue
        narrow = replace(slot, ports=tuple(PortRow(r.register, r.port & 0xFF, r.mask & 0xFF)
                                           for r in slot.ports))
        again = run_with(case, with_slot(case.machine.description, narrow))
        if not speaks(case, again):
            continue
        who = case.slot_words(number)
        return Finding(
            WIDE_DECODE, _ending(case), f"{who} decodes A15-A8, and the program does not care "
            f"what stands there.",
            [f"{who} answers at {', '.join(f'{r.port:04X}h' for r in slot.ports[:4])} only; the "
             f"program reads and writes these ports with other bytes on A15-A8, as IN A,(n) and "
             f"OUT (n),A do.",
             f"With A7-A0 alone decoded the same image shows {says(again)}."],
            [f"Set decode = 8 in slot.{slot.name}, or use IN r,(C) and OUT (C),r with B = 0 "
             f"everywhere."], {"slot": slot.name}, TRIED)
    return None


CHECKS = (
    Check(silent_card, SILENT_CARD, when=(*FAILED, WAITS), first=True),
    Check(port_clash, PORT_CLASH, when=FAILED),
    Check(port_mirror, PORT_MIRROR, when=(*FAILED, WAITS), trial=True),
    Check(wide_decode, WIDE_DECODE, when=FAILED, trial=True),
)
