"""What every checker of causes may look at: one run that did not end well."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from emu.diagnosis.names import Names
from emu.diagnosis.trials import SETTLE, Activity, alone
from emu.diagnosis.window import Window, forked, look
from emu.machine import Machine

if TYPE_CHECKING:
    from emu.session import Session


@dataclass
class Case:
    """A run's end, with what is worked out from it once."""

    session: Session

    @property
    def machine(self) -> Machine:
        """The machine at the end of the run."""
        return self.session.machine

    @property
    def m(self) -> Any:
        """The machine's record."""
        return self.session.machine.m

    @cached_property
    def names(self) -> Names:
        """Symbols of all images."""
        return Names(self.machine)

    @cached_property
    def control(self) -> Activity:
        """What the machine goes on doing when left alone."""
        return alone(self.machine, self.machine.at(SETTLE))

    @cached_property
    def last(self) -> Window:
        """The next bus cycles, some 20 ms of them."""
        with forked(self.machine):
            return look(self.machine, self.machine.at(0.02))

    def time(self, t: int) -> str:
        """Write a T-state as emulated time."""
        return f"{float(self.machine.seconds(t)):.6g} s"

    def loop(self) -> str:
        """Name where the foreground stands or goes round, with symbols."""
        code = sorted(self.control.code)
        if not code:
            return f"HALT at {self.names.at((int(self.m.pc) - 1) & 0xFFFF)}"
        if len(code) == 1:
            return self.names.at(code[0])
        return f"{self.names.at(code[0])} to {self.names.at(code[-1])}"

    def slot_words(self, number: int) -> str:
        """Name a slot by number: "slot ctc (z80-ctc)"."""
        slot = self.machine.slots[number]
        return f"slot {slot.name} ({slot.card.name})"
