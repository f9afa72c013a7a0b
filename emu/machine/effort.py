"""How much a piece of work takes, counted in what machines run and not in time.

Processor time differs from computer to computer and from run to run; what is counted here does
not, so whatever is decided by it is decided alike everywhere.  It is given in seconds all the
same: about those of a quiet processor on which the charges below were measured.
"""
from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

INSTRUCTION = 7.2e-9  # seconds for one that is run
T_STATE = 0.15e-9  # and for a T-state, which a halted machine spends too
LOGGED = 60e-9  # for a bus cycle that is kept, and read afterwards
BUILT = 0.0072  # for a machine that is built
RESET = 120e-6  # for a RESET of all cards
COPIED = 0.36e-9  # for a byte of a snapshot taken or brought back
PATIENCE = 20.0  # seconds of wall time that cards in plain Python may hold the machines up


class Spent(Exception):
    """The work came to its limit; the machine stands between two instructions."""


@dataclass
class Meter:
    """What a piece of work has taken so far; past ``limit`` seconds it ends with `Spent`."""

    limit: float
    instructions: int = 0
    t_states: int = 0
    logged: int = 0
    built: int = 0
    resets: int = 0
    copied: int = 0  # bytes
    held_up: float = 0.0  # seconds of wall time of machines with cards in plain Python

    def seconds(self) -> float:
        """Give what was taken."""
        return (self.instructions * INSTRUCTION + self.t_states * T_STATE
                + self.logged * LOGGED + self.built * BUILT + self.resets * RESET
                + self.copied * COPIED)

    def check(self) -> None:
        """Raise Spent when the limit is passed, or cards in plain Python took too long."""
        if self.seconds() > self.limit or self.held_up > PATIENCE:
            raise Spent


_meters: list[Meter] = []  # those that count now, the innermost last


@contextmanager
def metered(limit: float) -> Iterator[Meter]:
    """Count what the body's machines do; it is ended with Spent past ``limit`` seconds."""
    meter = Meter(limit)
    _meters.append(meter)
    try:
        yield meter
    finally:
        _meters.remove(meter)


def run(m: Any, leg: Callable[[int], object], end: int) -> None:
    """Run a leg to a T-state and charge it."""
    if not _meters:
        leg(end)
        return
    instructions, t, logged = int(m.instructions), int(m.t), int(m.log_pos)
    began = time.perf_counter()
    try:
        leg(end)
    finally:
        took = time.perf_counter() - began if m.plain.any() else 0.0
        for meter in _meters:
            meter.instructions += int(m.instructions) - instructions
            meter.t_states += int(m.t) - t
            meter.logged += max(int(m.log_pos) - logged, 0)
            meter.held_up += took
    for meter in _meters:
        meter.check()


def built() -> None:
    """Charge a machine that is built."""
    for meter in _meters:
        meter.built += 1


def copied(size: int) -> None:
    """Charge a snapshot of so many bytes."""
    for meter in _meters:
        meter.copied += size


def reset() -> None:
    """Charge a RESET of all cards."""
    for meter in _meters:
        meter.resets += 1
