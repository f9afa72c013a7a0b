"""Run again what a record was made of."""
from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.description import Description
from emu.card.number_words import counted
from emu.errors import InputError, nearest
from emu.files.numbers import LONGEST, exact
from emu.knowngood.marks import mark
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.record import Tree, checkpoint_rows, console_text, record
from emu.run.done_again import Run
from emu.run.script import STEPS, Step
from emu.run.session import Session
from emu.run.shown import HEAD


def checkpoints(run: Run, interval: int, end: int) -> list[list[Any]]:
    """Digest the bus of a run up to T-state ``end`` again, with checkpoints every so many
    cycles."""
    machine = MeteredMachine(run.description, run.seed)
    machine.fix_interval(interval)
    run.on(machine).run_to(min(end, run.end))
    return checkpoint_rows(machine)


def steps_of(good: Tree, path: Path) -> list[Step]:
    """Give the send and expect steps that a record was made with."""
    return [Step(_known(kind, path, number), _typed(text), _seconds(seconds, path),
                 f"{path}: step {number}")
            for number, (kind, text, seconds) in enumerate(good["boot"]["steps"], 1)]


def _known(kind: str, path: Path, number: int) -> str:
    if kind not in STEPS:
        raise InputError(f"{path}: step {number}: there is no {kind!r}; {nearest(kind, STEPS)}")
    return kind


def _typed(text: str) -> bytes:
    return text.encode("latin-1", "replace")


def _seconds(text: str, path: Path) -> Fraction:
    """Read a time; InputError for none, and for one that no option would give."""
    try:
        seconds = exact(text)
    except ValueError:
        seconds = Fraction(-1)
    if not 0 <= seconds <= LONGEST:
        raise InputError(f"{path}: {text[:40]!r} is no time of 0 to {LONGEST} s; record the good "
                         f"image again.")
    return seconds


def session_for(description: Description, good: Tree, path: Path,
                progress: Callable[[str], None] | None = None
                ) -> tuple[Session, dict[int, str]]:
    """Make the session that a record asks for, on the described machine, not run yet; and
    the names of the machine's marks."""
    boot = good["boot"]
    machine = MeteredMachine(description, good["machine"]["seed"], progress)
    try:
        names = mark(machine, boot["places"], "milestone")
        return Session(machine, boot["until"], _seconds(boot["limit"], path),
                       steps_of(good, path)), names
    except InputError as error:
        raise InputError(f"{path}: the record cannot be run on {description.path}: "
                         f"{error}") from None


def console_so_far(good: Tree, session: Session) -> str:
    """Say whether a run that has not come to its end has shown what the record has."""
    count = 0
    for name, channel in session.console.channels.items():
        ours = bytes(channel.text[:HEAD]).decode("latin-1")  # the middle may be left out
        recorded = console_text(good["console"][name]) if name in good["console"] else ""
        if not recorded.startswith(ours):
            return f"what {name} shows is not what was recorded"
        count += len(ours)
    return f"the console is as recorded so far, {counted(count, 'character')}"


def rerun(description: Description, good: Tree, path: Path,
          progress: Callable[[str], None] | None = None,
          run: Callable[[Session], None] = Session.run) -> tuple[Session, Tree]:
    """Run what a record asks for; the session, and the record of this run, without a verdict.

    ``run`` runs the session.  Raises KeyboardInterrupt when that was broken off, with what is
    known by then.
    """
    session, names = session_for(description, good, path, progress)
    run(session)
    if session.interrupted:
        raise KeyboardInterrupt(f"stopped by Ctrl-C after {session.machine.stands()}; "
                                f"{console_so_far(good, session)}.")
    return session, record(session, names=names)
