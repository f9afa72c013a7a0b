"""What a run did over time and over memory, counted from its bus cycles by running it again."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, HALTED, IN, NMI_FETCH, NOBODY, OUT, READ, SLOTS, WRITE
from emu.logs.cycles import Cycles, kinds_alike, of_code
from emu.logs.run_cycles import pieces
from emu.machine.machine import Machine
from emu.run.done_again import Run

BINS = 480  # columns of the timeline
PIECE = 4096  # bus cycles between looks at the stack pointer
EXECUTED, READ_FROM, WRITTEN = 1, 2, 4  # bits of the memory map
NMI_ROW = SLOTS + 1  # of the interrupts, behind the slots

Counts = NDArray[np.int64]


@dataclass
class History:
    """Counts by column of time (shape (rows, BINS)) and by address (shape (65536,)).

    Row 0 of ``interrupts`` and ``ports`` is nobody, row k + 1 the slot k, NMI_ROW the NMIs.
    ``stack_low`` and ``stack_high`` are the extremes of SP seen in a column, -1 where none
    was looked at; ``halted`` the share of a column's cycles spent in HALT.
    """

    end: int
    interrupts: Counts = field(default_factory=lambda: np.zeros((SLOTS + 2, BINS), np.int64))
    ports: Counts = field(default_factory=lambda: np.zeros((SLOTS + 2, BINS), np.int64))
    cycles: Counts = field(default_factory=lambda: np.zeros(BINS, np.int64))
    halted: Counts = field(default_factory=lambda: np.zeros(BINS, np.int64))
    stack_low: Counts = field(default_factory=lambda: np.full(BINS, -1, np.int64))
    stack_high: Counts = field(default_factory=lambda: np.full(BINS, -1, np.int64))
    memory: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(65536, np.uint8))

    def column(self, t: Any) -> Any:
        """Give the columns of T-states."""
        return np.clip(np.asarray(t) * BINS // max(self.end, 1), 0, BINS - 1)

    def take(self, machine: Machine, cycles: Cycles) -> None:
        """Count a piece of the run; the machine stands behind it."""
        if not len(cycles):
            return
        kind, at = kinds_alike(cycles["kind"]), self.column(cycles["t"])
        self.cycles += np.bincount(at, minlength=BINS)
        self.halted += np.bincount(at[kind == HALTED], minlength=BINS)
        self._take_stack(int(machine.m.sp), int(at[-1]))
        self._take_memory(cycles, kind)
        for chosen, rows in ((kind == ACK, self.interrupts), (kind == IN, self.ports)):
            if chosen.any():
                driver = cycles["driver"][chosen]
                np.add.at(rows, (np.where(driver <= SLOTS, driver, NOBODY), at[chosen]), 1)
        if (nmis := kind == NMI_FETCH).any():
            np.add.at(self.interrupts[NMI_ROW], at[nmis], 1)
        if (outs := kind == OUT).any():
            slots = machine.m.port_slot[cycles["address"][outs] & 0xFF]
            np.add.at(self.ports, (np.maximum(slots, -1) + 1, at[outs]), 1)

    def _take_stack(self, sp: int, column: int) -> None:
        self.stack_high[column] = max(self.stack_high[column], sp)
        low = self.stack_low[column]
        self.stack_low[column] = sp if low < 0 else min(low, sp)

    def _take_memory(self, cycles: Cycles, kind: NDArray[np.uint8]) -> None:
        address = cycles["address"]
        code = of_code(kind, address)
        self.memory[address[code]] |= EXECUTED
        self.memory[address[(kind == READ) & ~code]] |= READ_FROM
        self.memory[address[kind == WRITE]] |= WRITTEN


def history(run: Run, told: Callable[[float], None] = lambda _: None) -> History:
    """Run everything again and count it; ``told`` is given the share that is done."""
    found = History(run.end)
    for machine, cycles in pieces(run, 0, PIECE):
        found.take(machine, cycles)
        told(int(machine.m.t) / max(run.end, 1))
    return found
