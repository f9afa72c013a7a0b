"""One revision's side of tools/compare_speed.py: ``bench_worker.py TREE``.

Imports the simulator from TREE.  Writes the workloads' names as one JSON line; then reads
a name a line, runs that workload once and answers with its speed in million T-states a
second and a digest of the state it ended in.
"""
from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(sys.argv[1]).resolve()))  # also for the compiler's process

import bench_loops
import bench_machines
from bench_table import Stepper

TREE = Path(sys.argv[1]).resolve()
SLICE = 2_000_000
STRETCH = Fraction(1, 4)


def digest(stepper: Stepper) -> str:
    """Name a loop's state by a hash."""
    state = stepper.machine.end_state()
    return hashlib.sha256(b"".join(state[k].tobytes() for k in sorted(state))).hexdigest()[:16]


def loop(one: bench_loops.Loop) -> Callable[[], tuple[float, str]]:
    """Make a loop's workload."""
    stepper = Stepper(bench_loops.BareMachine(one), SLICE)
    return lambda: (stepper(), digest(stepper))


def tidewater(busy: bool, **watched: bool) -> Callable[[], tuple[float, str]]:
    """Make a whole machine's workload; its state is what the terminal showed, and T.

    ``watched``: ``log`` or ``stops``, as bench_machines has them.
    """
    machine = bench_machines.Tidewater(TREE / "roms" / "tidewater" / "full.toml", busy)

    def run() -> tuple[float, str]:
        speed = machine.speed(STRETCH, **watched)
        end = machine.text + str(int(machine.machine.m.t)).encode()
        return speed, hashlib.sha256(end).hexdigest()[:16]

    return run


def main() -> None:
    """Serve until the input ends."""
    work = {one.name: loop(one) for one in bench_loops.LOOPS}
    work["Tidewater booting"] = tidewater(False)
    work["  ring trace on"] = tidewater(True, log=True)
    work["  a dozen stops armed"] = tidewater(True, stops=True)
    work["Tidewater busy"] = tidewater(True)
    print(json.dumps(list(work)), flush=True)
    for line in sys.stdin:
        print(json.dumps(work[line.rstrip("\n")]()), flush=True)


if __name__ == "__main__":
    main()
