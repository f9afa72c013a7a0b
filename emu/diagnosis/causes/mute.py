"""A terminal that shows nothing, or no more, though the program has something to say.

The card itself says what keeps its bytes; or its transmit handler is there and nobody calls it.
"""
from __future__ import annotations

from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS
from emu.card.roles import SENDS
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import NEVER_ASKS
from emu.diagnosis.causes.kept_bytes import BLOCKED_TRANSMITTER, Kept, keeps
from emu.diagnosis.causes.troubles import told, troubles_of
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.sources import Source, force, sources, state_words
from emu.diagnosis.evidence.touched import slot_of, touched
from emu.diagnosis.evidence.vectors import looks_like_handler
from emu.diagnosis.trials.forks import shown
from emu.diagnosis.trials.progress import speaks
from emu.diagnosis.trials.proof import mishaps
from emu.diagnosis.verdict import HUNG, SHOWN, TRIED, Finding
from emu.machine.machine import Slot
from emu.run.console import channels

ASKED, EVERY = 60, 0.002  # requests of a trial, and the seconds between them
MORE = 4  # characters that such a trial has to bring


def mute_console(case: Case) -> Finding | None:
    """Check for a card that the program sends to, and at whose terminal nothing ever came."""
    if any(c.text for c in case.session.console.channels.values()) or \
            chronicle(case).of(*ASTRAY, "restart"):
        return None
    for channel in channels(case.machine):
        slot, part = slot_of(case, channel.name)
        count = touched(case, slot, part, True)
        if not count:
            continue
        for at, trouble in case.once(troubles_of):
            if at.number == slot.number:
                return told(case, slot, trouble)
        kept = keeps(case, slot, part)
        if kept is not None:
            return _mute(case, slot, count, kept)
    return None


def _mute(case: Case, slot: Slot, count: int, why: Kept) -> Finding:
    return Finding(
        BLOCKED_TRANSMITTER, HUNG,
        f"nothing was ever shown: {count} bytes went to the data register of "
        f"{case.slot_words(slot.number)}, and {why.words}.",
        [f"{slot.name}: {line}." for line in state_words(case.machine, slot.number)],
        [why.remedy], {"slot": slot.name}, SHOWN)


def never_called(case: Case) -> Finding | None:
    """Check for a transmit handler that, called as its chip would, brings more text."""
    if case.control.shown or int(case.m.im) != 2:
        return None
    senders = {(slot.number, request.bit) for slot in case.machine.slots if slot.card.channels
               for request in slot.card.requests(case.m, slot.state)
               if request.reports == SENDS and not request.pending}
    for source in sources(case.machine):
        if (source.slot, source.bit) in senders and \
                looks_like_handler(case.machine, source.handler) and \
                case.profile(source.handler).serial_data(case.machine) == (False, True):
            more = _brings(case, source)
            if more >= MORE and not speaks(case.machine):
                return _never_called(case, source, more)
    return None


def _brings(case: Case, source: Source) -> int:
    """Count the characters that come when a source asks again and again in a fork."""
    ask = force(source)
    with forked(case.machine) as machine:
        before, well = shown(machine), mishaps(machine)
        for _ in range(ASKED):
            ask(machine)
            machine.run(int(machine.m.t) + machine.at(EVERY))
        return shown(machine) - before if mishaps(machine) == well else 0


def _never_called(case: Case, source: Source, more: int) -> Finding:
    slot, who = case.machine.slots[source.slot], case.slot_words(source.slot)
    handler = case.names.at(source.handler)
    return Finding(
        NEVER_ASKS, HUNG,
        f"{handler} has more to send, and {who} does not call it.",
        [f"Vector {source.vector:02X}h of {who} leads to {handler}; it was supplied "
         f"{int(case.m.vector_count[source.vector])} times.",
         *[f"{slot.name}: {line}." for line in state_words(case.machine, slot.number)]],
        [f"Tried: with that source asking every 2 ms in a copy of the machine, {more} more "
         f"characters come.",
         f"Enable the transmitter of {slot.name} and its interrupt, and write the first byte by "
         f"hand: the chip asks when it becomes empty."],
        {"slot": slot.name, "handler": f"{source.handler:04X}"}, TRIED)


CHECKS = (Check(mute_console, BLOCKED_TRANSMITTER, (WAITS, BUSY, STUCK, HALTED_OFF), trial=True),)
LATE_CHECKS = (Check(never_called, NEVER_ASKS, (BUSY, WAITS), trial=True),)
