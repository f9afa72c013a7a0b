"""When did it happen: a run repeated in slices, narrowed down to the moment."""
from __future__ import annotations

from collections.abc import Callable

from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.trials.forks import activity
from emu.errors import InputError
from emu.machine.machine import Machine, Snapshot
from emu.run.inputs import fitting
from emu.run.session import Session

SLICES = 16
CLOSE = 64  # T-states: near enough
LOOK = 0.04  # seconds that tell whether anything new runs


class Again:
    """The run of a case once more, on a machine of its own, with what was done to it.

    A changed machine takes what it can of that (`emu.run.inputs.fitting`).
    """

    def __init__(self, case: Case, machine: Machine | None = None,
                 until: str | None = None) -> None:
        first = case.session.so_far()
        self.machine = machine or Machine(first.description, first.seed)
        self.session = Session(self.machine, until, inputs=[*fitting(self.machine, first.inputs)])

    def to(self, t: int) -> None:
        """Run to a T-state, doing on the way what was done."""
        self.session.run_to(t)

    def save(self) -> tuple[Snapshot, int]:
        """Remember where it stands."""
        return self.session.player.save()

    def back(self, saved: tuple[Snapshot, int]) -> None:
        """Go back to where it stood."""
        self.session.player.back(saved)


class Anew(Again):
    """The run of a case once more with its script: what was typed is typed where its texts come
    now, which a changed machine may show sooner, later, or at last."""

    def __init__(self, case: Case, machine: Machine, until: str | None) -> None:
        super().__init__(case, machine, until)
        self._first = case.session
        if case.session.asked:
            try:
                self.session = Session(machine, until, steps=[*case.session.asked])
            except InputError:
                pass  # the machine has not what the script moves

    def to(self, t: int) -> None:
        """Run to a T-state, typing what is due, or until the text has come."""
        self.session.go_on(t)

    def came(self) -> tuple[str, int] | None:
        """Give the text that came now and had not, and the T-state of its last character: the one
        that the run was for, or the one at which its script had stopped."""
        session, missed, met = self.session, self._first.missed, len(self._first.met)
        if session.reached:
            return session.until or "", session.reached_t
        if missed is not None and len(session.met) > met:
            return missed.text.decode("latin-1"), session.met[met][2]
        return None


def first(case: Case, happened: Callable[[Machine], bool], end: int) -> int | None:
    """Give a T-state at most CLOSE before the first one at which something had happened.

    ``happened`` must stay true once it is; None when it has not by ``end``.
    """
    run = Again(case)
    low, high = 0, end
    saved = run.save()
    while high - low > CLOSE:
        step = max((high - low) // SLICES, CLOSE // 2)
        run.back(saved)
        at = low
        while at < high:
            saved, low = run.save(), at
            at = min(at + step, high)
            run.to(at)
            if happened(run.machine):
                break
        else:
            return None
        high = at
    return low


def death(case: Case) -> int | None:
    """Give a T-state shortly before the machine came into what it now does for ever.

    None when it has done nothing else all along, or does not stay in it.
    """
    known = case.__dict__.get("_death", ())
    if known == ():
        known = case.__dict__["_death"] = _death(case)
    return known  # type: ignore[no-any-return]


def _death(case: Case) -> int | None:
    begin = case.session.last_input()
    quiet = case.control.code | case.idle
    run = Again(case)
    run.to(begin)
    low, high = begin, int(case.m.t)
    saved = run.save()
    if _dead(run.machine, quiet):
        return None if begin == 0 else begin
    while high - low > CLOSE:
        run.back(saved)
        step = max((high - low) // SLICES, CLOSE // 2)
        marks = []
        for at in range(low, high, step):
            run.to(at)
            marks.append((at, run.save()))
        low, saved, high = _narrowed(run, marks, quiet, high)
    return low


def _narrowed(run: Again, marks: list[tuple[int, tuple[Snapshot, int]]], quiet: set[int],
              high: int) -> tuple[int, tuple[Snapshot, int], int]:
    """Find the last mark at which the machine still lived, by halving."""
    alive, dead = 0, len(marks)
    while dead - alive > 1:
        middle = (alive + dead) // 2
        run.back(marks[middle][1])
        if _dead(run.machine, quiet):
            dead = middle
        else:
            alive = middle
    return marks[alive][0], marks[alive][1], marks[dead][0] if dead < len(marks) else high


def _dead(machine: Machine, quiet: set[int]) -> bool:
    """Tell whether only code of the final state runs from here."""
    with forked(machine):
        return not activity(machine, machine.at(LOOK)).code - quiet
