"""Kill preburn at random moments of everything that it writes back: old or new, never between.

    python tools/kills.py                         # 500 kills, a table
    python tools/kills.py --count 40 --seed 2 --only medium --json
    python tools/kills.py --write                 # the table into docs/reliability.md too

A round writes a file while `kill -9` comes at a random moment: most after a call of the system's
that the write-back makes (the child kills itself there), some after a random time.  Behind it the
file must be the old one or the new one to the byte, and the next start must work.  Drafts that are
left lie beside it, named `.FILE.xxx`.  All follows from the seed but the moments in time.
"""
from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import marked

from emu.backplane.description import load
from emu.cli import main as main_of_preburn
from emu.machine.machine import Machine

ROOT = Path(__file__).resolve().parent.parent
FULL = ROOT / "roms" / "tidewater" / "full.toml"
FLOPPY = ROOT / "roms" / "tidewater" / "floppy.toml"
CALLS = ((tempfile, "mkstemp"), (os, "fsync"), (os, "chmod"), (os, "replace"))
POINTS = 11  # before and behind each of them, and one more: some rounds get to their end


@dataclass(frozen=True)
class Case:
    """One write-back: its arguments, the file that is written, and the file's old bytes."""

    name: str
    arguments: tuple[str, ...]
    target: str
    reads: Callable[[Path], list[str]] | None = None  # arguments of a start that reads it after


@dataclass
class Tally:
    """What came of a case's rounds."""

    kills: int = 0
    old: int = 0
    new: int = 0
    drafts: int = 0
    between: list[str] = field(default_factory=list)


CASES = (
    Case("boot --keep", ("boot", "floppy.toml", "--keep", "--limit", "30", "--send", "gauge\\r",
                         "--after", "ing", "--send", "disk attach\\r", "--after",
                         "a Tidewater disk", "--send", "log archive\\r"), "disk.img",
         lambda path: ["medium", "list", str(path)]),
    Case("medium import", ("medium", "import", "fat.img", "note.txt"), "fat.img",
         lambda path: ["medium", "list", str(path)]),
    Case("record", ("record", str(FULL), "-o", "good.json", "--limit", "0.1", "--anyway"),
         "good.json", lambda path: ["verify", str(FULL), str(path)]),
    Case("boot --report", ("boot", str(FULL), "--limit", "0.1", "--report", "page.html"),
         "page.html"),
    Case("console --save", ("console", str(FULL), "--tcp", "0", "--fast", "--limit", "0.1",
                            "--save", "saved.json"), "saved.json",
         lambda path: ["console", str(FULL), "--tcp", "0", "--limit", "0.01", "--load", str(path)]),
    Case("verify --junit", ("verify", str(FULL), "good.json", "--junit", "out.xml"), "out.xml"),
)


@dataclass
class Child:
    """A command in a fork of this process, which has everything loaded."""

    pid: int
    errors: Path

    def wait(self) -> int:
        """Wait for its end; the exit status, -9 when it was killed."""
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])

    @property
    def said(self) -> str:
        """What it wrote on standard error."""
        return self.errors.read_text()


def preburn(*arguments: str, folder: Path, at: int = 0) -> Child:
    """Start a command that kills itself at the ``at``-th of the points, 0: at none."""
    errors = folder / "errors"
    pid = os.fork()
    if pid:
        return Child(pid, errors)
    status = 70
    try:
        os.chdir(folder)
        for number, name, how in ((0, os.devnull, os.O_RDONLY), (1, os.devnull, os.O_WRONLY),
                                  (2, str(errors), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)):
            os.dup2(os.open(name, how), number)
        _kill_at(at)
        sys.argv[1:] = arguments
        main_of_preburn()
        status = 0
    except SystemExit as leave:
        status = leave.code if isinstance(leave.code, int) else int(leave.code is not None)
    except BaseException:
        traceback.print_exc()
    sys.stderr.flush()
    os._exit(status)


