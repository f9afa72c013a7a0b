"""A machine whose runs are held against a shadow, in place of Machine.run."""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.backplane.description import Description
from emu.bus.state import MEDIUM_WANTED
from emu.chronicle import observer
from emu.chronicle.flow_table import flow_table
from emu.chronicle.shadow import WRITTEN, new_shadow
from emu.machine.legs import Legs
from emu.machine.machine import RUN, Machine
from emu.machine.places import blocks
from emu.native import jit, units
from emu.run.inputs import Input

OBSERVE = "emu.chronicle.observer.observe"
OFF_LIMIT = 0.05  # seconds with interrupts off, or with a request that waits, that are told
OTHER_SEEDS = (1, 2, 3)  # added to the seed: power-ons that tell noise from what stands there


class WatchedMachine(Machine):
    """A machine that runs beside its shadow from power-on; ``shadow`` is the record."""

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        super().__init__(description, seed, progress)
        self._record = new_shadow()
        self.shadow: Any = self._record[0]
        self.shadow.flow[:] = flow_table()
        self.shadow.off_limit = self.at(OFF_LIMIT)
        self._know_memory()
        self.shadow.block[:], self.shadow.write_block[:] = blocks(self, False), blocks(self, True)
        self.log(True)
        self._observe: Callable[[int], int]
        self._looked_at = Legs(self.m, lambda t_stop: self.guarded(self._observe, t_stop))
        if jit.plain_python():
            self._observe = lambda t_stop: int(
                observer.observe(self.m, self.shadow, np.int64(t_stop)))
            return
        units.load([OBSERVE.rpartition(".")[0]], progress or (lambda _: None))
        function = units.callable_root(OBSERVE, 2, self.holding)
        place, ours = self.record.ctypes.data, self._record.ctypes.data
        self._record["run"] = units.address(RUN)
        self._observe = lambda t_stop: function(place, ours, t_stop)

    def _know_memory(self) -> None:
        """Mark what stands in memory at power-on whatever the noise is."""
        used = self._memory_used
        mine = np.asarray(self.m.phys)[:used]
        same = np.ones(used, bool)
        for more in OTHER_SEEDS:
            same &= np.asarray(Machine(self.description, self.seed + more).m.phys)[:used] == mine
        self.noise = np.nonzero(~same)[0]
        self._record["byte"][0, :used] = np.where(same, WRITTEN, 0)

    def _reset(self, warm: int) -> None:
        """See Machine._reset; what begins then has not come to 0000h by itself."""
        super()._reset(warm)
        if warm:
            self.shadow.last_t = 0

    def take_input(self, change: Input) -> None:
        """Let memory that a person has written count as written."""
        if change.kind == "memory":
            start = int(change.where)
            self._record["byte"][0, start:start + len(change.value)] |= WRITTEN

    def run(self, t_stop: int) -> int:
        """See Machine.run; every instruction is looked at."""
        while True:
            self.serve()
            self._looked_at.to(t_stop)
            reason = int(self.m.exit_reason)
            if reason == MEDIUM_WANTED:
                self.m.exit_reason = 0
                continue
            return reason
