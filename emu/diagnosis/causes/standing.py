"""What stands broken behind a foreground that still answers or works.

A machine that heeds a key may have a timer that never began to count, a service that nobody
ended, a chain that is open, or a receiver that was never put on: some of its processes wait for
ever.  Only what the program itself has asked for counts: a source whose interrupt it enabled, a
request that stands, characters that were typed at it.
"""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT
from emu.card.cause import BUSY, WAITS
from emu.card.roles import (
    DATA,
    NO_INPUT,
    RECEIVER_OFF,
    RECEIVES,
    TICKS,
    TRIGGER_AWAITED,
    Request,
)
from emu.chronicle.shadow import EXECUTED, WRITTEN
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import CHAIN_OPEN, MISSING_RETI, TIMER_STOPPED
from emu.diagnosis.causes.interrupt_path import RECEIVER_OFF as RECEIVER_CAUSE
from emu.diagnosis.causes.judging import stands_as
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.sources import Source, sources, state_words
from emu.diagnosis.evidence.touched import slot_of, touched
from emu.diagnosis.evidence.vectors import looks_like_handler
from emu.diagnosis.trials.forks import read_memory
from emu.diagnosis.verdict import SHOWN, Finding
from emu.isa.opcodes import IN_A_N
from emu.machine.machine import Slot
from emu.run.console import channels

NEAR = 48  # bytes around code that has run in which an instruction belongs to the program
LONG = 0.2  # seconds that a request may stand, or a service may last


def never_started(case: Case) -> Finding | None:
    """Check for a timer whose interrupt the program has enabled, and that does not count."""
    m = case.m
    if not int(m.iff1) and not int(m.ack_count) or int(m.im) != 2:
        return None
    for slot in case.machine.slots:
        if not slot.card.timer or not int(m.slot_writes[slot.number]):
            continue
        own = {s.bit: s for s in sources(case.machine) if s.slot == slot.number}
        for request in _idle_requests(case, slot):
            source = own.get(request.bit)
            if source is not None and (case.text_wanted
                                       or not int(m.vector_count[source.vector])):
                return _never_started(case, slot, request, source)
    return None


def _idle_requests(case: Case, slot: Slot) -> Iterator[Request]:
    """List the enabled sources of a timer that do not tick, though nothing from outside lacks."""
    m, state = case.m, slot.state
    ticking = {tick.source for tick in slot.card.ticks(m, state)}
    outside = {complaint.part.replace(" ", "") for complaint in slot.card.complaints(m, state)
               if complaint.code in (NO_INPUT, TRIGGER_AWAITED)}
    for request in slot.card.requests(m, state):
        if request.enabled and request.reports == TICKS and not request.pending \
                and request.bit not in ticking and request.part.replace(" ", "") not in outside:
            yield request


def _never_started(case: Case, slot: Slot, request: Request, source: Source) -> Finding:
    who, handler = case.slot_words(slot.number), case.names.at(source.handler)
    if read_memory(case.machine, source.handler) in (0x00, 0xFF):
        handler = f"{source.handler:04X}h, where no handler stands"
    return Finding(
        TIMER_STOPPED, stands_as(case),
        f"{request.part} of {who} may interrupt, and it was never started.",
        [f"{slot.name}: {request.words}.",
         f"Its vector {source.vector:02X}h leads to {handler}; it was supplied 0 times.",
         *[f"{slot.name}: {line}." for line in state_words(case.machine, slot.number)
           if line != request.words]],
        [f"Write the control word of {request.part} so that a time constant follows, and then "
         f"the constant: what waits for its tick waits for ever."],
        {"slot": slot.name, "vector": f"{source.vector:02X}", "handler": f"{source.handler:04X}"},
        SHOWN)


def never_ended(case: Case) -> Finding | None:
    """Check for a service that no RETI has ended, and that shuts out a request."""
    m = case.m
    chain = [int(m.chain[k]) for k in range(int(m.chain_len))]
    for place, number in enumerate(chain):
        if number < 0 or not int(m.ius[number]) or _recent(case, number):
            continue
        shut_out = [k for k in chain[place:] if k >= 0 and int(m.ip[k])]
        seen = [one for one in chronicle(case).of("no-reti") if one.a == number]
        if not shut_out or not seen:
            continue
        one, who = seen[0], case.slot_words(number)
        return Finding(
            MISSING_RETI, stands_as(case),
            f"the handler {case.names.at(one.b)} of {who} ends at {case.names.at(one.pc)} without "
            f"RETI, so its interrupt stays under service.",
            [one.text, f"{', '.join(case.slot_words(k) for k in shut_out)} asks for an interrupt "
                       f"and is shut out since {case.time(int(m.int_since))}."],
            [f"End that handler with RETI (ED 4D) at {case.names.at(one.pc)}."],
            {"slot": case.machine.slots[number].name, "handler": f"{one.b:04X}"}, SHOWN, one.t)
    return None


