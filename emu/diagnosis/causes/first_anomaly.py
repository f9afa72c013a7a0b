"""Causes that the chronicle of a run shows: the first rule that was broken on the way to its end.

A broken rule is named when mending it in a run done again lets the machine go on, or when what it
broke can only have led to the end: a push that is lost, code or a vector table that is written
over.
"""
from __future__ import annotations

from emu.card.cause import Cause
from emu.chronicle.anomalies import Anomaly, lost_registers
from emu.diagnosis.case import Case
from emu.diagnosis.causes.handlers import CLOBBERED
from emu.diagnosis.causes.interrupt_path import MISSING_RETI
from emu.diagnosis.causes.judging import (
    FAILED,
    ended,
    healthy,
    led_to,
    tried_with,
    went_wild_before,
)
from emu.diagnosis.causes.pages import PULLED_PAGE, unset_at
from emu.diagnosis.causes.stacks import (
    STACK_IN_ROM,
    STACK_OVERRUN,
    STACK_PAGED_OUT,
    keep_in_place,
    stack,
    takes,
)
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.mapped import mapped_words
from emu.diagnosis.trials.mending import (
    pages_kept,
    registers_kept,
    reti_given,
    write_undone,
)
from emu.diagnosis.verdict import HUNG, SHOWN, STATE, TRIED, Finding

OVERWRITTEN = Cause(
    "overwritten", "Code or a table that the program writes over",
    "It works for a while, then goes wild or stands still, always at the same place.",
    "A byte that had been executed, a pointer of the vector table in use, or a return address is "
    "written over, and without that write the same image goes on.",
    "Look at the pointer, index or length of the instruction that writes there.", ("B4",))
MORE_ROOM = ("Give the stack more room, or look for what pushes without end: a call that comes "
             "back to itself, a handler that is interrupted again before it ends.")
PUSHED = 4  # bytes below the RAM at which a stack that has run down is first seen
SOON = 0.002  # seconds from a page that goes to what it wrecks
NEAR = 16  # bytes of a stack
MOST = 6  # anomalies of a kind that are tried one by one


def spoiled_registers(case: Case) -> Finding | None:
    """Check for a handler that comes back with other registers."""
    for one in chronicle(case).of("register-lost")[:MOST]:
        tried = tried_with(case, registers_kept(one.b, one.pc))
        if tried is not None:
            names = lost_registers(one.a)
            handler = case.names.at(one.b)
            return Finding(
                CLOBBERED, ended(case), f"the handler {handler} changes {names}, which the "
                f"interrupted program still needs.", [one.text, led_to(case, one)],
                [tried, f"Save and restore {names} in {handler}."],
                {"handler": f"{one.b:04X}", "registers": names}, TRIED, one.t)
    return None


def ends_without_reti(case: Case) -> Finding | None:
    """Check for a handler of a chained card that ends without RETI."""
    for one in chronicle(case).of("no-reti")[:MOST]:
        tried = tried_with(case, reti_given(one.pc))
        if tried is not None:
            slot = one.facts["slot"]
            return Finding(
                MISSING_RETI, HUNG, f"the handler {case.names.at(one.b)} of slot {slot} ends at "
                f"{case.names.at(one.pc)} without RETI, so the card's interrupt stays under "
                f"service and shuts it and the cards below out.", [one.text, led_to(case, one)],
                [tried, f"End that handler with RETI (ED 4D) at {case.names.at(one.pc)}."],
                {"slot": slot, "handler": f"{one.b:04X}"}, TRIED, one.t)
    return None


def page_not_restored(case: Case) -> Finding | None:
    """Check for a handler that comes back with another page switched in."""
    for one in chronicle(case).of("page-lost")[:MOST]:
        tried = tried_with(case, pages_kept(one.b, one.pc))
        if tried is not None:
            return Finding(
                PULLED_PAGE, ended(case), f"the handler {case.names.at(one.b)} switches a page "
                f"and does not put it back.", [one.text, led_to(case, one)],
                [tried, f"Read or remember the page on entry to {case.names.at(one.b)} and put it "
                        f"back before it returns."],
                {"handler": f"{one.b:04X}"}, TRIED, one.t)
    return None


