"""Captures for the tests: our own VCD, sampled as a logic analyser would, and damaged."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from emu.cli import group
from emu.compare import probes, vcdstates

Course = tuple[np.ndarray, np.ndarray]
FOUR = ("A0", "A1", "A2", "A3")


def dump(machine: Path, out: Path, begin: str, end: str, *more: str) -> Path:
    """Trace a stretch of a machine's boot into a VCD."""
    result = CliRunner().invoke(group, ["trace", str(machine), "--vcd", str(out), "--vcd-lines",
                                        "scalars", "--from", begin, "--to", end, *more])
    assert result.exit_code == 0, result.output
    return out


def course(path: Path) -> Course:
    """The states of a VCD: times in seconds, lines packed as in probes.py."""
    times, states, _ = vcdstates.read(path, path.read_bytes(), {})
    return times[1:], states[1:]


def sampled(whole: Course, rate: float, seed: int = 8) -> Course:
    """Sample a course of states at a rate, a quarter of a period too early or too late."""
    times, states = whole
    random = np.random.default_rng(seed)
    ticks = np.arange(times[0], times[-1], 1 / rate)
    moments = ticks + random.uniform(-0.25, 0.25, len(ticks)) / rate
    at = np.maximum(np.searchsorted(times, moments, side="right") - 1, 0)
    return ticks, states[at]


def without(course_: Course, *stretches: tuple[float, float]) -> Course:
    """Drop the samples of some stretches, given as parts of the whole."""
    times, states = course_
    keep = np.ones(len(times), bool)
    for low, high in stretches:
        keep[int(low * len(times)):int(high * len(times))] = False
    return times[keep], states[keep]


def behind(first: Course, second: Course) -> Course:
    """Put one course behind another that has nothing to do with it."""
    shift = first[0][-1] - second[0][0] + 1e-6
    return np.concatenate([first[0], second[0] + shift]), np.concatenate([first[1], second[1]])


def write_csv(path: Path, course_: Course, address: Sequence[str] = FOUR,
              wired: Mapping[str, str] = {}, stuck: Mapping[str, int] = {}) -> Path:
    """Write a CSV; ``wired``: a column shows another line; ``stuck``: it shows one level."""
    times, states = course_
    names = [*(f"D{k}" for k in range(8)), *address, *probes.STROBES]
    columns = []
    for name in names:
        line = wired.get(name, name)
        level = (states >> probes.LINES[line]) & 1
        columns.append(np.full(len(states), stuck[name]) if name in stuck else level)
    table = np.column_stack(columns).astype(str)
    rows = [",".join(["Time [ns]", *(f"n{n}" if n in probes.STROBES else n for n in names)])]
    rows += [f"{time * 1e9:.2f},{','.join(row)}"
             for time, row in zip(times.tolist(), table.tolist(), strict=True)]
    path.write_text("\n".join(rows) + "\n")
    return path
