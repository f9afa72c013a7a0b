"""Causes that the chronicle of a run shows: the first rule that was broken on the way to its end.

A broken rule is named when mending it in a run done again lets the machine go on, or when what it
broke can only have led to the end: a push that is lost, code or a vector table that is written
over, a jump through RAM that nobody wrote.
"""
from __future__ import annotations

from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.chronicle.anomalies import Anomaly, lost_registers
from emu.diagnosis.case import Case
from emu.diagnosis.causes.handlers import CLOBBERED
from emu.diagnosis.causes.interrupt_path import INTERRUPTS_OFF, MISSING_RETI
from emu.diagnosis.causes.pages import PULLED_PAGE
from emu.diagnosis.causes.stacks import ROM_SHADOW, STACK_IN_ROM, STACK_OVERRUN, UNSET_POINTER
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.own_end import ends_itself
from emu.diagnosis.trials.forks import read_memory
from emu.diagnosis.trials.mending import (
    Mend,
    helps,
    interrupts_on,
    pages_kept,
    registers_kept,
    reti_given,
    writable,
    write_undone,
    zeroed,
)
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, STATE, TRIED, Finding
from emu.isa.opcodes import DI

UNWRITTEN_RAM = Cause(
    "unwritten-ram", "Working on RAM that nobody has written",
    "It works on one power-on and not on the next; after a warm reset it may work.",
    "The program reads a variable before anything was written to it, a branch or an address hangs "
    "on what it read, and with that memory cleared at power-on the same image goes on.",
    "Clear the variables (.bss) and copy the initialised data (.data) before the program starts, "
    "or set that variable where it is declared.", ("P5",))
OVERWRITTEN = Cause(
    "overwritten", "Code or a table that the program writes over",
    "It works for a while, then goes wild or stands still, always at the same place.",
    "A byte that had been executed, a pointer of the vector table in use, or a return address is "
    "written over, and without that write the same image goes on.",
    "Look at the pointer, index or length of the instruction that writes there.", ("B4",))
# A machine that waits for a key counts as failed only where a text was to come that did not.
FAILED = (HALTED_OFF, WILD, STUCK, BUSY, WAITS)
LONG_OFF = 1  # second: a transfer may keep interrupts off for as long as a disk turns
MOST = 6  # reads of unwritten RAM that are tried one by one


def _ended(case: Case) -> str:
    return RUNAWAY if case.condition == WILD else HUNG


def _led_to(case: Case, anomaly: Anomaly) -> str:
    return f"First seen after {case.time(anomaly.t)}" + (
        f", {anomaly.count} times in this run." if anomaly.count > 1 else ".")


def _healthy(case: Case) -> bool:
    """Tell whether nothing is wrong with how it stands: it waits for a key or is at work and no
    text was asked for, or it has come to its own end."""
    if case.session.until is not None or case.session.missed is not None:
        return False
    return case.condition in (WAITS, BUSY) or ends_itself(case)


def _spoiled(case: Case) -> bool:
    """Tell whether memory does not keep what is written: then nothing else can be trusted."""
    return bool(chronicle(case).of("ram-changed"))


def _tried(case: Case, mend: Mend) -> str | None:
    if _healthy(case) or _spoiled(case):
        return None
    words = helps(case, mend)
    return None if words is None else f"Tried: {mend.words}, {words}."


def spoiled_registers(case: Case) -> Finding | None:
    """Check for a handler that comes back with other registers."""
    for one in chronicle(case).of("register-lost")[:MOST]:
        tried = _tried(case, registers_kept(one.b, one.pc))
        if tried is not None:
            names = lost_registers(one.a)
            handler = case.names.at(one.b)
            return Finding(
                CLOBBERED, _ended(case), f"the handler {handler} changes {names}, which the "
                f"interrupted program still needs.", [one.text, _led_to(case, one)],
                [tried, f"Save and restore {names} in {handler}."],
                {"handler": f"{one.b:04X}", "registers": names}, TRIED, one.t)
    return None


