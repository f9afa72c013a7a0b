"""A process that sleeps for ever on a tick that no card gives, whatever the others do.

The stacks say who sleeps (emu/diagnosis/evidence/parked.py).  A timer's source that never asks is
made to ask in a copy of the machine, or a handler that nothing calls is called: the one with which
the process gets behind its wait is what it waits for.
"""
from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from emu.bus import stops
from emu.bus.state import STOP_EXECUTE, STOP_HIT
from emu.card import roles
from emu.card.cause import BUSY, WAITS
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import TIMER_STOPPED
from emu.diagnosis.causes.judging import healthy, stands_as, tried_with
from emu.diagnosis.causes.uncalled_handler import NO_TICK, port_writes
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.parked import Parked, chain_words, parked
from emu.diagnosis.evidence.silent_ports import silent_ports, timer_ports
from emu.diagnosis.evidence.sources import Source, force, request_of, said_of, sources, state_words
from emu.diagnosis.evidence.vectors import looks_like_handler, uncalled
from emu.diagnosis.trials.forks import interrupt
from emu.diagnosis.trials.mending import Mend
from emu.diagnosis.trials.proof import STORM, TICK, TICKS, Change, mishaps
from emu.diagnosis.verdict import TRIED, Finding
from emu.machine.machine import Machine, Slot

PACES = (2, 20)  # looks (emu/diagnosis/trials/mending.py) between the ticks of a trial
PATIENCE = 12  # seconds in which a process may wake by itself


def never_woken(case: Case) -> Finding | None:
    """Check for a sleeping process that a tick which never comes would wake."""
    story = chronicle(case).machine
    if int(story.m.t) < int(case.m.t) or not int(case.m.ack_count):
        return None
    silent = [source for source in _ticks(case) if not int(case.m.vector_count[source.vector])]
    given = {source.vector for source in sources(case.machine)}
    uncalled_by_any = [(handler, place) for handler, place in uncalled(case.machine).items()
                       if place[0] not in given] if silent_ports(case) else []
    if not silent and not uncalled_by_any:
        return None
    for one in parked(case):
        if case.budget.left() <= 0:
            case.budget.cut = True
            return None
        if _passes(case, one, None, round(PATIENCE / TICK)):
            continue
        for source in silent:
            if _passes(case, one, force(source)):
                return _stopped(case, one, source)
        for handler, (vector, page) in uncalled_by_any:
            if not any(case.profile(handler).serial_data(case.machine)) and _passes(
                    case, one, partial(interrupt, handler=handler)):
                return _missing(case, one, handler, vector, page)
    return None


def text_on_a_tick(case: Case) -> Finding | None:
    """Check for a source that never ticks, and with which the text comes that is missing."""
    if healthy(case):
        return None
    for source in _ticks(case):
        if int(case.m.vector_count[source.vector]):
            continue
        tried = next((tried for looks in PACES
                      if (tried := tried_with(case, asking(source, looks))) is not None), None)
        if tried is not None:
            slot, who = case.machine.slots[source.slot], case.slot_words(source.slot)
            handler = case.names.at(source.handler)
            said = said_of(case.machine, source)
            return Finding(
                TIMER_STOPPED, stands_as(case),
                f"{handler}, which hangs on {who}, is never called: {said}.",
                [f"Vector {source.vector:02X}h of {who} leads to {handler}; it was supplied 0 "
                 f"times.", *[f"{slot.name}: {line}." for line in state_words(
                     case.machine, source.slot) if line != said]],
                [tried, f'Set {slot.name} up so that it asks: now it is "{said}".',
                 *_unfed(case, slot)],
                {"slot": slot.name, "vector": f"{source.vector:02X}",
                 "handler": f"{source.handler:04X}"}, TRIED)
    return None


def asking(source: Source, looks: int) -> Mend:
    """Let a source ask at every so many looks from when the program has enabled it."""
    ask, count = force(source), [0]

    def look(machine: Machine) -> None:
        count[0] += 1
        if count[0] % looks:
            return
        request = request_of(machine, source)
        if request is not None and request.enabled and not request.pending:
            ask(machine)

    return Mend("with that source asking", every=look)


