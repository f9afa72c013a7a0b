"""Tell a program that ended on purpose from one that stopped because something went wrong."""
from __future__ import annotations

from emu.bus.state import NOBODY
from emu.card.cause import STUCK
from emu.card.roles import OTHER
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.run_again import executed_times
from emu.diagnosis.trials.decision import way_in
from emu.diagnosis.trials.forks import halts_for_good, read_memory
from emu.diagnosis.trials.progress import TIGHT
from emu.isa.opcodes import DI, HALT

BEFORE = 16  # bytes in front of a HALT in which a program's end has its DI
A_WORD = 4  # characters; fewer may have stood in a transmitter
NEAR = 64  # and, where it says why behind that DI
# What no sound program does on its way to its end.
BROKEN_RULES = ("noise-jump", "noise-decides", "unwritten-code", "empty-code", "push-lost",
                "push-over-code", "vector-unwritten", "vector-odd", "ack-unanswered", "ff-executed",
                "register-lost", "page-lost", "restart", "rom-write", "vector-written")


def ends_itself(case: Case) -> bool:
    """Tell whether the program came to its own end, as far as a run can show it.

    It shows a text, its last act; then it halts with interrupts off where it had put them off
    itself, or stays in a loop without exits; no rule was broken before; and, where a text was asked
    for, no answer of a card decided that it stops; nor did a port of no card.  Whether that end is
    the one that was wanted, who runs it knows.
    """
    return case.once(_ends_itself)


# Of these, what wrecks a run: with the others a program may come to its end in good order.
WRECKED = ("noise-jump", "unwritten-code", "empty-code", "push-lost", "push-over-code",
           "vector-unwritten", "ack-unanswered", "ff-executed", "vector-written")


def _ends_itself(case: Case) -> bool:
    if not case.session.console.last_line().strip():
        return False
    m = case.m
    if int(m.halted):
        halt = (int(m.pc) - 1) & 0xFFFF
        near = _behind_di(case, halt) or _says_since(case) or \
            0 < halt - int(chronicle(case).machine.shadow.off_pc) <= NEAR
        if int(m.iff1) or not off_on_purpose(case) or not (near or _nobody_asks(case)):
            return False
    elif case.condition != STUCK or case.waits:
        return False
    elif case.progress.region - case.control.code - case.idle or len(case.control.code) > TIGHT:
        return False
    story = chronicle(case)
    if story.of(*WRECKED) or any(one.a in case.control.code
                                 for one in story.of("code-written")):
        return False
    found = case.once(way_in)
    return found is None or not any(
        load.kind == "port" and (case.text_wanted or load.driver == NOBODY)
        for load in found.loads)


def _says_since(case: Case) -> bool:
    """Tell whether a word was shown since interrupts went off: the program says why it stops."""
    since = int(chronicle(case).machine.shadow.off_since)
    return any(sum(t > since for t in channel.times) >= A_WORD
               for channel in case.session.console.channels.values()) \
        and halts_for_good(case.machine)


def off_on_purpose(case: Case) -> bool:
    """Tell whether interrupts are off by a DI, or were never on and no card is to ask: an interrupt
    that was taken, and whose handler did not let the next one in, is no purpose."""
    record = chronicle(case).machine.shadow
    if not int(record.ei_seen):
        return _nobody_asks(case) or _behind_di(case, (int(case.m.pc) - 1) & 0xFFFF)
    return read_memory(case.machine, int(record.off_pc)) == DI


def stops_with_message(case: Case) -> bool:
    """Tell whether the program stopped itself: it came to a HALT where it had never been before,
    with interrupts off by a DI right in front of it, or it never goes on from there."""
    return case.once(_stops_with_message)


def _stops_with_message(case: Case) -> bool:
    m = case.m
    if not int(m.halted) or int(m.iff1) or not off_on_purpose(case) \
            or not case.session.console.last_line().strip():
        return False
    halt = (int(m.pc) - 1) & 0xFFFF
    if executed_times(case.session, halt) > 1:
        return False
    return 0 < halt - int(chronicle(case).machine.shadow.off_pc) <= BEFORE \
        or _behind_di(case, halt) or halts_for_good(case.machine)


def _behind_di(case: Case, halt: int) -> bool:
    """Tell whether a DI stands right in front of a HALT."""
    return DI in [read_memory(case.machine, (halt - k) & 0xFFFF) for k in (1, 2, 3, 4)]


def _nobody_asks(case: Case) -> bool:
    """Tell whether no card is set up to bring a byte, take one, or tick by an interrupt."""
    return not any(request.enabled and request.reports != OTHER for slot in case.machine.slots
                   for request in slot.card.requests(case.m, slot.state))


def idles(case: Case) -> bool:
    """Tell whether it rests in HALT with interrupts on that a card may ask for: that is no end."""
    halts = bool(int(case.m.halted)) or any(
        read_memory(case.machine, address) == HALT for address in case.control.code)
    return halts and bool(int(case.m.iff1)) and len(case.control.code) <= TIGHT and (
        bool(int(case.m.ack_count)) or any(
            request.enabled for slot in case.machine.slots
            for request in slot.card.requests(case.m, slot.state)))