def lost_push(case: Case) -> Finding | None:
    """Check for a stack where nothing can be written."""
    found = chronicle(case).of("push-lost")
    if not found or went_wild_before(case, found[0]):
        return None
    one = found[0]
    unset = unset_at(case, one.a, one.t, f"{case.names.at(one.pc)} pushed to {one.a:04X}h")
    if unset is not None:
        return unset
    above = (one.a + PUSHED) >> 12 & 15
    if above != one.a >> 12 and takes(case, above):
        return Finding(
            STACK_OVERRUN, ended(case), f"the stack has run down out of the RAM that begins at "
            f"{above:X}000h: {case.names.at(one.pc)} pushed below it.",
            [one.text, led_to(case, one)],
            [MORE_ROOM],
            {"address": f"{one.a:04X}"}, STATE, one.t)
    return Finding(
        STACK_IN_ROM, ended(case), f"the stack stands at {one.a:04X}h, where no RAM answers: "
        f"{case.names.at(one.pc)} pushed there and it is lost.",
        [one.text, led_to(case, one), *mapped_words(case, one.a)],
        ["Set SP to the end of RAM before the first CALL, PUSH or interrupt; look at what was put "
         "into SP, and at the page that is switched in there."],
        {"address": f"{one.a:04X}"}, STATE, one.t)


def overrun_stack(case: Case) -> Finding | None:
    """Check for a stack that runs into code or into the vector table."""
    story = chronicle(case)
    found = [one for one in story.of("push-over-code", "vector-written")
             if one.kind == "push-over-code" or _pushes(story.of("push-over-data"), one)]
    if not found or went_wild_before(case, found[0]):
        return None
    one = found[0]
    return Finding(
        STACK_OVERRUN, ended(case), f"the stack runs into {case.names.data(one.a)}: "
        f"{case.names.at(one.pc)} pushed over it.", [one.text, led_to(case, one)],
        [MORE_ROOM],
        {"address": f"{one.a:04X}"}, SHOWN, one.t)


def _pushes(pushes: list[Anomaly], one: Anomaly) -> bool:
    return any(push.pc == one.pc for push in pushes)


def stack_switched(case: Case) -> Finding | None:
    """Check for a page switched under the stack, and a run that goes astray right behind it."""
    story = chronicle(case)
    for one in story.of("page-under-stack")[:MOST]:
        soon = one.t + case.machine.at(SOON)
        gone = [two for two in story.of(*ASTRAY, "noise-jump", "return-unpushed", "restart")
                if one.t <= two.t and (two.t <= soon or two.kind == "noise-jump"
                                       and abs(two.b - one.b) <= NEAR)]
        under_code = any(two.pc == one.pc for two in story.of("page-under-code"))
        back = gone and (gone[0].kind == "return-unpushed"
                         or gone[0].kind == "noise-jump" and gone[0].b)  # where it was popped
        if back and not under_code and not healthy(case) \
                and not went_wild_before(case, one) and stack(case) is None:
            return Finding(
                STACK_PAGED_OUT, ended(case), f"{case.names.at(one.pc)} switches the page that the "
                f"stack lies in.", [one.text, *[two.text for two in gone[:2]]],
                [keep_in_place(case.names.at(one.pc))],
                {"pc": f"{one.pc:04X}"}, SHOWN, one.t)
    return None


def overwritten(case: Case) -> Finding | None:
    """Check for a write over code, a vector table or a return address that broke the run."""
    for one in chronicle(case).of("code-written", "vector-written", "return-written")[:MOST]:
        tried = tried_with(case, write_undone(one.pc, one.a))
        if tried is not None:
            return Finding(
                OVERWRITTEN, ended(case), f"{case.names.at(one.pc)} writes over "
                f"{case.names.data(one.a)}, which the program still needs.",
                [one.text, led_to(case, one)],
                [tried, f"Look at the pointer, index or length with which "
                        f"{case.names.at(one.pc)} writes."],
                {"address": f"{one.a:04X}"}, TRIED, one.t)
    return None


CHECKS = (
    Check(spoiled_registers, CLOBBERED, FAILED, first=True),
    Check(ends_without_reti, MISSING_RETI, FAILED, first=True),
    Check(page_not_restored, PULLED_PAGE, FAILED, first=True),
    Check(stack_switched, STACK_PAGED_OUT, FAILED[:-1]),
    Check(lost_push, STACK_IN_ROM, FAILED[:-1]),
    Check(overrun_stack, STACK_OVERRUN, FAILED[:-1]),
)
LATE_CHECKS = (Check(overwritten, OVERWRITTEN, FAILED, trial=True),)