def _recent(case: Case, number: int) -> bool:
    """Tell whether a card was answered so lately that its handler may still run."""
    return int(case.m.t) - int(case.m.int_last[number]) < case.machine.at(LONG)


def shut_out(case: Case) -> Finding | None:
    """Check for a request behind a chain that is open, while other interrupts are taken."""
    m = case.m
    chain = [int(m.chain[k]) for k in range(int(m.chain_len))]
    names = list(case.machine.description.chain or ())
    for place, number in enumerate(chain):
        if number < 0 or not int(m.ip[number]) or int(m.iei[number]) or \
                int(m.int_kind[number]) != CHAINED_INTERRUPT or not int(m.iff1) or \
                any(k >= 0 and int(m.ius[k]) for k in chain[:place]) or \
                not any(k < 0 for k in chain[:place]):
            continue
        stands = [one for one in chronicle(case).of("request-waits") if one.a == number]
        if not stands:
            continue
        who = case.slot_words(number)
        return Finding(
            CHAIN_OPEN, stands_as(case),
            f"{who} asks for an interrupt, but its IEI is low, and nobody above it is served.",
            [stands[0].text, f"The chain is {', '.join(names)}; IEI of {who} reads low since "
                             f"{case.time(stands[0].t)}."],
            ["Set the IEI-IEO jumper of the empty slot above it, or follow its IEI to the IEO of "
             "the card above."],
            {"slot": case.machine.slots[number].name}, SHOWN, stands[0].t)
    return None


def nobody_reads(case: Case) -> Finding | None:
    """Check for characters that were typed and that a receiver which is off has lost."""
    typed = case.session.typed_at()
    if typed and chronicle(case).of(*ASTRAY, "restart"):
        return None  # it went astray: no wonder
    for channel in channels(case.machine) if typed else ():
        if channel.name not in typed:
            continue
        slot, part = slot_of(case, channel.name)
        mine = [c for c in slot.card.complaints(case.m, slot.state)
                if c.code == RECEIVER_OFF and c.part.endswith(part)]
        enabled = [r for r in slot.card.requests(case.m, slot.state)
                   if r.reports == RECEIVES and r.part.endswith(part)]
        if mine:
            why = "its receiver is off"
        elif enabled and not any(r.enabled for r in enabled) and not touched(
                case, slot, part, False) and _has_handler(case, slot, {r.bit for r in enabled}):
            why = "its receive interrupt is not enabled"
        else:
            continue
        if not _reader(case, slot, part):
            continue  # the program reads no keys, on purpose
        who = case.slot_words(slot.number)
        return Finding(
            RECEIVER_CAUSE, stands_as(case),
            f"{typed[channel.name]} characters were typed at {channel.name} and nobody read them: "
            f"{why}.",
            [*[f"{slot.name}: {line}." for line in state_words(case.machine, slot.number)],
             f"The data register of {who} was never read."
             if not touched(case, slot, part, False) else f"{who} was read before it was put off."],
            [f"Enable the receiver of {slot.name}, and its interrupt if the program does not "
             f"poll it."], {"slot": slot.name}, SHOWN)
    return None


def _has_handler(case: Case, slot: Slot, bits: set[int]) -> bool:
    """Tell whether the vector of one of a card's sources leads to code that reads its data."""
    return any(source.slot == slot.number and source.bit in bits
               and looks_like_handler(case.machine, source.handler)
               and case.profile(source.handler).serial_data(case.machine)[0]
               for source in sources(case.machine))


def _reader(case: Case, slot: Slot, part: str) -> bool:
    """Tell whether the program has an instruction that reads a channel's data register, near code
    that has run."""
    if touched(case, slot, part, False):
        return True
    ports = [row.port & 0xFF for row in case.machine.description.slots[slot.number].ports
             if slot.card.has_kind(name := slot.card.registers[row.register], DATA)
             and (not part or name.startswith(part))]
    phys, known = case.m.phys, np.asarray(chronicle(case).machine.shadow.byte)
    reads = np.nonzero((phys[:-1] == IN_A_N) & np.isin(phys[1:], ports)
                       & (known[:-1] & WRITTEN != 0))[0]
    return any((known[max(at - NEAR, 0):at + NEAR] & EXECUTED).any() for at in reads.tolist())


ANYWAY = (WAITS, BUSY)
CHECKS = (
    Check(never_ended, MISSING_RETI, ANYWAY),
    Check(shut_out, CHAIN_OPEN, ANYWAY),
    Check(never_started, TIMER_STOPPED, ANYWAY),
    Check(nobody_reads, RECEIVER_CAUSE, ANYWAY),
)