def _unfed(case: Case, slot: Slot) -> list[str]:
    """Advise on the inputs of a card that count nothing."""
    return [f"Wire {c.jumper or c.part} of slot.{slot.name} to what it is to count, or run it as "
            f"a timer." for c in slot.card.complaints(case.m, slot.state)
            if c.code == roles.NO_INPUT]


def _ticks(case: Case) -> Iterator[Source]:
    """List the timers' sources that do not tick, each with code where its vector leads."""
    found = sources(case.machine)
    for slot in case.machine.slots:
        ticking = {tick.source for tick in slot.card.ticks(case.m, slot.state)}
        bits = {request.bit for request in slot.card.requests(case.m, slot.state)
                if request.reports == roles.TICKS and not request.pending} - ticking
        yield from (source for source in found if source.slot == slot.number
                    and source.bit in bits
                    and looks_like_handler(case.machine, source.handler))


def _passes(case: Case, one: Parked, tick: Change | None, times: int = TICKS) -> bool:
    """Tell whether a process gets behind its wait, with a tick every 10 ms or by itself."""
    with forked(case.machine) as machine:
        well = mishaps(machine)
        stops.arm(machine.m, [stops.Row(STOP_EXECUTE, one.behind, one.behind)])
        for _ in range(times):
            taken, end = int(machine.m.ack_count), int(machine.m.t) + machine.at(TICK)
            if tick is not None and not tick(machine):
                return False
            while int(machine.m.t) < end:
                if machine.run(end) == STOP_HIT:
                    return mishaps(machine) == well
            if tick is not None and int(machine.m.ack_count) - taken > STORM:
                return False
    return False


def _stopped(case: Case, one: Parked, source: Source) -> Finding:
    slot, who = case.machine.slots[source.slot], case.slot_words(source.slot)
    handler = case.names.at(source.handler)
    request = request_of(case.machine, source)
    said = "" if request is None else request.words
    return Finding(
        TIMER_STOPPED, stands_as(case),
        f"a process sleeps {chain_words(case, one)}, and {handler}, which would wake it, is never "
        f"called: {who} does not tick.",
        [f"Vector {source.vector:02X}h of {who} leads to {handler}; it was supplied 0 times; "
         f"{said}.",
         *[f"{slot.name}: {line}." for line in state_words(case.machine, source.slot)
           if line != said]],
        [f"Tried: with that source asking every 10 ms in a copy of the machine, the process gets "
         f"behind its wait, to {case.names.at(one.behind)}.",
         f"Set {slot.name} up so that it asks: control word with the interrupt enabled, then the "
         f"time constant; see which channel the program means."],
        {"slot": slot.name, "vector": f"{source.vector:02X}", "handler": f"{source.handler:04X}"},
        TRIED, one.since)


def _missing(case: Case, one: Parked, handler: int, vector: int | None, page: int) -> Finding:
    name = case.names.at(handler)
    ports = timer_ports(case, handler, vector, page)
    port = f" at port {ports[0].port:02X}h" if ports else ""
    return Finding(
        NO_TICK, stands_as(case),
        f"a process sleeps {chain_words(case, one)}, and no card ever calls {name}, which would "
        f"wake it.",
        [f"No card has supplied the vector of {name}." if vector is None else
         f"No card has supplied vector {vector:02X}h, which leads to {name}.",
         *port_writes(case)],
        [f"Tried: with {name} called every 10 ms in a copy of the machine, the process gets "
         f"behind its wait, to {case.names.at(one.behind)}.",
         f"Fit the timer that the program sets up{port}."],
        {"handler": f"{handler:04X}"}, TRIED, one.since)


CHECKS = (Check(never_woken, TIMER_STOPPED, (WAITS, BUSY), trial=True, others=(NO_TICK,)),
          Check(text_on_a_tick, TIMER_STOPPED, (WAITS, BUSY), trial=True))
