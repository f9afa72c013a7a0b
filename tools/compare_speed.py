"""Two revisions side by side in one run: ``compare_speed.py OLD NEW``.

OLD and NEW are revisions of this repository or folders that hold a working tree.  Both run
the same workloads in turn, in processes of their own, and the table gives the median of
the rounds' ratios.  A workload that ends in another state is marked: then the two do not
do the same.
"""
from __future__ import annotations

import io
import json
import statistics
import subprocess
import sys
import tarfile
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

ROOT = Path(__file__).parent.parent
WORKER = Path(__file__).with_name("bench_worker.py")


def tree_of(revision: str, folder: Path) -> Path:
    """Give a folder with a revision's files; UsageError when there is no such revision."""
    if Path(revision).is_dir():
        if not (Path(revision) / "emu").is_dir():
            raise click.UsageError(f"{revision}: no folder emu in it; name a working tree.")
        return Path(revision)
    done = subprocess.run(["git", "archive", revision], cwd=ROOT, capture_output=True)
    if done.returncode != 0:
        raise click.UsageError(f"{revision}: neither a folder nor a revision of this repository.")
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as archive:
        archive.extractall(folder, filter="data")
    return folder


class Worker:
    """A process that runs one revision's workloads on demand."""

    def __init__(self, name: str, tree: Path) -> None:
        self.name = name
        self._process = subprocess.Popen(
            [sys.executable, str(WORKER), str(tree)], cwd=tree, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True)
        self.workloads: list[str] = self._answer()

    def _answer(self) -> Any:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise click.ClickException(f"{self.name}: its benchmark process ended; its own words "
                                       f"stand above.")
        return json.loads(line)

    def run(self, workload: str) -> tuple[float, str]:
        """Run a workload once: million T-states a second, and the end state's digest."""
        assert self._process.stdin is not None
        self._process.stdin.write(workload + "\n")
        self._process.stdin.flush()
        speed, digest = self._answer()
        return float(speed), str(digest)

    def close(self) -> None:
        """Let the process end."""
        self._process.communicate()


@dataclass(frozen=True)
class Row:
    """One workload of both revisions, speeds in million T-states a second."""

    workload: str
    old: float
    new: float
    ratio: float  # median of the rounds' new / old
    same: bool  # both ended in the same state in every round


def compare(old: Worker, new: Worker, rounds: int) -> list[Row]:
    """Run all workloads of both in turn, the first of the two changing each round."""
    rows = []
    for workload in old.workloads:
        speeds: dict[str, list[float]] = {"old": [], "new": []}
        same = True
        for k in range(rounds):
            turn = (("old", old), ("new", new)) if k % 2 == 0 else (("new", new), ("old", old))
            digests = set()
            for side, worker in turn:
                speed, digest = worker.run(workload)
                speeds[side].append(speed)
                digests.add(digest)
            same = same and len(digests) == 1
        ratio = statistics.median(
            b / a for a, b in zip(speeds["old"], speeds["new"], strict=True))
        rows.append(Row(workload, statistics.median(speeds["old"]),
                        statistics.median(speeds["new"]), ratio, same))
    return rows


@click.command(help=__doc__)
@click.argument("old")
@click.argument("new")
@click.option("--rounds", type=click.IntRange(1), default=15, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def main(old: str, new: str, rounds: int, as_json: bool) -> None:
    with ExitStack() as stack:
        workers = []
        for name in (old, new):
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            workers.append(Worker(name, tree_of(name, folder)))
            stack.callback(workers[-1].close)
        rows = compare(workers[0], workers[1], rounds)
    if as_json:
        click.echo(json.dumps({"old": old, "new": new, "rows": [vars(row) for row in rows]}))
        return
    click.echo(f"  {'million T-states a second':34} {'old':>7} {'new':>7}  new/old")
    for row in rows:
        mark = "" if row.same else "  the two end in DIFFERENT states"
        click.echo(f"  {row.workload:34} {row.old:7.0f} {row.new:7.0f}  {row.ratio:7.2f}{mark}")


if __name__ == "__main__":
    main()
