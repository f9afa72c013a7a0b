"""The causes that can be named, in the order in which they are looked for.

A cause lives in the file of its family: a `Cause` (code, title, page) and a checker that
gives a `Finding` or None.  To add one, write both there and list the checker here.
"""
from __future__ import annotations

from collections.abc import Callable

from emu.diagnosis import interrupts, ports, program
from emu.diagnosis.case import Case
from emu.diagnosis.verdict import Cause, Finding

Checker = Callable[[Case], Finding | None]

# Found from the state alone, the earliest link of a chain first.
STATE_CHECKS: tuple[Checker, ...] = (interrupts.floating_vector, program.masked_halt,
                                     program.rst38_storm)
# Looked for once the machine is known to hang.
HANG_CHECKS: tuple[Checker, ...] = (ports.silent_port, interrupts.no_tick)

CAUSES: tuple[Cause, ...] = (
    program.MASKED_HALT, program.RST38_STORM, ports.SILENT_PORT, interrupts.FLOATING_VECTOR,
    interrupts.NO_TICK)
