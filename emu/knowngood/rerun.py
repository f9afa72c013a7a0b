"""Run again what a record was made of, and hand out the bus cycles of a run from a time on."""
from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.description import Description
from emu.bus.state import LOG
from emu.errors import InputError
from emu.knowngood.marks import mark
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.record import Tree, checkpoint_rows, record
from emu.logs.cycles import Cycles, read_ring
from emu.machine.machine import Machine
from emu.run.script import Step
from emu.run.session import Session

Inputs = Sequence[tuple[int, str, bytes]]
LEAD = 64  # T-states that a replay stops early, so that the cycle asked for is still ahead


@dataclass(frozen=True)
class Run:
    """What is needed to run something again to the T-state."""

    description: Description
    seed: int
    inputs: Inputs
    end: int  # T-state where the run ended

    def machine_at(self, t: int) -> tuple[Machine, Session]:
        """Build the machine and run it, with what was typed, to T-state ``t``."""
        machine = Machine(self.description, self.seed)
        session = Session(machine)
        self._type_until(session, t)
        return machine, session

    def _type_until(self, session: Session, t: int) -> None:
        for when, name, what in self.inputs:
            if when > t:
                break
            session.run_to(when)
            session.again(name, what, when)
        session.run_to(t)

    def checkpoints(self, interval: int, end: int) -> list[list[Any]]:
        """Digest the bus up to T-state ``end`` again, with checkpoints every so many cycles."""
        machine = MeteredMachine(self.description, self.seed)
        machine.fix_interval(interval)
        self._type_until(Session(machine), min(end, self.end))
        return checkpoint_rows(machine)

    def cycles(self, start: int) -> Iterator[Cycles]:
        """Give the bus cycles from just before T-state ``start`` to the end, in pieces."""
        for _, piece in self.watched(start):
            yield piece

    def watched(self, start: int, most: int = LOG // 2) -> Iterator[tuple[Machine, Cycles]]:
        """Give, in pieces of ``most`` bus cycles or a few more, the machine behind the piece,
        and the piece, from just before T-state ``start`` to the end."""
        begin = max(start - LEAD, 0)
        machine, session = self.machine_at(begin)
        machine.log(True)
        m, taken = machine.m, 0
        stops = [(t, name, what) for t, name, what in self.inputs if t > begin]
        for when, name, what in [*stops, (self.end, "", b"")]:
            while int(m.t) < when:
                m.log_limit = taken + most
                machine.run(when)
                session.console.take()
                found = read_ring(m, taken, int(m.log_pos))
                taken = int(m.log_pos)
                yield machine, found
            if what:
                session.again(name, what, when)


def run_of(session: Session) -> Run:
    """Keep what a session did, to run it again."""
    machine = session.machine
    return Run(machine.description, machine.seed, tuple(session.inputs), int(machine.m.t))


def steps_of(good: Tree, path: Path) -> list[Step]:
    """Give the send and expect steps that a record was made with."""
    return [Step(kind, text.encode("latin-1"), Fraction(seconds), f"{path}: step {number}")
            for number, (kind, text, seconds) in enumerate(good["boot"]["steps"], 1)]


def session_for(description: Description, good: Tree, path: Path,
                progress: Callable[[str], None] | None = None
                ) -> tuple[Session, dict[int, str]]:
    """Make the session that a record asks for, on the described machine, not run yet; and
    the names of the machine's marks."""
    boot = good["boot"]
    machine = MeteredMachine(description, good["machine"]["seed"], progress)
    try:
        names = mark(machine, boot["places"], "milestone")
        return Session(machine, boot["until"], Fraction(boot["limit"]),
                       steps_of(good, path)), names
    except InputError as error:
        raise InputError(f"{path}: the record cannot be run on {description.path}: "
                         f"{error}") from None


def rerun(description: Description, good: Tree, path: Path,
          progress: Callable[[str], None] | None = None) -> tuple[Session, Tree]:
    """Run what a record asks for; the session, and the record of this run, without a verdict.

    Raises KeyboardInterrupt when the run was broken off.
    """
    session, names = session_for(description, good, path, progress)
    session.run()
    if session.interrupted:
        raise KeyboardInterrupt
    return session, record(session, names=names)