def _kill_at(at: int) -> None:
    """Kill this process when the ``at``-th point is reached."""
    left = [at]

    def point() -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def counted(function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            point()
            done = function(*arguments, **named)
            point()
            return done

        return call

    for module, name in CALLS:
        setattr(module, name, counted(getattr(module, name)))


def prepare(folder: Path) -> None:
    """Write the files that the cases take, and their old bytes."""
    (folder / "note.txt").write_text("a note\n" * 400)
    for name, files in (("disk.img", "tidewater"), ("fat.img", "fat12")):
        preburn("medium", "create", name, "--geometry", "720K", "--files", files,
                folder=folder).wait()
    (folder / "floppy.toml").write_text(
        f'extends = "{FLOPPY}"\n[slot.floppy]\ndrive-a = {{ size = "3.5", medium = "disk.img", '
        f'geometry = "720K" }}\n')


def digest(path: Path) -> str:
    """Give the digest of a file, or that there is none."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else "none"


def rounds(case: Case, count: int, chance: random.Random, folder: Path) -> Tally:
    """Kill a case's write-back so many times; the old file is put back before each."""
    tally = Tally()
    target = folder / case.target
    if case.target == "out.xml" and not (folder / "good.json").exists():
        preburn("record", str(FULL), "-o", "good.json", "--limit", "0.1", "--anyway",
                folder=folder).wait()
    old = target.read_bytes() if target.exists() else None
    if old is None:  # a file of the kind, with other bytes
        preburn(*case.arguments, folder=folder).wait()
        old = target.read_bytes() + b"\n"
    target.write_bytes(old)
    began = time.monotonic()
    done = preburn(*case.arguments, folder=folder)
    done.wait()
    took = time.monotonic() - began
    new, before = digest(target), hashlib.sha256(old).hexdigest()
    if new == before:
        raise RuntimeError(f"{case.name} wrote nothing: {done.said[-300:]}")
    for _ in range(count):
        target.write_bytes(old)
        timed = chance.random() < 0.2
        child = preburn(*case.arguments, folder=folder,
                        at=0 if timed else chance.randrange(1, POINTS + 1))
        if timed:
            time.sleep(chance.uniform(0.3, 1.0) * took)
            os.kill(child.pid, signal.SIGKILL)
        tally.kills += int(child.wait() == -9)
        found = digest(target)
        tally.old += int(found == before)
        tally.new += int(found == new)
        if found not in (before, new):
            tally.between.append(f"{case.name}: {case.target} is neither old nor new")
        for draft in folder.glob(f".{case.target}.*"):
            tally.drafts += 1
            draft.unlink()
    if case.reads is not None:
        after = preburn(*case.reads(target), folder=folder)
        if after.wait() not in (0, 1) or "Traceback" in after.said:
            tally.between.append(f"{case.name}: the next start: {after.said[-200:]}")
    return tally


def cache(count: int, chance: random.Random, folder: Path) -> Tally:
    """Kill first compiles: the folder of machine code must serve the next start."""
    tally = Tally()
    for _ in range(count):
        home = Path(tempfile.mkdtemp(dir=folder))
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(home)}
        command = [sys.executable, "-m", "emu.cli", "check", str(FULL)]
        boot = [sys.executable, "-m", "emu.cli", "boot", str(FULL), "--limit", "0.01"]
        two = [subprocess.Popen(boot, env=environment, stdout=subprocess.DEVNULL,
                                stderr=subprocess.DEVNULL, start_new_session=True)
               for _ in range(2)]  # two first compiles at once; the one that works is killed
        time.sleep(chance.uniform(0.5, 25))
        two[0].kill()
        two[0].wait()
        if two[1].wait() not in (0, 1):
            tally.between.append(f"cache: the other start gave {two[1].returncode}")
        units = sorted(home.rglob("*.unit"))
        for unit in units[:1]:  # and one that is damaged is made anew
            unit.write_bytes(unit.read_bytes()[:chance.randrange(1, 4000)])
        tally.kills += 1
        again = subprocess.run(boot, env=environment, capture_output=True, check=False)
        tally.new += int(again.returncode in (0, 1))
        if again.returncode not in (0, 1) or b"Traceback" in again.stderr:
            tally.between.append(f"cache: the next start: {again.stderr.decode()[-200:]}")
        subprocess.run(command, env=environment, capture_output=True, check=False)
        shutil.rmtree(home)
    return tally


def measure(count: int, seed: int, only: str, starts: int) -> Iterator[tuple[str, Tally]]:
    """Do all rounds, spread over the cases."""
    warm = Machine(load(FLOPPY))
    warm.run(1)
    chosen = [case for case in CASES if only in case.name]
    with tempfile.TemporaryDirectory(prefix="preburn-kills-") as name:
        for case in chosen:
            folder = Path(name) / case.name.replace(" ", "-")
            folder.mkdir()
            prepare(folder)
            yield case.name, rounds(case, -(-count // len(chosen)),
                                    random.Random(f"{seed} {case.name}"), folder)
        if only in "first compile" and starts:
            yield "first compile, two at once", cache(starts, random.Random(seed), Path(name))


def main() -> int:
    """Kill and print; 1 when something was between old and new."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--starts", type=int, default=5, help="first compiles")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    told = []
    for name, tally in measure(options.count, options.seed, options.only, options.starts):
        told.append((name, tally))
        print(f"{name}: {tally}", file=sys.stderr)
    text = marked.table(("written by", "killed", "old", "new", "between", "drafts left"), [
        (f"`{name}`", tally.kills, tally.old, tally.new, len(tally.between), tally.drafts)
        for name, tally in told])
    if options.json:
        print(json.dumps({name: tally.__dict__ for name, tally in told}, indent=2))
    else:
        print(text)
    if options.write:
        marked.put("reliability.md", "kills", text)
    return int(any(tally.between for _, tally in told))


if __name__ == "__main__":
    sys.exit(main())
