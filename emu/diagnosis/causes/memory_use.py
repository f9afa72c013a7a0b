"""Which link broke first in a program's use of memory: stacks, tables, pages, ROM.

Once a program has gone wild it breaks every rule; so all checks of these two families look
at the same bus cycles, and the one whose evidence came first is the cause.
"""
from __future__ import annotations

from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD
from emu.diagnosis.case import Case
from emu.diagnosis.causes import handlers, pages, stacks
from emu.diagnosis.causes.judging import at_work
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.verdict import Finding

SHORT = 64  # T-states in which the break and what it led to are one
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)
CHECKERS = (pages.unset_page, pages.handler_paged_out, pages.pulled_page, stacks.stack_overrun,
            stacks.stack, stacks.rom_shadow, stacks.unset_pointer)


def first_broken(case: Case) -> Finding | None:
    """Ask them all; give the finding whose evidence came first, if it came before the wild run."""
    if at_work(case):
        return None  # a task whose stack lies in a page of its own switches it away
    found = [finding for check in CHECKERS if (finding := check(case)) is not None]
    first = min(found, key=lambda finding: finding.t or 0, default=None)
    if first is None or first.t is None or first.cause == pages.UNSET_PAGE:
        return first
    wild = chronicle(case).before(first.t - SHORT, *ASTRAY)
    return None if wild else first


OTHERS = (stacks.STACK_PAGED_OUT, stacks.STACK_OVERRUN, stacks.ROM_SHADOW, stacks.UNSET_POINTER,
          pages.UNSET_PAGE, pages.PULLED_PAGE, pages.HANDLER_PAGED_OUT)
CHECKS = (
    # A machine that halted or runs wild is not told by its end: the first break comes first.
    Check(first_broken, stacks.STACK_IN_ROM, when=(HALTED_OFF, WILD), others=OTHERS),
    Check(first_broken, stacks.STACK_IN_ROM, when=(STUCK, BUSY), trial=True, others=OTHERS),
    Check(handlers.clobbered, handlers.CLOBBERED, when=FAILED, trial=True),
)
