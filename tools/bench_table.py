"""Measure by interleaved rounds, and give figures with their spread."""
from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

Sample = Callable[[], float]
RUN_IN = 200_000  # T-states before the first sample of a loop


@dataclass(frozen=True)
class Workload:
    """Something to measure: ``sample`` runs it once and gives one value."""

    name: str
    unit: str
    sample: Sample
    better: str = "higher"  # or "lower"
    goal: float | None = None  # in ``unit``
    against: str | None = None  # name of the workload that it is held against
    goal_ratio: float | None = None  # of the median ratio to that workload


@dataclass(frozen=True)
class Figure:
    """A measured workload: the median of its rounds, and the middle half of them."""

    name: str
    unit: str
    median: float
    low: float
    high: float
    rounds: int
    against: str | None = None
    ratio: float | None = None  # median of the rounds' ratios to ``against``
    goal: str = ""
    met: bool | None = None


class Stepper:
    """Runs a machine on, one slice of ``length`` T-states a sample; million T-states a second."""

    def __init__(self, machine: Any, length: int) -> None:
        self.machine = machine
        self.t = RUN_IN
        self.length = length
        machine.run(RUN_IN)

    def __call__(self) -> float:
        self.t += self.length
        started = time.thread_time_ns()
        self.machine.run(self.t)
        return self.length * 1e3 / (time.thread_time_ns() - started)


def measure(workloads: Sequence[Workload], rounds: int) -> list[Figure]:
    """Run all workloads in turn, ``rounds`` times over, each round starting at another."""
    found: dict[str, list[float]] = {w.name: [] for w in workloads}
    for k in range(rounds):
        first = k % len(workloads)
        for workload in (*workloads[first:], *workloads[:first]):
            found[workload.name].append(workload.sample())
    return [_figure(w, found) for w in workloads]


def _figure(workload: Workload, found: dict[str, list[float]]) -> Figure:
    values = found[workload.name]
    median = statistics.median(values)
    low, high = np.quantile(values, [0.25, 0.75])
    ratio, goal, met = None, "", None
    if workload.against is not None:
        others = found[workload.against]
        ratio = statistics.median(a / b for a, b in zip(values, others, strict=True))
    sign = "at least" if workload.better == "higher" else "at most"
    if workload.goal is not None:
        goal = f"{sign} {workload.goal:g} {workload.unit}"
        met = median >= workload.goal if sign == "at least" else median <= workload.goal
    if workload.goal_ratio is not None and ratio is not None:
        goal = f"{sign} {workload.goal_ratio:g} of {workload.against}"
        met = ratio >= workload.goal_ratio if sign == "at least" else ratio <= workload.goal_ratio
    return Figure(workload.name, workload.unit, median, float(low), float(high), len(values),
                  workload.against, ratio, goal, met)


def geometric_mean(values: Sequence[float]) -> float:
    """Give the geometric mean."""
    return float(np.exp(np.mean(np.log(values))))


def describe_machine(compiler: str | None) -> dict[str, Any]:
    """Say where the figures come from."""
    import numba

    lines = Path("/proc/cpuinfo").read_text().splitlines() if Path("/proc/cpuinfo").exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return {"cpu": names[0] if names else platform.processor(), "cores": os.cpu_count(),
            "system": platform.platform(), "python": platform.python_version(),
            "numpy": np.__version__, "numba": numba.__version__, "c_compiler": compiler,
            "load": os.getloadavg()[0]}


def lines_of(title: str, figures: Sequence[Figure]) -> list[str]:
    """Give one group of figures as text."""
    rows = [f"{title}", f"  {'':42} {'median':>9} {'middle half':>17}  unit     ratio  goal"]
    for f in figures:
        ratio = f"{f.ratio:6.2f}" if f.ratio is not None else " " * 6
        verdict = "" if f.met is None else ("  met" if f.met else "  MISSED")
        spread = f"{_short(f.low)}-{_short(f.high)}"
        rows.append(f"  {f.name:42} {_short(f.median):>9} {spread:>17}  {f.unit:7} {ratio}"
                    f"  {f.goal}{verdict}".rstrip())
    return rows


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def as_dicts(figures: Sequence[Figure]) -> list[dict[str, Any]]:
    """Give figures for JSON."""
    return [asdict(f) for f in figures]
