"""A machine whose runs are counted: what ran, and where the time went."""
from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from emu.backplane.description import Description
from emu.bus.state import MEDIUM_WANTED
from emu.machine.legs import Legs
from emu.machine.machine import RUN, Machine
from emu.native import jit, units
from emu.run.session import Session
from emu.usage import observer
from emu.usage.labels import enter_labels
from emu.usage.record import new_usage

OBSERVE = "emu.usage.observer.observe"


class UsedMachine(Machine):
    """A machine that counts while ``counting``; ``usage`` is the record (emu/usage/record.py).

    The run is the same to the T-state as without, at about a fifth of its speed.
    """

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        super().__init__(description, seed, progress)
        self.counting = True
        self._usage = new_usage()
        self.usage: Any = self._usage[0]
        self.labels = enter_labels(self, self.usage)
        observe: Callable[[int], int]
        if jit.plain_python():
            def observe(t_stop: int) -> int:
                return int(observer.observe(self.m, self.usage, np.int64(t_stop)))
        else:
            units.load([OBSERVE.rpartition(".")[0]], progress or (lambda _: None))
            function = units.callable_root(OBSERVE, 2, self.holding)
            place, ours = self.record.ctypes.data, self._usage.ctypes.data
            self._usage["run"] = units.address(RUN)

            def observe(t_stop: int) -> int:
                return function(place, ours, t_stop)
        self._counted_legs = Legs(self.m, lambda t_stop: self.guarded(observe, t_stop))

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        if not self.counting:
            return super().run(t_stop)
        while True:
            self.serve()
            self._counted_legs.to(t_stop)
            if self.m.exit_reason != MEDIUM_WANTED:
                return int(self.m.exit_reason)


@contextmanager
def uncounted(machine: Machine) -> Iterator[None]:
    """Let what a machine does in this context, in copies of itself, not be counted."""
    if not isinstance(machine, UsedMachine) or not machine.counting:
        yield
        return
    machine.counting = False
    try:
        yield
    finally:
        machine.counting = True


def used_again(session: Session) -> UsedMachine:
    """Do a session's run again, counted, from power-on to where it stands."""
    run = session.so_far()
    machine = UsedMachine(run.description, run.seed)
    run.on(machine).run_to(run.end)
    return machine
