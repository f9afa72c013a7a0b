"""Play the inputs of a run into a machine: a run that is lived, and one that is done again.

This is the only place that makes inputs.  Whatever machine is played, the same one, one
with a change in it, one that is traced or watched, gets each input at the first
instruction boundary at or after its T-state.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from emu.bus.state import FAR
from emu.machine.machine import Machine, Snapshot
from emu.run.console import channels
from emu.run.inputs import Input, make

LONGEST_PREFIX = 70_000  # bytes: more DD and FD in a row than memory holds


@dataclass(frozen=True, order=True)
class Spot:
    """A place in the run: T-state, and how many inputs had been made."""

    t: int
    inputs: int


def _nothing() -> None:
    return None


def _ignored(_: Input) -> None:
    return None


class Player:
    """A machine that plays inputs; ``made`` counts those that it has made.

    ``settle`` is called behind each leg.  With it every leg ends at a whole instruction;
    without, only one that an input follows.
    """

    def __init__(self, machine: Machine, inputs: list[Input],
                 settle: Callable[[], None] | None = None,
                 run: Callable[[int], Any] | None = None) -> None:
        self.after_seek: Callable[[], None] = self.never_full
        self.after_leg: Callable[[], None] = _nothing
        self.after_input: Callable[[Input], None] = _ignored
        self.machine = machine
        self.m = machine.m
        self._settle = settle
        self._run = run or machine.run
        self.inputs = inputs  # shared with who adds to them, and may cut their end
        self.made = 0

    def never_full(self) -> None:
        """Let nobody be asked to fetch what its terminals show."""
        for channel in channels(self.machine):
            channel.line.shown_limit = FAR

    @property
    def spot(self) -> Spot:
        """Where it stands."""
        return Spot(int(self.m.t), self.made)

    def due(self) -> int:
        """Give the T-state of the next input, FAR when there is none."""
        return self.inputs[self.made].t if self.made < len(self.inputs) else FAR

    def make_due(self, most: int | None = None) -> None:
        """Make the inputs that are due, up to so many in all."""
        most = len(self.inputs) if most is None else most
        while self.made < most and self.due() <= int(self.m.t):
            change = self.inputs[self.made]
            make(self.machine, change)
            self.made += 1
            self.after_input(change)

    def leg(self, t: int, run: Callable[[int], Any] | None = None) -> Any:
        """Run to T-state ``t``, the next input or a reason to leave.

        ``run`` runs the machine in place of its own; gives what it gives.
        """
        run = run or self._run
        told = run(min(t, self.due()))
        if self._settle is not None:
            self.to_whole_instruction(self._run)
            self._settle()
        elif int(self.m.t) >= self.due():
            self.to_whole_instruction(run)
        self.after_leg()
        return told

    def to_whole_instruction(self, run: Callable[[int], Any] | None = None) -> None:
        """Run to the end of a row of prefixes, if it stands in one."""
        for _ in range(LONGEST_PREFIX):
            if int(self.m.prefix) == 0:
                break
            (run or self._run)(int(self.m.t) + 1)

    def run_to(self, t: int, most: int | None = None,
               run: Callable[[int], Any] | None = None) -> None:
        """Run to the first boundary at or after ``t``, with the inputs up to it."""
        self.make_due(most)
        while int(self.m.t) < t:
            self.leg(t, run)
            self.make_due(most)

    def save(self) -> tuple[Snapshot, int]:
        """Remember where it stands."""
        return self.machine.snapshot(), self.made

    def back(self, saved: tuple[Snapshot, int]) -> None:
        """Go back to where it stood."""
        self.machine.restore(saved[0])
        self.made = saved[1]
