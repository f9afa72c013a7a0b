"""A stepper as the diagnosis looks at a run: a session with the inputs made so far."""
from __future__ import annotations

from emu.diagnosis import Verdict, explain
from emu.machine.machine import Machine
from emu.run.console import Console
from emu.run.history import Player, Spot
from emu.run.session import Session
from emu.stepper.stepper import Stepper


class SteppedSession(Session):
    """What emu.diagnosis.explain needs of a stepper; it stands where the stepper does."""

    def __init__(self, stepper: Stepper) -> None:
        super().__init__(stepper.machine, limit=max(stepper.machine.seconds(stepper.t),
                                                    stepper.machine.seconds(1)))
        self.stepper = stepper
        self.console: Console = stepper.console
        self.inputs = [(i.t, i.where, i.value) for i in stepper.history.inputs[:stepper.main.made]
                       if i.kind == "typed"]

    def replay(self, t: int) -> Machine:
        """Build the machine anew and bring it to a T-state, with all that was done to it."""
        history = self.stepper.history
        machine = Machine(self.machine.description, self.machine.seed)
        history.bring(Player(machine, history.inputs), Spot(t, self.stepper.main.made))
        return machine


def verdict(stepper: Stepper) -> Verdict:
    """Say how the run stands, as ``preburn boot`` does; the machine is left as it was."""
    return explain(SteppedSession(stepper))
