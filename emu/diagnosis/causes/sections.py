"""Interrupts let in where they must not come, or kept out for too long: the text comes without.

Every trial runs the whole program again with one change and asks whether the text comes that is
missing; where none was asked for, whether a dead run goes on to show a line more.
"""
from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from emu.bus.state import STOPS
from emu.card.cause import HALTED_OFF, STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.flags import listens
from emu.diagnosis.causes.judging import FAILED, ended, healthy, led_to, tried_with
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.executed import code_of, instructions, routines
from emu.diagnosis.evidence.sources import state_words
from emu.diagnosis.evidence.vectors import straight
from emu.diagnosis.trials.edits import delayed, held_off, held_off_but_in_waits, left_out
from emu.diagnosis.trials.forks import read_word
from emu.diagnosis.trials.mending import Mend, finishes
from emu.diagnosis.verdict import TRIED, Finding
from emu.isa.opcodes import DI, ED, EI, RETURNS
from emu.machine.places import place

UNGUARDED = Cause(
    "unguarded-section", "An interrupt in the middle of a routine that must not be interrupted",
    "It runs for a while, then a value is off, a wake-up is lost, or a queue stands still; another "
    "speed or another key at another time, and it does not happen.",
    "With interrupts kept off in one routine the same image shows its text: a handler changes what "
    "that routine looks at or changes itself, between two of its instructions.",
    "Put DI in front of the accesses that belong together and EI behind them.")

OFF_TOO_LONG = Cause(
    "off-too-long", "Interrupts kept off for longer than a card can wait",
    "Clocks run slow, characters are lost, a time-out comes too late or too early.",
    "With one DI left out the same image shows its text: while it holds interrupts off, a second "
    "request of a card comes before the first was answered, and one of them is lost.",
    "Shorten the section, or split it and let interrupts in between.", ("T3",))

EARLY_EI = Cause(
    "early-ei", "A handler that lets interrupts in too early",
    "Now and then a count is taken twice, or the stack runs away.",
    "With the EI in the handler left out the same image shows its text: the request, or what the "
    "handler is at, was not finished when the next interrupt came.",
    "Put the EI at the end of the handler, right in front of RETI or RET.", ("P2",))

DEAD = (HALTED_OFF, STUCK, WILD)
SPREAD, DELAYS = 24, (13, 61, 197)  # routines in which some T-states more go by
STEPS = 80  # instructions of a handler that are looked at
SHORT = 3000  # T-states that a section may keep interrupts off
LONGEST = 120  # bytes of a routine, or of a handler
MOST_SHARED = 3
MODE_1 = 0x38
TAKES_BACK = (0xC1, 0xD1, 0xE1, 0xF1, 0x08, 0xD9, 0xDD, 0xFD)  # POP, EX AF,AF', EXX, and prefixes
# LD A,(nn), LD HL,(nn), their writes, LD rr,nn; behind ED the other pairs.
NAMES_AN_ADDRESS = (0x3A, 0x2A, 0x32, 0x22, 0x01, 0x11, 0x21)
ED_NAMES_AN_ADDRESS = (0x43, 0x4B, 0x53, 0x5B, 0x63, 0x6B, 0x73, 0x7B)
MOST = 90  # routines that are tried


def unguarded(case: Case) -> Finding | None:
    """Check for a routine that an interrupt must not come into.

    Where several do, the one is named that handlers share most with, and of these the shortest.
    """
    if not _asked(case):
        return None
    found: list[tuple[int, int, int, str]] = []
    every = [*pairwise([*routines(case), 0x10000])]
    lines = {routine: shared(case, routine, behind) for routine, behind in every}
    for make in (_off, _off_but_in_waits):
        for routine, behind in every:
            if not lines[routine]:
                continue
            if found and not hangs_on_moments(case) or case.budget.left() <= 0:
                break
            longest = [0]
            tried = tried_with(case, make(case, routine, behind, longest), finishes)
            if tried is not None and longest[0] < SHORT:
                found.append((-len(lines[routine]), behind - routine, routine, tried))
        if found:
            break
    if not found:
        return None
    _, _, routine, tried = min(found)
    name = case.names.at(routine)
    return Finding(
        UNGUARDED, ended(case), f"an interrupt comes into {name}, which must not be interrupted.",
        lines[routine], [tried, f"Put DI in front of what belongs together in {name}, and EI (or "
                                f"what was before) behind it."],
        {"routine": f"{routine:04X}"}, TRIED)


def _off(case: Case, routine: int, _: int, longest: list[int]) -> Mend:
    return held_off(routine, f"with interrupts off in {case.names.at(routine)}", longest)


def _off_but_in_waits(case: Case, routine: int, behind: int, longest: list[int]) -> Mend:
    code = code_of(case)
    inside = [at for at in range(routine, min(behind, routine + LONGEST)) if code.ran[at]]
    return held_off_but_in_waits(
        routine, instructions(case, inside)[:STOPS - 4],
        f"with interrupts off in {case.names.at(routine)} but where it waits", longest)


def hangs_on_moments(case: Case) -> bool:
    """Tell whether the text comes when interrupts come a little later, nothing else changed."""
    return case.once(_hangs_on_moments)


