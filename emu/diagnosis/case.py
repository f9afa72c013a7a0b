"""What every checker of causes may look at: one run that did not end well."""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from emu.card.cause import STUCK
from emu.card.number_words import time_words
from emu.diagnosis.conditions import Budget
from emu.diagnosis.evidence.bus_window import Window, forked, last_before, look
from emu.diagnosis.evidence.waits import Wait
from emu.diagnosis.trials.forks import SETTLE, Activity, alone, nudged
from emu.diagnosis.trials.progress import Progress, judge
from emu.diagnosis.trials.proof import Profile, Prover
from emu.machine.address_names import Names
from emu.machine.effort import Meter
from emu.machine.machine import Machine, Slot
from emu.machine.places import place
from emu.run.session import Session

T = TypeVar("T")
BUDGET = 6.0  # seconds of work (`emu.machine.effort`) for one explanation


@dataclass
class Case:
    """A run's end, with what is worked out from it once.

    Everything is lazy and kept.  Whatever runs the machine does so in a fork: after each
    call it is as it was.
    """

    session: Session
    budget: Budget = field(default_factory=lambda: Budget(math.inf, Meter(math.inf)))
    condition: str = STUCK  # see emu/diagnosis/conditions.py
    _replayed: dict[int, Machine] = field(default_factory=dict)
    _profiles: dict[int, Profile] = field(default_factory=dict)
    _done: dict[Any, Any] = field(default_factory=dict)

    @property
    def machine(self) -> Machine:
        """The machine at the end of the run."""
        return self.session.machine

    @property
    def end(self) -> int:
        """T-state to which a changed run may go: the limit, if this one was ended early."""
        session = self.session
        return self.machine.at(session.limit) if session.closed else int(self.m.t)

    def port_of(self, slot: Slot, register: str) -> int:
        """Give the first port of a card's register, 0 when it has none."""
        return next((row.port for row in self.machine.description.slots[slot.number].ports
                     if slot.card.registers[row.register] == register), 0)

    @property
    def text_wanted(self) -> bool:
        """Whether a text was asked for; it has not come, or nobody would ask."""
        return self.session.until is not None or self.session.missed is not None

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
        return alone(self.machine, self.machine.at(SETTLE * 1.2))

    @cached_property
    def idle(self) -> set[int]:
        """The foreground's code when a HALT ends with nothing else changed."""
        return nudged(self.machine, self.machine.at(SETTLE / 4))

    @cached_property
    def progress(self) -> Progress:
        """Whether the foreground gets anywhere, left alone."""
        return judge(self.machine, self.control, self.idle)

    @property
    def waits(self) -> list[Wait]:
        """The exits of the foreground's loop and what decides them."""
        return self.progress.waits

    @cached_property
    def last(self) -> Window:
        """The next bus cycles, some 20 ms of them."""
        with forked(self.machine):
            return look(self.machine, self.machine.at(0.02))

    @cached_property
    def prover(self) -> Prover:
        """Trials on the machine as it hangs."""
        return Prover(self.machine, self.progress, self.idle | self.control.handler_code,
                      self.budget)

    def once(self, work: Callable[[Case], T]) -> T:
        """Do a piece of work on this case once; give its result at every further call."""
        if work not in self._done:
            self._done[work] = work(self)
        done: T = self._done[work]
        return done

    def profile(self, handler: int) -> Profile:
        """Give what one call of a handler does; each handler is tried once."""
        if handler not in self._profiles:
            self._profiles[handler] = self.prover.profile(handler)
        return self._profiles[handler]

    def replayed(self, t: int) -> Machine:
        """Give another machine, run again with the same inputs to a T-state of this run.

        A checker may run it on: it is made anew when somebody has.
        """
        known = self._replayed.get(t)
        if known is None or int(known.m.t) > t + 32 or int(known.m.logging):
            self._replayed = {t: self.session.replay(max(t, 0))}  # one at a time: 3 MiB each
        return self._replayed[t]

    def before(self, t: int) -> Window:
        """Give the bus cycles of this run before a T-state, as many as the ring holds."""
        stretch = self.machine.at(0.1)
        start = max(t - stretch, 0)
        return last_before(self.session.replay(start), t)

    def unwritten(self, address: int, then: Machine | None = None) -> bool:
        """Tell whether nobody has filled the RAM at an address: it holds power-on noise.

        False for ROM and where no plain memory answers.  Noise is what is as it was at
        power-on while another power-on gives another byte.  ``then``: at a replayed time.
        """
        m = self.m if then is None else then.m
        at = place(self.machine if then is None else then, address, True)
        if at < 0:
            return False
        first, other = self._power_on
        return bool(m.phys[at] == first[at] != other[at])

    @cached_property
    def _power_on(self) -> tuple[np.ndarray, np.ndarray]:
        """Physical memory at power-on, and at a power-on with other noise."""
        machine = self.machine
        first, other = (Machine(machine.description, machine.seed + k) for k in (0, 1))
        return np.asarray(first.m.phys), np.asarray(other.m.phys)

    def time(self, t: int) -> str:
        """Write a T-state as emulated time."""
        return time_words(float(self.machine.seconds(t)))

    def loop(self) -> str:
        """Name where the foreground stands or goes round, with symbols."""
        code = sorted(self.control.code)
        if not code and not int(self.m.halted):
            return "an interrupt handler"
        if not code:
            return f"HALT at {self.names.at((int(self.m.pc) - 1) & 0xFFFF)}"
        if len(code) == 1:
            return self.names.at(code[0])
        return f"{self.names.at(code[0])} to {self.names.at(code[-1])}"

    def slot_words(self, number: int) -> str:
        """Name a slot by number: "slot ctc (z80-ctc)"."""
        slot = self.machine.slots[number]
        return f"slot {slot.name} ({slot.card.name})"
