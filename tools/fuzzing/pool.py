"""Processes that do cases in bounds of time and memory, and the shrinking of what breaks one."""

from __future__ import annotations

import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TypeVar

from fuzzing.act import do, used
from fuzzing.case import Case, Family, Result

MEMORY = 1 << 30  # bytes beyond what the process has when it begins
IDLE = 10.0  # seconds without any processor time until a case is taken to wait for ever
T = TypeVar("T")

TRIALS = 160  # of a shrinking
PATIENCE = 45.0  # seconds of a shrinking


def base_folder() -> str:
    """Give a place for the cases' folders: in memory where there is such a thing."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else tempfile.gettempdir()


def _bound(family: Family) -> None:
    """Bound what the next case may use; the system ends the process that uses more."""
    now = int(used()) + family.seconds + 1
    resource.setrlimit(resource.RLIMIT_CPU, (now, resource.getrlimit(resource.RLIMIT_CPU)[1]))


def _bound_memory() -> None:
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    most = resource.getrlimit(resource.RLIMIT_AS)[1]
    wanted = size + MEMORY if most == resource.RLIM_INFINITY else min(size + MEMORY, most)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _quiet() -> None:
    silent = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(silent, descriptor)


def _work(
    family: Family, numbers: Sequence[int], make: Callable[[int], Case], pipe: int, top: Path
) -> None:
    os.setsid()
    _quiet()
    _bound_memory()
    for number in numbers:
        os.write(pipe, f"{number}\n".encode())
        _bound(family)
        try:
            result = do(family, make(number), top)
        except Exception:
            result = Result(True, "tool", "the tool itself failed", traceback.format_exc())
            shutil.rmtree(top, True)
        os.write(pipe, json.dumps(asdict(result)).encode() + b"\n")


def run(
    family: Family, numbers: Sequence[int], make: Callable[[int], Case]
) -> Iterator[tuple[int, Result]]:
    """Do cases in one process; when that ends early, the last result says how."""
    reading, writing = os.pipe()
    with tempfile.TemporaryDirectory(
        prefix="preburn-fuzz-", dir=base_folder(), ignore_cleanup_errors=True
    ) as folder:
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            os.close(reading)
            code = 1
            try:
                _work(family, numbers, make, writing, Path(folder) / "case")
                code = 0
            finally:
                os._exit(code)
        os.close(writing)
        try:
            yield from _results(family, child, reading)
        finally:
            os.close(reading)
            _end(child)


def _end(child: int) -> int:
    """End a process with all that it has started; give how it ended."""
    try:
        os.killpg(child, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        pass
    try:
        return os.waitpid(child, 0)[1]
    except ChildProcessError:
        return 0


def _results(family: Family, child: int, reading: int) -> Iterator[tuple[int, Result]]:
    number, held = -1, b""
    worked, since = -1, time.monotonic()
    while True:
        if not select.select([reading], [], [], IDLE / 4)[0]:
            now = _worked(child)
            if now != worked:
                worked, since = now, time.monotonic()
            elif time.monotonic() - since > IDLE and number >= 0:
                yield number, Result(True, "time", "it waits for ever", "", 0.0)
                return
            continue
        worked, since = -1, time.monotonic()
        came = os.read(reading, 1 << 16)
        if not came:
            break
        *lines, held = (held + came).split(b"\n")
        for line in lines:
            if line[:1] == b"{":
                yield number, Result(**json.loads(line))
                number = -1
            else:
                number = int(line)
    if number >= 0:
        yield number, _ended(family, os.waitpid(child, 0)[1])


def _worked(session: int) -> int:
    """Give the processor time, in clock ticks, of all processes of a session."""
    out = 0
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session:
            out += int(fields[11]) + int(fields[12])
    return out


def _ended(family: Family, status: int) -> Result:
    """Say how a process ended in the middle of a case."""
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        if number == signal.SIGXCPU:
            return Result(
                True, "time", f"more than {family.seconds} s of processor time", "", family.seconds
            )
        return Result(True, "signal", f"ended by {signal.Signals(number).name}")
    return Result(True, "status", f"the process left with {os.waitstatus_to_exitcode(status)}")


def alone(family: Family, case: Case) -> Result:
    """Do one case in a process of its own."""
    return next(
        (result for _, result in run(family, [0], lambda _: case)),
        Result(True, "signal", "nothing came back"),
    )


# --- making it small ----------------------------------------------------------------------
def shrink(family: Family, case: Case, wanted: Result) -> Case:
    """Give a smaller case that breaks the same thing."""
    end = time.monotonic() + PATIENCE
    left = [TRIALS if wanted.kind != "time" else 2]

    def same(trial: Case) -> bool:
        left[0] -= 1
        found = alone(family, trial)
        return (found.kind, found.mark) == (wanted.kind, wanted.mark)

    def more() -> bool:
        return left[0] > 0 and time.monotonic() < end

    for name in case.files:
        case = _with_less(case, name, same, more)
    if family.words_shrink:
        whole = case
        words = _fewer(case.words, lambda words: same(replace(whole, words=words)), more)
        case = replace(case, words=words)
    if case.stream:
        longer = case
        stream = _shorter(case.stream, lambda data: same(replace(longer, stream=data)), more)
        case = replace(case, stream=stream)
    return case


def _with_less(
    case: Case, name: str, same: Callable[[Case], bool], more: Callable[[], bool]
) -> Case:
    """Make one of the files shorter."""
    content = case.files[name]
    if not isinstance(content, bytes):
        return case

    def cut(data: bytes) -> Case:
        return replace(case, files={**case.files, name: data})

    return cut(_shorter(content, lambda data: same(cut(data)), more))


def _shorter(data: bytes, same: Callable[[bytes], bool], more: Callable[[], bool]) -> bytes:
    """Leave out lines of a text, or stretches of other bytes, as long as it stays the same."""
    text = data.count(b"\n") > 2
    parts = (
        tuple(data.splitlines(keepends=True))
        if text
        else tuple(data[k : k + 1] for k in range(len(data)))
        if len(data) < 4096
        else tuple(data[k : k + 64] for k in range(0, len(data), 64))
    )
    return b"".join(_fewer(parts, lambda kept: same(b"".join(kept)), more))


def _fewer(
    parts: tuple[T, ...], same: Callable[[tuple[T, ...]], bool], more: Callable[[], bool]
) -> tuple[T, ...]:
    size = max(len(parts) // 2, 1)
    while parts and more():
        at, before = 0, len(parts)
        while at < len(parts) and more():
            trial = parts[:at] + parts[at + size :]
            if same(trial):
                parts = trial
            else:
                at += size
        if size == 1 and len(parts) == before:
            break
        size = max(size // 2, 1)
    return parts
