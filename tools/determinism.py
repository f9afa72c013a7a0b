"""Hold random machines to determinism: the same seed gives the same run, however it is run.

    python tools/determinism.py                   # 100 machines: whole, in slices, with snapshots
    python tools/determinism.py --count 10 --plain 3      # 3 of them without machine code, too
    python tools/determinism.py --other OLD/bin/python    # on another compiler too (.ci/compilers)
    python tools/determinism.py --one 17          # the digest of one run

A number chooses a machine (one of the repository's backplane files, with electrical faults), the
noise at power-on, keys, pulled lines, changed wait states, pokes, and how long it runs.  The state
at the end, registers, memory, every card, is digested.  It must be the same when the run is cut
into random slices, when snapshots are taken and brought back at random moments, in another
process, without machine code, and in another environment, such as one with the oldest compiler
that the pin allows.
"""
from __future__ import annotations

import argparse
import hashlib
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import marked
import numpy as np

from emu.backplane.description import Description, load
from emu.bus.state import MACHINE
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.console import channels
from emu.run.done_again import PlayedMachine, Run
from emu.run.inputs import Input

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("broken", "healthy", "tidewater", "kernels")
FAULTS = ("data-stuck,line=3,level=0", "data-swapped,line=1,with=6", "no-pull-ups",
          "address-stuck,line=9,level=1", "reti-unseen", "int-low", "nmi-noise,every=0.003",
          "slow-memory,access=150")
# What the host sets, and what is noted off the fast path only.
HOST = {"next_event", "t_stop", "exit_reason", "log", "log_pos", "log_limit", "uid", "plain",
        "card_functions", "state_offset", "bus_driver", "bus_byte", "phys"}
MOST = 1_500_000  # T-states of a run
PLAIN = 20_000  # and of one without machine code


@dataclass(frozen=True)
class Choice:
    """A machine and what is done to it."""

    description: Description
    run: Run

    @property
    def name(self) -> str:
        """The file, and the faults."""
        faults = [str(fault) for fault in self.description.faults]
        return " ".join([self.description.path.name, *faults])


def files() -> list[Path]:
    """List the backplane files of the repository."""
    return sorted(path for folder in FOLDERS for path in (ROOT / "roms" / folder).rglob("*.toml")
                  if path.name not in ("build.toml", "expected.toml"))


