"""The bus cycles of a simulated boot, as a capture would show them."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, HALTED, IN, LOG, LOG_FULL, NMI_FETCH, OUT, READ, WRITE
from emu.logs.cycles import CYCLE, Cycles, kinds_alike, read_ring
from emu.machine.machine import Machine
from emu.run.done_again import Run
from emu.run.session import Session

Ints = NDArray[np.int64]

# Half T-states from a cycle's start to the fall of its strobes, see emu/logs/waveforms.py.
STROBE = np.zeros(16, np.int64)
STROBE[[FETCH, READ, WRITE, IN, OUT, ACK]] = (1, 1, 3, 2, 2, 5)
MOST = 40_000_000  # bus cycles that are kept


class LoggedMachine(Machine):
    """A machine whose ``run`` keeps every bus cycle; a stay in HALT counts as one fetch."""

    kept: list[Cycles] | None = None
    count = 0

    def start(self) -> None:
        """Keep the cycles from now on."""
        self.kept = []
        self._taken = 0
        self.log(True)
        self.m.log_limit = LOG // 2

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        if self.kept is None:
            return super().run(t_stop)
        while True:
            reason = super().run(t_stop)
            end = int(self.m.log_pos)
            found = read_ring(self.m, self._taken, end)
            self._taken = end
            self.m.log_limit = end + LOG // 2
            kinds = found["kind"]
            idle = kinds == HALTED
            again = idle & np.concatenate([[False], idle[:-1]])
            if self.count < MOST:
                self.kept.append(found[~again])
                self.count += len(self.kept[-1])
            if reason != LOG_FULL:
                return reason

    def cycles(self) -> Cycles:
        """Give all that was kept, and stop keeping."""
        kept, self.kept = self.kept or [np.zeros(0, CYCLE)], None
        self.log(False)
        cycles = np.concatenate(kept)
        cycles["kind"][cycles["kind"] == HALTED] = FETCH
        cycles["kind"][cycles["kind"] == NMI_FETCH] = FETCH
        cycles["kind"] = kinds_alike(cycles["kind"])
        own: Cycles = cycles[cycles["kind"] != 0]
        return own


@dataclass(frozen=True)
class Simulated:
    """A simulated run beside a capture."""

    session: Session
    run: Run
    cycles: Cycles  # HALTED and NMI fetches as FETCH, a card's own as the CPU's

    @property
    def strobes(self) -> Ints:
        """Half T-state at which each cycle's strobes fall."""
        found: Ints = 2 * self.cycles["t"] + STROBE[self.cycles["kind"]]
        return found


def simulate(session: Session, run: Callable[[Session], None] = Session.run) -> Simulated:
    """Run a session on a LoggedMachine and keep its bus cycles; ``run`` runs it."""
    machine = session.machine
    assert isinstance(machine, LoggedMachine)
    machine.start()
    run(session)
    return Simulated(session, session.so_far(), machine.cycles())