def _hangs_on_moments(case: Case) -> bool:
    if not int(case.m.ack_count):
        return False
    every = routines(case)
    some = every[::max(len(every) // SPREAD, 1)][:SPREAD]
    return any(finishes(case, delayed(some[k::3], t)) is not None
               for k in range(3) for t in DELAYS)


def shared(case: Case, routine: int, behind: int) -> list[str]:
    """Name the addresses that a routine and a handler that was called both give in their code."""
    code = code_of(case)
    mine = _named(case, [at for at in range(routine, min(behind, routine + LONGEST, 0xFFFD))
                         if code.begins[at]])
    return [f"{case.names.data(address)} is used at {case.names.at(mine[address])} and by the "
            f"handler {case.names.at(handler)}, at {case.names.at(at)}."
            for handler in case.once(handlers) for address, at in
            sorted(_of_handler(case, handler).items()) if address in mine][:MOST_SHARED]


def _of_handler(case: Case, handler: int) -> dict[int, int]:
    """Give the addresses that a handler, or what it calls itself, names."""
    path = list(straight(case.machine, handler, STEPS))
    for step in list(path):
        if step.flow == "call" and step.target is not None:
            path += straight(case.machine, step.target, STEPS)
    return _named(case, [step.address for step in path])


def _named(case: Case, places: list[int]) -> dict[int, int]:
    """Give the addresses in RAM that some instructions name, with those instructions."""
    code, out = code_of(case), dict[int, int]()
    for at in places:
        first = int(code.byte[at])
        address = code.word((at + 1) & 0xFFFF) if first in NAMES_AN_ADDRESS else \
            code.word((at + 2) & 0xFFFF) if first == ED \
            and code.byte[(at + 1) & 0xFFFF] in ED_NAMES_AN_ADDRESS else -1
        if address >= 0 and place(case.machine, address, True) >= 0:
            out.setdefault(address, at)
    return out


def handlers(case: Case) -> list[int]:
    """List the handlers that interrupts of the run went to."""
    m = case.m
    if int(m.im) != 2:
        return [MODE_1]
    return [read_word(case.machine, int(m.i) << 8 | vector)
            for vector in np.nonzero(np.asarray(m.vector_count))[0].tolist()]


def off_too_long(case: Case) -> Finding | None:
    """Check for sections with interrupts off in which requests are lost."""
    if not _asked(case):
        return None
    last = int(chronicle(case).machine.shadow.off_pc)
    needed = [at for at in instructions(case, code_of(case).find(DI)) if at != last][:MOST]
    tried = _without(case, needed) if needed else None
    if tried is None:
        return None
    for at in list(needed) if len(needed) > 1 else ():
        fewer = [one for one in needed if one != at]
        less = _without(case, fewer) if fewer and case.budget.left() > 0 else None
        if less is not None:
            needed, tried = fewer, less
    where = " and ".join(map(case.names.at, needed))
    return Finding(
        OFF_TOO_LONG, ended(case), f"interrupts stay off for too long behind the DI at {where}.",
        [f"{slot.name}: {line}." for slot in case.machine.slots
         if int(case.m.int_count[slot.number]) for line in state_words(case.machine, slot.number)],
        [tried, f"Shorten the section that begins at {where}, or let interrupts in between: "
                f"a card's next request is lost when the one before was not taken."],
        {"pc": f"{needed[0]:04X}"}, TRIED)


def _without(case: Case, places: list[int]) -> str | None:
    code, names = code_of(case), " and ".join(map(case.names.at, places))
    return tried_with(case, left_out([int(code.place[at]) for at in places],
                                     f"without the DI at {names}"), finishes)


def early_ei(case: Case) -> Finding | None:
    """Check for an EI in a handler that comes before the handler is done."""
    if not _asked(case):
        return None
    code = code_of(case)
    for handler, at in _early(case):
        if case.budget.left() <= 0:
            return None
        tried = tried_with(case, left_out([int(code.place[at])],
                                          f"without the EI at {case.names.at(at)}"), finishes)
        if tried is not None:
            again = next(one for one in chronicle(case).of("handler-again") if one.a == handler)
            return Finding(
                EARLY_EI, ended(case), f"the handler {case.names.at(handler)} lets interrupts in "
                f"at {case.names.at(at)}, before it is done.", [again.text, led_to(case, again)],
                [tried, f"Put the EI at {case.names.at(at)} right in front of the handler's RETI "
                        f"or RET."], {"pc": f"{at:04X}"}, TRIED)
    return None


def _early(case: Case) -> Iterator[tuple[int, int]]:
    """List handlers that were entered again, each with an EI of it behind which more than registers
    being taken back, and a return, follows."""
    code = code_of(case)
    again = sorted({one.a for one in chronicle(case).of("handler-again")})
    sites = instructions(case, code.find(EI)) if again else []
    for handler in again:
        for at in sites:
            behind = at + 1
            while code.byte[behind & 0xFFFF] in TAKES_BACK:
                behind += 1
            last = code.byte[behind & 0xFFFF]
            if handler <= at < handler + LONGEST and not RETURNS[last] and last != ED:
                yield handler, at


def asked(case: Case) -> bool:
    """Tell whether one change after another is worth its trials."""
    return (case.text_wanted or case.condition in DEAD) and not healthy(case) and not listens(case)


def _asked(case: Case) -> bool:
    return asked(case) and bool(int(case.m.ack_count))


LATE_CHECKS = (Check(off_too_long, OFF_TOO_LONG, FAILED, trial=True),
               Check(early_ei, EARLY_EI, FAILED, trial=True),
               Check(unguarded, UNGUARDED, FAILED, trial=True))
