"""Benchmark workloads that are whole processes: cold and warm starts, memory, traces."""
from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_table import Workload

ROOT = Path(__file__).parent.parent
FULL = str(ROOT / "roms" / "tidewater" / "full.toml")
BOOT = ("boot", FULL, "--until", "tw> ", "--limit", "2")
TRACED = "0.25"  # emulated seconds


def process(arguments: tuple[str, ...], cache: str | None = None) -> subprocess.Popen[bytes]:
    """Start preburn with its output in a pipe; ``cache``: another folder for machine code."""
    environment = dict(os.environ) if cache is None else {**os.environ, "XDG_CACHE_HOME": cache}
    return subprocess.Popen([sys.executable, "-m", "emu.cli", *arguments], cwd=ROOT,
                            env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)


def finish(child: subprocess.Popen[bytes], before: bytes = b"") -> tuple[bytes, int]:
    """Wait for a process; its output and the most memory it used, in bytes."""
    assert child.stdout is not None
    output = before + child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    child.stdout.close()
    if child.returncode != 0:
        raise RuntimeError(f"{child.args!r} ended with {child.returncode}")
    return output, usage.ru_maxrss * 1024


def whole(*arguments: str, holds: str = "") -> float:
    """Run preburn to its end; seconds.  Its output must hold a text."""
    started = time.perf_counter()
    output, _ = finish(process(arguments))
    spent = time.perf_counter() - started
    if not re.search(holds.encode(), output):
        raise RuntimeError(f"preburn {' '.join(arguments)} did not print {holds!r}")
    return spent


def cold_start() -> float:
    """Boot to the end with an empty cache of machine code; seconds."""
    with tempfile.TemporaryDirectory() as cache:
        started = time.perf_counter()
        finish(process(BOOT, cache))
        return time.perf_counter() - started


def first_byte() -> float:
    """Boot with a full cache, up to the first byte of the console; seconds."""
    started = time.perf_counter()
    child = process(BOOT)
    assert child.stdout is not None
    first = child.stdout.read(1)
    spent = time.perf_counter() - started
    finish(child, first)
    return spent


def boot_memory() -> float:
    """Boot; the most memory the process used, in MB."""
    output, memory = finish(process(BOOT))
    if b"tw> " not in output:
        raise RuntimeError("Tidewater did not reach its prompt")
    return memory / 1e6


def full_trace() -> float:
    """Boot with every instruction written to a file; million T-states a second, start included."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "trace.txt"
        spent = whole("trace", FULL, "--text", str(target), "--limit", TRACED)
        if target.stat().st_size < 100_000:
            raise RuntimeError("the trace is too short to be whole")
    return float(TRACED) * 6.144 / spent


def workloads(short: bool) -> list[Workload]:
    """List the process workloads; a short run leaves the cold start out."""
    found = [
        Workload("preburn --help", "s", lambda: whole("--help", holds="boot"), "lower", 0.2),
        Workload("preburn cards", "s", lambda: whole("cards", holds="z80-sio"), "lower", 0.2),
        Workload("warm start to the first console byte", "s", first_byte, "lower", 0.8),
        Workload("memory of a boot", "MB", boot_memory, "lower", 300),
        Workload("full trace to a text file", "MT/s", full_trace),
    ]
    return found if short else [Workload("cold start", "s", cold_start, "lower", 20), *found]