def ends_without_reti(case: Case) -> Finding | None:
    """Check for a handler of a chained card that ends without RETI."""
    for one in chronicle(case).of("no-reti")[:MOST]:
        tried = _tried(case, reti_given(one.pc))
        if tried is not None:
            slot = one.facts["slot"]
            return Finding(
                MISSING_RETI, HUNG, f"the handler {case.names.at(one.b)} of slot {slot} ends at "
                f"{case.names.at(one.pc)} without RETI, so the card's interrupt stays under "
                f"service and shuts it and the cards below out.", [one.text, _led_to(case, one)],
                [tried, f"End that handler with RETI (ED 4D) at {case.names.at(one.pc)}."],
                {"slot": slot, "handler": f"{one.b:04X}"}, TRIED, one.t)
    return None


def page_not_restored(case: Case) -> Finding | None:
    """Check for a handler that comes back with another page switched in."""
    for one in chronicle(case).of("page-lost")[:MOST]:
        tried = _tried(case, pages_kept(one.b, one.pc))
        if tried is not None:
            return Finding(
                PULLED_PAGE, _ended(case), f"the handler {case.names.at(one.b)} switches a page "
                f"and does not put it back.", [one.text, _led_to(case, one)],
                [tried, f"Read or remember the page on entry to {case.names.at(one.b)} and put it "
                        f"back before it returns."],
                {"handler": f"{one.b:04X}"}, TRIED, one.t)
    return None


def unwritten_ram(case: Case) -> Finding | None:
    """Check for a run that hangs on what RAM held at power-on."""
    story = chronicle(case)
    hung_on = story.of("noise-decides", "noise-points", "noise-jump", "noise-out")
    reads = story.of("unwritten-read")
    if not hung_on or not reads or not len(story.noise()):
        return None
    tried = _tried(case, zeroed(story.noise()))
    if tried is None:
        return None
    read = reads[0]
    for one in reads[:MOST]:
        alone = _tried(case, zeroed(story.noise()[story.noise() == one.b]))
        if alone is not None:
            read, tried = one, alone
            break
    name = case.names.data(read.a)
    return Finding(
        UNWRITTEN_RAM, _ended(case), f"{case.names.at(read.pc)} reads {name}, which nobody has "
        f"written: what happens hangs on what the RAM came up with.",
        [read.text, hung_on[0].text, _led_to(case, hung_on[0])],
        [tried, f"Clear or set {name} before it is read: see to it that the start-up clears the "
                f"variables and copies the initialised data."],
        {"address": f"{read.a:04X}"}, TRIED, read.t)


def _went_wild_before(case: Case, one: Anomaly) -> bool:
    """Tell whether something worse was seen before: then this is a consequence."""
    return _spoiled(case) or bool(chronicle(case).before(
        one.t, "ff-executed", "unwritten-code", "empty-code", "restart", "noise-jump",
        "noise-points", "code-written", "register-lost", "page-lost", "vector-unwritten"))


def lost_push(case: Case) -> Finding | None:
    """Check for a stack where nothing can be written."""
    found = chronicle(case).of("push-lost")
    if not found or _went_wild_before(case, found[0]):
        return None
    one = found[0]
    return Finding(
        STACK_IN_ROM, _ended(case), f"the stack stands at {one.a:04X}h, where no RAM answers: "
        f"{case.names.at(one.pc)} pushed there and it is lost.", [one.text, _led_to(case, one)],
        ["Set SP to the end of RAM before the first CALL, PUSH or interrupt; look at what was put "
         "into SP, and at the page that is switched in there."],
        {"address": f"{one.a:04X}"}, STATE, one.t)


def overrun_stack(case: Case) -> Finding | None:
    """Check for a stack that runs into code or into the vector table."""
    story = chronicle(case)
    found = [one for one in story.of("push-over-code", "vector-written")
             if one.kind == "push-over-code" or _pushes(story.of("push-over-data"), one)]
    if not found or _went_wild_before(case, found[0]):
        return None
    one = found[0]
    return Finding(
        STACK_OVERRUN, _ended(case), f"the stack runs into {case.names.data(one.a)}: "
        f"{case.names.at(one.pc)} pushed over it.", [one.text, _led_to(case, one)],
        ["Give the stack more room, or look for what pushes without end: a call that comes back "
         "to itself, a handler that is interrupted again before it ends."],
        {"address": f"{one.a:04X}"}, SHOWN, one.t)


def _pushes(pushes: list[Anomaly], one: Anomaly) -> bool:
    return any(push.pc == one.pc for push in pushes)


