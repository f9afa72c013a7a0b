"""By which returns the routines that run at a moment are left."""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

from emu.machine.machine import Machine

ROUTINE = 100_000  # instructions after which a routine is taken for one that never returns
FRAME = 64  # bytes by which SP moves at a return; more is a switch to another stack


def ways_out(machine: Machine, levels: int,
             ends: Callable[[Any], bool] = lambda m: False) -> list[int]:
    """Give the returns by which the routine that runs is left, then its caller, and so on.

    The machine is run on for it.  At most ``levels``; fewer where the stack is switched, a
    routine does not return, or ``ends`` holds for the machine's record.
    """
    m = machine.m
    low, found = int(m.sp), []
    for _ in range(ROUTINE):
        pc = int(m.pc)
        machine.run(int(m.t) + 1)
        sp = int(m.sp)
        if low < sp <= low + FRAME:
            found.append(pc)
            low = sp
        if len(found) == levels or not low - FRAME * FRAME < sp <= low or ends(m):
            break
    return found