def choose(number: int, most: int = MOST) -> Choice:
    """Choose the machine of a number, and what is done to it within ``most`` T-states."""
    chance = random.Random(number)
    while True:
        path = chance.choice(files())
        faults = tuple(chance.sample(FAULTS, chance.choice((0, 0, 1, 2))))
        try:
            description = load(path, faults)
            machine = Machine(description, number)
        except InputError:
            continue  # no machine by itself, or the faults do not fit
        end = chance.randrange(most // 4, most)
        inputs = sorted((_input(chance, machine, end) for _ in range(chance.randrange(8))),
                        key=lambda one: one.t)
        return Choice(description, Run(description, number, tuple(inputs), end))


def _input(chance: random.Random, machine: Machine, end: int) -> Input:
    """Choose a key, a line, a wait state, a register or a byte of memory."""
    t = chance.randrange(end)
    names = [channel.name for channel in channels(machine)]
    kind = chance.choice(("typed", "typed", "line", "jumper", "register", "memory"))
    if kind == "typed" and names:
        return Input(t, kind, chance.choice(names), chance.randbytes(chance.randrange(1, 20)))
    if kind == "jumper":
        slot = chance.choice(machine.slots).name
        return Input(t, kind, f"{slot}.waits-mem", chance.randrange(4))
    if kind == "register":
        return Input(t, kind, chance.choice(("hl", "bc", "a", "ix")), chance.randrange(256))
    if kind == "memory":
        return Input(t, kind, str(chance.randrange(4096)), chance.randbytes(3))
    return Input(t, "line", chance.choice(("nmi", "reset")), 1)


def digest(machine: Machine) -> str:
    """Digest all that belongs to the machine."""
    found = hashlib.sha256()
    for name in MACHINE.names or ():
        if name not in HOST:
            found.update(name.encode() + machine.record[name].tobytes())
    used = int((machine.m.mem_base + machine.m.mem_size).max())
    found.update(np.asarray(machine.m.phys)[:used].tobytes())
    return found.hexdigest()[:24]


def played(choice: Choice) -> PlayedMachine:
    """Make the machine at power-on, with its inputs to come."""
    return PlayedMachine(choice.description, choice.run.seed, choice.run.inputs)


def to_end(choice: Choice, machine: PlayedMachine) -> str:
    """Run to the end, and to the end of a row of prefixes if one is open."""
    while int(machine.m.t) < choice.run.end:
        machine.run(choice.run.end)
    machine.player.to_whole_instruction()
    return digest(machine)


def whole(choice: Choice) -> str:
    """Run it in one go."""
    return to_end(choice, played(choice))


def sliced(choice: Choice) -> str:
    """Run it in slices of random lengths."""
    chance, machine = random.Random(choice.run.seed + 1), played(choice)
    while int(machine.m.t) < choice.run.end:
        longest = chance.choice((7, 500, 40_000))
        machine.run(min(int(machine.m.t) + chance.randrange(1, longest), choice.run.end))
        if chance.random() < 0.9 and longest < 500:
            machine.run(min(int(machine.m.t) + 3000, choice.run.end))
    return to_end(choice, machine)


def with_snapshots(choice: Choice) -> str:
    """Take snapshots at random moments, run astray, and come back."""
    chance, machine = random.Random(choice.run.seed + 2), played(choice)
    for t in sorted(chance.randrange(1, choice.run.end) for _ in range(8)):
        while int(machine.m.t) < t:
            machine.run(t)
        saved = machine.snapshot()
        machine.run(int(machine.m.t) + chance.randrange(1, 100_000))
        machine.restore(saved)
    return to_end(choice, machine)


WAYS: dict[str, Callable[[Choice], str]] = {
    "in random slices": sliced, "with snapshots": with_snapshots, "again": whole}


def elsewhere(number: int, most: int, plain: bool, python: str = sys.executable) -> str:
    """Run it in another process, ``plain``: without machine code."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    if plain:
        environment["NUMBA_DISABLE_JIT"] = "1"
    done = subprocess.run(
        [python, __file__, "--one", str(number), "--most", str(most)],
        text=True, capture_output=True, check=True, env=environment)
    return done.stdout.strip()


def differences(number: int, process: bool = False, plain: bool = False,
                other: str = "") -> Iterator[str]:
    """Run one machine in every way; name those that come to another state."""
    choice = choose(number)
    wanted = whole(choice)
    for name, way in WAYS.items():
        if way(choice) != wanted:
            yield f"{number} ({choice.name}): {name}"
    if process and elsewhere(number, MOST, False) != wanted:
        yield f"{number} ({choice.name}): in another process"
    if plain and elsewhere(number, PLAIN, True) != whole(choose(number, PLAIN)):
        yield f"{number} ({choose(number, PLAIN).name}): without machine code"
    if other and elsewhere(number, MOST, False, other) != wanted:
        yield f"{number} ({choice.name}): with another compiler"


def main() -> int:
    """Run and print; 1 when a way differs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--processes", type=int, default=20, help="of them in another process too")
    parser.add_argument("--plain", type=int, default=5, help="of them without machine code too")
    parser.add_argument("--other", default="", help="the interpreter of another environment")
    parser.add_argument("--others", type=int, default=20, help="of them there too")
    parser.add_argument("--one", type=int)
    parser.add_argument("--most", type=int, default=MOST)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    if options.one is not None:
        print(whole(choose(options.one, options.most)))
        return 0
    found = [text for number in range(options.count)
             for text in differences(
                 number, number < options.processes, number < options.plain,
                 options.other if number < options.others else "")]
    print("\n".join(found) or f"{options.count} machines: every way the same")
    if options.write:
        ways = [(name, options.count) for name in WAYS]
        ways += [("in another process", options.processes), ("without machine code", options.plain)]
        ways += [("with another compiler", options.others)] if options.other else []
        marked.put("reliability.md", "determinism", marked.table(
            ("run", "machines", "with another end"),
            [(name, count, sum(text.endswith(name) for text in found)) for name, count in ways]))
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())
