"""Interrupts so thick that the foreground gets no turn."""
from __future__ import annotations

import numpy as np

from emu.bus.state import ACK, WRITE
from emu.card.cause import HALTED_OFF, STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.judging import wrecked_before
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import Window
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, STATE, Finding

INTERRUPT_STORM = Cause(
    "interrupt-storm", "A request that is never cleared",
    "The machine is very slow or stands still as soon as interrupts are allowed.",
    "Acknowledges follow one another without a gap, /INT is low the whole time, and the foreground "
    "gets hardly an instruction; if the handler allows interrupts before it has cleared the "
    "request, it calls itself and the stack runs through memory.",
    "Read the data register or disable the enable bit in the handler; mask sources that are not "
    "used; put EI last.", ("I10", "P2"))
ENOUGH = 24  # acknowledges in the window
SHARE = 0.04  # of the bus cycles that the foreground may have


def storming(window: Window) -> bool:
    """Tell whether a stretch of the log is nearly all handlers, one behind the other."""
    acknowledged = int((window.kind == ACK).sum())
    if acknowledged < ENOUGH or not len(window.kind):
        return False
    return float((~window.depth).mean()) < SHARE


def interrupt_storm(case: Case) -> Finding | None:
    """Check for acknowledges back to back, and say whose request stays."""
    return storm(case, case.last) if storming(case.last) else None


def storm(case: Case, window: Window) -> Finding:
    """Say whose request stays in a stretch of the log that is a storm."""
    m = case.m
    at = np.nonzero(window.kind == ACK)[0]
    gap = int(np.median(np.diff(window.t[at])))
    asking = [k for k in range(int(m.slots)) if int(m.ip[k])]
    who = ", ".join(case.slot_words(k) for k in asking) or "a card"
    handler = _entry(window, int(at[0]))
    pushes = window.address[at[:-1] + 1][window.kind[at[:-1] + 1] == WRITE]
    sinks = len(pushes) > 8 and int(np.sign(np.diff(pushes)).sum()) < -len(pushes) // 2
    # A handler that touches no card may be the wrong one: its card's own stands elsewhere.
    known = case.profile(handler)
    idle = not sinks and known.returned and not known.ports
    evidence = [f"{len(at)} acknowledges stand in a stretch of "
                f"{case.time(int(window.t[-1] - window.t[0]))}, {gap} T-states apart; /INT is low "
                f"since {case.time(int(m.int_since))}.",
                f"The handler is {case.names.at(handler)}."]
    evidence += [f"{case.machine.slots[k].name}: {line}." for k in asking
                 for line in case.machine.slots[k].card.describe(m, case.machine.slots[k].state)]
    remedy = [f"Let the handler at {case.names.at(handler)} clear the request of {who}: read its "
              f"data, write the next byte, or turn that interrupt off."]
    if sinks:
        evidence.append(f"Each acknowledge pushes below the last: SP has come to "
                        f"{int(m.sp):04X}h, through whatever stands there.")
        remedy.append("Put the handler's EI last, behind what clears the request.")
    return Finding(
        INTERRUPT_STORM, RUNAWAY if sinks else HUNG,
        f"{who} asks again as soon as it is served: the handler {case.names.at(handler)} never "
        f"clears the request" + (", and it calls itself." if sinks else
                                 ", and the foreground gets no turn."),
        evidence, remedy, {"slots": [case.machine.slots[k].name for k in asking],
                           "handler": f"{handler:04X}"},
        STATE if wrecked_before(case, int(m.int_since)) or idle else SHOWN, int(m.int_since))


def _entry(window: Window, acknowledge: int) -> int:
    """Give the address at which the handler of an acknowledge begins."""
    starts = window.starts()
    later = starts[starts > acknowledge]
    return int(window.address[later[0]]) if len(later) else 0


CHECKS = (Check(interrupt_storm, INTERRUPT_STORM, (STUCK, WILD, HALTED_OFF)),)
