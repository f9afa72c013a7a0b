"""A machine that digests its bus while a session runs it."""
from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import numpy as np

from emu.backplane.description import Description
from emu.bus.state import LOG, LOG_FULL
from emu.knowngood import busdigest
from emu.machine.machine import Machine
from emu.native import jit, units

TAKE = "emu.knowngood.busdigest.take"
PAGE = 4096


def short_digest(data: bytes) -> str:
    """Give 16 hex digits that stand for some bytes."""
    return hashlib.sha256(data).hexdigest()[:16]


class MeteredMachine(Machine):
    """A machine whose ``run`` digests every bus cycle until ``finish`` is called.

    The run is the same to the T-state as without.  ``power_on`` holds the digests of each
    slot's memory, a page of 4 KiB each, as power-on left it.
    """

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        super().__init__(description, seed, progress)
        self.digests = np.zeros(1, busdigest.DIGEST).view(np.recarray)
        self.d = self.digests[0]
        self.d.interval = busdigest.INTERVAL
        self.power_on = self.page_digests()
        self._take: Callable[[int], int] | None = self._load_taker(progress)
        self.log(True)
        self.m.log_limit = LOG // 2

    def _load_taker(self, progress: Callable[[str], None] | None) -> Callable[[int], int]:
        if jit.plain_python():
            return lambda end: int(busdigest.take(self.m, self.d, np.int64(end)))
        units.load([TAKE.rpartition(".")[0]], progress or (lambda _: None))
        function = units.callable_root(TAKE, 2)
        place, ours = self.record.ctypes.data, self.digests.ctypes.data
        return lambda end: function(place, ours, end)

    def fix_interval(self, cycles: int) -> None:
        """Note checkpoints every so many bus cycles, and only the first ROWS of them."""
        self.d.interval, self.d.fixed = cycles, 1

    def mark(self, address: int, driver: int = -1, opcode: int = -1) -> None:
        """Note the first fetch at an address, of a driver's (slot + 1), of an opcode."""
        d = self.d
        if int(d.marks) == busdigest.MARKS:
            raise ValueError(f"more than {busdigest.MARKS} marks")
        d.mark[int(d.marks)] = address, driver, opcode, -1
        d.marked[address] = 1
        d.marks += 1

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        if self._take is None:
            return super().run(t_stop)
        while True:
            reason = super().run(t_stop)
            self._take(int(self.m.log_pos))
            self.m.log_limit = int(self.m.log_pos) + LOG // 2
            if reason != LOG_FULL:
                return reason

    def finish(self) -> None:
        """Stop digesting: what is run from now on is not part of the run."""
        if self._take is not None:
            self._take = None
            self.log(False)

    def page_digests(self) -> dict[str, list[str]]:
        """Digest the memory of each slot as it stands, page by page."""
        out = {}
        for slot in self.slots:
            base, size = int(self.m.mem_base[slot.number]), int(self.m.mem_size[slot.number])
            data: Any = np.asarray(self.m.phys)[base:base + size].tobytes()
            if data:
                out[slot.name] = [short_digest(data[at:at + PAGE])
                                  for at in range(0, size, PAGE)]
        return out

    def bus_digest(self) -> str:
        """Give the digest of all bus cycles so far."""
        return hexed(int(self.d.a) % busdigest.P, int(self.d.b) % busdigest.P)


def hexed(a: int, b: int) -> str:
    """Write two lanes as 16 hex digits."""
    return f"{a:08x}{b:08x}"
