"""Causes at the acknowledge: a vector that nobody gives."""
from __future__ import annotations

from emu.bus.state import CHAINED_INTERRUPT, PLAIN_INTERRUPT, READ
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.control import requests
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import Window, look
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding
from emu.machine.address_names import Names

FLOATING_VECTOR = Cause(
    "floating-vector", "A mode-2 acknowledge that nobody answers",
    "The machine hangs or runs wild at the first key or the first character sent.",
    "In mode 2 the CPU reads a vector byte from the card that interrupts. A plain serial chip "
    "(6850 type) pulls /INT but has no vector, so the bus floats: with pull-ups the CPU reads "
    "FFh, takes a pointer from I*256+FFh and jumps wherever it says.",
    "Let such a card interrupt in mode 1 with no mode-2 card beside it, poll it, or put a "
    "catch-all pointer at I:FFh.", ("I1",))


def floating_vector(case: Case) -> Finding | None:
    """Check for an unanswered acknowledge in mode 2, and follow where it led."""
    m = case.m
    if int(m.ack_empty) == 0 or int(m.vector_count.sum()) == 0:
        return None
    t = int(m.ack_empty_first_t)
    replayed = case.session.replay(max(t - 1, 0))
    if int(replayed.m.im) != 2:
        return None
    if int(replayed.m.int_line) and not requests(replayed.m):
        return None  # no card pulls /INT: a line that is low by itself
    names = Names(replayed)
    plain = [k for k in range(int(replayed.m.slots))
             if int(replayed.m.int_kind[k]) == PLAIN_INTERRUPT]
    asking = [k for k in plain if int(replayed.m.ip[k])] or plain
    window = look(replayed, 40)
    pointer, target = _pointer(window)
    who = ", ".join(case.slot_words(k) for k in asking) or "no card that is still asking"
    evidence = [
        f"At {case.time(t)} the CPU acknowledged an interrupt in mode 2 at "
        f"{names.at(int(m.ack_empty_pc))} and no card drove the bus "
        f"({int(m.ack_empty)} such acknowledges in the run); /INT was pulled by {who}, which "
        f"has no vector.",
        f"The bus read as {pointer & 0xFF:02X}h, so the pointer came from {pointer:04X}h and "
        f"led to {names.at(target)}.",
        *_other_kind(case)]
    runs_wild = int(m.rst38_count) > 0 or int(m.empty_reads) > 0
    if not runs_wild and case.profile(target).returned:
        return None  # the entry behind the table leads to a handler: it was meant so
    return Finding(
        FLOATING_VECTOR, RUNAWAY if runs_wild else HUNG,
        f"{who} interrupts in mode 2 without giving a vector; the CPU jumped through "
        f"{pointer:04X}h to {target:04X}h.", evidence,
        _floating_remedy(case, asking),
        {"pointer": f"{pointer:04X}", "target": f"{target:04X}",
         "slots": [case.machine.slots[k].name for k in asking]}, SHOWN, t)


def _pointer(window: Window) -> tuple[int, int]:
    """Find the pointer read of the first acknowledge in a window: its address, its word."""
    reads = window.where(READ)
    if len(reads) < 2:
        return 0, 0
    pairs = [k for k in reads[:-1] if window.kind[k + 1] == READ]
    k = pairs[0] if pairs else reads[0]
    return int(window.address[k]), int(window.data[k]) | int(window.data[k + 1]) << 8


def _other_kind(case: Case) -> list[str]:
    chained = [case.slot_words(k) for k in range(int(case.m.slots))
               if int(case.m.int_kind[k]) == CHAINED_INTERRUPT and int(case.m.int_count[k])]
    if not chained:
        return []
    return [f"Beside it {', '.join(chained)} interrupts with vectors, so the program needs "
            f"mode 2: the two kinds do not fit together as they are."]


def _floating_remedy(case: Case, asking: list[int]) -> list[str]:
    names = ", ".join(case.machine.slots[k].name for k in asking) or "the plain card"
    return [f"Take {names} off /INT (jumper interrupt = false) and poll it, or replace it by a "
            f"serial card with a vector (Z80 SIO).",
            "Or run all cards in mode 1 with a handler that polls every source and ends with "
            "RETI.",
            "Or fill the vector table so that the pointer at I:FFh leads to the plain card's "
            "handler."]


CHECKS = (Check(floating_vector, FLOATING_VECTOR, (STUCK, WILD, HALTED_OFF, BUSY)),)
