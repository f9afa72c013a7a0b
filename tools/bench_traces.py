"""Benchmark workloads of looking on: traces to files beside a plain copy of as many bytes.

Files are measured in real time, the rest in processor time; speeds are million T-states a
second.
"""
from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from bench_machines import Tidewater
from bench_table import Workload

from emu.logs.jsonlines import JsonWriter
from emu.logs.records import Chunk
from emu.logs.setting import setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import Tracer
from emu.logs.vcd import VcdWriter

FULL = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"
FREE = "Tidewater busy, free"
SHARE = 0.6  # of the speed at which the disk takes the same bytes


class Traced:
    """Tidewater busy, watched by the tracer."""

    def __init__(self, tidewater: Tidewater, seconds: Fraction) -> None:
        self.tidewater, self.seconds = tidewater, seconds

    def run(self, take: Callable[[Chunk], None]) -> int:
        """Run from the start; T-states."""
        self.tidewater.restore()
        built = self.tidewater.machine
        tracer = Tracer(built, take)
        end = self.tidewater.start.t + built.at(self.seconds)
        while int(built.m.t) < end:
            tracer.run(end)
            self.tidewater.console.take()
        tracer.close()
        return int(built.m.t) - self.tidewater.start.t

    def records(self) -> float:
        """Sample registers and lines only."""
        began = time.thread_time_ns()
        ran = self.run(lambda _: None)
        return ran * 1e3 / (time.thread_time_ns() - began)


class ToFile(Traced):
    """A trace written to a file, and `dd` with as many bytes."""

    def __init__(self, tidewater: Tidewater, seconds: Fraction, kind: str, path: Path) -> None:
        super().__init__(tidewater, seconds)
        self.kind, self.path = kind, path
        self.bytes = 0
        self.every = np.ones(1 << 17, bool)

    def writer(self, out: Any) -> Callable[[Chunk], None]:
        """Give what takes the chunks."""
        setting = setting_of(self.tidewater.machine)
        if self.kind == "vcd":
            return VcdWriter(out, setting).write
        by_cycle = self.kind == "cycles"
        made = JsonWriter(out, setting) if self.kind == "json" else TextWriter(out, setting,
                                                                               by_cycle)
        return lambda chunk: made.write(
            chunk, self.every[:len(chunk.words) if by_cycle else len(chunk)])

    def speed(self) -> float:
        """Trace to the file."""
        began = time.perf_counter_ns()
        with open(self.path, "wb") as out:
            ran = self.run(self.writer(out))
        spent = time.perf_counter_ns() - began
        self.bytes = self.path.stat().st_size
        self.path.unlink()
        return ran * 1e3 / spent

    def copied(self) -> float:
        """Let `dd` write as many bytes; the speed of a trace that took as long."""
        if not self.bytes:
            self.speed()
        began = time.perf_counter_ns()
        with open("/dev/zero", "rb") as zeros, open(self.path, "wb") as out:
            subprocess.run(["dd", "bs=1M", f"count={self.bytes}", "iflag=count_bytes"],
                           stdin=zeros, stdout=out, stderr=subprocess.DEVNULL, check=True)
        spent = time.perf_counter_ns() - began
        self.path.unlink()
        return self.tidewater.machine.at(self.seconds) * 1e3 / spent


FILES = (("text", "text, a line an instruction", 1), ("json", "JSON lines", 2),
         ("cycles", "text, a line a bus cycle", 2), ("vcd", "waveforms (VCD)", 16))


def workloads(folder: Path, short: bool) -> list[Workload]:
    """Make all rows."""
    busy = Tidewater(FULL, True)
    length = Fraction(1, 50) if short else Fraction(1)
    found = [
        Workload(FREE, "MT/s", lambda: busy.speed(length)),
        Workload("  ring of bus cycles", "MT/s", lambda: busy.speed(length, log=True),
                 against=FREE, goal_ratio=0.6),
        Workload("  registers and lines", "MT/s", Traced(busy, length).records, goal=150)]
    for kind, name, part in FILES:
        made = ToFile(busy, length / part, kind, folder / "trace")
        beside = f"  as many bytes by dd: {kind}"
        found += [Workload(f"  {name}", "MT/s", made.speed, against=beside, goal_ratio=SHARE),
                  Workload(beside, "MT/s", made.copied)]
    return found
