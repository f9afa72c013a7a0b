"""Benchmark workloads on whole machines: Tidewater booting and busy, logged and watched.

Times are processor time of the running thread, so that other work on the machine disturbs
them less; speeds are million T-states a second.
"""
from __future__ import annotations

import time
from fractions import Fraction
from pathlib import Path

from bench_table import Workload

from emu.backplane.description import load
from emu.bus import stops
from emu.bus.state import STOP_FETCH, STOP_READ, STOP_WRITE
from emu.machine.machine import Machine
from emu.run.console import Console
from emu.run.shown import Text

ROOT = Path(__file__).parent.parent
PROMPT = b"tw> "
STOPS = 12
FLAT = """
[slot.cpu]
card = "z80-cpu"
clock = "8 MHz"

[slot.memory]
card = "plain-memory"
rom-size = 0
ram-start = 0
ram-size = 65536
ram-load.program = "{program}@0"
"""  # 64 KiB of RAM with a program at 0
IDLE = """extends = "{base}"
name = "Tidewater with an ACIA that nobody uses"

[slot.idle]
card = "acia-6850"
base = 0xE0
clock = "614.4 kHz"
terminal = {{ baud = 38400, format = "8N1" }}
"""


class Tidewater:
    """A Tidewater machine at one point of its life, run from there again and again."""

    def __init__(self, file: Path, busy: bool) -> None:
        self.machine = Machine(load(file))
        self.console = Console(self.machine)
        self.name = self.console.main or ""
        if busy:
            self._make_busy()
        self.start = self.machine.snapshot()

    def _make_busy(self) -> None:
        """Boot, let the gauge sample, and ask for more text than will be shown."""
        for keys in (b"", b"gauge\r", b"cat almanac\r" * 20):
            if keys:
                self.console.type(self.name, keys, int(self.machine.m.t))
            self.run(Fraction(1, 2))
        if PROMPT not in self.text:
            raise RuntimeError(f"Tidewater did not boot; its console shows {self.text!r}")

    @property
    def text(self) -> bytes:
        """What the first terminal has shown."""
        return bytes(self.console.channels[self.name].text)

    def run(self, seconds: Fraction) -> None:
        """Run for a stretch of emulated time, serving the console."""
        end = int(self.machine.m.t) + self.machine.at(seconds)
        while int(self.machine.m.t) < end:
            self.machine.run(end)
            self.console.take()

    def restore(self) -> None:
        """Go back to the start, unlogged and unwatched."""
        self.machine.restore(self.start)
        for channel in self.console.channels.values():
            channel.taken = int(channel.line.shown_in)
            channel.text = Text()
        stops.disarm(self.machine.m)

    def speed(self, seconds: Fraction, log: bool = False, stops: bool = False) -> float:
        """Run from the start; million T-states a second."""
        self.restore()
        if log:
            self.machine.log(True)
        if stops:
            arm(self.machine)
        started = time.thread_time_ns()
        self.run(seconds)
        spent = time.thread_time_ns() - started
        if log and int(self.machine.m.log_pos) == 0:
            raise RuntimeError("the bus log stayed empty")
        return (int(self.machine.m.t) - self.start.t) * 1e3 / spent


def arm(machine: Machine) -> None:
    """Arm a dozen stops that are never hit, on the kernel's and its data's pages."""
    kinds = (STOP_FETCH, STOP_READ, STOP_WRITE)
    stops.arm(machine.m, [
        stops.Row(kinds[row % 3], 0x1000 * row + 0xFFF, 0x1000 * row + 0xFFF, 0xFF, 0x100)
        for row in range(STOPS)])


def copy_time(machine: Machine, back: bool) -> float:
    """Take or bring back a snapshot; microseconds."""
    saved = machine.snapshot()
    started = time.perf_counter_ns()
    if back:
        machine.restore(saved)
    else:
        machine.snapshot()
    return (time.perf_counter_ns() - started) / 1e3


def workloads(folder: Path, short: bool) -> list[Workload]:
    """Make the machines; ``folder`` takes the backplane file with an idle card more."""
    full = ROOT / "roms" / "tidewater" / "full.toml"
    more = folder / "idle.toml"
    more.write_text(IDLE.format(base=full))
    boot, busy, idle = Tidewater(full, False), Tidewater(full, True), Tidewater(more, True)
    stretch = Fraction(1, 50) if short else Fraction(1, 2)
    name = "Tidewater busy"
    return [
        Workload("Tidewater booting", "MT/s", lambda: boot.speed(stretch)),
        Workload(name, "MT/s", lambda: busy.speed(stretch), goal=740),
        Workload("  with one more idle card", "MT/s", lambda: idle.speed(stretch), against=name,
                 goal_ratio=0.99),
        Workload("  ring trace on", "MT/s", lambda: busy.speed(stretch, log=True), against=name,
                 goal_ratio=0.5),
        Workload("  a dozen stops armed", "MT/s", lambda: busy.speed(stretch, stops=True),
                 against=name),
        Workload("snapshot", "us", lambda: copy_time(busy.machine, False), better="lower"),
        Workload("restore", "us", lambda: copy_time(busy.machine, True), better="lower"),
    ]
