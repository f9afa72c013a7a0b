"""The causes that can be named: one module a family, and how a checker is listed.

A family's module ends with ``CHECKS``, a tuple of `Check`: a checker (it takes a `Case` and
gives a `Finding` or None), its `Cause`, and the conditions of the machine in which it is
asked.  To add a cause write both there; a new family needs one line here.
"""
from __future__ import annotations

from collections.abc import Iterator

from emu.diagnosis.case import Case
from emu.diagnosis.causes import (
    answers,
    burned,
    clocks,
    compactflash,
    control,
    decoding,
    dma,
    first_anomaly,
    flags,
    flash,
    floppy,
    handlers,
    interrupt_path,
    interrupts,
    keys,
    memory_lines,
    memory_use,
    parallel,
    port_waits,
    program,
    serial,
    storm,
    tables,
    uart,
    uncalled_handler,
    watchdog,
    wild,
)
from emu.diagnosis.check import Check
from emu.diagnosis.verdict import HINT, SHOWN, Cause, Finding

FAMILIES = (
    first_anomaly,
    control,
    memory_lines,
    decoding,
    answers,
    watchdog,
    floppy,
    compactflash,
    parallel,
    dma,
    clocks,
    uart,
    storm,
    flash,
    handlers,
    burned,
    memory_use,
    tables,
    interrupt_path,
    serial,
    interrupts,
    program,
    wild,
    keys,
    uncalled_handler,
    port_waits,
    flags,
)

CHECKS: tuple[Check, ...] = tuple(check for family in FAMILIES for check in family.CHECKS)
CAUSES: tuple[Cause, ...] = tuple(dict.fromkeys(
    cause for check in CHECKS for cause in (check.cause, *check.others)))


def findings(case: Case) -> list[Finding]:
    """Ask the checkers that fit the case's condition; the best-proved finding first.

    Trials are made only when no cheap check has shown its cause, and until one has.
    """
    found: list[Finding] = []
    for check in CHECKS:
        if check.first and case.condition in check.when and case.budget.left() > 0:
            finding = check.run(case)
            if finding is not None:
                return [finding]
    for finding in _asked(case, trial=False):
        found.append(finding)
    if not any(finding.strength >= SHOWN for finding in found):
        for finding in _asked(case, trial=True):
            found.append(finding)
            if finding.strength >= SHOWN:
                break
    return sorted(found, key=lambda f: (-f.strength, f.t is None, f.t or 0))


def _asked(case: Case, trial: bool) -> Iterator[Finding]:
    for check in CHECKS:
        if check.first or check.trial != trial or case.condition not in check.when:
            continue
        if trial and case.budget.left() <= 0:
            case.budget.cut = True
            return
        finding = check.run(case)
        if finding is not None:
            yield finding


def proved(found: list[Finding]) -> Finding | None:
    """Give the finding that names the cause; a hint alone accuses nobody."""
    return found[0] if found and found[0].strength > HINT else None
