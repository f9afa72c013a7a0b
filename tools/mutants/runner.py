"""Measure many mutants at once, keep each row as it comes, go on where a run was cut off."""
from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path
from typing import Any

from mutants import corpus, measure
from mutants.boots import PROJECT
from mutants.kernel import Kernel
from mutants.model import Mutant

MEASURED = ("emu", "peripherals", "tools/mutants")  # what a row hangs on, beside its program
Row = dict[str, Any]


def fingerprint(folders: Iterable[Path]) -> str:
    """Give the hash of every source below some folders."""
    digest = hashlib.sha256()
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            if path.is_file() and path.suffix not in (".pyc", ".md") \
                    and "__pycache__" not in path.parts:
                digest.update(str(path.relative_to(folder)).encode() + b"\0")
                digest.update(path.read_bytes() + b"\0")
    return digest.hexdigest()[:24]


class Kept:
    """Rows that are written down as they come, and read back by the same command."""

    def __init__(self, path: Path | None) -> None:
        self.path, self.lock = path, threading.Lock()
        self.rows: dict[tuple[str, str], list[Row]] = {}
        if path and path.exists():
            for line in path.read_text().splitlines():
                try:
                    entry = json.loads(line)
                    self.rows[entry["key"], entry["made_by"]] = entry["rows"]
                except (ValueError, KeyError, TypeError):
                    continue  # a line that a power cut left unfinished

    def get(self, key: str, made_by: str) -> list[Row] | None:
        """Give the rows of a key, if the same sources made them."""
        return self.rows.get((key, made_by))

    def put(self, key: str, made_by: str, rows: list[Row]) -> None:
        """Write the rows of a key down."""
        if self.path:
            with self.lock, self.path.open("a") as stream:
                stream.write(json.dumps({"key": key, "made_by": made_by, "rows": rows}) + "\n")


Chosen = Mapping[str, tuple[Kernel, Mutant]]
Runs = Mapping[str, tuple[Kernel, str]]
Told = Callable[[int, int, list[Row]], None]


def run(programs: Mapping[str, Kernel], chosen: Chosen, healthy_runs: Runs, kept: Kept, jobs: int,
        told: Told) -> tuple[list[Row], list[Row]]:
    """Measure the chosen mutants and the healthy runs; return both kinds of rows."""
    baselines = measure.Baselines()
    code = fingerprint(PROJECT / name for name in MEASURED)
    made_by = {name: f"{code}-{fingerprint([kernel.folder])}" for name, kernel in programs.items()}
    work: dict[str, tuple[str, Callable[[], list[Row]]]] = {}
    for key, (kernel, name) in healthy_runs.items():
        work[key] = (kernel.name, partial(measure.of_healthy, kernel, name))
    for key, (kernel, mutant) in chosen.items():
        work[key] = (kernel.name, partial(measure.of_mutant, kernel, mutant, baselines))
    done = {key: rows for key, (name, _) in work.items()
            if (rows := kept.get(key, made_by[name])) is not None}

    def one(key: str) -> list[Row]:
        name, make = work[key]
        rows = make()
        kept.put(key, made_by[name], rows)
        return rows

    with ThreadPoolExecutor(jobs) as pool:
        waiting = {pool.submit(one, key): key for key in work if key not in done}
        try:
            for future in as_completed(waiting):
                done[waiting[future]] = future.result()
                told(len(done), len(work), future.result())
        except BaseException:
            pool.shutdown(cancel_futures=True)  # what runs is finished and kept
            raise
    return ([row for key in chosen for row in done[key]],
            [row for key in healthy_runs for row in done[key]])


def choose(programs: Mapping[str, Kernel], number: int | None, seed: int) -> tuple[Chosen, Runs]:
    """Give the mutants and the healthy runs of some programs, or a sample of both."""
    everything = corpus.corpus(programs.values())
    healthy = {f"{kernel.name}/healthy/{run.name}": (kernel, run.name)
               for kernel in programs.values() for run in measure.HEALTHY_RUNS}
    if number is None:
        return everything, healthy
    part = -(-len(healthy) * number // len(everything))
    return ({key: everything[key] for key in corpus.sample(everything, number, seed)},
            {key: healthy[key] for key in corpus.sample(healthy, part, seed)})
