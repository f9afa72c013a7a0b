"""A sitting as the diagnosis looks at a run: a session with the inputs made so far."""
from __future__ import annotations

from emu.diagnosis import Verdict, explain
from emu.machine.machine import Machine
from emu.run.console import Console
from emu.run.history import Player, Spot
from emu.run.session import Session
from emu.stepper.sitting import Sitting


class Seat(Session):
    """What emu.diagnosis.explain needs of a sitting; it stands where the sitting does."""

    def __init__(self, sitting: Sitting) -> None:
        super().__init__(sitting.machine, limit=max(sitting.machine.seconds(sitting.t),
                                                    sitting.machine.seconds(1)))
        self._sitting = sitting
        self.console: Console = sitting.console
        self.inputs = [(i.t, i.where, i.value) for i in sitting.history.inputs[:sitting.main.made]
                       if i.kind == "typed"]

    def replay(self, t: int) -> Machine:
        """Build the machine anew and bring it to a T-state, with all that was done to it."""
        history = self._sitting.history
        machine = Machine(self.machine.description, self.machine.seed)
        history.bring(Player(machine, history.inputs), Spot(t, self._sitting.main.made))
        return machine


def verdict(sitting: Sitting) -> Verdict:
    """Say how the run stands, as ``preburn boot`` does; the machine is left as it was."""
    return explain(Seat(sitting))
