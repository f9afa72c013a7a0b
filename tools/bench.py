"""How fast preburn is: ``bench.py [--short] [--json] [--only GROUP]``.

Every figure is a median of interleaved rounds, shown with the middle half of its rounds.
The loops are held against tools/reference.c, compiled with the system's compiler and run
in the same rounds; both must end in the same state, registers, memory and T-states, or
the benchmark fails.  ``--short`` is for CI: one short round, results checked, no goal judged.
Exit status 1: a result is wrong.
"""
from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import bench_loops
import bench_reference as reference
from bench_table import (
    Figure,
    Stepper,
    Workload,
    as_dicts,
    describe_machine,
    geometric_mean,
    lines_of,
    measure,
)

GROUPS = ("loops", "machines", "programs", "traces", "growth", "starts", "stepper")
SLICE, SHORT_SLICE = 4_000_000, 100_000  # T-states a round
GOAL_LOOP, GOAL_MEAN, GOAL_MIXED = 0.5, 0.7, 1200
IN_C = " in C"


def differences(ours: dict[str, np.ndarray], theirs: dict[str, np.ndarray]) -> list[str]:
    """Name the parts of two end states that differ."""
    return [name for name in ours if not np.array_equal(ours[name], theirs[name])]


def loop_group(folder: Path, short: bool, rounds: int, compiler: str | None) -> list[Figure]:
    """Measure the loops, ours and in C, and hold the end states against each other."""
    library = reference.build(folder, compiler) if compiler else None
    length = SHORT_SLICE if short else SLICE
    pairs = []
    work: list[Workload] = []
    for loop in bench_loops.LOOPS:
        ours = Stepper(bench_loops.BareMachine(loop), length)
        goal = GOAL_MIXED if loop is bench_loops.MIXED else None
        if library is None:
            work.append(Workload(loop.name, "MT/s", ours, goal=goal))
            continue
        theirs = Stepper(reference.ReferenceMachine(loop, library), length)
        pairs.append((loop, ours, theirs))
        work.append(Workload(loop.name, "MT/s", ours, goal=goal, against=loop.name + IN_C,
                             goal_ratio=None if goal else GOAL_LOOP))
        work.append(Workload(loop.name + IN_C, "MT/s", theirs))
    figures = measure(work, rounds)
    for loop, ours, theirs in pairs:
        wrong = differences(ours.machine.end_state(), theirs.machine.end_state())
        if wrong:
            raise click.ClickException(
                f"{loop.name}: the core and tools/reference.c end with different "
                f"{', '.join(wrong)}")
    ratios = [f.ratio for f in figures if f.ratio is not None]
    if ratios:
        mean = geometric_mean(ratios)
        figures.append(Figure("all loops, geometric mean", "of C", mean, min(ratios), max(ratios),
                              rounds, goal=f"at least {GOAL_MEAN} of C", met=mean >= GOAL_MEAN))
    return figures


def machine_group(folder: Path, short: bool, rounds: int, _: str | None) -> list[Figure]:
    """Measure whole machines."""
    import bench_machines

    return measure(bench_machines.workloads(folder, short), rounds)


def program_group(folder: Path, short: bool, rounds: int, _: str | None) -> list[Figure]:
    """Measure long runs of programs."""
    import bench_programs

    return measure(bench_programs.workloads(folder, short), 1 if short else max(rounds // 4, 2))


def trace_group(folder: Path, short: bool, rounds: int, _: str | None) -> list[Figure]:
    """Measure traces, to files too."""
    import bench_traces

    return measure(bench_traces.workloads(folder, short), 1 if short else max(rounds // 5, 2))


def growth_group(folder: Path, short: bool, rounds: int, _: str | None) -> list[Figure]:
    """Measure how speed changes with what a machine has and does."""
    import bench_growth

    return measure(bench_growth.workloads(folder, short), 1 if short else max(rounds // 3, 2))


def start_group(_: Path, short: bool, rounds: int, __: str | None) -> list[Figure]:
    """Measure whole processes."""
    import bench_starts

    return measure(bench_starts.workloads(short), 1 if short else max(rounds // 8, 2))


def stepper_group(folder: Path, short: bool, rounds: int, _: str | None) -> list[Figure]:
    """Measure the stepper: stops, and going back."""
    import bench_stepper

    return measure(bench_stepper.workloads(folder, short), 1 if short else max(rounds // 3, 3))


RUN: dict[str, Callable[[Path, bool, int, str | None], list[Figure]]] = {
    "loops": loop_group, "machines": machine_group, "programs": program_group,
    "traces": trace_group, "growth": growth_group, "starts": start_group, "stepper": stepper_group}


@click.command(help=__doc__)
@click.option("--short", is_flag=True, help="One short round: check results, judge no times.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--only", type=click.Choice(GROUPS), multiple=True, help="Run this group only.")
@click.option("--rounds", type=click.IntRange(1), default=25, show_default=True)
def main(short: bool, as_json: bool, only: tuple[str, ...], rounds: int) -> None:
    compiler = reference.compiler()
    where = describe_machine(reference.version(compiler) if compiler else None)
    groups: dict[str, list[Figure]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in only or GROUPS:
            figures = RUN[name](Path(folder), short, 1 if short else rounds, compiler)
            groups[name] = [replace(f, met=None) for f in figures] if short else figures
    if as_json:
        click.echo(json.dumps({"machine": where, "short": short,
                               **{name: as_dicts(f) for name, f in groups.items()}}))
        return
    click.echo(", ".join(f"{key} {value}" for key, value in where.items()))
    if compiler is None:
        click.echo("no C compiler found: the loops are not held against tools/reference.c")
    for name, figures in groups.items():
        click.echo("\n" + "\n".join(lines_of(name, figures)))


if __name__ == "__main__":
    main()
