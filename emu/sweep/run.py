"""Run the jobs of a sweep on any executor, keep what is done, and go on from there."""
from __future__ import annotations

import json
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, as_completed
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from emu.errors import Ended, InputError
from emu.files.atomic import write_atomic
from emu.files.inputfile import read_limited
from emu.sweep.jobs import Job, not_run, run_job
from emu.sweep.workers import end_workers, local_pool

FORMAT = "preburn sweep results"
VERSION = 1
SIZE_LIMIT = 256 << 20
SUSPECTS = 16  # of what was left when a process died, run alone: the earliest were under way
KILLED = ("its process was killed twice, perhaps for want of memory: run it alone with preburn "
          "boot, or give fewer --jobs.")
Result = dict[str, Any]


class Results:
    """Results by key, and the file of JSON lines in which they are kept, if there is one."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.found: dict[str, Result] = {}
        if path is not None and path.exists():
            self._read(path)

    def _read(self, path: Path) -> None:
        lines = read_limited(path, "results file", SIZE_LIMIT).split(b"\n")
        head = _parsed(lines[0])
        if head is None or head.get("format") != FORMAT:
            raise InputError(f"{path}: is no results file of a sweep; name another file.")
        if head.get("version") != VERSION:
            raise InputError(f"{path}: holds results of version {head.get('version')}, this "
                             f"preburn writes version {VERSION}; name another file.")
        for number, line in enumerate(lines[1:], 2):
            row = _parsed(line)
            if row is None and line and number < len(lines):  # the last may be cut off
                raise InputError(f"{path}:{number}: is broken JSON; take the line out.")
            if row is not None and "key" in row:
                self.found[row["key"]] = row

    @contextmanager
    def writing(self) -> Iterator[Callable[[Result], None]]:
        """Give the function that keeps a result, in the file too."""
        if self.path is None:
            yield lambda row: self.found.update({row["key"]: row})
            return
        lines = [{"format": FORMAT, "version": VERSION}, *self.found.values()]
        write_atomic(self.path, "".join(json.dumps(x) + "\n" for x in lines).encode("ascii"),
                     "results file")
        try:
            with self.path.open("a", encoding="ascii") as out:
                def keep(row: Result) -> None:
                    self.found[row["key"]] = row
                    out.write(json.dumps(row) + "\n")
                    out.flush()

                yield keep
        except OSError as error:
            raise InputError(f"--results {self.path}: cannot be written: "
                             f"{error.strerror}.") from None


def _parsed(line: bytes) -> Result | None:
    try:
        row = json.loads(line)
    except ValueError:
        return None
    return row if isinstance(row, dict) else None


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """Connect to a Dask cluster; InputError when Dask is missing or nobody answers."""
    dask: Any
    try:
        import distributed
        dask = distributed
    except ImportError:
        raise InputError('--cluster needs Dask: pip install "preburn[cluster]".') from None
    try:
        client = dask.Client(address, timeout=10)
    except (OSError, TimeoutError, ValueError, RuntimeError) as error:
        raise InputError(f"--cluster {address}: no Dask scheduler answers there "
                         f"({type(error).__name__}); give its address, such as "
                         f"tcp://10.0.0.5:8786.") from None
    with client:
        yield client.get_executor(pure=False)


def run(jobs: Sequence[Job], executor: Executor, results: Results,
        told: Callable[[int, int], None] = lambda done, count: None,
        broken: Callable[[], None] = lambda: None,
        again: Callable[[int | None], Executor] = local_pool) -> None:
    """Run the jobs that have no result yet; ``told`` is given how many are done, of how many.

    When a process of this machine dies, ``again`` makes a new executor (of some processes)
    for what is left; a job that ends its process when it is alone in it is told as not run,
    which is not kept in the file.
    On Ctrl-C ``broken`` is called, what is under way is finished and kept, and
    KeyboardInterrupt goes on; a second one, or another signal, ends the workers at once.
    """
    todo = {job.key: job for job in jobs if not job.problem and job.key not in results.found}
    told(len(jobs) - len(todo), len(jobs))
    if not todo:
        return
    with results.writing() as save:
        def keep(row: Result) -> None:
            save(row)
            told(len(jobs) - sum(key not in results.found for key in todo), len(jobs))

        left = _round(list(todo.values()), executor, results, keep, broken)
        while left:
            alone, left = left[:SUSPECTS], left[SUSPECTS:]
            for job in alone:
                with again(1) as one:
                    if _round([job], one, results, keep, broken):
                        results.found[job.key] = {"key": job.key, **not_run(KILLED)}
            if left:
                with again(None) as fresh:
                    left = _round(left, fresh, results, keep, broken)


def _round(jobs: Sequence[Job], executor: Executor, results: Results,
           keep: Callable[[Result], None], broken: Callable[[], None]) -> list[Job]:
    """Run jobs on an executor; those that are left when it breaks, in their order."""
    futures: dict[Future[Result], Job] = {}
    try:
        try:
            with _unheard():
                futures.update((executor.submit(run_job, job), job) for job in jobs)
            for future in as_completed(list(futures)):
                keep(future.result())
        except BrokenExecutor:
            for future in futures:
                if future.done() and not future.cancelled() and future.exception() is None \
                        and futures[future].key not in results.found:
                    keep(future.result())
            return [job for job in jobs if job.key not in results.found]
        except KeyboardInterrupt as stop:
            if not isinstance(stop, Ended):
                broken()
                _finish(list(futures), results, keep)
            raise
    except KeyboardInterrupt as stop:
        if isinstance(stop, Ended) or not all(future.done() for future in futures):
            end_workers()
        raise
    return []


@contextmanager
def _unheard() -> Iterator[None]:
    """Let Ctrl-C go unheard while workers start: they inherit that, so none of them sees it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _finish(futures: list[Future[Result]], results: Results,
            keep: Callable[[Result], None]) -> None:
    """Keep what is under way, and begin nothing more."""
    for future in futures:
        future.cancel()
    for future in futures:
        if (not future.cancelled() and future.exception() is None
                and future.result()["key"] not in results.found):
            keep(future.result())


def rows(jobs: Iterable[Job], found: Mapping[str, Result]) -> list[Result]:
    """Give the table: one row a job, in the jobs' order, with the labels in front."""
    return [{"number": job.number, "varied": dict(job.variant.labels),
             **(not_run(job.problem) if job.problem else
                {k: v for k, v in found[job.key].items() if k != "key"})}
            for job in jobs if job.problem or job.key in found]
