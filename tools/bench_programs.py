"""Benchmark workloads that are programs run on whole machines for long.

The instruction soak, a floppy formatted and filled sector by sector, and a card in plain
Python polled in a tight loop.
"""
from __future__ import annotations

import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import bench_loops
from bench_machines import FLAT
from bench_table import Workload

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.run.session import Session

ROMS = Path(__file__).parent.parent / "roms"
SOAK_GOAL = 1000  # MT/s

PLAIN_CARD = '''
import numpy as np
from peripherals.card import Card

STATE = np.dtype([("slot", np.int64), ("due", np.int64), ("byte", np.int64)])


def read(m, s, a, t):
    if a & 0xFFFF == 0:
        return t >= s.due
    s.due = t + 2000
    s.byte = (s.byte * 5 + 1) & 0xFF
    return s.byte


CARD = Card(name="status", summary="a byte every 2,000 T-states", source="none: a benchmark's card",
            state=STATE, functions={"read": read}, registers=("status", "data"))
'''

PLAIN_MACHINE = FLAT.format(program="poll.bin") + '''
[slot.status]
card = "./status.py"
base = 0x10
'''


class Program:
    """A machine run from the same point of its program again and again."""

    def __init__(self, file: Path, start: Fraction = Fraction(0)) -> None:
        self.machine = Machine(load(file))
        if start:
            self.machine.run(self.machine.at(start))
        self.start = self.machine.snapshot()

    def speed(self, seconds: Fraction) -> float:
        """Run for a stretch of emulated time; million T-states a second of processor time."""
        self.machine.restore(self.start)
        end = self.start.t + self.machine.at(seconds)
        started = time.thread_time_ns()
        while int(self.machine.m.t) < end:
            self.machine.run(end)
        spent = time.thread_time_ns() - started
        return (int(self.machine.m.t) - self.start.t) * 1e3 / spent


def polled(folder: Path) -> Program:
    """Make the machine that polls a card in plain Python with bench_loops.POLLING."""
    loop = bench_loops.POLLING
    (folder / "status.py").write_text(PLAIN_CARD)
    (folder / "poll.bin").write_bytes(b"".join(code for _, code, _ in loop.rows()))
    path = folder / "poll.toml"
    path.write_text(PLAIN_MACHINE)
    return Program(path, Fraction(1, 100))


def make_file_system(short: bool) -> Callable[[], float]:
    """Give the sample that makes a file system on a floppy; seconds of processor time."""
    def sample() -> float:
        until = "formatting" if short else "done"
        session = Session(Machine(load(ROMS / "floppy" / "makefs.toml")), until, Fraction(1200))
        started = time.thread_time()
        session.run()
        if not session.reached:
            raise RuntimeError(f"the floppy's machine did not print {until!r}")
        return time.thread_time() - started

    return sample


def workloads(folder: Path, short: bool) -> list[Workload]:
    """Make the machines; ``folder`` takes the files of the one with a plain card."""
    soak = Program(ROMS / "selftest" / "soak.toml", Fraction(1, 10))
    plain = polled(folder)
    stretch = Fraction(1, 50) if short else Fraction(10)
    return [
        Workload("instruction soak", "MT/s", lambda: soak.speed(stretch), goal=SOAK_GOAL),
        Workload("a file system made on a floppy", "s", make_file_system(short), "lower", 10),
        Workload("card in plain Python, polled", "MT/s", lambda: plain.speed(stretch / 10),
                 goal=100),
    ]
