"""The bus cycles of a run, made by doing it again."""
from __future__ import annotations

from collections.abc import Iterator

from emu.bus.state import LOG
from emu.logs.cycles import Cycles, read_ring
from emu.machine.machine import Machine
from emu.run.done_again import Run

LEAD = 64  # T-states that a replay stops early, so that the cycle asked for is still ahead


def cycles(run: Run, start: int) -> Iterator[Cycles]:
    """Give a run's bus cycles from just before T-state ``start`` to the end, in pieces."""
    for _, piece in pieces(run, start):
        yield piece


def pieces(run: Run, start: int, most: int = LOG // 2) -> Iterator[tuple[Machine, Cycles]]:
    """Give, in pieces of ``most`` bus cycles or a few more, the machine behind the piece,
    and the piece, from just before T-state ``start`` to the end."""
    machine = run.at(max(start - LEAD, 0))
    machine.log(True)
    m, taken = machine.m, 0
    while int(m.t) < run.end:
        m.log_limit = taken + most
        machine.run(run.end)
        found = read_ring(m, taken, int(m.log_pos))
        taken = int(m.log_pos)
        yield machine, found
