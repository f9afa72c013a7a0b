"""Interrupts that a way through the program puts off and does not put on again."""
from __future__ import annotations

from emu.card.cause import HALTED_OFF
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import INTERRUPTS_OFF
from emu.diagnosis.causes.judging import FAILED, tried_with
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.sources import sources
from emu.diagnosis.evidence.vectors import looks_like_handler
from emu.diagnosis.evidence.ways_out import ways_out
from emu.diagnosis.trials.forks import read_memory
from emu.diagnosis.trials.mending import extends, interrupts_on
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.isa.opcodes import DI

LEVELS = 3  # returns that are told of the way from a DI
LONG_OFF = 1  # second: a transfer may keep interrupts off for as long as a disk turns


def interrupts_left_off(case: Case) -> Finding | None:
    """Check for a way through the program on which interrupts stay off."""
    story = chronicle(case)
    found, since = story.of("interrupts-off"), int(story.machine.shadow.off_since)
    if not found or int(case.m.iff1) or int(story.machine.m.t) < int(case.m.t) \
            or not case.session.closed and int(case.m.t) - since < case.machine.at(LONG_OFF):
        return None
    one = next(one for one in reversed(found) if one.t <= since)
    by_di = read_memory(case.machine, one.pc) == DI
    if by_di and case.condition == HALTED_OFF:
        return None  # a section that keeps them off is sound: its HALT is not
    if not by_di and int(case.m.im) != 2 and any(
            looks_like_handler(case.machine, s.handler) for s in sources(case.machine)):
        return None  # it was another handler's turn
    tried = tried_with(case, interrupts_on()) or tried_with(
        case, interrupts_on(), extends)  # the path is taken again and again
    if tried is None:
        return None
    where = case.names.at(one.pc if by_di else one.b)
    then = case.session.replay(since)
    if int(then.m.iff1):  # the instruction or response that puts them off is next
        then.run(int(then.m.t) + 1)
    returns = ways_out(then, LEVELS, lambda m: bool(m.iff1))
    if not by_di:
        returns = returns[:1]  # behind it the interrupted program goes on
    left = ", then ".join(case.names.at(pc) for pc in returns)
    through = f" through {left}" if left else ""
    summary = (f"interrupts are put off by the DI at {where}, and no EI comes on the way that "
               f"the program takes from there{through}." if by_di else
               f"the handler {where} is left{through} without EI, so no further interrupt is "
               f"taken.")
    before = f": none stands before {left}" if left else ""
    facts = {"pc": f"{one.pc if by_di else one.b:04X}"}
    if returns:
        facts["left"] = f"{returns[-1]:04X}"
    return Finding(
        INTERRUPTS_OFF, HUNG, summary, [f"After {case.time(one.t)} {one.text}"],
        [tried, f"Put EI on every way out of {where}{before}."], facts, TRIED, one.t)


CHECKS = (Check(interrupts_left_off, INTERRUPTS_OFF, (HALTED_OFF,), first=True),
          Check(interrupts_left_off, INTERRUPTS_OFF, FAILED, trial=True))
