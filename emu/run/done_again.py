"""A run that can be done again to the T-state: its machine, its inputs, where it ended."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emu.backplane.description import Description
from emu.machine.machine import Machine, Snapshot
from emu.run.inputs import Input
from emu.run.player import Player
from emu.run.snapshot_shelf import Shelf, put_back


@dataclass(frozen=True)
class PlayedSnapshot(Snapshot):
    """The state of a machine that plays inputs: how many it had made, too."""

    made: int = 0


class PlayedMachine(Machine):
    """A machine that makes the inputs of a run by itself, however it is run and put back."""

    def __init__(self, description: Description, seed: int, inputs: Sequence[Input]) -> None:
        super().__init__(description, seed)
        self.player = Player(self, list(inputs), run=super().run)

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        while True:
            self._make_due()
            reason = int(self.player.leg(t_stop))
            self._make_due()
            if reason or int(self.m.t) >= t_stop:
                return reason

    def _make_due(self) -> None:
        if int(self.m.prefix) == 0:  # else once the row of prefixes has ended
            self.player.make_due()

    def snapshot(self) -> PlayedSnapshot:
        """See Machine.snapshot."""
        plain = super().snapshot()
        return PlayedSnapshot(plain.t, plain.head, plain.memory, plain.media, self.player.made)

    def restore(self, saved: Snapshot) -> None:
        """See Machine.restore."""
        super().restore(saved)
        if isinstance(saved, PlayedSnapshot):
            self.player.made = saved.made


@dataclass(frozen=True)
class Run:
    """What is needed to do a run again; ``shelf`` holds states on its way."""

    description: Description
    seed: int
    inputs: tuple[Input, ...]
    end: int  # T-state where the run ended
    shelf: Shelf | None = None

    def at(self, t: int) -> PlayedMachine:
        """Build the machine anew and bring it to a T-state; run on, it makes what follows."""
        machine = PlayedMachine(self.description, self.seed, self.inputs)
        kept = None if self.shelf is None else self.shelf.latest(t, len(self.inputs))
        if kept is not None:
            put_back(machine, kept)
            machine.player.made = kept.inputs
            machine.player.after_seek()
        machine.player.run_to(t)
        return machine

    def on(self, machine: Machine) -> Player:
        """Play it from power-on on a machine of the caller's, which is watched or changed."""
        return Player(machine, list(self.inputs))
