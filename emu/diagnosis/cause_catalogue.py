"""The causes that can be named: one module a family, the cards' own, and how they are asked.

A family's module ends with ``CHECKS``, a tuple of `Check`: a checker (it takes a `Case` and
gives a `Finding` or None), its `Cause`, and the conditions of the machine in which it is
asked.  To add a cause write both there; a new family needs one line here.  A cause at one kind
of card is declared by the card (`Card.causes`) and needs nothing here.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

from emu.backplane.card_catalogue import cards
from emu.card.cause import BUSY, WAITS, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes import (
    answers,
    burned,
    control,
    deadlock,
    decoding,
    first_anomaly,
    flags,
    flash,
    handlers,
    interrupt_path,
    interrupts,
    jumpers_by_text,
    keys,
    left_off,
    memory_lines,
    memory_use,
    misplaced,
    mute,
    never_woken,
    one_change,
    port_waits,
    program,
    ram_content,
    sections,
    serial,
    small_ram,
    standing,
    storm,
    tables,
    unanswered,
    uncalled_handler,
    unheard,
    vectors_by_text,
    wild,
)
from emu.diagnosis.causes.troubles import card_checks
from emu.diagnosis.check import Check
from emu.diagnosis.verdict import HINT, SHOWN, STATE, Finding
from emu.errors import InputError
from emu.machine.effort import Spent

# Told from what happens when a handler is called in a copy: where a text was asked for, a change
# with which that text comes is worth more.
BY_CALL = ("receiver-off", "sender-never-asks", "timer-stopped", "no-tick")
# Asked before the causes that the fitted cards bring, and after them.
BEFORE = (small_ram, first_anomaly, control, memory_lines, decoding, answers, misplaced, mute)
BEHIND = (
    storm,
    flash,
    handlers,
    burned,
    memory_use,
    ram_content,
    tables,
    vectors_by_text,
    left_off,
    interrupt_path,
    serial,
    interrupts,
    program,
    wild,
    keys,
    deadlock,
    jumpers_by_text,
    uncalled_handler,
    port_waits,
    unanswered,
    flags,
    standing,
    unheard,
    never_woken,
)
FIRST: tuple[Check, ...] = tuple(check for family in BEFORE for check in family.CHECKS)
LAST: tuple[Check, ...] = (*(check for family in BEHIND for check in family.CHECKS),
                           *wild.LATE_CHECKS, *misplaced.LATE_CHECKS, *mute.LATE_CHECKS,
                           *first_anomaly.LATE_CHECKS, *deadlock.LATE_CHECKS,
                           *sections.LATE_CHECKS, *one_change.LATE_CHECKS,
                           *program.LATE_CHECKS, *ram_content.LATE_CHECKS)
GENERAL: tuple[Cause, ...] = tuple(dict.fromkeys(
    cause for check in (*FIRST, *LAST) for cause in (check.cause, *check.others)))


@cache
def all_causes() -> tuple[Cause, ...]:
    """List the causes that a verdict may name on machines of built-in cards."""
    return tuple(dict.fromkeys(
        (*GENERAL, *(cause for card in cards().values() for cause in card.causes))))


def checks(case: Case) -> Iterator[Check]:
    """List what is asked of a case, in order: the fitted cards bring causes of their own."""
    general = {cause.code: cause for cause in GENERAL}
    for slot in case.machine.slots:
        for cause in slot.card.causes:
            if general.setdefault(cause.code, cause) != cause:
                raise InputError(
                    f"slot.{slot.name}: the card {slot.card.name} brings a cause {cause.code!r}, "
                    f"and there is another one of that code ({general[cause.code].title}); give "
                    f"it a code of its own.")
    yield from (*FIRST, *card_checks(case), *LAST)


def findings(case: Case) -> list[Finding]:
    """Ask the checkers that fit the case's condition; the best-proved finding first.

    Trials are made only when no cheap check has shown its cause, and until one has.
    """
    found: list[Finding] = []
    try:
        for finding in _in_order(case):
            found.append(finding)
    except Spent:
        case.budget.cut_off()
    return sorted(found, key=lambda f: (-f.strength, f.t is None, f.t or 0))


def _in_order(case: Case) -> Iterator[Finding]:
    every = tuple(checks(case))
    for check in every:
        if check.first and case.condition in check.when and case.budget.left() > 0:
            finding = check.run(case)
            if finding is not None:
                yield finding
                return
    found: list[Finding] = []
    for finding in _asked(case, every, False, found):
        yield finding
    if any(finding.strength >= SHOWN for finding in found):
        return
    for finding in _asked(case, every, True, found):
        yield finding
        if finding.strength >= SHOWN:
            return


def _asked(case: Case, every: tuple[Check, ...], trial: bool,
           found: list[Finding]) -> Iterator[Finding]:
    """Ask the cheap checks, or the trials, and put what they find into ``found``."""
    # A machine that waits though a text was to come is at work as much as at rest.
    stands = {case.condition, BUSY} if case.condition == WAITS and case.text_wanted \
        else {case.condition}
    for check in every:
        if check.first or check.trial != trial or stands.isdisjoint(check.when) \
                or check.alone and any(finding.strength > HINT for finding in found):
            continue
        if trial and case.budget.left() <= 0:
            case.budget.cut = True
            return
        finding = check.run(case)
        if finding is not None:
            weak = case.text_wanted and trial and finding.cause.code in BY_CALL
            if finding.cause.symptom or weak:
                finding = replace(finding, strength=min(finding.strength, STATE))
            found.append(finding)
            yield finding


def proved(found: list[Finding]) -> Finding | None:
    """Give the finding that names the cause; a hint alone accuses nobody."""
    return found[0] if found and found[0].strength > HINT else None