def jump_through_noise(case: Case) -> Finding | None:
    """Check for a jump through a pointer that nobody set."""
    story = chronicle(case)
    found = story.of("noise-jump")
    if not found:
        return None
    one = found[0]
    reads = story.before(one.t + 1, "unwritten-read")
    source = [reads[-1].text] if reads else []
    place = case.names.data(reads[-1].a) if reads else "a pointer in RAM"
    return Finding(
        UNSET_POINTER, RUNAWAY, f"{case.names.at(one.pc)} jumps through {place}, which nobody has "
        f"set, to {one.a:04X}h.", [*source, one.text, _led_to(case, one)],
        [f"Set {place} before it is used; clear or copy the variables at the start."],
        {"address": f"{reads[-1].a:04X}"} if reads else {}, SHOWN, one.t)


def overwritten(case: Case) -> Finding | None:
    """Check for a write over code, a vector table or a return address that broke the run."""
    for one in chronicle(case).of("code-written", "vector-written", "return-written")[:MOST]:
        tried = _tried(case, write_undone(one.pc, one.a))
        if tried is not None:
            return Finding(
                OVERWRITTEN, _ended(case), f"{case.names.at(one.pc)} writes over "
                f"{case.names.data(one.a)}, which the program still needs.",
                [one.text, _led_to(case, one)],
                [tried, f"Look at the pointer, index or length with which "
                        f"{case.names.at(one.pc)} writes."],
                {"address": f"{one.a:04X}"}, TRIED, one.t)
    return None


def read_only_variables(case: Case) -> Finding | None:
    """Check for variables that stand where nothing can be written."""
    writes = chronicle(case).of("rom-write")
    if not writes:
        return None
    low, high = min(one.a for one in writes), max(one.a for one in writes)
    tried = _tried(case, writable(low, high))
    if tried is None:
        return None
    one = writes[0]
    return Finding(
        ROM_SHADOW, _ended(case), f"{case.names.at(one.pc)} writes to {case.names.data(one.a)}, "
        f"which is read only: what it writes is lost.", [one.text, _led_to(case, one)],
        [tried, f"Link the variables to RAM ({low:04X}h is none), or switch RAM in there before "
                f"it is written to."], {"address": f"{one.a:04X}"}, TRIED, one.t)


def interrupts_left_off(case: Case) -> Finding | None:
    """Check for a way through the program on which interrupts stay off."""
    story = chronicle(case)
    found, since = story.of("interrupts-off"), int(story.machine.shadow.off_since)
    if not found or int(case.m.iff1) or int(story.machine.m.t) < int(case.m.t) \
            or int(case.m.t) - since < case.machine.at(LONG_OFF):
        return None
    tried = _tried(case, interrupts_on())
    if tried is None:
        return None
    one = found[-1]
    by_di = read_memory(case.machine, one.pc) == DI
    where = case.names.at(one.pc if by_di else one.b)
    summary = (f"interrupts are put off by the DI at {where}, and no EI comes on the way that "
               f"the program takes from there." if by_di else
               f"the handler {where} is left without EI, so no further interrupt is taken.")
    return Finding(
        INTERRUPTS_OFF, HUNG, summary, [one.text, _led_to(case, one)],
        [tried, f"Put EI on every way out of {where}" + ("." if by_di else ", before its RETI.")],
        {"pc": f"{one.pc if by_di else one.b:04X}"}, TRIED, one.t)


CHECKS = (
    Check(spoiled_registers, CLOBBERED, FAILED, first=True),
    Check(ends_without_reti, MISSING_RETI, FAILED, first=True),
    Check(page_not_restored, PULLED_PAGE, FAILED, first=True),
    Check(lost_push, STACK_IN_ROM, FAILED[:-1]),
    Check(overrun_stack, STACK_OVERRUN, FAILED[:-1]),
    Check(jump_through_noise, UNSET_POINTER, (WILD, HALTED_OFF)),
)
# Where leaving something out lets a run go on, a nearer cause may stand behind it: asked later.
MEMORY_CHECKS = (
    Check(unwritten_ram, UNWRITTEN_RAM, FAILED, trial=True),
    Check(read_only_variables, ROM_SHADOW, FAILED, trial=True),
)
LATE_CHECKS = (
    Check(overwritten, OVERWRITTEN, FAILED, trial=True),
    Check(interrupts_left_off, INTERRUPTS_OFF, FAILED, trial=True),
)
