"""A stepper as the diagnosis looks at a run: a session with the inputs made so far."""
from __future__ import annotations

from emu.diagnosis import Verdict, explain
from emu.run.session import Session
from emu.stepper.stepper import Stepper


def session_of(stepper: Stepper) -> Session:
    """Give the run up to where the stepper stands, with all that was done to it."""
    machine, made = stepper.machine, stepper.main.made
    return Session(machine, limit=max(machine.seconds(stepper.t), machine.seconds(1)),
                   inputs=stepper.history.inputs[:made], made=made,
                   shelf=stepper.history.shelf, shown=stepper.console)


def verdict(stepper: Stepper) -> Verdict:
    """Say how the run stands, as ``preburn boot`` does; the machine is left as it was."""
    return explain(session_of(stepper))
