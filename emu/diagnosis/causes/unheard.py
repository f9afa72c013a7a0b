"""Timers that count and are not heard, while the machine looks alive: nobody is called at their
ticks.

Asked where a machine answers keys or is at work: one of its processes is dead for want of ticks.
"""
from __future__ import annotations

from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT
from emu.card.cause import BUSY, WAITS
from emu.card.roles import CONSTANT_AWAITED, TICKS, Request
from emu.diagnosis.case import Case
from emu.diagnosis.causes.control import INT_OPEN
from emu.diagnosis.causes.interrupt_path import INT_NOT_WIRED, TIMER_STOPPED
from emu.diagnosis.causes.judging import stands_as
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.sources import Source, sources, state_words
from emu.diagnosis.evidence.vectors import looks_like_handler
from emu.diagnosis.trials.forks import read_word
from emu.diagnosis.verdict import SHOWN, Finding
from emu.machine.machine import Slot


def unheard(case: Case) -> Finding | None:
    """Check for a timer that asks at each tick, and whose request does not come to the CPU."""
    m = case.m
    if not int(m.iff1):
        return None
    for slot in case.machine.slots:
        number = slot.number
        waits = [r for r in slot.card.requests(m, slot.state)
                 if r.enabled and r.pending and r.reports == TICKS]
        stands = [one for one in chronicle(case).of("request-waits") if one.a == number]
        if not slot.card.timer or not waits or not stands or int(m.int_count[number]):
            continue
        state = [f"{slot.name}: {line}." for line in state_words(case.machine, number)]
        who = case.slot_words(number)
        if int(m.int_kind[number]) == NO_INTERRUPT:
            return Finding(
                INT_NOT_WIRED, stands_as(case), f"{who} asks for an interrupt at each tick, but "
                f"its INT pin is not wired to the bus.", [stands[0].text, *state],
                [f"Set interrupt = true in slot.{slot.name}."], {"slot": slot.name}, SHOWN)
        if int(m.iei[number]) and not int(m.int_line) and not int(m.irq_dirty):
            return Finding(
                INT_OPEN, stands_as(case), f"{who} asks for an interrupt at each tick, and /INT "
                f"stays high at the CPU.", [stands[0].text, *state],
                [f"Follow /INT from {slot.name} to the CPU: an open jumper, a bad contact, a dead "
                 f"driver."], {"slot": slot.name}, SHOWN)
    return None


def awaits_constant(case: Case) -> Finding | None:
    """Check for a channel that may interrupt, was given a control word, and waits for a constant
    that does not come."""
    if not int(case.m.iff1) and not int(case.m.ack_count):
        return None
    for slot in case.machine.slots:
        parts = {c.part for c in slot.card.complaints(case.m, slot.state)
                 if c.code == CONSTANT_AWAITED}
        for request in slot.card.requests(case.m, slot.state):
            if slot.card.timer and request.enabled and request.reports == TICKS \
                    and request.part.replace(" ", "") in parts:
                return Finding(
                    TIMER_STOPPED, stands_as(case), f"{request.part} of "
                    f"{case.slot_words(slot.number)} may interrupt, and waits for its time "
                    f"constant.",
                    [f"{slot.name}: {line}." for line in state_words(case.machine, slot.number)],
                    [f"Write the constant behind the control word of {request.part} of "
                     f"{slot.name}: the word says that one follows, and the channel stands still "
                     f"until it comes."], {"slot": slot.name}, SHOWN)
    return None


def counts_in_silence(case: Case) -> Finding | None:
    """Check for a channel of a timer that counts, may not interrupt, and serves nothing else, while
    a handler waits in its place of the vector table."""
    m = case.m
    if int(m.im) != 2 or not int(m.ack_count) or not case.text_wanted:
        return None
    for slot in case.machine.slots:
        if not slot.card.timer or slot.card.interrupt != CHAINED_INTERRUPT:
            continue
        own = {s.bit: s for s in sources(case.machine) if s.slot == slot.number}
        counting = {tick.part for tick in slot.card.ticks(m, slot.state) if tick.source < 0}
        for request in slot.card.requests(m, slot.state):
            source = own.get(request.bit)
            if source is not None and request.part in counting and not request.enabled \
                    and _meant(case, slot, request, source):
                return _silent(case, slot, request, source)
    return None


def _meant(case: Case, slot: Slot, request: Request, source: Source) -> bool:
    """Tell whether a channel's own handler stands in the table, and its output serves nobody."""
    m, number = case.m, "".join(c for c in request.part if c.isdigit())
    page = int(m.i) << 8
    others = [read_word(case.machine, page | v) for v in range(0, 256, 2) if v != source.vector]
    register = request.part.replace(" ", "")
    port = case.port_of(slot, register)
    wired = any(wire.source == slot.name and slot.card.outputs[wire.output].endswith(number)
                for wire in case.machine.description.wires)
    return not wired and not int(m.port_reads[port & 0xFF]) and source.handler not in others \
        and looks_like_handler(case.machine, source.handler)


def _silent(case: Case, slot: Slot, request: Request, source: Source) -> Finding:
    who, handler = case.slot_words(slot.number), case.names.at(source.handler)
    return Finding(
        TIMER_STOPPED, stands_as(case), f"{request.part} of {who} counts and may not interrupt, so "
        f"{handler} is never called.",
        [f"{slot.name}: {request.words}.",
         f"Its vector {source.vector:02X}h leads to {handler}, and to no other source's handler; "
         f"nobody reads the channel, and no wire takes its output."],
        [f"Set bit 7 (interrupt enable) in the control word of {request.part} of {slot.name}."],
        {"slot": slot.name, "vector": f"{source.vector:02X}", "handler": f"{source.handler:04X}"},
        SHOWN)


ANYWAY = (WAITS, BUSY)
CHECKS = (Check(unheard, INT_NOT_WIRED, ANYWAY, others=(INT_OPEN,)),
          Check(awaits_constant, TIMER_STOPPED, ANYWAY),
          Check(counts_in_silence, TIMER_STOPPED, ANYWAY))
